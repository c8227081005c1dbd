//! Cooling of a lump: `T(t) = Ta + (T0 − Ta)·e^(−t/τ)`.

use std::time::Duration;

use crate::units::Celsius;

/// A bed that cools toward `ambient` with time constant `tau`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cooling {
    ambient: Celsius,
    tau: Duration,
}

/// A cooling that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CoolingError {
    /// The time constant is zero.
    #[error("a cooling time constant of zero; it must be above zero")]
    NoTimeConstant,
    /// The ambient temperature is not a number.
    #[error("an ambient temperature that is not a number")]
    NoAmbient,
    /// The temperature that it starts from, or is to come to, is not a number.
    #[error("a temperature that is not a number")]
    NotANumber,
    /// The bed would never get there.
    #[error("the bed cools to {floor} at best, and the part lets go at {release}")]
    Never {
        /// Where the bed ends up.
        floor: Celsius,
        /// Where it should be.
        release: Celsius,
    },
}

/// A floor less than this below the release temperature is never reached in practice.
pub(super) const FLOOR_MARGIN_K: f64 = 0.5;

impl Cooling {
    /// # Errors
    /// If `tau` is zero or `ambient` is not finite.
    pub fn new(ambient: Celsius, tau: Duration) -> Result<Self, CoolingError> {
        if tau.is_zero() {
            return Err(CoolingError::NoTimeConstant);
        }
        if !ambient.0.is_finite() {
            return Err(CoolingError::NoAmbient);
        }
        Ok(Self { ambient, tau })
    }

    /// Where the bed ends up.
    #[must_use]
    pub const fn ambient(self) -> Celsius {
        self.ambient
    }

    /// The time in which it loses 63 % of its warmth over the ambient temperature; above zero.
    #[must_use]
    pub const fn tau(self) -> Duration {
        self.tau
    }

    /// The temperature `after` cooling from `start`.
    #[must_use]
    pub fn temperature(self, start: Celsius, after: Duration) -> Celsius {
        let share = (-after.as_secs_f64() / self.tau.as_secs_f64()).exp();
        Celsius(self.ambient.0 + (start.0 - self.ambient.0) * share)
    }

    /// How long it takes from `start` to `target`: `τ·ln((T0 − Ta)/(Tt − Ta))`, zero if it is there already.
    ///
    /// # Errors
    /// [`CoolingError::Never`] if the target is at or below the ambient temperature.
    pub fn wait(self, start: Celsius, target: Celsius) -> Result<Duration, CoolingError> {
        if !start.0.is_finite() || !target.0.is_finite() {
            return Err(CoolingError::NotANumber);
        }
        if start.0 <= target.0 {
            return Ok(Duration::ZERO);
        }
        if target.0 <= self.ambient.0 {
            return Err(CoolingError::Never { floor: self.ambient, release: target });
        }
        let ratio = (start.0 - self.ambient.0) / (target.0 - self.ambient.0);
        Duration::try_from_secs_f64(self.tau.as_secs_f64() * ratio.ln()).map_err(|_| CoolingError::NotANumber)
    }

    /// As [`Self::wait`], for a part that must let go: a floor less than half a kelvin below the release temperature
    /// would keep the line waiting without end.
    ///
    /// # Errors
    /// [`CoolingError::Never`] with both numbers.
    pub fn wait_for_release(self, start: Celsius, release: Celsius) -> Result<Duration, CoolingError> {
        if start.0 > release.0 && self.ambient.0 >= release.0 - FLOOR_MARGIN_K {
            return Err(CoolingError::Never { floor: self.ambient, release });
        }
        self.wait(start, release)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cooling(ambient: f64, tau_s: f64) -> Cooling {
        Cooling::new(Celsius(ambient), Duration::from_secs_f64(tau_s)).expect("a cooling that can be")
    }

    fn seconds(cooling: Cooling, start: f64, target: f64) -> f64 {
        cooling.wait(Celsius(start), Celsius(target)).expect("a finite wait").as_secs_f64()
    }

    #[test]
    fn a_bed_from_60_to_30_in_a_room_of_22() {
        // Recomputed from the formula.
        assert!((seconds(cooling(22.0, 600.0), 60.0, 30.0) - 934.886_771).abs() < 1e-5);
    }

    #[test]
    fn the_cheesecake_of_a_textbook() {
        // OpenStax, Precalculus: 165 → 150 °F in 10 min at 35 °F, then to 70 °F: about 107 min (k = 0.012 260 23 / min).
        let tau = 600.0 / (130.0_f64 / 115.0).ln();
        assert!((seconds(cooling(35.0, tau), 165.0, 70.0) / 60.0 - 107.027_858).abs() < 1e-5);
    }

    #[test]
    fn a_thermocouple_bead_of_a_textbook() {
        // Incropera/DeWitt, Example 5.1: τ = 1 s in a 200 °C stream; 25 → 199 °C takes 5.2 s (5.164 786). Warming is the same law.
        let after = Duration::from_secs_f64(5.164_786);
        let reached = cooling(200.0, 1.0).temperature(Celsius(25.0), after);
        assert!((reached.0 - 199.0).abs() < 1e-5, "{reached}");
    }

    #[test]
    fn a_wait_without_end_is_said_with_both_numbers() {
        let never = |target| cooling(31.0, 600.0).wait_for_release(Celsius(60.0), Celsius(target));
        assert_eq!(never(30.0), Err(CoolingError::Never { floor: Celsius(31.0), release: Celsius(30.0) }));
        assert_eq!(never(31.5), Err(CoolingError::Never { floor: Celsius(31.0), release: Celsius(31.5) }));
        assert!(never(31.6).is_ok());
        assert!(cooling(31.0, 600.0).wait(Celsius(60.0), Celsius(31.0)).is_err());
    }

    #[test]
    fn a_target_at_or_above_the_start_needs_no_wait() {
        assert_eq!(cooling(22.0, 600.0).wait_for_release(Celsius(30.0), Celsius(30.0)), Ok(Duration::ZERO));
        assert_eq!(cooling(40.0, 600.0).wait_for_release(Celsius(25.0), Celsius(30.0)), Ok(Duration::ZERO));
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert_eq!(Cooling::new(Celsius(22.0), Duration::ZERO), Err(CoolingError::NoTimeConstant));
        assert_eq!(Cooling::new(Celsius(f64::NAN), Duration::from_secs(1)), Err(CoolingError::NoAmbient));
    }
}
