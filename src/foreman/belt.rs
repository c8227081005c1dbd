//! The belt in figures for people: what is marked on it and what lies on it, counted from the nose.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::job::CycleId;
use crate::line::Line;
use crate::units::Micrometres;

/// A belt, counted from the nose: "before" is how far something has still to travel to it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BeltView {
    /// Length of the loop, mm.
    pub loop_mm: Option<f64>,
    /// Where the bed lies: near end, far end, mm before the nose.
    #[serde(default)]
    pub bed_mm: [f64; 2],
    /// How far beyond the nose a part has left the belt, mm.
    #[serde(default)]
    pub overrun_mm: f64,
    /// How far the splice is before the nose, mm, from 0 up to the loop.
    pub splice_before_mm: Option<f64>,
    /// How unsure the marks are, mm either way: travel that may have happened since the splice was last seen.
    pub unsure_mm: f64,
    /// Bad stretches.
    pub flaws: Vec<FlawView>,
    /// Parts that are not known to have left.
    pub parts: Vec<BeltPartView>,
    /// The longest stretch without a keep-out, mm.
    pub free_mm: Option<f64>,
    /// How often the belt was printed on.
    pub wear: Option<WearView>,
    /// Where the copy under way is laid or will be laid once the belt has run on, mm before the nose: near end, far end.
    pub placed_mm: Option<[f64; 2]>,
}

/// A bad stretch of belt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FlawView {
    /// Its number.
    pub id: u64,
    /// How far its near end is before the nose, mm, from 0 up to the loop.
    pub before_mm: f64,
    /// Its length, mm.
    pub length_mm: f64,
    /// A person's words.
    pub note: String,
}

/// A part that is not known to have left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BeltPartView {
    /// The cycle that made it.
    pub cycle: CycleId,
    /// How far its near end is before the nose, mm; below zero beyond it.
    pub before_mm: f64,
    /// Its length, mm.
    pub length_mm: f64,
}

/// How often the belt was printed on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WearView {
    /// Prints on the most used stretch.
    pub most: u32,
    /// Prints on the least used one.
    pub least: u32,
    /// Where the most used one begins, mm before the nose.
    pub most_before_mm: f64,
    /// Stretches that were printed on, from the nose on.
    #[serde(default)]
    pub stretches: Vec<WornView>,
}

/// A stretch of belt that was printed on alike.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WornView {
    /// How far its near end is before the nose, mm, from 0 up to the loop.
    pub before_mm: f64,
    /// Its length, mm.
    pub length_mm: f64,
    /// Prints that lay on it.
    pub prints: u32,
}

/// What is to be shown of a line's belt.
pub(super) fn belt_view(line: &Line) -> BeltView {
    let (ledger, belt) = (line.ledger(), line.settings().belt);
    let nose = belt.nose;
    let parts: Vec<BeltPartView> = ledger
        .parts()
        .into_iter()
        .map(|part| BeltPartView {
            cycle: CycleId(part.cycle),
            before_mm: mm(nose - part.span.lead),
            length_mm: mm(part.span.length()),
        })
        .collect();
    let wear = ledger.loop_length().and_then(|length| wear_view(&ledger.wear_before(nose), length));
    let footprint = line.in_work().and_then(|w| w.work.footprint);
    BeltView {
        loop_mm: ledger.loop_length().map(mm),
        bed_mm: [mm(nose - belt.bed.lead), mm(nose - belt.bed.tail)],
        overrun_mm: mm(belt.fallen - nose),
        splice_before_mm: ledger.splice_before(nose).map(mm),
        unsure_mm: mm(ledger.doubt()),
        flaws: ledger
            .flaws_before(nose)
            .into_iter()
            .map(|flaw| FlawView {
                id: flaw.id,
                before_mm: mm(flaw.before_nose),
                length_mm: mm(flaw.length),
                note: flaw.note,
            })
            .collect(),
        parts,
        free_mm: ledger.longest_free(&belt.clearances).map(mm),
        wear,
        placed_mm: footprint.map(|span| [mm(nose - span.lead), mm(nose - span.tail)]),
    }
}

