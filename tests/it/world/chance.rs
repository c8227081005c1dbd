//! Where every random choice of a world comes from.

use std::time::Duration;

/// A fixed sequence of chances (splitmix64, public domain).
#[derive(Clone, Debug)]
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Another sequence, that uses up one number of this one however long it is.
    pub(crate) fn fork(&mut self) -> Self {
        Self(self.next())
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Below `end`.
    pub(crate) fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }

    /// Between two numbers.
    pub(crate) fn within(&mut self, least: f64, greatest: f64) -> f64 {
        least + (greatest - least) * ((self.next() >> 11) as f64 / (1_u64 << 53) as f64)
    }

    /// One time in so many.
    pub(crate) fn one_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }

    pub(crate) fn one_of<T: Clone>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len())].clone()
    }

    /// Between two times, in whole milliseconds, short ones as often as long ones on a scale of ratios.
    pub(crate) fn span(&mut self, least: Duration, greatest: Duration) -> Duration {
        let [low, high] = [least, greatest].map(|span| span.as_secs_f64().max(0.001).ln());
        Duration::from_millis((self.within(low, high).exp() * 1000.0) as u64)
    }
}
