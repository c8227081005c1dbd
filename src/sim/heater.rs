//! A heater with the thing that it heats, in closed form: no step size, no drift.

use super::config::HeaterConfig;
use crate::units::Moment;

/// A heater: first order with gain (`dT/dt = (ambient + rise × power − T) / tau`), full power below its target, none above it, and
/// just enough to stay there once it has arrived.
#[derive(Clone, Debug)]
pub(super) struct Heater {
    config: HeaterConfig,
    condition: Condition,
    target_c: f64,
    /// Temperature at `since`; everything after follows from it.
    base_c: f64,
    since: Moment,
}

/// How well a heater works.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Condition {
    /// As built.
    Works,
    /// Takes this many times as long to heat up.
    Slow(f64),
    /// Gives no heat. Only when `noticed` does the firmware's own protection stop the machine.
    Fails {
        /// Whether the firmware notices.
        noticed: bool,
    },
    /// Comes to rest this much above its target, K.
    Overshoots(f64),
}

/// Where the temperature is going: exponentially to `floor_c`, stopping at `stop_c` if that lies on the way.
struct Course {
    floor_c: f64,
    tau_s: f64,
    stop_c: f64,
}

impl Heater {
    pub(super) fn new(config: HeaterConfig, now: Moment) -> Self {
        Self { config, condition: Condition::Works, target_c: 0.0, base_c: config.ambient_c, since: now }
    }

    /// Temperature, °C.
    pub(super) fn temperature(&self, now: Moment) -> f64 {
        let Course { floor_c, tau_s, stop_c } = self.course();
        let free = floor_c + (self.base_c - floor_c) * (-now.since(self.since).as_secs_f64() / tau_s).exp();
        let passed = if floor_c > self.base_c { free >= stop_c } else { free <= stop_c };
        // A stop that lies behind the start is not on the way.
        if passed && on_the_way(self.base_c, stop_c, floor_c) { stop_c } else { free }
    }

    pub(super) fn target_c(&self) -> f64 {
        self.target_c
    }

    /// Share of full power, 0…1.
    pub(super) fn power(&self, now: Moment) -> f64 {
        let temperature = self.temperature(now);
        match self.condition {
            Condition::Fails { .. } => f64::from(u8::from(self.target_c > temperature)),
            _ if temperature < self.aim_c() => 1.0,
            _ if temperature > self.aim_c() => 0.0,
            _ => ((self.aim_c() - self.config.ambient_c) / self.config.rise_k).clamp(0.0, 1.0),
        }
    }

    pub(super) fn condition(&self) -> Condition {
        self.condition
    }

    pub(super) fn set_target(&mut self, now: Moment, target_c: f64) {
        self.rebase(now);
        self.target_c = target_c;
    }

    /// The air around it has another temperature from now on, °C.
    pub(super) fn set_ambient(&mut self, now: Moment, ambient_c: f64) {
        self.rebase(now);
        self.config.ambient_c = ambient_c;
    }

    /// Where it truly comes to rest, °C.
    fn aim_c(&self) -> f64 {
        match self.condition {
            Condition::Overshoots(by) if self.target_c > 0.0 => self.target_c + by,
            _ => self.target_c,
        }
    }

    pub(super) fn set_condition(&mut self, now: Moment, condition: Condition) {
        self.rebase(now);
        self.condition = condition;
    }

    /// First moment, not before `now`, at which the temperature is at `c` coming from where it is now; `None` if never.
    pub(super) fn reaches(&self, now: Moment, c: f64) -> Option<Moment> {
        let here = self.temperature(now);
        if here == c {
            return Some(now);
        }
        let Course { floor_c, tau_s, stop_c } = self.course();
        // At its target it stays, however it got there.
        let end = if here == stop_c || on_the_way(here, stop_c, floor_c) { stop_c } else { floor_c };
        if !on_the_way(here, c, end) || c == floor_c {
            return None;
        }
        let seconds = tau_s * ((self.base_c - floor_c) / (c - floor_c)).ln();
        Some(after(self.since, seconds).max(now))
    }

    fn rebase(&mut self, now: Moment) {
        self.base_c = self.temperature(now);
        self.since = now;
    }

    fn course(&self) -> Course {
        let HeaterConfig { ambient_c, tau_s, rise_k } = self.config;
        let aim_c = self.aim_c();
        let full = Course { floor_c: ambient_c + rise_k, tau_s, stop_c: aim_c };
        let off = Course { floor_c: ambient_c, tau_s, stop_c: aim_c };
        match self.condition {
            Condition::Fails { .. } => Course { stop_c: f64::NAN, ..off },
            Condition::Works | Condition::Overshoots(_) if aim_c > self.base_c => full,
            Condition::Slow(times) if aim_c > self.base_c => Course { tau_s: tau_s * times, ..full },
            // At its target and above ambient it stays; below ambient no heater can hold it.
            _ if aim_c == self.base_c && aim_c > ambient_c => Course { floor_c: aim_c, ..off },
            Condition::Works | Condition::Slow(_) | Condition::Overshoots(_) => off,
        }
    }
}

