//! How far the belt must run to carry an extent over the nose.

use serde::{Deserialize, Serialize};

use super::frame::Extent;
use crate::units::{Micrometres, Millimetres, MillimetresPerMinute};

/// The three pieces of an advance, µm, each zero or more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Advance {
    /// Until the lead is at the nose, at travel feed.
    pub approach_um: i64,
    /// While the part bends off the nose, at peel feed.
    pub peel_um: i64,
    /// Beyond the tail, so that the part falls, at travel feed.
    pub overrun_um: i64,
}

/// Which piece of an advance a move is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stretch {
    /// Until the lead is at the nose.
    Approach,
    /// While the part bends off the nose.
    Peel,
    /// Beyond the tail.
    Overrun,
    /// Away from the nose, to try again.
    Back,
    /// Asked for by a person while nothing is made.
    Jog,
    /// A piece of a jog that lasts while a button is held.
    HeldJog,
}

/// One belt move; positive is toward the nose.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Move {
    /// Which piece it is.
    pub stretch: Stretch,
    /// How far, µm.
    pub travel: Micrometres,
    /// How fast.
    pub feed: MillimetresPerMinute,
}

/// Feeds of a belt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Feeds {
    pub(super) travel: MillimetresPerMinute,
    pub(super) peel: MillimetresPerMinute,
}

impl Advance {
    /// The advance for a part with this extent: `approach = max(0, u_n − u_lead)`, `peel = u_lead − u_tail`,
    /// `overrun = o`; its total is `(u_n − u_tail) + o`. Where the lead already stands beyond the nose, what has yet to
    /// peel is counted from the nose, so the total stays the same.
    ///
    /// Each is rounded to whole micrometres so that the sum is exact.
    #[must_use]
    pub fn plan(extent: Extent, nose: Millimetres, overrun: Millimetres) -> Self {
        let to_tail = Millimetres(nose.0 - extent.tail_mm).to_micrometres().0.max(0);
        let approach = Millimetres(nose.0 - extent.lead_mm).to_micrometres().0.clamp(0, to_tail);
        Self { approach_um: approach, peel_um: to_tail - approach, overrun_um: overrun.to_micrometres().0.max(0) }
    }

    /// The whole advance.
    #[must_use]
    pub fn total(self) -> Micrometres {
        Micrometres(self.approach_um + self.peel_um + self.overrun_um)
    }

    /// Its moves, in order; pieces of no length are left out.
    #[must_use]
    pub(super) fn moves(self, feeds: Feeds) -> Vec<Move> {
        [
            (Stretch::Approach, self.approach_um, feeds.travel),
            (Stretch::Peel, self.peel_um, feeds.peel),
            (Stretch::Overrun, self.overrun_um, feeds.travel),
        ]
        .into_iter()
        .filter(|&(_, um, _)| um > 0)
        .map(|(stretch, um, feed)| Move { stretch, travel: Micrometres(um), feed })
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn extent(tail_mm: f64, lead_mm: f64) -> Extent {
        Extent { tail_mm, lead_mm }
    }

    #[test]
    fn the_three_pieces_add_up_to_nose_less_tail_plus_overrun() {
        let advance = Advance::plan(extent(64.198, 135.802), Millimetres(220.0), Millimetres(40.0));
        assert_eq!(advance, Advance { approach_um: 84_198, peel_um: 71_604, overrun_um: 40_000 });
        assert_eq!(advance.total(), Micrometres(195_802));
    }

    #[test]
    fn a_lead_beyond_the_nose_needs_no_approach_and_the_rest_still_peels() {
        let advance = Advance::plan(extent(200.0, 225.0), Millimetres(220.0), Millimetres(30.0));
        assert_eq!(advance, Advance { approach_um: 0, peel_um: 20_000, overrun_um: 30_000 });
    }

    #[test]
    fn a_point_has_no_peel_but_an_approach_and_an_overrun() {
        let advance = Advance::plan(extent(10.0, 10.0), Millimetres(220.0), Millimetres(30.0));
        assert_eq!(advance, Advance { approach_um: 210_000, peel_um: 0, overrun_um: 30_000 });
    }
}
