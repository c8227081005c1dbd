//! What a line's finished prints say of the next one: the ratio of the time that they took to the time worked out for them.
//!
//! Times are worked out from the file alone; a line's firmware plans its moves in its own way, and waits for its own heaters.

use crate::job::PrintRun;

/// A line's correction. Its factors are of whole prints: holds are not in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// A print takes so many times what was worked out; 1 before any has ended.
    pub ratio: f64,
    /// How far the ratio itself may be off, nine times in ten, as a factor above 1: the same for every print of the line.
    pub ratio_within: f64,
    /// How far one print may be off it, nine times in ten, as a factor above 1.
    pub print_within: f64,
    /// From how many prints it was learned.
    pub prints: usize,
    /// Whether what was learned was beyond [`RATIO_MIN`] or [`RATIO_MAX`] and is cut off there. Then something else is wrong:
    /// the line's limits of speed, or the clock of a printer.
    pub cut_off: bool,
}

/// The least ratio that is believed.
pub const RATIO_MIN: f64 = 0.5;
/// The greatest ratio that is believed.
pub const RATIO_MAX: f64 = 3.0;

/// Nine times in ten a normal value is within so many standard deviations.
const NINE_IN_TEN: f64 = 1.645;
/// What is believed before any print: the ratio is between 0.6 and 1.6, nine times in ten.
const RATIO_SIGMA: f64 = 0.3;
/// What is believed before any print: one print is within 8 % of the ratio, nine times in ten; and how many prints that belief
/// is worth.
const PRINT_SIGMA: f64 = 0.05;
const PRINT_SIGMA_WORTH: f64 = 3.0;
/// No print is ever closer to the ratio than this: readings come once in a second or two.
const PRINT_SIGMA_MIN: f64 = 0.01;
/// How much less each print counts than the one after it: of seven prints, the first counts half.
const FADE: f64 = 0.9;
/// What is so many deviations away counts as if it were only that far: one print over a stuck fan must not move the rest.
const ROBUST: f64 = 1.5;
/// Normal values that are pulled in so keep this share of their variance (integral over the normal density).
const ROBUST_KEEPS: f64 = 0.778;

impl Default for Correction {
    fn default() -> Self {
        Self::learn(&[])
    }
}

impl Correction {
    /// Learns from a line's prints, the oldest first. A print with a time that is not above zero is passed over.
    ///
    /// In logarithms, so that half and double are equally far: the weighted mean about the weighted median, outliers pulled in
    /// (Huber's weights), then joined with what is believed before (normal mean with a normal prior: weights by precision).
    #[must_use]
    pub fn learn(runs: &[PrintRun]) -> Self {
        let usable = |run: &&PrintRun| run.planned_s > 0.0 && run.actual_s > 0.0 && run.actual_s.is_finite();
        let mut weight = 1.0 / FADE;
        let mut logs: Vec<(f64, f64)> = Vec::new();
        for run in runs.iter().rev().filter(usable) {
            weight *= FADE;
            logs.push(((run.actual_s / run.planned_s).ln(), weight));
        }
        let (mean, count, sigma) = robust_mean(&logs);
        let precision = 1.0 / RATIO_SIGMA.powi(2) + count / sigma.powi(2);
        let learned = (mean * count / sigma.powi(2) / precision).exp();
        let ratio = learned.clamp(RATIO_MIN, RATIO_MAX);
        Self {
            ratio,
            ratio_within: (NINE_IN_TEN / precision.sqrt()).exp(),
            print_within: (NINE_IN_TEN * sigma).exp(),
            prints: logs.len(),
            cut_off: ratio != learned,
        }
    }
}

/// Mean, how many prints of full weight it is worth, and the deviation of one print from it.
fn robust_mean(logs: &[(f64, f64)]) -> (f64, f64, f64) {
    if logs.is_empty() {
        return (0.0, 0.0, PRINT_SIGMA);
    }
    let centre = weighted_median(logs.to_vec());
    let deviation = weighted_median(logs.iter().map(|&(log, weight)| ((log - centre).abs(), weight)).collect());
    // 1.4826 × the median deviation is the standard deviation of normal values.
    let reach = ROBUST * (1.4826 * deviation).max(PRINT_SIGMA);
    let (mut sum, mut squares, mut weights, mut weights_squared) = (0.0, 0.0, 0.0, 0.0);
    for &(log, weight) in logs {
        let off = (log - centre).clamp(-reach, reach);
        sum += weight * off;
        squares += weight * off * off;
        weights += weight;
        weights_squared += weight * weight;
    }
    let mean = sum / weights;
    let count = weights * weights / weights_squared;
    let variance = (squares / weights - mean * mean).max(0.0) / ROBUST_KEEPS;
    let believed = PRINT_SIGMA.powi(2) * PRINT_SIGMA_WORTH;
    let sigma = ((believed + variance * count) / (PRINT_SIGMA_WORTH + (count - 1.0).max(0.0))).sqrt();
    (centre + mean, count, sigma.max(PRINT_SIGMA_MIN))
}

