//! Least squares for an exponential approach: `y(x) = floor + (start − floor)·e^(−rate·x)`.
//!
//! With `start = 0` this is the step response `y = b1·(1 − e^(−b2·x))`, with `b1 = floor` and `b2 = rate`; a cooling from a
//! known temperature has its ambient temperature as the floor and `1/τ` as the rate.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt, TerminationReason};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn, Matrix3};

/// A measured point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Where, in any unit; rates are in its inverse.
    pub x: f64,
    /// What was measured.
    pub y: f64,
    /// One over the variance of `y`, or anything proportional to it; above zero.
    pub weight: f64,
}

/// What is known of a parameter before the points are looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Belief {
    /// Its value.
    Known(f64),
    /// Nothing. The search for the rate begins at this value; start and floor need none, the curve being linear in them.
    Free(f64),
    /// It is near `mean`, with the standard deviation `sd`: one more observation, in the units of the points' weights.
    Near {
        /// Its most likely value.
        mean: f64,
        /// How far off that may be.
        sd: f64,
    },
}

impl Belief {
    const fn value(self) -> f64 {
        match self {
            Self::Known(value) | Self::Free(value) | Self::Near { mean: value, .. } => value,
        }
    }

    const fn is_known(self) -> bool {
        matches!(self, Self::Known(_))
    }

    /// How many standard deviations `value` is off, and how many each unit more adds.
    fn residual(self, value: f64) -> Option<(f64, f64)> {
        match self {
            Self::Near { mean, sd } => Some(((value - mean) / sd, 1.0 / sd)),
            Self::Known(_) | Self::Free(_) => None,
        }
    }
}

/// What is known of the curve before the points are looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beliefs {
    /// Where it starts, at `x = 0`.
    pub start: Belief,
    /// Where it ends.
    pub floor: Belief,
    /// The natural logarithm of its rate: a rate is above zero, and is known to a share of itself.
    pub ln_rate: Belief,
}

/// An exponential approach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// Its value at `x = 0`.
    pub start: f64,
    /// Its value at the end of all days.
    pub floor: f64,
    /// How fast it gets there: one over the time constant.
    pub rate: f64,
}

impl Curve {
    /// Its value at `x`.
    #[must_use]
    pub fn at(self, x: f64) -> f64 {
        self.floor + (self.start - self.floor) * (-self.rate * x).exp()
    }
}

/// A fitted curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fitted {
    /// The curve of least squares.
    pub curve: Curve,
    /// Weighted sum of squares of what the points are off; beliefs are not counted.
    pub rss: f64,
    /// Points beyond the number of parameters that had to be found from them alone.
    pub freedom: usize,
    /// Inverse of `JᵀJ`, in the order start, floor, ln rate; to be multiplied by the variance of a point of weight one.
    inverse: Matrix3<f64>,
}

/// Standard deviations of a curve's parameters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviations {
    /// Of the start.
    pub start: f64,
    /// Of the floor.
    pub floor: f64,
    /// Of the rate.
    pub rate: f64,
}

impl Fitted {
    /// Variance of a point of weight one, as the points themselves show it: `rss / freedom`.
    #[must_use]
    pub fn variance(&self) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "a count of points")]
        let freedom = self.freedom as f64;
        (self.freedom > 0).then(|| self.rss / freedom)
    }

    /// Standard deviations, where a point of weight one has this variance.
    #[must_use]
    pub fn deviations(&self, variance: f64) -> Deviations {
        let sd = |i: usize| (self.inverse[(i, i)] * variance).max(0.0).sqrt();
        Deviations { start: sd(0), floor: sd(1), rate: sd(2) * self.curve.rate }
    }

    /// Covariance of start, floor and ln rate, where a point of weight one has this variance.
    pub(super) fn covariance(&self, variance: f64) -> Matrix3<f64> {
        self.inverse * variance
    }
}

