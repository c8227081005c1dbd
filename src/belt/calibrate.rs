//! A drive set right by measuring what it did.

use crate::units::Millimetres;

/// Why a measurement sets nothing right.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// There is no travel to compare.
    #[error("{commanded_mm} mm were asked for and {measured_mm} mm measured; both must be above zero")]
    NoTravel {
        /// What was asked for, mm.
        commanded_mm: f64,
        /// What was measured, mm.
        measured_mm: f64,
    },
    /// The old value is none.
    #[error("the old value is {old}; it must be above zero")]
    NoOld {
        /// The old value.
        old: f64,
    },
    /// A drive is hardly ever so far off: a slip of the pen, a stalled motor or a wrong unit is likelier.
    #[error(
        "{measured_mm} mm instead of {commanded_mm} mm is off by a factor of {factor:.2}, which is outside 0.2 … 5; look at the drive (does the motor stall, does the belt slip?) and measure again"
    )]
    TooFarOff {
        /// What was asked for, mm.
        commanded_mm: f64,
        /// What was measured, mm.
        measured_mm: f64,
        /// Asked for by measured.
        factor: f64,
    },
}

const FACTOR_LEAST: f64 = 0.2;
const FACTOR_MOST: f64 = 5.0;

/// The value that would have run the belt as far as was asked for: `new = old × commanded / measured`.
///
/// # Errors
/// [`CalibrationError`] when a figure is not above zero, or when the factor is outside 0.2 … 5: then measure again.
pub fn calibrated(old: f64, commanded: Millimetres, measured: Millimetres) -> Result<f64, CalibrationError> {
    let (commanded_mm, measured_mm) = (commanded.0, measured.0);
    let above_zero = |value: f64| value.is_finite() && value > 0.0;
    if !(above_zero(commanded_mm) && above_zero(measured_mm)) {
        return Err(CalibrationError::NoTravel { commanded_mm, measured_mm });
    }
    if !above_zero(old) {
        return Err(CalibrationError::NoOld { old });
    }
    let factor = commanded_mm / measured_mm;
    if !(FACTOR_LEAST..=FACTOR_MOST).contains(&factor) {
        return Err(CalibrationError::TooFarOff { commanded_mm, measured_mm, factor });
    }
    Ok(old * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn new(old: f64, commanded: f64, measured: f64) -> Result<f64, CalibrationError> {
        calibrated(old, Millimetres(commanded), Millimetres(measured))
    }

    #[test]
    fn a_drive_of_80_steps_that_ran_95_of_100_mm_needs_84_21() {
        // new = old × commanded / measured, as calibration guides of the trade have it; the figure recomputed.
        assert!((new(80.0, 100.0, 95.0).expect("a calibration") - 84.210_526).abs() < 5e-7);
    }

    #[test]
    fn what_ran_as_asked_needs_no_change() {
        assert!((new(84.210_526, 100.0, 100.0).expect("a calibration") - 84.210_526).abs() < 1e-12);
    }

    #[test]
    fn no_travel_no_old_value_and_a_factor_beyond_reason_set_nothing_right() {
        for measured in [0.0, -95.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(new(80.0, 100.0, measured), Err(CalibrationError::NoTravel { .. })), "{measured}");
        }
        assert!(matches!(new(0.0, 100.0, 95.0), Err(CalibrationError::NoOld { .. })));
        for measured in [19.9, 501.0] {
            assert!(matches!(new(80.0, 100.0, measured), Err(CalibrationError::TooFarOff { .. })), "{measured}");
        }
        assert!(new(80.0, 100.0, 20.0).is_ok() && new(80.0, 100.0, 500.0).is_ok());
        let told = new(1.0, 100.0, 9.5).expect_err("too far off").to_string();
        assert!(told.contains("measure again") && told.contains("10.53"), "{told}");
    }
}
