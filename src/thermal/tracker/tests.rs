//! Random coolings with noisy thermometers: how good the predictions are, and how honest.

use super::*;
use crate::thermal::Cooling;

/// Chance that repeats: `SplitMix64`.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    #[expect(clippy::cast_precision_loss, reason = "53 bits")]
    fn within(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * ((self.next() >> 11) as f64 / (1_u64 << 53) as f64)
    }

    /// Box and Muller.
    fn normal(&mut self) -> f64 {
        let (a, b) = (self.within(1e-12, 1.0), self.within(0.0, std::f64::consts::TAU));
        (-2.0 * a.ln()).sqrt() * b.cos()
    }

    fn of<T: Copy>(&mut self, list: &[T]) -> T {
        #[expect(clippy::cast_possible_truncation, reason = "a short list")]
        list[(self.next() % list.len() as u64) as usize]
    }
}

/// A bed that cools, and its thermometer.
#[derive(Clone, Copy, Debug)]
struct Plant {
    start: f64,
    ambient: f64,
    tau: f64,
    release: f64,
    noise: f64,
    step: f64,
    every: f64,
}

impl Plant {
    fn random(chance: &mut Chance) -> Self {
        loop {
            let plant = Self {
                tau: chance.within(300.0, 3000.0),
                ambient: chance.within(15.0, 32.0),
                start: chance.within(50.0, 110.0),
                release: chance.within(28.0, 60.0),
                noise: 0.1,
                step: chance.of(&[0.01, 0.02, 0.05, 0.1]),
                every: chance.of(&[1.0, 2.0]),
            };
            // What is too near its end, or has none, is no wait.
            if plant.release < plant.start - 5.0 && plant.release > plant.ambient + 1.0 {
                return plant;
            }
        }
    }

    fn truth(&self, at: f64) -> f64 {
        self.ambient + (self.start - self.ambient) * (-at / self.tau).exp()
    }

    fn end(&self) -> f64 {
        self.tau * ((self.start - self.ambient) / (self.release - self.ambient)).ln()
    }

    fn reading(&self, at: f64, chance: &mut Chance) -> Celsius {
        let seen = self.truth(at) + self.noise * chance.normal();
        Celsius((seen / self.step).round() * self.step)
    }
}

fn moment(s: f64) -> Moment {
    Moment::ZERO + Duration::from_secs_f64(1000.0 + s)
}

fn seconds(at: Moment) -> f64 {
    at.since(Moment::ZERO).as_secs_f64() - 1000.0
}

fn usual() -> Prior {
    Prior::configured(Cooling::new(Celsius(22.0), Duration::from_secs(900)).expect("a cooling that can be"))
}

/// Follows a plant to `until` (s), looking at every new outlook.
fn follow(plant: &Plant, prior: Prior, until: f64, seed: u64, mut look: impl FnMut(f64, &Tracker)) -> Tracker {
    let mut chance = Chance(seed);
    let mut tracker = Tracker::cooling(prior, Celsius(plant.release));
    let mut at = 0.0;
    let mut last = None;
    while at < until {
        tracker.handle_reading(moment(at), plant.reading(at, &mut chance));
        if tracker.outlook() != last {
            last = tracker.outlook();
            look(at, &tracker);
        }
        at += plant.every;
    }
    tracker
}

/// Random coolings, and how many of them are predicted well from a third of the wait on, to the end.
struct Tally {
    coolings: u32,
    good: u32,
    alarms: u32,
    /// The interval at a third of the wait held the true end.
    held: u32,
}

fn tally(coolings: u32, seed: u64) -> Tally {
    let mut chance = Chance(seed);
    let mut tally = Tally { coolings, good: 0, alarms: 0, held: 0 };
    for n in 0..coolings {
        let plant = Plant::random(&mut chance);
        let end = plant.end();
        let (mut off, mut alarm, mut held) = (0.0_f64, false, None);
        follow(&plant, usual(), end, seed + u64::from(n), |at, tracker| {
            alarm |= tracker.never_releases().is_some();
            let outlook = tracker.outlook().expect("looked at because it is there");
            if at >= end / 3.0 {
                off = off.max(outlook.at.map_or(1.0, |at| (seconds(at) - end).abs() / end));
                held.get_or_insert_with(|| {
                    seconds(outlook.from) <= end && outlook.until.is_none_or(|until| seconds(until) >= end)
                });
            }
        });
        tally.good += u32::from(off <= 0.05);
        tally.alarms += u32::from(alarm);
        tally.held += u32::from(held == Some(true));
    }
    tally
}