/// A fit that came to nothing.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Fewer points and beliefs than parameters.
    #[error("{points} points do not tell {parameters} parameters apart")]
    TooFew {
        /// How many there are.
        points: usize,
        /// How many must be found.
        parameters: usize,
    },
    /// A point or belief is not a number, or a weight is not above zero.
    #[error("a point or a belief that is not a number, or has no weight")]
    NotANumber,
    /// No curve of least squares was found.
    #[error("no curve fits these points better than its neighbours")]
    NoMinimum,
}

/// Where the search for the rate begins when the given start leads nowhere: powers of e, both ways.
const OTHER_STARTS: [f64; 6] = [1.0, -1.0, 2.0, -2.0, 4.0, -4.0];

/// Fits the curve to the points.
///
/// The curve is linear in start and floor, so for a rate their best values follow at once: the search begins there, and
/// the given rate alone decides where it goes. If it leads nowhere, rates around it are tried.
///
/// # Errors
/// [`FitError`]; never a curve that is not a number.
pub fn fit(points: &[Point], beliefs: &Beliefs) -> Result<Fitted, FitError> {
    let all = [beliefs.start, beliefs.floor, beliefs.ln_rate];
    let sound = |b: &Belief| b.value().is_finite() && b.residual(0.0).is_none_or(|(_, slope)| slope > 0.0);
    if !points.iter().all(|p| p.x.is_finite() && p.y.is_finite() && p.weight.is_finite() && p.weight > 0.0)
        || !all.iter().all(sound)
    {
        return Err(FitError::NotANumber);
    }
    let parameters = all.iter().filter(|b| !b.is_known()).count();
    let beliefs_held = all.iter().filter(|b| b.residual(0.0).is_some()).count();
    if points.len() + beliefs_held < parameters {
        return Err(FitError::TooFew { points: points.len(), parameters });
    }
    let from = beliefs.ln_rate.value();
    let others: &[f64] = if beliefs.ln_rate.is_known() { &[] } else { &OTHER_STARTS };
    let starts = std::iter::once(0.0).chain(others.iter().copied());
    let found = starts.filter_map(|away| search(points, beliefs, from + away)).next().ok_or(FitError::NoMinimum)?;
    let freedom = (points.len() + beliefs_held).saturating_sub(parameters);
    finish(points, beliefs, found, freedom)
}

fn search(points: &[Point], beliefs: &Beliefs, ln_rate: f64) -> Option<[f64; 3]> {
    let (start, floor) = best_line(points, beliefs, ln_rate.exp())?;
    let at = [start, floor, ln_rate];
    if [beliefs.start, beliefs.floor, beliefs.ln_rate].iter().all(|b| b.is_known()) {
        return Some(at);
    }
    let (search, report) = LevenbergMarquardt::new().with_patience(50).minimize(Search { points, beliefs, at });
    // Where rounding hides any improvement, there is none to be had.
    let there = report.termination.was_successful()
        || matches!(report.termination, TerminationReason::NoImprovementPossible(_));
    (there && search.at.iter().all(|v| v.is_finite())).then_some(search.at)
}

/// The best start and floor for a rate: linear least squares.
fn best_line(points: &[Point], beliefs: &Beliefs, rate: f64) -> Option<(f64, f64)> {
    // The normal equations: [a b; b c] · (start, floor) = (p, q).
    let [mut a, mut b, mut c, mut p, mut q] = [0.0; 5];
    for point in points {
        let left = (-rate * point.x).exp();
        let gone = 1.0 - left;
        a += left * left * point.weight;
        b += left * gone * point.weight;
        c += gone * gone * point.weight;
        p += left * point.y * point.weight;
        q += gone * point.y * point.weight;
    }
    if let Belief::Near { mean, sd } = beliefs.start {
        a += 1.0 / (sd * sd);
        p += mean / (sd * sd);
    }
    if let Belief::Near { mean, sd } = beliefs.floor {
        c += 1.0 / (sd * sd);
        q += mean / (sd * sd);
    }
    let (start, floor) = match (beliefs.start, beliefs.floor) {
        (Belief::Known(start), Belief::Known(floor)) => (start, floor),
        (Belief::Known(start), _) => (start, (q - b * start) / c),
        (_, Belief::Known(floor)) => ((p - b * floor) / a, floor),
        _ => {
            let area = a * c - b * b;
            ((p * c - q * b) / area, (q * a - p * b) / area)
        }
    };
    (start.is_finite() && floor.is_finite()).then_some((start, floor))
}

