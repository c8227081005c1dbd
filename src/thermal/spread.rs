//! From how sure a curve is to how sure the time is at which it gets somewhere.

use std::sync::LazyLock;
use std::time::Duration;

use nalgebra::{Matrix3, Vector3};

use super::history::Prior;

/// A wait, with the interval in which it lies nine times out of ten.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The most likely one.
    pub wait: Duration,
    /// It is shorter than this one time in twenty.
    pub from: Duration,
    /// It is longer than this one time in twenty; `None`: it may well be without end.
    pub until: Option<Duration>,
}

impl Span {
    /// No wait at all.
    pub const NONE: Self = Self { wait: Duration::ZERO, from: Duration::ZERO, until: Some(Duration::ZERO) };
}

/// A curve that is not known exactly: start, floor and ln rate are normally distributed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Normal {
    mean: [f64; 3],
    covariance: Matrix3<f64>,
}

/// How many curves are looked at. Twelve of them lie beyond each end of the interval.
const DRAWS: u32 = 240;
/// Where they are drawn, in standard deviations: worked out once, since a forecast asks thousands of times.
static POINTS: LazyLock<Vec<[f64; 3]>> = LazyLock::new(|| (0..DRAWS).map(normal_point).collect());

impl Normal {
    /// Start, floor and ln rate with their covariance.
    pub(super) const fn new(mean: [f64; 3], covariance: Matrix3<f64>) -> Self {
        Self { mean, covariance }
    }

    /// A belief, and a known start.
    pub(super) fn of_prior(prior: Prior, start_c: f64) -> Self {
        let mean = [start_c, prior.floor_c, -prior.tau_s.ln()];
        let spread = Vector3::new(0.0, prior.floor_sd_k.powi(2), prior.tau_sd.powi(2));
        Self { mean, covariance: Matrix3::from_diagonal(&spread) }
    }

    /// When the curve is at `target`, counted from its start; `None` if the most likely curve never is.
    pub(super) fn span(&self, target: f64) -> Option<Span> {
        let wait = Duration::try_from_secs_f64(time_to(self.mean, target)?).ok()?;
        let mut times = self.times(target);
        times.sort_unstable_by(f64::total_cmp);
        let at = |share: f64| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in the list")]
            let place = (share * times.len() as f64) as usize;
            Duration::try_from_secs_f64(times.get(place).copied().unwrap_or(f64::INFINITY)).ok()
        };
        // The most likely curve may lie beyond what most curves do; the interval holds it all the same.
        let from = at(0.05).unwrap_or(wait).min(wait);
        Some(Span { wait, from, until: at(0.95).map(|until| until.max(wait)) })
    }

    /// Times of curves drawn from the distribution; infinite where a curve never gets there.
    fn times(&self, target: f64) -> Vec<f64> {
        let way = self.mean[0] - self.mean[1];
        if way == 0.0 {
            return Vec::new();
        }
        // Readings tell the slope far better than floor and rate, whose errors go together along a bend: in terms of start,
        // floor and ln slope the distribution is straight. d ln slope = (d start − d floor)/(start − floor) + d ln rate.
        let to_slope = Matrix3::new(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 1.0 / way, -1.0 / way, 1.0);
        let straight = to_slope * self.covariance * to_slope.transpose();
        let root = root(straight);
        let ln_slope = way.abs().ln() + self.mean[2];
        let draw = |&[a, b, c]: &[f64; 3]| {
            let off = [
                root[(0, 0)] * a,
                root[(1, 0)] * a + root[(1, 1)] * b,
                root[(2, 0)] * a + root[(2, 1)] * b + root[(2, 2)] * c,
            ];
            let (start, floor) = (self.mean[0] + off[0], self.mean[1] + off[1]);
            let left = (start - floor) * way.signum();
            if left <= 0.0 {
                return f64::INFINITY;
            }
            let ln_rate = ln_slope + off[2] - left.ln();
            time_to([start, floor, ln_rate], target).unwrap_or(f64::INFINITY)
        };
        POINTS.iter().map(draw).collect()
    }
}

/// When a curve of start, floor and ln rate is at `target`, zero if it began beyond; `None` if never.
fn time_to(curve: [f64; 3], target: f64) -> Option<f64> {
    let (way, left) = (curve[0] - curve[1], target - curve[1]);
    let ratio = way / left;
    if !ratio.is_finite() || way == 0.0 || ratio < 0.0 {
        return None;
    }
    let time = ratio.ln().max(0.0) * (-curve[2]).exp();
    time.is_finite().then_some(time)
}

