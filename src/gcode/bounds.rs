//! A box that grows.

use super::arc::Arc;
use super::moves::{Axes, Move, Path};
use crate::job::{Footprint, Reach};

/// Least and greatest coordinates so far, mm, axis by axis; empty until something is taken in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bounds {
    pub(crate) least: [f64; 3],
    pub(crate) greatest: [f64; 3],
}

impl Default for Bounds {
    fn default() -> Self {
        Self { least: [f64::INFINITY; 3], greatest: [f64::NEG_INFINITY; 3] }
    }
}

impl Bounds {
    /// Takes in one coordinate, and says whether the box has grown: nearly never, so that is asked first.
    pub(crate) const fn take_axis(&mut self, axis: usize, value: f64) -> bool {
        let is_outside = value < self.least[axis] || value > self.greatest[axis];
        if is_outside {
            self.least[axis] = self.least[axis].min(value);
            self.greatest[axis] = self.greatest[axis].max(value);
        }
        is_outside
    }

    /// Takes in the whole way of a move, both ends.
    pub(crate) fn take_way(&mut self, motion: &Move) {
        for axis in 0..3 {
            self.take_axis(axis, motion.start[axis]);
            self.take_axis(axis, motion.end[axis]);
        }
        if let Path::Arc(arc) = &motion.path {
            self.take_bulges(arc, Axes::ALL);
        }
    }

    /// Takes in the outermost points of an arc, on these axes.
    fn take_bulges(&mut self, arc: &Arc, axes: Axes) -> bool {
        let (a, b, _) = arc.plane.axes();
        let (least, greatest) = arc.bulges();
        let mut has_grown = false;
        for (axis, within) in [(a, 0), (b, 1)] {
            // An arc that passes no outermost point of its circle bulges nowhere.
            if axes.has(axis) && least[within] <= greatest[within] {
                has_grown |= self.take_axis(axis, least[within]);
                has_grown |= self.take_axis(axis, greatest[within]);
            }
        }
        has_grown
    }

    /// Takes in what a move commands: its end on each axis that it names, and an arc's bulges. Where it starts from is not
    /// commanded, so that neither homing nor a machine just switched on puts its zero into the box; an axis whose position
    /// is not known stays out. Says whether the box has grown.
    pub(crate) fn take_commanded(&mut self, motion: &Move) -> bool {
        let mut has_grown = false;
        for axis in 0..3 {
            if motion.named.has(axis) && motion.known.has(axis) {
                has_grown |= self.take_axis(axis, motion.end[axis]);
            }
        }
        if let Path::Arc(arc) = &motion.path {
            has_grown |= self.take_bulges(arc, motion.known);
        }
        has_grown
    }

    pub(crate) fn take_bounds(&mut self, other: &Self) {
        for axis in 0..3 {
            self.least[axis] = self.least[axis].min(other.least[axis]);
            self.greatest[axis] = self.greatest[axis].max(other.greatest[axis]);
        }
    }

    /// Whether the other box lies within this one.
    pub(crate) fn contains(&self, other: &Self) -> bool {
        (0..3).all(|axis| self.least[axis] <= other.least[axis] && other.greatest[axis] <= self.greatest[axis])
    }

    fn has(&self, axis: usize) -> bool {
        self.least[axis] <= self.greatest[axis]
    }

    /// The rectangle in X and Y, if there is one.
    pub(crate) fn footprint(&self) -> Option<Footprint> {
        (self.has(0) && self.has(1)).then(|| Footprint {
            x_min_mm: round6(self.least[0]),
            x_max_mm: round6(self.greatest[0]),
            y_min_mm: round6(self.least[1]),
            y_max_mm: round6(self.greatest[1]),
        })
    }

    /// The whole box, if there is one; an axis that was never commanded stands at `rest`.
    pub(crate) fn reach(&self, rest: [f64; 3]) -> Option<Reach> {
        if !(0..3).any(|axis| self.has(axis)) {
            return None;
        }
        let least = |axis: usize| round6(if self.has(axis) { self.least[axis] } else { rest[axis] });
        let greatest = |axis: usize| round6(if self.has(axis) { self.greatest[axis] } else { rest[axis] });
        Some(Reach {
            x_min_mm: least(0),
            x_max_mm: greatest(0),
            y_min_mm: least(1),
            y_max_mm: greatest(1),
            z_min_mm: least(2),
            z_max_mm: greatest(2),
        })
    }
}

/// To six decimals, a nanometre or a microgram: what is written is what was meant, not what a binary fraction makes of it.
pub(crate) fn round6(value: f64) -> f64 {
    // Adding zero turns a negative zero into zero.
    (value * 1e6).round() / 1e6 + 0.0
}