/// The problem as the crate wants it: parameters are those of start, floor and ln rate that are not known.
struct Search<'a> {
    points: &'a [Point],
    beliefs: &'a Beliefs,
    at: [f64; 3],
}

impl Search<'_> {
    fn beliefs(&self) -> [Belief; 3] {
        [self.beliefs.start, self.beliefs.floor, self.beliefs.ln_rate]
    }

    fn open(&self) -> Vec<usize> {
        let beliefs = self.beliefs();
        (0..3).filter(|&i| !beliefs[i].is_known()).collect()
    }

    /// Rows of residual and slopes: points first, then beliefs.
    fn rows(&self) -> impl Iterator<Item = (f64, [f64; 3])> {
        let (at, beliefs) = (self.at, self.beliefs());
        let rate = at[2].exp();
        let points = self.points.iter().map(move |p| {
            let left = (-rate * p.x).exp();
            let root = p.weight.sqrt();
            let value = at[1] + (at[0] - at[1]) * left;
            // d/d ln rate = rate · d/d rate.
            let by_rate = -(at[0] - at[1]) * left * p.x * rate;
            ((value - p.y) * root, [left * root, (1.0 - left) * root, by_rate * root])
        });
        let held = (0..3).filter_map(move |i| {
            let (off, slope) = beliefs[i].residual(at[i])?;
            let mut slopes = [0.0; 3];
            slopes[i] = slope;
            Some((off, slopes))
        });
        points.chain(held)
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Search<'_> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, given: &DVector<f64>) {
        for (i, value) in self.open().into_iter().zip(given.iter()) {
            self.at[i] = *value;
        }
    }

    fn params(&self) -> DVector<f64> {
        DVector::from_vec(self.open().into_iter().map(|i| self.at[i]).collect())
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some(DVector::from_vec(self.rows().map(|(off, _)| off).collect()))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let open = self.open();
        let slopes: Vec<[f64; 3]> = self.rows().map(|(_, slopes)| slopes).collect();
        // Column by column, as the matrix lies in memory.
        let flat = open.iter().flat_map(|&i| slopes.iter().map(move |row| row[i])).collect();
        Some(DMatrix::from_vec(slopes.len(), open.len(), flat))
    }
}

