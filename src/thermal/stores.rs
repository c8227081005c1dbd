//! Whether what looks like a cooling with a high floor may be one with two stores of heat.
//!
//! A heater that was just switched off gives its own heat to the bed first. For a while that looks like the fast cooling of
//! something small in a hot room: `y = floor + a·e^(−x/τ) + b·e^(−x/σ)` with a lower floor and a longer time constant bends
//! as much as one exponential does.

use super::fit::{Curve, Point};
use super::history::Prior;

/// Time constants of a second store that are looked at, s, from a bare heater foil to a plate of glass; each 1.25 times the one
/// before. A guess: no source.
const STORES_S: [f64; 11] = [16.0, 20.0, 25.0, 31.0, 39.0, 49.0, 61.0, 76.0, 95.0, 119.0, 149.0];
/// How far a second store raises the bed at first, K. With less it cannot be told from none in time, and with more it was the
/// first. A guess: no source.
const RAISES_K: (f64, f64) = (0.8, 8.0);
/// The bed's own time constants that are looked at: so many, from a little less than that of the one exponential to so many
/// times it.
const TAUS: (u32, f64, f64) = (24, 0.9, 6.0);
/// Halvings by the golden section about the best of them.
const STEPS: u32 = 12;
const GOLDEN: f64 = 0.618_033_988_749_895;

/// By how much two stores that end at `floor` explain these points worse than this one exponential, beliefs counted: twice the
/// logarithm of how many times less likely they are, with the noise that the one exponential leaves. Below zero where two stores
/// explain them better.
pub(super) fn worse_with_two(points: &[Point], one: Curve, floor: f64, prior: &Prior) -> f64 {
    let rss = points.iter().map(|p| p.weight * (p.y - one.at(p.x)).powi(2)).sum::<f64>();
    #[expect(clippy::cast_precision_loss, reason = "a count of points")]
    let variance = (rss / points.len().saturating_sub(3).max(1) as f64).max(f64::MIN_POSITIVE);
    let off = |ln_tau: f64| ((ln_tau - prior.tau_s.ln()) / prior.tau_sd).powi(2);
    let floor_off = |floor: f64| ((floor - prior.floor_c) / prior.floor_sd_k).powi(2);
    let ln_tau = -one.rate.ln();
    let two = |store_s: f64| {
        let second: Vec<f64> = points.iter().map(|p| (-p.x / store_s).exp()).collect();
        lowest(ln_tau, |ln_tau| left(points, &second, floor, ln_tau.exp()) / variance + off(ln_tau))
    };
    let two = STORES_S.iter().map(|&store_s| two(store_s)).fold(f64::INFINITY, f64::min);
    two + floor_off(floor) - (rss / variance + off(ln_tau) + floor_off(one.floor))
}

/// The least value over the bed's own time constants, as logarithms.
fn lowest(ln_tau: f64, value: impl Fn(f64) -> f64) -> f64 {
    let (count, from, to) = TAUS;
    let step = (to / from).ln() / f64::from(count);
    let scanned = (0..=count).map(|i| ln_tau + from.ln() + step * f64::from(i)).map(|at| (at, value(at)));
    let (best, low) = scanned.min_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((ln_tau, f64::INFINITY));
    low.min(least(best - step, best + step, value))
}

/// What is left when both amounts are the best that can be: linear least squares, the second within its bounds.
fn left(points: &[Point], second: &[f64], floor: f64, tau: f64) -> f64 {
    let [mut aa, mut ab, mut bb, mut ay, mut by, mut yy] = [0.0; 6];
    for (point, b) in points.iter().zip(second) {
        let a = (-point.x / tau).exp();
        let (y, w) = (point.y - floor, point.weight);
        aa += w * a * a;
        ab += w * a * b;
        bb += w * b * b;
        ay += w * a * y;
        by += w * b * y;
        yy += w * y * y;
    }
    let area = aa * bb - ab * ab;
    let b = ((by * aa - ay * ab) / area).clamp(RAISES_K.0, RAISES_K.1);
    let a = (ay - b * ab) / aa;
    yy - 2.0 * (a * ay + b * by) + a * a * aa + 2.0 * a * b * ab + b * b * bb
}

/// The least value between two places with one valley between them.
fn least(mut from: f64, mut to: f64, value: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (to - GOLDEN * (to - from), from + GOLDEN * (to - from));
    let (mut at_low, mut at_high) = (value(low), value(high));
    for _ in 0..STEPS {
        if at_low < at_high {
            (to, high, at_high) = (high, low, at_low);
            low = to - GOLDEN * (to - from);
            at_low = value(low);
        } else {
            (from, low, at_low) = (low, high, at_high);
            high = from + GOLDEN * (to - from);
            at_high = value(high);
        }
    }
    at_low.min(at_high)
}