#[test]
fn from_a_third_of_the_wait_on_the_end_is_known_to_a_twentieth_and_the_interval_is_honest() {
    let Tally { coolings, good, alarms, held } = tally(100, 7);
    assert!(good * 100 >= coolings * 95, "{good} of {coolings} within a twentieth");
    assert_eq!(alarms, 0, "all of these end");
    // An interval for nine in ten that held always would say nothing.
    let share = f64::from(held) / f64::from(coolings);
    assert!((0.87..0.985).contains(&share), "the interval held the end in {held} of {coolings}");
}

/// Shares of the time constant after which it was recognised that a bed never gets to its release temperature.
fn recognised(excess_k: f64, noise: f64, prior: impl Fn(&Plant, &mut Chance) -> Prior) -> Vec<f64> {
    let mut chance = Chance(11);
    let mut shares = Vec::new();
    for seed in 0..24 {
        let ambient = chance.within(20.0, 34.0);
        let plant = Plant {
            tau: chance.within(300.0, 3000.0),
            ambient,
            start: chance.within(50.0, 110.0),
            release: ambient - excess_k,
            noise,
            step: 0.01,
            every: 1.0,
        };
        let prior = prior(&plant, &mut chance);
        let mut floor = None;
        follow(&plant, prior, plant.tau * 0.25, seed, |at, tracker| {
            floor = floor.or_else(|| tracker.never_releases().map(|floor| (at, floor)));
        });
        if let Some((at, floor)) = floor {
            assert!((floor.0 - ambient).abs() < 8.0, "{floor} in a room of {ambient}");
            shares.push(at / plant.tau);
        }
    }
    shares
}

#[test]
fn a_release_temperature_below_the_room_s_is_recognised_within_a_quarter_of_the_time_constant() {
    // A quiet thermometer and no history.
    assert_eq!(recognised(2.0, 0.003, |_, _| usual()).len(), 24);
    assert!(recognised(4.0, 0.02, |_, _| usual()).len() >= 23);
    // A noisy one, and what the line has learned.
    let learned = |plant: &Plant, chance: &mut Chance| Prior {
        floor_c: plant.ambient + 1.5 * chance.normal(),
        floor_sd_k: 2.0,
        tau_s: plant.tau * (0.05 * chance.normal()).exp(),
        tau_sd: 0.06,
    };
    assert!(recognised(8.0, 0.1, learned).len() >= 23);
}

/// A bed that does cool, and gets heat from a second store at first: how much of its wait passed until it was held for never
/// getting there.
fn falsely_held(chance: &mut Chance) -> Option<f64> {
    let (slow, fast) = (chance.within(500.0, 2500.0), chance.within(20.0, 150.0));
    let (fall, start, ambient) = (chance.within(1.0, 6.0), chance.within(50.0, 110.0), chance.within(15.0, 28.0));
    let release = ambient + chance.within(3.0, 12.0);
    let noise = chance.of(&[0.003, 0.02, 0.1]);
    let truth = |at: f64| ambient + (start - fall - ambient) * (-at / slow).exp() + fall * (-at / fast).exp();
    let mut tracker = Tracker::cooling(usual(), Celsius(release));
    let mut at = 0.0;
    while truth(at) > release && at < 1.5 * slow {
        tracker.handle_reading(moment(at), Celsius(truth(at) + noise * chance.normal()));
        if tracker.never_releases().is_some() {
            return Some(at / slow);
        }
        at += 4.0;
    }
    None
}

#[test]
fn a_bed_that_gets_heat_from_a_second_store_first_and_does_cool_is_never_held() {
    let mut chance = Chance(13);
    let held: Vec<f64> = (0..200).filter_map(|_| falsely_held(&mut chance)).collect();
    assert!(held.is_empty(), "{} of 200, after these shares of the time constant: {held:?}", held.len());
}