fn finish(points: &[Point], beliefs: &Beliefs, at: [f64; 3], freedom: usize) -> Result<Fitted, FitError> {
    let search = Search { points, beliefs, at };
    let open = search.open();
    let mut normal = [[0.0; 3]; 3];
    for (_, slopes) in search.rows() {
        for (r, row) in normal.iter_mut().enumerate() {
            for (c, sum) in row.iter_mut().enumerate() {
                *sum += slopes[r] * slopes[c];
            }
        }
    }
    // Start, floor and ln rate differ by orders of magnitude: inverted with a diagonal of ones.
    let scale = [0, 1, 2].map(|i: usize| normal[i][i].sqrt().recip());
    let scaled = DMatrix::from_fn(open.len(), open.len(), |r, c| {
        let (r, c) = (open[r], open[c]);
        normal[r][c] * scale[r] * scale[c]
    });
    let small = if open.is_empty() { scaled } else { scaled.try_inverse().ok_or(FitError::NoMinimum)? };
    let mut inverse = Matrix3::zeros();
    for (r, &row) in open.iter().enumerate() {
        for (c, &column) in open.iter().enumerate() {
            inverse[(row, column)] = small[(r, c)] * scale[row] * scale[column];
        }
    }
    let curve = Curve { start: at[0], floor: at[1], rate: at[2].exp() };
    let rss = points.iter().map(|p| p.weight * (p.y - curve.at(p.x)).powi(2)).sum::<f64>();
    let finite = [curve.start, curve.floor, curve.rate, rss].iter().chain(inverse.iter()).all(|v| v.is_finite());
    if finite && curve.rate > 0.0 { Ok(Fitted { curve, rss, freedom, inverse }) } else { Err(FitError::NoMinimum) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Certified values: parameters, their standard deviations, residual sum of squares.
    struct Certified {
        b1: (f64, f64),
        b2: (f64, f64),
        rss: f64,
    }

    /// NIST Statistical Reference Datasets, nonlinear regression, `BoxBOD` (higher difficulty; Box, Hunter and Hunter 1978).
    const BOXBOD: [(f64, f64); 6] =
        [(1.0, 109.0), (2.0, 149.0), (3.0, 149.0), (5.0, 191.0), (7.0, 213.0), (10.0, 224.0)];
    const BOXBOD_CERTIFIED: Certified = Certified {
        b1: (2.138_094_088_9e2, 1.235_451_517_6e1),
        b2: (5.472_374_854_2e-1, 1.045_599_323_7e-1),
        rss: 1.168_008_876_6e3,
    };

    /// NIST Statistical Reference Datasets, nonlinear regression, `Misra1a` (lower difficulty; Misra 1978).
    const MISRA1A: [(f64, f64); 14] = [
        (77.6, 10.07),
        (114.9, 14.73),
        (141.1, 17.94),
        (190.8, 23.93),
        (239.9, 29.61),
        (289.0, 35.18),
        (332.8, 40.02),
        (378.4, 44.82),
        (434.8, 50.76),
        (477.3, 55.05),
        (536.8, 61.01),
        (593.1, 66.40),
        (689.1, 75.47),
        (760.0, 81.78),
    ];
    const MISRA1A_CERTIFIED: Certified = Certified {
        b1: (2.389_421_291_8e2, 2.707_007_524_1),
        b2: (5.501_564_318_1e-4, 7.266_868_843_6e-6),
        rss: 1.245_513_889_4e-1,
    };

    fn points(data: &[(f64, f64)]) -> Vec<Point> {
        data.iter().map(|&(x, y)| Point { x, y, weight: 1.0 }).collect()
    }

    fn step_response(b1: f64, b2: f64) -> Beliefs {
        Beliefs { start: Belief::Known(0.0), floor: Belief::Free(b1), ln_rate: Belief::Free(b2.ln()) }
    }

    /// Digits that agree: NIST's log relative error.
    fn digits(found: f64, certified: f64) -> f64 {
        -((found - certified).abs() / certified.abs()).max(1e-15).log10()
    }

    fn worst_digits(data: &[(f64, f64)], beliefs: &Beliefs, certified: &Certified) -> f64 {
        let fitted = fit(&points(data), beliefs).expect("a fit");
        let sd = fitted.deviations(fitted.variance().expect("more points than parameters"));
        [
            digits(fitted.curve.floor, certified.b1.0),
            digits(sd.floor, certified.b1.1),
            digits(fitted.curve.rate, certified.b2.0),
            digits(sd.rate, certified.b2.1),
            digits(fitted.rss, certified.rss),
        ]
        .into_iter()
        .fold(f64::INFINITY, f64::min)
    }

    #[test]
    fn boxbod_has_its_certified_values_from_both_starts() {
        for (start, wanted) in [((1.0, 1.0), 4.0), ((100.0, 0.75), 6.0)] {
            let found = worst_digits(&BOXBOD, &step_response(start.0, start.1), &BOXBOD_CERTIFIED);
            assert!(found >= wanted, "{found} digits from {start:?}");
        }
    }

    #[test]
    fn misra1a_has_its_certified_values_from_both_starts() {
        for (start, wanted) in [((500.0, 0.0001), 4.0), ((250.0, 0.0005), 6.0)] {
            let found = worst_digits(&MISRA1A, &step_response(start.0, start.1), &MISRA1A_CERTIFIED);
            assert!(found >= wanted, "{found} digits from {start:?}");
        }
    }

    #[test]
    fn a_cooling_from_a_known_start_is_the_same_problem_upside_down() {
        // T = T0 − y: the ambient temperature is T0 − b1, the rate b2, and both keep their certified deviations.
        for (t0, data, certified) in [(300.0, &BOXBOD[..], BOXBOD_CERTIFIED), (400.0, &MISRA1A[..], MISRA1A_CERTIFIED)]
        {
            let cooling: Vec<_> = data.iter().map(|&(x, y)| (x, t0 - y)).collect();
            let beliefs = Beliefs {
                start: Belief::Known(t0),
                floor: Belief::Free(20.0),
                ln_rate: Belief::Free((certified.b2.0 * 2.0).ln()),
            };
            let upside_down = Certified { b1: (t0 - certified.b1.0, certified.b1.1), ..certified };
            let found = worst_digits(&cooling, &beliefs, &upside_down);
            assert!(found >= 6.0, "{found} digits");
        }
        assert!((300.0 - BOXBOD_CERTIFIED.b1.0 - 86.190_591_11).abs() < 1e-8);
    }

    #[test]
    fn the_slopes_are_those_of_the_residuals() {
        let points = points(&BOXBOD);
        let near = |mean: f64| Belief::Near { mean, sd: 3.0 };
        let beliefs = Beliefs { start: near(2.0), floor: near(200.0), ln_rate: near(-0.5) };
        let mut search = Search { points: &points, beliefs: &beliefs, at: [1.0, 210.0, -0.6] };
        let numerical = levenberg_marquardt::differentiate_numerically(&mut search).expect("slopes");
        let exact = search.jacobian().expect("slopes");
        assert_eq!(exact.shape(), (9, 3));
        assert!((exact - numerical).abs().max() < 1e-4);
    }

    #[test]
    fn a_belief_counts_as_an_observation() {
        // One point at x = 0 alone says nothing of floor and rate: these stay as believed, with the deviations believed.
        let beliefs = Beliefs {
            start: Belief::Free(0.0),
            floor: Belief::Near { mean: 22.0, sd: 2.0 },
            ln_rate: Belief::Near { mean: 0.01_f64.ln(), sd: 0.1 },
        };
        let fitted = fit(&[Point { x: 0.0, y: 60.0, weight: 4.0 }], &beliefs).expect("a fit");
        let sd = fitted.deviations(1.0);
        assert!((fitted.curve.start - 60.0).abs() < 1e-9 && (sd.start - 0.5).abs() < 1e-9);
        assert!((fitted.curve.floor - 22.0).abs() < 1e-9 && (sd.floor - 2.0).abs() < 1e-9);
        assert!((fitted.curve.rate - 0.01).abs() < 1e-9 && (sd.rate - 0.001).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_fitted_is_an_error_and_no_number() {
        let beliefs = step_response(1.0, 1.0);
        assert_eq!(fit(&[], &beliefs), Err(FitError::TooFew { points: 0, parameters: 2 }));
        assert_eq!(fit(&points(&[(1.0, f64::NAN), (2.0, 1.0)]), &beliefs), Err(FitError::NotANumber));
        assert_eq!(fit(&points(&BOXBOD), &step_response(1.0, -1.0)), Err(FitError::NotANumber));
        assert_eq!(fit(&points(&BOXBOD), &step_response(1.0, 0.0)), Err(FitError::NotANumber));
        // All in one place: neither a floor nor a rate.
        let same = points(&[(1.0, 5.0); 5]);
        let free = Beliefs { start: Belief::Free(0.0), floor: Belief::Free(0.0), ln_rate: Belief::Free(0.0) };
        assert!(fit(&same, &free).is_err());
    }
}
