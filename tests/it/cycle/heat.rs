//! Law L9 for heat: ends foreseen, deadlines that follow from them, and waits that would never end.

use std::time::Duration;

use nosebar::job::{HeatWay, LineReason, LineState, Phase};
use nosebar::line::{Act, Check, Operator, Step};
use nosebar::thermal::Cooling;
use nosebar::units::Celsius;

use super::bench::*;

/// A bed that cools: °C after so many seconds.
fn bed(ambient: f64, after_s: u32) -> f64 {
    let (cooling, start) = (Duration::from_secs(600), Celsius(60.0));
    let bed = Cooling::new(Celsius(ambient), cooling).expect("a cooling that can be");
    (bed.temperature(start, Duration::from_secs(after_s.into())).0 * 100.0).round() / 100.0
}

fn cool(bench: &mut Bench, ambient: f64, from_s: u32, to_s: u32) {
    for at in from_s..to_s {
        if bench.state().0 != LineState::Execute || bench.line.phase() != Some(Phase::Cool) {
            return;
        }
        bench.read(bed(ambient, at), 40.0);
        bench.pass(1);
    }
}

#[test]
fn a_release_temperature_below_the_room_s_is_held_within_a_quarter_of_the_time_constant_with_both_numbers() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    cool(&mut bench, 35.0, 0, 150);
    assert_eq!(bench.state(), (LineState::Held, LineReason::NeverCools));
    let note = bench.line.note();
    assert!(note.contains("cools to 35.") || note.contains("cools to 34."), "{note}");
    assert!(note.contains("lets go at 32.0 °C") && note.contains("resume"), "{note}");
    assert!(bench.heaters_are_off());
}

#[test]
fn after_a_resume_the_same_hold_comes_back_only_if_it_is_still_so() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    cool(&mut bench, 35.0, 0, 150);
    assert_eq!(bench.state().1, LineReason::NeverCools);
    bench.operate(Operator::Resume).expect("it may go on");
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
    cool(&mut bench, 35.0, 150, 165);
    assert_eq!(bench.state().0, LineState::Execute, "not at once again");
    cool(&mut bench, 35.0, 165, 900);
    assert_eq!(bench.state(), (LineState::Held, LineReason::NeverCools), "the room is as it was");
    // Somebody opened a window: from here the bed goes where it should.
    bench.operate(Operator::Resume).expect("it may go on");
    bench.read(31.9, 30.0);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
}

#[test]
fn a_bed_that_stays_hot_is_held_long_before_its_deadline() {
    // A heater that was not switched off: no room is as hot as that, and still it will never end.
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    for _ in 0..500 {
        bench.pass(10);
        bench.read(45.0, 40.0);
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::NeverCools));
    assert!(bench.line.note().contains("cools to 45.0 °C at best"), "{}", bench.line.note());
}

#[test]
fn the_end_is_foreseen_and_the_deadline_follows_it() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    let begun = bench.now;
    let first = bench.line.phase_deadline().expect("law L9");
    let end = Cooling::new(Celsius(22.0), Duration::from_secs(600))
        .and_then(|c| c.wait(Celsius(60.0), Celsius(32.0)))
        .expect("a wait");
    cool(&mut bench, 22.0, 0, 300);
    let outlook = bench.line.outlook().expect("foreseen");
    let foreseen = outlook.at.expect("an end").since(begun);
    assert!(foreseen.abs_diff(end) < end / 20, "{foreseen:?} for {end:?}");
    assert!(outlook.from.since(begun) <= end && outlook.until.is_none_or(|until| until.since(begun) >= end));
    // The config's 900 s were too long a belief.
    let second = bench.line.phase_deadline().expect("law L9");
    assert!(second < first, "{second:?} {first:?}");
    let wanted = end * 3 + Duration::from_secs(600);
    assert!(second.since(begun).abs_diff(wanted) < wanted / 10, "{:?} for {wanted:?}", second.since(begun));
    assert_eq!(bench.acts.iter().filter(|act| matches!(act, Act::BedFollowed(_))).count(), 0, "it is not over");
    cool(&mut bench, 22.0, 300, 2000);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
    let learned = bench.acts.iter().find_map(|act| match act {
        Act::BedFollowed(summary) if summary.way == HeatWay::Cool => Some(*summary),
        _ => None,
    });
    let learned = learned.expect("something to learn from");
    assert!((learned.tau.as_secs_f64() - 600.0).abs() < 10.0 && (learned.floor.0 - 22.0).abs() < 0.5, "{learned:?}");
}

