//! Where the belt truly is, in whole micrometres, and the drive that moves it.

use std::time::Duration;

use super::config::BeltConfig;

/// Millionths of a commanded unit: a command's decimals add up without rounding.
pub(super) type MicroUnits = i64;

/// The belt. It survives resets: its place is a fact, not a register.
#[derive(Clone, Debug)]
pub(super) struct Belt {
    config: BeltConfig,
    /// Share of commanded travel that is lost, 0…1.
    slip: f64,
    /// Place at which `commanded` was last counted from zero.
    origin_um: i64,
    commanded: MicroUnits,
    place_um: i64,
    forward_um: i64,
    backward_um: i64,
    /// What was commanded before `commanded` was last counted from zero.
    commanded_before: MicroUnits,
}

/// A belt move under way: how far it goes and how long it takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct BeltMove {
    pub(super) units: MicroUnits,
    pub(super) duration: Duration,
}

/// A commanded length as whole millionths.
pub(super) fn micro_units(units: f64) -> MicroUnits {
    #[expect(clippy::cast_possible_truncation, reason = "a commanded length is far below 2^53 millionths")]
    let whole = (units * 1e6).round() as i64;
    whole
}

impl Belt {
    pub(super) fn new(config: BeltConfig) -> Self {
        Self {
            config,
            slip: 0.0,
            origin_um: 0,
            commanded: 0,
            place_um: 0,
            forward_um: 0,
            backward_um: 0,
            commanded_before: 0,
        }
    }

    /// Net travel toward the nose, µm.
    pub(super) fn place_um(&self) -> i64 {
        self.place_um
    }

    /// All travel toward the nose and all travel away from it, µm, neither below zero; their difference is the place.
    pub(super) fn travelled_um(&self) -> (i64, i64) {
        (self.forward_um, self.backward_um)
    }

    /// Where the belt would be without any slip, µm.
    pub(super) fn driven_um(&self) -> i64 {
        #[expect(clippy::cast_precision_loss, reason = "commanded travel is far below 2^53 millionths")]
        let travel_um = (self.commanded_before + self.commanded) as f64 * self.um_per_micro_unit(0.0);
        #[expect(clippy::cast_possible_truncation, reason = "belt travel is far below 2^53 µm")]
        let place_um = travel_um.round() as i64;
        place_um
    }

    /// What the drive has been commanded since it was last counted from zero: the start of the next move.
    pub(super) fn commanded(&self) -> MicroUnits {
        self.commanded
    }

    /// From now on this share of the travel is lost.
    pub(super) fn set_slip(&mut self, share: f64) {
        self.origin_um = self.place_um;
        self.commanded_before += self.commanded;
        self.commanded = 0;
        self.slip = share.clamp(0.0, 1.0);
    }

    /// The drive has got to `commanded`.
    pub(super) fn drive_to(&mut self, commanded: MicroUnits) {
        self.commanded = commanded;
        #[expect(clippy::cast_precision_loss, reason = "commanded travel is far below 2^53 millionths")]
        let travel_um = commanded as f64 * self.um_per_micro_unit(self.slip);
        #[expect(clippy::cast_possible_truncation, reason = "belt travel is far below 2^53 µm")]
        let place = self.origin_um + travel_um.round() as i64;
        let step = place - self.place_um;
        self.forward_um += step.max(0);
        self.backward_um += (-step).max(0);
        self.place_um = place;
    }

    /// How long after its start a move that began at `from` brings the belt to `place_um` or beyond; `None` if it does not.
    pub(super) fn time_to(&self, place_um: i64, from: MicroUnits, moving: BeltMove) -> Option<Duration> {
        #[expect(clippy::cast_precision_loss, reason = "all far below 2^53")]
        let (needed, start, units) = ((place_um - self.origin_um) as f64 - 0.5, from as f64, moving.units as f64);
        let share = (needed / self.um_per_micro_unit(self.slip) - start) / units;
        let forward = self.um_per_micro_unit(self.slip) * units > 0.0;
        (forward && share <= 1.0).then(|| moving.duration.mul_f64(share.max(0.0)))
    }

    fn um_per_micro_unit(&self, slip: f64) -> f64 {
        let toward_nose = if self.config.inverted { -1.0 } else { 1.0 };
        toward_nose * (1.0 - slip) / (self.config.units_per_mm * 1000.0)
    }
}

impl BeltMove {
    /// Units done after `elapsed`.
    pub(super) fn done(&self, elapsed: Duration) -> MicroUnits {
        if elapsed >= self.duration {
            return self.units;
        }
        let share = elapsed.div_duration_f64(self.duration);
        #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "far below 2^53 millionths")]
        let units = (self.units as f64 * share).round() as i64;
        units
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::BeltDrive;
    use proptest::prelude::*;

    fn belt(units_per_mm: f64, inverted: bool) -> Belt {
        Belt::new(BeltConfig { drive: BeltDrive::Extruder(1), units_per_mm, inverted })
    }

    proptest! {
        #[test]
        fn pieces_add_up_to_the_micrometre(pieces in prop::collection::vec(-300_000_i64..300_000, 1..200)) {
            let mut belt = belt(1.0, false);
            for piece_um in &pieces {
                #[expect(clippy::cast_precision_loss, reason = "small")]
                let units = micro_units(*piece_um as f64 / 1000.0);
                belt.drive_to(belt.commanded() + units);
            }
            prop_assert_eq!(belt.place_um(), pieces.iter().sum::<i64>());
            let (forward, backward) = belt.travelled_um();
            prop_assert_eq!(forward, pieces.iter().filter(|p| **p > 0).sum::<i64>());
            prop_assert_eq!(backward, -pieces.iter().filter(|p| **p < 0).sum::<i64>());
        }

        #[test]
        fn a_place_is_reached_at_the_time_that_is_told(place in 1_i64..90_000, upm in 0.2_f64..40.0) {
            let mut belt = belt(upm, true);
            belt.drive_to(micro_units(-3.7 * upm));
            let from = belt.commanded();
            let moving = BeltMove { units: micro_units(-90.0 * upm), duration: Duration::from_secs(20) };
            let needed = belt.place_um() + place;
            let at = belt.time_to(needed, from, moving).expect("it lies on the way");
            let tick = Duration::from_millis(1);
            belt.drive_to(from + moving.done(at + tick));
            prop_assert!(belt.place_um() >= needed);
            belt.drive_to(from + moving.done(at.saturating_sub(tick)));
            prop_assert!(belt.place_um() <= needed);
        }
    }

    #[test]
    fn direction_and_ratio_of_the_drive_count() {
        let mut belt = belt(2.5, true);
        belt.drive_to(micro_units(-250.0));
        assert_eq!(belt.place_um(), 100_000);
        belt.drive_to(micro_units(-125.0));
        assert_eq!((belt.place_um(), belt.travelled_um()), (50_000, (100_000, 50_000)));
    }

    #[test]
    fn slip_loses_its_share_from_then_on() {
        let mut belt = belt(1.0, false);
        belt.drive_to(micro_units(100.0));
        belt.set_slip(0.25);
        belt.drive_to(belt.commanded() + micro_units(100.0));
        assert_eq!(belt.place_um(), 175_000);
    }

    #[test]
    fn a_move_away_from_the_nose_never_gets_there() {
        let moving = BeltMove { units: micro_units(-10.0), duration: Duration::from_secs(1) };
        assert_eq!(belt(1.0, false).time_to(5_000, 0, moving), None);
    }
}
