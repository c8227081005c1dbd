//! Time at the commanded feeds, as if there were no acceleration.

use super::lanes::sum;
use super::moves::Move;
use super::run::Steps;

/// Sums ways for as long as the feed stays the same, so that one division serves many moves.
#[derive(Debug, Default)]
pub(crate) struct FeedTime {
    feed_mm_min: Option<f64>,
    fed_mm: f64,
    settled_s: f64,
}

impl FeedTime {
    /// Takes a move on a way of this length.
    pub(crate) fn take(&mut self, motion: &Move, length_mm: f64) {
        if motion.feed_mm_min != self.feed_mm_min {
            self.settled_s = self.total_s();
            (self.feed_mm_min, self.fed_mm) = (motion.feed_mm_min, 0.0);
        }
        self.fed_mm += motion.fed_mm(length_mm);
    }

    /// Takes the moves of a run.
    pub(crate) fn take_run(&mut self, steps: &Steps) {
        let count = steps.count();
        let minutes = sum(&steps.fed[..count], &steps.run.feed_inverse[..count], |fed, inverse| fed * inverse);
        self.settled_s += minutes * (60.0 / 1e6);
    }

    /// Takes time that passes without a move.
    pub(crate) const fn take_dwell(&mut self, dwell_s: f64) {
        self.settled_s += dwell_s;
    }

    /// All of it, s. A move before any feed was commanded takes none.
    pub(crate) fn total_s(&self) -> f64 {
        let feed = self.feed_mm_min.filter(|feed| *feed > 0.0);
        self.settled_s + feed.map_or(0.0, |feed| self.fed_mm / feed * 60.0)
    }
}