#[test]
fn no_deadline_of_a_cooling_lies_beyond_its_limit() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    let begun = bench.now;
    // A bed that hardly cools at all.
    for n in 0..120 {
        bench.read(60.0 - f64::from(n) * 0.01, 40.0);
        bench.pass(10);
        if let Some(deadline) = bench.line.phase_deadline() {
            assert!(deadline.since(begun) <= settings(Check::Switch).cool_limit);
        }
    }
}

#[test]
fn a_fan_for_cooling_is_off_in_every_hold_and_on_again_after_it() {
    let with_fan = || {
        let mut settings = settings(Check::Switch);
        settings.fan = Some("on".to_owned());
        let mut bench = Bench::with(settings);
        bench.reach_cool();
        bench
    };
    let quiet = |bench: &Bench| matches!(bench.open.last(), Some((_, Step::Quiet { lift: false })));
    let mut held = with_fan();
    held.operate(Operator::HoldNow).expect("held");
    assert!(quiet(&held), "a hold by a person");
    held.ok();
    held.operate(Operator::Resume).expect("resumed");
    assert!(matches!(held.open.last(), Some((_, Step::CoolDown { park_z: Some(_) }))), "on again");
    let mut stopped = with_fan();
    stopped.operate(Operator::Stop).expect("stopped");
    assert!(quiet(&stopped), "a stop");
    let mut never = with_fan();
    cool(&mut never, 35.0, 0, 150);
    assert!(quiet(&never), "an endless wait");
    let mut late = with_fan();
    late.read(50.0, 40.0);
    late.pass(40);
    assert_eq!(late.state().1, LineReason::NoTemperature);
    assert!(quiet(&late), "silent thermometers");
    let mut taken = with_fan();
    taken.operate(Operator::BeltClear { part: None }).expect("a word");
    assert!(quiet(&taken), "the part taken off");
    let mut plain = Bench::new(Check::Switch);
    plain.reach_cool();
    plain.operate(Operator::HoldNow).expect("held");
    assert!(plain.open.is_empty(), "without a fan there is nothing to switch");
}

#[test]
fn a_warm_up_is_foreseen_and_learned_from() {
    let mut bench = Bench::new(Check::Switch);
    bench.begin();
    bench.ok();
    let begun = bench.now;
    let truth = |at: u32| 140.0 - 118.0 * (-f64::from(at) / 600.0).exp();
    let end = 600.0 * (118.0_f64 / 83.0).ln();
    for at in 0..100 {
        bench.read((truth(at) * 100.0).round() / 100.0, 22.0);
        bench.pass(1);
    }
    let foreseen = bench.line.outlook().and_then(|o| o.at).expect("foreseen").since(begun).as_secs_f64();
    assert!((foreseen / end - 1.0).abs() < 0.05, "{foreseen} for {end}");
    let deadline = bench.line.phase_deadline().expect("law L9").since(begun);
    assert!(deadline < settings(Check::Switch).warm_limit, "{deadline:?}");
    for at in 100..400 {
        bench.read(truth(at), 22.0);
        bench.pass(1);
    }
    assert!(bench.acts.iter().any(|act| matches!(act, Act::BedFollowed(s) if s.way == HeatWay::Warm)));
    assert_eq!(bench.line.outlook(), None, "the nozzle's turn");
}
