//! How often each stretch of the belt was printed on.

use serde::{Deserialize, Serialize};

/// Length of a bin, µm. Coarse on purpose: a layer of adhesive does not wear by the millimetre.
pub(super) const BIN_UM: i64 = 10_000;

/// A count for each bin along the loop.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Wear {
    /// Where the first bin begins, as `m`, µm; it moves when the splice is found elsewhere than believed.
    origin_um: i64,
    /// Prints that lay on each bin; the last bin may be shorter.
    bins: Vec<u32>,
}

impl Wear {
    /// A belt that nothing was printed on.
    pub(super) fn unworn(loop_um: i64) -> Self {
        let count = usize::try_from((loop_um + BIN_UM - 1) / BIN_UM).unwrap_or(0);
        Self { origin_um: 0, bins: vec![0; count] }
    }

    /// Where the bins begin, as `m`, µm, with what was counted on each.
    pub(super) fn bins(&self) -> impl Iterator<Item = (i64, u32)> {
        (0..).zip(&self.bins).map(|(k, &count)| (self.origin_um + k * BIN_UM, count))
    }

    /// The belt's material stands elsewhere than believed.
    pub(super) fn shift(&mut self, by_um: i64, loop_um: i64) {
        self.origin_um = (self.origin_um + by_um).rem_euclid(loop_um);
    }

    /// One more print on `[from, to]`, as `m`.
    pub(super) fn count(&mut self, from_um: i64, to_um: i64, loop_um: i64) {
        for bin in self.under(from_um, to_um, loop_um) {
            self.bins[bin] = self.bins[bin].saturating_add(1);
        }
    }

    /// The sum of the counts under `[from, to]`, as `m`.
    pub(super) fn sum(&self, from_um: i64, to_um: i64, loop_um: i64) -> u64 {
        self.under(from_um, to_um, loop_um).map(|bin| u64::from(self.bins[bin])).sum()
    }

    /// The bins that are touched by more than their edge, each once.
    fn under(&self, from_um: i64, to_um: i64, loop_um: i64) -> impl Iterator<Item = usize> + use<> {
        let from = (from_um - self.origin_um).rem_euclid(loop_um);
        let to = from + (to_um - from_um).min(loop_um);
        let bin = |um: i64| usize::try_from(um / BIN_UM).unwrap_or(0);
        let behind = |um: i64| bin(um + BIN_UM - 1).min(self.bins.len());
        // What reaches over the end of the loop lies at its begin too, perhaps up to the bin that it began in.
        let over = behind((to - loop_um).max(0)).min(bin(from));
        (0..over).chain(bin(from)..behind(to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(wear: &Wear) -> Vec<u32> {
        wear.bins().map(|(_, count)| count).collect()
    }

    #[test]
    fn a_print_counts_on_every_bin_that_it_lies_on_also_across_the_end_of_the_loop() {
        let mut wear = Wear::unworn(45_000);
        wear.count(8_000, 20_000, 45_000);
        assert_eq!(counts(&wear), [1, 1, 0, 0, 0]);
        wear.count(42_000, 46_000, 45_000);
        assert_eq!(counts(&wear), [2, 1, 0, 0, 1]);
        assert_eq!(wear.sum(-3_000, 1_000, 45_000), 3);
        wear.count(1_000, 99_000, 45_000);
        assert_eq!(counts(&wear), [3, 2, 1, 1, 2]);
    }

    #[test]
    fn the_counts_stay_with_the_material_when_it_stands_elsewhere() {
        let mut wear = Wear::unworn(40_000);
        wear.count(0, 10_000, 40_000);
        wear.shift(-5_000, 40_000);
        assert_eq!(wear.sum(35_000, 45_000, 40_000), 1);
        assert_eq!(wear.sum(5_000, 15_000, 40_000), 0);
    }

    proptest::proptest! {
        /// By looking at every bin, and at what lies over the end of the loop once more.
        #[test]
        fn the_bins_under_a_print_are_those_that_it_touches(
            loop_um in 1_i64..90_000,
            (origin_um, from_um) in (0_i64..90_000, -200_000_i64..200_000),
            length in 0_i64..100_000,
        ) {
            let wear = Wear { origin_um, ..Wear::unworn(loop_um) };
            let from = (from_um - origin_um).rem_euclid(loop_um);
            let touches = |&k: &i64| {
                let (low, high) = (k * BIN_UM, ((k + 1) * BIN_UM).min(loop_um));
                length >= loop_um
                    || [0, loop_um].iter().any(|turn| low + turn < from + length && from < high + turn)
            };
            let slow: Vec<usize> = (0..wear.bins.len() as i64).filter(touches).map(|k| k as usize).collect();
            let fast: Vec<usize> = wear.under(from_um, from_um + length, loop_um).collect();
            proptest::prop_assert_eq!(fast, slow);
        }
    }
}