/// Whether `value` lies between `from` (left out) and `to` (included).
fn on_the_way(from: f64, value: f64, to: f64) -> bool {
    (from < value && value <= to) || (to <= value && value < from)
}

/// The first whole microsecond at or after `seconds` after `since`.
fn after(since: Moment, seconds: f64) -> Moment {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the cast saturates, which is far enough"
    )]
    Moment(since.0.saturating_add((seconds.max(0.0) * 1e6).ceil() as u64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn bed() -> Heater {
        Heater::new(HeaterConfig { ambient_c: 22.0, tau_s: 600.0, rise_k: 118.0 }, Moment::ZERO)
    }

    fn hot_bed(c: f64) -> (Heater, Moment) {
        let mut heater = bed();
        heater.set_target(Moment::ZERO, c);
        let there = heater.reaches(Moment::ZERO, c).expect("the bed can reach it");
        (heater, there)
    }

    #[test]
    fn cooling_takes_the_time_of_the_lumped_capacitance_formula() {
        // Lumped capacitance, T(t) = Ta + (T0 − Ta)·e^(−t/τ): 60 → 30 °C, 22 °C, τ = 600 s takes 934.886771 s.
        let (mut heater, there) = hot_bed(60.0);
        heater.set_target(there, 0.0);
        let cool = heater.reaches(there, 30.0).expect("30 °C is above ambient");
        assert_eq!(cool.since(there), Duration::from_micros(934_886_771));
        assert!((heater.temperature(cool) - 30.0).abs() < 1e-6);
    }

    #[test]
    fn warming_up_follows_the_same_law_and_stops_at_the_target() {
        // 600·ln(118/80) = 233.195… s.
        let (heater, there) = hot_bed(60.0);
        assert!((there.since(Moment::ZERO).as_secs_f64() - 600.0 * (118.0_f64 / 80.0).ln()).abs() < 1e-6);
        assert!(heater.temperature(Moment(there.0 - 1_000_000)) < 60.0);
        assert_eq!(heater.temperature(there + Duration::from_secs(86_400)), 60.0);
        assert!((heater.power(there) - 38.0 / 118.0).abs() < 1e-12);
    }

    #[test]
    fn many_small_steps_end_where_one_large_step_does() {
        let (mut heater, there) = hot_bed(110.0);
        heater.set_target(there, 40.0);
        let mut stepped = heater.clone();
        let mut now = there;
        for _ in 0..500 {
            now = now + Duration::from_millis(700);
            stepped.rebase(now);
        }
        assert!((stepped.temperature(now) - heater.temperature(now)).abs() < 1e-9);
    }

    #[test]
    fn what_has_cooled_to_its_target_stays_there_and_reaches_nothing_below() {
        let (mut heater, there) = hot_bed(65.0);
        heater.set_target(there, 60.0);
        let cool = heater.reaches(there, 60.0).expect("60 °C is above ambient");
        let late = cool + Duration::from_secs(5000);
        assert_eq!(heater.temperature(late), 60.0);
        assert_eq!(heater.reaches(late, 40.0), None);
    }

    #[test]
    fn a_target_below_or_at_ambient_is_never_reached() {
        let (mut heater, there) = hot_bed(60.0);
        heater.set_target(there, 20.0);
        assert_eq!(heater.reaches(there, 20.0), None);
        assert_eq!(heater.reaches(there, 22.0), None);
        assert!(heater.reaches(there, 22.1).is_some());
    }

    #[test]
    fn a_target_beyond_full_power_is_never_reached() {
        let mut heater = bed();
        heater.set_target(Moment::ZERO, 150.0);
        assert_eq!(heater.reaches(Moment::ZERO, 150.0), None);
        let late = Moment::ZERO + Duration::from_secs(100_000);
        assert!((heater.temperature(late) - 140.0).abs() < 1e-6);
    }

    #[test]
    fn a_slow_heater_takes_its_factor_and_cools_as_ever() {
        let (_, usual) = hot_bed(60.0);
        let mut slow = bed();
        slow.set_condition(Moment::ZERO, Condition::Slow(3.0));
        slow.set_target(Moment::ZERO, 60.0);
        let there = slow.reaches(Moment::ZERO, 60.0).expect("it gets there");
        assert!(there.0.abs_diff(usual.0 * 3) <= 3, "{there:?} against {usual:?}");
        slow.set_target(there, 0.0);
        assert_eq!(slow.reaches(there, 30.0).map(|m| m.since(there).as_micros()), Some(934_886_771));
    }

    #[test]
    fn a_failed_heater_cools_whatever_its_target_says() {
        let (mut heater, there) = hot_bed(60.0);
        heater.set_condition(there, Condition::Fails { noticed: true });
        let later = there + Duration::from_secs(600);
        assert!((heater.temperature(later) - (22.0 + 38.0 / std::f64::consts::E)).abs() < 1e-9);
        assert_eq!(heater.reaches(later, 60.0), None);
        assert_eq!(heater.power(later), 1.0);
    }
}