/// More stretches of wear than this are drawn together, each with the most prints on any of its bins: the view goes out with
/// every reading of the thermometers.
const STRETCHES_MAX: usize = 24;

/// `bins` say where each bin's end far from the nose is, and how often it was printed on; their near ends follow from the bin
/// before them, round the loop.
fn wear_view(bins: &[(Micrometres, u32)], loop_length: Micrometres) -> Option<WearView> {
    let least = bins.iter().map(|&(_, count)| count).min()?;
    let &(most_far, most) = bins.iter().max_by_key(|(_, count)| *count)?;
    let mut ends: Vec<(i64, u32)> = bins.iter().map(|&(far, count)| (far.0, count)).collect();
    ends.sort_unstable();
    // The farthest bin reaches round the loop to where the nearest one begins; it is cut there.
    let mut stretches: Vec<(i64, i64, u32)> = Vec::new();
    let mut near = 0;
    for cell in ends.chunks(ends.len().div_ceil(STRETCHES_MAX).max(1)) {
        let far = cell.last().map_or(near, |&(far, _)| far);
        push_stretch(&mut stretches, near, far, cell.iter().map(|&(_, count)| count).max().unwrap_or(0));
        near = far;
    }
    push_stretch(&mut stretches, near, loop_length.0, ends.first()?.1);
    let stretches = stretches.into_iter().filter(|&(.., prints)| prints > 0);
    let worn = |(near, far, prints)| WornView {
        before_mm: mm(Micrometres(near)),
        length_mm: mm(Micrometres(far - near)),
        prints,
    };
    Some(WearView { most, least, most_before_mm: mm(most_far), stretches: stretches.map(worn).collect() })
}

/// Adds a stretch, or makes the last one longer if it was printed on as often.
fn push_stretch(stretches: &mut Vec<(i64, i64, u32)>, near: i64, far: i64, count: u32) {
    match stretches.last_mut() {
        _ if far <= near => {}
        Some((_, end, prints)) if *prints == count && *end == near => *end = far,
        _ => stretches.push((near, far, count)),
    }
}

fn mm(um: Micrometres) -> f64 {
    um.to_millimetres().0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ends far from the nose, mm, and counts; the loop in mm.
    fn stretches(bins: &[(i64, u32)], loop_mm: i64) -> Vec<(f64, f64, u32)> {
        let bins: Vec<_> = bins.iter().map(|&(far, count)| (Micrometres(far * 1_000), count)).collect();
        let view = wear_view(&bins, Micrometres(loop_mm * 1_000)).expect("bins");
        view.stretches.iter().map(|worn| (worn.before_mm, worn.length_mm, worn.prints)).collect()
    }

    #[test]
    fn stretches_that_were_printed_on_alike_are_one_also_across_the_nose() {
        // The first bin reaches from 36 mm round the loop of 40 mm to 6 mm.
        assert_eq!(
            stretches(&[(6, 2), (36, 0), (26, 3), (16, 3)], 40),
            [(0.0, 6.0, 2), (6.0, 20.0, 3), (36.0, 4.0, 2)]
        );
        assert_eq!(stretches(&[(10, 0), (20, 0)], 20), []);
    }

    #[test]
    fn a_long_belt_has_few_stretches_and_keeps_its_most_worn_place() {
        let bins: Vec<_> = (1..=1_000).map(|k| (k * 10, u32::try_from(k % 7).expect("small"))).collect();
        let stretches = stretches(&bins, 10_000);
        assert!(stretches.len() <= STRETCHES_MAX + 1, "{}", stretches.len());
        assert_eq!(stretches.iter().map(|&(.., prints)| prints).max(), Some(6));
    }
}