/// A lower triangular root of a covariance matrix; a variance that rounding made negative counts as none.
fn root(m: Matrix3<f64>) -> Matrix3<f64> {
    let mut l = Matrix3::<f64>::zeros();
    for r in 0..3 {
        for c in 0..=r {
            let sum: f64 = (0..c).map(|k| l[(r, k)] * l[(c, k)]).sum();
            let rest = m[(r, c)] - sum;
            l[(r, c)] = if r == c {
                rest.max(0.0).sqrt()
            } else if l[(c, c)] > 0.0 {
                rest / l[(c, c)]
            } else {
                0.0
            };
        }
    }
    l
}

/// The `n`-th of an even spread of points, normally distributed: Halton's sequence in the bases 2, 3 and 5. The same points
/// come every time.
fn normal_point(n: u32) -> [f64; 3] {
    [2, 3, 5].map(|base| normal(mirrored(n + 1, base)))
}

/// The digits of `n`, mirrored at the point: evenly spread over 0…1.
fn mirrored(mut n: u32, base: u32) -> f64 {
    let (mut value, mut place) = (0.0, 1.0);
    while n > 0 {
        place /= f64::from(base);
        value += place * f64::from(n % base);
        n /= base;
    }
    value
}

/// The value that a normal variable stays below with probability `p`, to 4.5·10⁻⁴: Abramowitz and Stegun, Handbook of
/// Mathematical Functions, 26.2.23.
fn normal(p: f64) -> f64 {
    let tail = p.min(1.0 - p).max(1e-12);
    let t = (-2.0 * tail.ln()).sqrt();
    let above = t
        - (2.515_517 + 0.802_853 * t + 0.010_328 * t * t)
            / (1.0 + 1.432_788 * t + 0.189_269 * t * t + 0.001_308 * t * t * t);
    if p < 0.5 { -above } else { above }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_normal_quantiles_are_those_of_the_tables() {
        // Common tables: 1.6449, 1.9600, 2.5758.
        for (p, z) in [(0.95, 1.6449), (0.025, -1.96), (0.995, 2.5758), (0.5, 0.0)] {
            assert!((normal(p) - z).abs() < 5e-4, "{p}: {}", normal(p));
        }
    }

    #[test]
    fn the_points_are_normal_and_independent() {
        let points: Vec<Vector3<f64>> = (0..DRAWS).map(|n| Vector3::from(normal_point(n))).collect();
        let mean = points.iter().sum::<Vector3<f64>>() / f64::from(DRAWS);
        let spread = points.iter().map(|p| p * p.transpose()).sum::<Matrix3<f64>>() / f64::from(DRAWS);
        assert!(mean.abs().max() < 0.05, "{mean}");
        assert!((spread - Matrix3::identity()).abs().max() < 0.1, "{spread}");
    }

    #[test]
    fn a_certain_curve_has_a_certain_time() {
        // 60 → 30 °C, 22 °C, τ = 600 s, recomputed from the formula.
        let curve = Normal::new([60.0, 22.0, -(600.0_f64.ln())], Matrix3::zeros());
        let span = curve.span(30.0).expect("a time");
        for time in [span.wait, span.from, span.until.expect("an end")] {
            assert!((time.as_secs_f64() - 934.886_771).abs() < 1e-3, "{span:?}");
        }
        assert_eq!(curve.span(22.0), None);
        assert_eq!(curve.span(20.0), None);
        assert_eq!(curve.span(61.0), Some(Span::NONE));
    }

    #[test]
    fn where_the_floor_may_lie_above_the_target_the_wait_may_be_without_end() {
        let prior = Prior { floor_c: 29.0, floor_sd_k: 1.0, tau_s: 600.0, tau_sd: 0.05 };
        let span = Normal::of_prior(prior, 60.0).span(30.0).expect("a most likely time");
        assert_eq!(span.until, None);
        assert!(span.from < span.wait);
    }

    #[test]
    fn an_uncertain_time_constant_spreads_the_time_by_the_same_share() {
        let prior = Prior { floor_c: 22.0, floor_sd_k: 0.0, tau_s: 600.0, tau_sd: 0.1 };
        let span = Normal::of_prior(prior, 60.0).span(30.0).expect("a time");
        let share = |end: Duration| (end.as_secs_f64() / span.wait.as_secs_f64()).ln();
        assert!((share(span.from) + 0.164_49).abs() < 0.02, "{span:?}");
        assert!((share(span.until.expect("an end")) - 0.164_49).abs() < 0.02, "{span:?}");
    }
}