const PLANT: Plant = Plant { start: 60.0, ambient: 22.0, tau: 600.0, release: 30.0, noise: 0.1, step: 0.1, every: 1.0 };

#[test]
fn what_the_line_has_learned_makes_the_first_prediction_good_and_sure() {
    let learned = Prior { floor_c: 22.5, floor_sd_k: 1.5, tau_s: 590.0, tau_sd: 0.05 };
    let first = |prior| {
        let tracker = follow(&PLANT, prior, 20.0, 1, |_, _| ());
        tracker.outlook().expect("after twenty seconds")
    };
    let off = seconds(first(learned).at.expect("an end")) / PLANT.end() - 1.0;
    assert!(off.abs() < 0.15, "{off}");
    let width = |outlook: Outlook| outlook.until.map_or(f64::INFINITY, |until| until.since(outlook.from).as_secs_f64());
    assert!(width(first(learned)) < 0.5 * width(first(usual())), "{:?} {:?}", first(learned), first(usual()));
}

#[test]
fn a_fan_that_goes_on_in_the_middle_is_noticed() {
    // From 200 s on it cools twice as fast.
    let at_fan = PLANT.truth(200.0);
    let truth = |at: f64| {
        if at < 200.0 { PLANT.truth(at) } else { 22.0 + (at_fan - 22.0) * (-(at - 200.0) / 300.0).exp() }
    };
    let end = 200.0 + 300.0 * ((at_fan - 22.0) / 8.0).ln();
    let mut chance = Chance(5);
    let mut tracker = Tracker::cooling(usual(), Celsius(30.0));
    for n in 0..400 {
        tracker.handle_reading(moment(f64::from(n)), Celsius(truth(f64::from(n)) + 0.05 * chance.normal()));
    }
    let at = seconds(tracker.outlook().and_then(|o| o.at).expect("an end"));
    assert!((at - end).abs() < 0.05 * end, "{at} for {end}");
}

#[test]
fn gaps_spikes_and_coarse_steps_do_little_harm() {
    let mut tracker = Tracker::cooling(usual(), Celsius(30.0));
    for n in (0..500).filter(|n| !(200..290).contains(n)) {
        let at = f64::from(n);
        let reading = match n {
            50 => 0.0,
            120 => 350.0,
            121 => f64::NAN,
            _ => (PLANT.truth(at) * 10.0).round() / 10.0,
        };
        tracker.handle_reading(moment(at), Celsius(reading));
    }
    let at = seconds(tracker.outlook().and_then(|o| o.at).expect("an end"));
    assert!((at / PLANT.end() - 1.0).abs() < 0.05, "{at} for {}", PLANT.end());
}

#[test]
fn readings_that_never_change_give_no_nonsense() {
    for constant in [22.0, 60.0, -40.0] {
        let mut tracker = Tracker::cooling(usual(), Celsius(30.0));
        for n in 0..3000 {
            tracker.handle_reading(moment(f64::from(n)), Celsius(constant));
        }
        let outlook = tracker.outlook().expect("an outlook");
        assert!(outlook.floor.0.is_finite() && outlook.floor_sd_k.is_finite() && !outlook.tau.is_zero());
        assert!(tracker.summary().is_none(), "nothing is learned from it");
    }
}

#[test]
fn a_warm_up_is_followed_by_the_same_law() {
    // Full power would end at 140 °C.
    let truth = |at: f64| 140.0 - 118.0 * (-at / 600.0).exp();
    let end = 600.0 * (118.0_f64 / 83.0).ln();
    let usual = Cooling::new(Celsius(22.0), Duration::from_secs(900)).expect("a cooling that can be");
    let like = crate::thermal::Likeness::default();
    let mut tracker = Tracker::warming(Prior::warming(&[], usual, Celsius(57.0), &like), Celsius(57.0));
    let mut chance = Chance(3);
    for n in 0..70 {
        tracker.handle_reading(moment(f64::from(n)), Celsius(truth(f64::from(n)) + 0.05 * chance.normal()));
    }
    let at = seconds(tracker.outlook().and_then(|o| o.at).expect("an end"));
    assert!((at - end).abs() < 0.05 * end, "{at} for {end}");
    assert_eq!(tracker.never_releases(), None);
}
