//! Bed coordinates to the belt's: `u` runs along the belt and grows toward the nose.

use serde::{Deserialize, Serialize};

use super::advance::Advance;
use crate::job::{Footprint, Survey};
use crate::units::Millimetres;

/// The way toward the nose, in the sliced file's coordinates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Direction {
    /// Toward greater X.
    #[serde(rename = "+x")]
    PlusX,
    /// Toward smaller X.
    #[serde(rename = "-x")]
    MinusX,
    /// Toward greater Y.
    #[serde(rename = "+y")]
    PlusY,
    /// Toward smaller Y.
    #[serde(rename = "-y")]
    MinusY,
}

/// Where the belt lies in the sliced file's coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// The way toward the nose.
    pub toward_nose: Direction,
    /// Where the nose is along `u`, mm: the file's X or Y there, with its sign turned if the belt runs toward minus.
    pub nose: Millimetres,
    /// The bed: plastic that drops outside of it does not lie on the belt.
    pub bed: Footprint,
}

/// What must leave the belt, as an interval along it; `lead` is nearer the nose.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Extent {
    /// The end far from the nose, mm.
    pub tail_mm: f64,
    /// The end near the nose, mm.
    pub lead_mm: f64,
}

impl Extent {
    /// Its length, mm.
    #[must_use]
    pub fn depth(self) -> Millimetres {
        Millimetres(self.lead_mm - self.tail_mm)
    }

    fn widened(self, u: f64) -> Self {
        Self { tail_mm: self.tail_mm.min(u), lead_mm: self.lead_mm.max(u) }
    }
}

impl Direction {
    /// The coordinate along the belt of a point of the bed.
    #[must_use]
    pub fn along(self, x: Millimetres, y: Millimetres) -> Millimetres {
        match self {
            Self::PlusX => x,
            Self::MinusX => -x,
            Self::PlusY => y,
            Self::MinusY => -y,
        }
    }
}

impl Frame {
    /// The interval along the belt that this file's plastic takes: its footprint and every purge that drops on the bed.
    /// `None` if nothing is laid on it.
    #[must_use]
    pub fn extent(&self, survey: &Survey) -> Option<Extent> {
        let corners = survey.footprint.map(|f| [(f.x_min_mm, f.y_min_mm), (f.x_max_mm, f.y_max_mm)]);
        let purges = survey.purges.iter().map(|p| (p.x_mm, p.y_mm)).filter(|&(x, y)| self.is_over_bed(x, y));
        corners.into_iter().flatten().chain(purges).fold(None, |extent: Option<Extent>, (x, y)| {
            let u = self.toward_nose.along(Millimetres(x), Millimetres(y)).0;
            Some(extent.map_or(Extent { tail_mm: u, lead_mm: u }, |e| e.widened(u)))
        })
    }

    /// What carries a part with this extent over the nose.
    #[must_use]
    pub fn advance(&self, extent: Option<Extent>, overrun: Millimetres) -> Advance {
        // A file that lays nothing on the bed has nothing to push off; the overrun alone still clears what is not known of.
        let at_nose = Extent { tail_mm: self.nose.0, lead_mm: self.nose.0 };
        Advance::plan(extent.unwrap_or(at_nose), self.nose, overrun)
    }

    fn is_over_bed(&self, x: f64, y: f64) -> bool {
        (self.bed.x_min_mm..=self.bed.x_max_mm).contains(&x) && (self.bed.y_min_mm..=self.bed.y_max_mm).contains(&y)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Purge;

    fn survey(footprint: Option<Footprint>, purges: &[(f64, f64)]) -> Survey {
        let purge = |&(x_mm, y_mm): &(f64, f64)| Purge { line: 1, x_mm, y_mm, z_mm: 0.3, length_mm: 3.0 };
        Survey { footprint, purges: purges.iter().map(purge).collect(), ..Survey::default() }
    }

    const PART: Footprint = Footprint { x_min_mm: 43.0, x_max_mm: 77.0, y_min_mm: 106.0, y_max_mm: 134.0 };
    const BED: Footprint = Footprint { x_min_mm: 0.0, x_max_mm: 220.0, y_min_mm: 0.0, y_max_mm: 200.0 };

    fn extent(toward_nose: Direction, purges: &[(f64, f64)]) -> Option<(f64, f64)> {
        let frame = Frame { toward_nose, nose: Millimetres(200.0), bed: BED };
        frame.extent(&survey(Some(PART), purges)).map(|e| (e.tail_mm, e.lead_mm))
    }

    #[test]
    fn the_tail_is_the_end_away_from_the_nose_whichever_way_the_belt_runs() {
        assert_eq!(extent(Direction::PlusY, &[]), Some((106.0, 134.0)));
        assert_eq!(extent(Direction::MinusY, &[]), Some((-134.0, -106.0)));
        assert_eq!(extent(Direction::PlusX, &[]), Some((43.0, 77.0)));
        assert_eq!(extent(Direction::MinusX, &[]), Some((-77.0, -43.0)));
    }

    #[test]
    fn a_purge_on_the_bed_must_leave_too_and_one_beside_it_need_not() {
        assert_eq!(extent(Direction::PlusY, &[(12.0, 90.0)]), Some((90.0, 134.0)));
        assert_eq!(extent(Direction::PlusY, &[(12.0, 200.0)]), Some((106.0, 200.0)));
        assert_eq!(extent(Direction::PlusY, &[(-3.0, 90.0), (12.0, -1.0)]), Some((106.0, 134.0)));
    }

    #[test]
    fn a_file_that_lays_nothing_on_the_bed_has_no_extent() {
        let frame = Frame { toward_nose: Direction::PlusY, nose: Millimetres(200.0), bed: BED };
        assert_eq!(frame.extent(&survey(None, &[])), None);
        assert_eq!(frame.extent(&survey(None, &[(5.0, 7.0)])), Some(Extent { tail_mm: 7.0, lead_mm: 7.0 }));
    }
}
