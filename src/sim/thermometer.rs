//! What thermometers add to the truth: noise, the same every time.

use crate::units::Moment;

/// How well a thermometer works.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Thermometer {
    /// As built.
    #[default]
    Works,
    /// Shows this whatever is true, °C.
    Shows(f64),
}

impl Thermometer {
    /// What it shows at this temperature.
    pub(super) fn reading(self, temperature_c: f64) -> f64 {
        match self {
            Self::Works => temperature_c,
            Self::Shows(shown_c) => shown_c,
        }
    }
}

/// Noise of a thermometer at a moment, normally distributed with deviation `noise_k`, K.
pub(super) fn noise(noise_k: f64, seed: u64, now: Moment) -> f64 {
    if noise_k == 0.0 {
        return 0.0;
    }
    // Twelve even numbers less six have deviation one; the sum of so many is close to normal.
    let sum: f64 = (0..12).map(|n| even(seed ^ now.0.wrapping_mul(16).wrapping_add(n))).sum();
    noise_k * (sum - 6.0)
}

/// An even number of 0…1 from another number: `SplitMix64`.
#[expect(clippy::cast_precision_loss, reason = "53 bits")]
fn even(of: u64) -> f64 {
    let mut z = of.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_has_its_deviation_and_comes_again_the_same() {
        let all: Vec<f64> = (0..4000).map(|n| noise(0.2, 7, Moment(n * 1_000_000))).collect();
        let mean = all.iter().sum::<f64>() / 4000.0;
        let deviation = (all.iter().map(|k| (k - mean).powi(2)).sum::<f64>() / 4000.0).sqrt();
        assert!(mean.abs() < 0.01 && (deviation - 0.2).abs() < 0.01, "{mean} {deviation}");
        assert_eq!(noise(0.2, 7, Moment(5_000_000)), all[5]);
        assert_ne!(noise(0.2, 8, Moment(5_000_000)), all[5]);
        assert_eq!(noise(0.0, 7, Moment(5)), 0.0);
    }
}
