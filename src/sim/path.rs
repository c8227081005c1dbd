//! The way of one move, and the plastic along it.

use std::time::Duration;

use super::arc::Arc;
use super::config::{FrameConfig, MotionConfig};
use super::parts::{HASH_START, Laid, mix};
use crate::units::Millimetres;

/// The way of the head in one move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Path {
    /// Straight, or standing still.
    Line {
        /// True start, mm.
        from: [f64; 3],
        /// True end, mm.
        to: [f64; 3],
    },
    /// Around a centre.
    Arc(Arc),
}

impl Path {
    /// Length, mm.
    pub(super) fn length(&self) -> f64 {
        match self {
            Self::Line { from, to } => (0..3).map(|axis| (to[axis] - from[axis]).powi(2)).sum::<f64>().sqrt(),
            Self::Arc(arc) => arc.length(),
        }
    }

    /// Where the head is after this share of the way.
    pub(super) fn point(&self, share: f64) -> [f64; 3] {
        match self {
            Self::Line { to, .. } if share >= 1.0 => *to,
            Self::Line { from, to } => std::array::from_fn(|axis| from[axis] + (to[axis] - from[axis]) * share),
            Self::Arc(arc) => arc.point(share),
        }
    }

    /// Time for the way at `feed`, no axis and no drive faster than it can, in whole microseconds.
    pub(super) fn duration(&self, feed: f64, drives: f64, config: &MotionConfig) -> Duration {
        let length = self.length();
        let asked = if length > 0.0 { length } else { drives } / feed;
        let by_axis = match self {
            Self::Line { from, to } => std::array::from_fn(|axis| (to[axis] - from[axis]).abs()),
            Self::Arc(_) => [length, 0.0, 0.0],
        };
        let slowest = (0..3).map(|axis| by_axis[axis] / config.max_feed_xyz[axis]).fold(0.0, f64::max);
        let seconds = asked.max(slowest).max(drives / config.max_feed_e);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "not below zero; the cast saturates"
        )]
        Duration::from_micros((seconds * 1e6).round() as u64)
    }

    /// Whether plastic of this way lands on the belt: a line always does, what is pushed out standing still only over the bed.
    pub(super) fn over(&self, frame: &FrameConfig) -> bool {
        let [x, y, _] = self.point(0.0);
        self.moves_level() || frame.over_bed(x, y)
    }

    /// The plastic between two shares of the way, without its filament.
    pub(super) fn laid(&self, from: f64, to: f64, frame: &FrameConfig) -> Laid {
        let mut points = vec![self.point(from), self.point(to)];
        let mut hash = HASH_START;
        for point in &points {
            hash = point.iter().fold(hash, |hash, mm| mix(hash, Millimetres(*mm).to_micrometres().0.cast_unsigned()));
        }
        if let Self::Arc(arc) = self {
            points.extend(arc.turning_points(from, to).map(|share| arc.point(share)));
        }
        let range = |lengths: &mut dyn Iterator<Item = f64>| {
            lengths.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], length| [low.min(length), high.max(length)])
        };
        let along_mm = range(&mut points.iter().map(|[x, y, _]| frame.along(*x, *y)));
        let across_mm = range(&mut points.iter().map(|[x, y, _]| frame.across(*x, *y)));
        let top = points.iter().map(|point| point[2]).fold(f64::NEG_INFINITY, f64::max);
        Laid { along_mm, across_mm, z_mm: self.moves_level().then_some(top), filament_mm: 0.0, hash }
    }

    /// Whether it moves in X or Y.
    fn moves_level(&self) -> bool {
        match self {
            Self::Line { from, to } => from[0] != to[0] || from[1] != to[1],
            Self::Arc(_) => true,
        }
    }
}
