//! Points to a path, and round figures for the axes, for the temperature curve.
//!
//! Drawn by hand: what plotting crates write has colours and styles of its own inside, which the page's content policy forbids and
//! which would know nothing of dark and light.

use std::fmt::Write as _;

/// A picture's plane: times (ms) and temperatures (°C) to its units.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plane {
    pub(super) from_ms: i64,
    pub(super) until_ms: i64,
    pub(super) low_c: f64,
    pub(super) high_c: f64,
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
}

/// Steps of a temperature axis, °C.
const STEPS_C: [f64; 6] = [2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
/// Steps of a time axis, min.
const STEPS_MIN: [i64; 11] = [1, 2, 5, 10, 20, 30, 60, 120, 240, 480, 1440];

impl Plane {
    pub(super) fn x(&self, ms: i64) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "times of a few days")]
        let share = (ms - self.from_ms) as f64 / (self.until_ms - self.from_ms).max(1) as f64;
        self.left + (self.right - self.left) * share.clamp(0.0, 1.0)
    }

    pub(super) fn y(&self, c: f64) -> f64 {
        let share = (c - self.low_c) / (self.high_c - self.low_c).max(f64::MIN_POSITIVE);
        self.bottom - (self.bottom - self.top) * share.clamp(0.0, 1.0)
    }

    /// The path of these points; a silence longer than `gap_ms` breaks it. Points that lie on top of one another are one.
    pub(super) fn path(&self, points: &[(i64, f64)], gap_ms: i64) -> String {
        let mut path = String::new();
        let mut before: Option<(i64, f64, f64)> = None;
        for &(ms, c) in points {
            let (x, y) = (self.x(ms), self.y(c));
            let begins = before.is_none_or(|(then, ..)| ms - then > gap_ms);
            let moved = before.is_none_or(|(_, x0, y0)| (x - x0).abs() >= 0.8 || (y - y0).abs() >= 0.8);
            if begins || moved {
                let letter = if begins { 'M' } else { 'L' };
                write!(path, "{letter}{x:.1} {y:.1}").expect("invariant: a string takes everything");
                before = Some((ms, x, y));
            } else if let Some((then, ..)) = &mut before {
                *then = ms;
            }
        }
        path
    }
}

/// Lowest and highest temperature of an axis that holds these, and the figures written at it: three to five round ones.
///
/// A thermometer that shows nonsense is drawn at the edge.
pub(super) fn degrees(least: f64, greatest: f64) -> (f64, f64, Vec<f64>) {
    let (least, greatest) = (least.clamp(-100.0, 500.0), greatest.clamp(-100.0, 500.0));
    let (least, greatest) = (least - 1.0, greatest.max(least + 4.0) + 1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a handful of steps, and none below zero"
    )]
    let steps = |step: f64| ((greatest / step).ceil() - (least / step).floor()) as u32;
    let step = STEPS_C.into_iter().find(|step| steps(*step) <= 4).unwrap_or(200.0);
    let low = (least / step).floor() * step;
    let ticks: Vec<f64> = (0..=steps(step)).map(|n| low + f64::from(n) * step).collect();
    (low, ticks.last().copied().unwrap_or(low), ticks)
}

/// Minutes before now that are written at the axis, at most three, the first of them at least `room_min` back.
pub(super) fn minutes_back(span_min: i64, room_min: i64) -> Vec<i64> {
    let step = STEPS_MIN.into_iter().find(|step| span_min / step <= 3).unwrap_or(2880);
    (1..=3).map(|n| n * step).filter(|&minutes| minutes <= span_min && minutes >= room_min).collect()
}

/// So many minutes, for an axis.
pub(super) fn minutes(count: i64) -> String {
    match (count / 60, count % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLANE: Plane = Plane {
        from_ms: 0,
        until_ms: 1000,
        low_c: 20.0,
        high_c: 60.0,
        left: 0.0,
        right: 100.0,
        top: 0.0,
        bottom: 80.0,
    };

    #[test]
    fn a_path_is_broken_by_a_silence_and_nothing_leaves_the_plane() {
        assert_eq!(PLANE.path(&[(0, 60.0), (500, 40.0), (1000, 20.0)], 600), "M0.0 0.0L50.0 40.0L100.0 80.0");
        assert_eq!(PLANE.path(&[(0, 60.0), (700, 40.0)], 600), "M0.0 0.0M70.0 40.0");
        assert_eq!(PLANE.path(&[(0, 60.0), (1, 60.0), (2, 60.0)], 600), "M0.0 0.0");
        assert_eq!(PLANE.path(&[(-9, 99.0), (2000, -9.0)], 9000), "M0.0 0.0L100.0 80.0");
        let flat = Plane { until_ms: 0, high_c: 20.0, ..PLANE };
        assert!(!flat.path(&[(0, 20.0), (5, 21.0)], 9).contains("NaN"));
    }

    #[test]
    fn axes_have_a_few_round_figures() {
        assert_eq!(degrees(28.0, 61.0), (20.0, 80.0, vec![20.0, 40.0, 60.0, 80.0]));
        assert_eq!(degrees(22.0, 22.0), (20.0, 28.0, vec![20.0, 22.0, 24.0, 26.0, 28.0]));
        assert_eq!(degrees(-3.0, 90.0).2, [-50.0, 0.0, 50.0, 100.0]);
        assert_eq!(minutes_back(25, 3), [10, 20]);
        assert_eq!(minutes_back(0, 1), Vec::<i64>::new());
        assert_eq!(minutes_back(600, 60), [240, 480]);
        assert_eq!((minutes(20), minutes(120), minutes(95)), ("20 min".into(), "2 h".into(), "1 h 35".into()));
    }
}