/// The value below and above which there is half of the weight.
fn weighted_median(mut values: Vec<(f64, f64)>) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = values.iter().map(|v| v.1).sum::<f64>() / 2.0;
    let mut below = 0.0;
    for &(value, weight) in &values {
        below += weight;
        if below >= half {
            return value;
        }
    }
    0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::{CycleId, LineName};
    use crate::units::UnixMillis;

    fn learned(ratios: &[f64]) -> Correction {
        let run = |(i, &ratio): (usize, &f64)| PrintRun {
            cycle: CycleId(i64::try_from(i).expect("few")),
            line: LineName::new("a").expect("a good name"),
            at: UnixMillis(0),
            planned_s: 1000.0,
            actual_s: 1000.0 * ratio,
        };
        Correction::learn(&ratios.iter().enumerate().map(run).collect::<Vec<_>>())
    }

    fn near(a: f64, b: f64, by: f64) {
        assert!((a - b).abs() <= by, "{a} against {b}");
    }

    #[test]
    fn before_any_print_the_ratio_is_one_and_the_interval_wide() {
        let none = Correction::default();
        assert_eq!((none.ratio, none.prints, none.cut_off), (1.0, 0, false));
        near(none.ratio_within, 1.64, 0.01);
        near(none.print_within, 1.086, 0.001);
    }

    #[test]
    fn one_print_says_most_and_each_further_one_narrows_the_interval() {
        near(learned(&[1.3]).ratio, 1.3, 0.02);
        let within: Vec<f64> = [1, 2, 4, 8].iter().map(|&n| learned(&vec![1.3; n]).ratio_within).collect();
        assert!(within.windows(2).all(|w| w[1] < w[0]), "{within:?}");
        assert!(within[0] < 1.1 && within[3] < 1.03, "{within:?}");
        near(learned(&[1.3; 8]).ratio, 1.3, 0.002);
    }

    #[test]
    fn one_print_gone_wrong_moves_little() {
        near(learned(&[1.1, 1.12, 1.08, 2.9, 1.1, 1.09]).ratio, 1.1, 0.03);
        near(learned(&[1.1, 1.12, 1.08, 1.1, 1.09, 2.9]).ratio, 1.1, 0.05);
    }

    #[test]
    fn a_line_that_was_changed_is_believed_after_a_few_prints() {
        let mut runs = vec![1.0; 40];
        runs.extend([1.5; 8]);
        near(learned(&runs).ratio, 1.5, 0.05);
    }

    #[test]
    fn what_is_beyond_belief_is_cut_off_and_said() {
        assert_eq!((learned(&[9.0; 5]).ratio, learned(&[9.0; 5]).cut_off), (RATIO_MAX, true));
        assert_eq!((learned(&[0.1; 5]).ratio, learned(&[0.1; 5]).cut_off), (RATIO_MIN, true));
    }

    #[test]
    fn prints_that_differ_make_the_interval_of_one_print_wide() {
        let apart = learned(&[0.8, 1.25, 0.85, 1.2, 0.9, 1.1]);
        assert!(apart.print_within > 1.25, "{apart:?}");
        near(apart.ratio, 1.0, 0.05);
        assert_eq!(learned(&[0.0, -1.0, f64::INFINITY]), Correction::default());
    }

    /// Nine times in ten: the interval of a line's ratio holds the true one, for lines as they are believed to be.
    #[test]
    fn the_interval_holds_nine_times_in_ten() {
        let mut seed = 12_345_u64;
        let mut normal = || {
            // Twelve uniform values less six: close enough to a normal one. Numbers of Knuth's MMIX generator, from memory.
            let mut uniform = || {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                f64::from(u32::try_from(seed >> 32).expect("32 bits")) / 4_294_967_296.0
            };
            (0..12).map(|_| uniform()).sum::<f64>() - 6.0
        };
        for prints in [0, 1, 3, 10] {
            let mut inside = 0;
            for _ in 0..1000 {
                let truth = 0.3 * normal();
                let runs: Vec<f64> = (0..prints).map(|_| (truth + 0.05 * normal()).exp()).collect();
                let correction = learned(&runs);
                inside += usize::from((truth - correction.ratio.ln()).abs() <= correction.ratio_within.ln());
            }
            assert!((850..=960).contains(&inside), "{inside} of 1000 after {prints} prints");
        }
    }
}
