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
}

/// What is to be shown of a line's belt.
pub(super) fn belt_view(line: &Line) -> Option<BeltView> {
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
    if ledger.loop_length().is_none() && parts.is_empty() {
        return None;
    }
    let wear = ledger.wear_before(nose);
    let most = wear.iter().max_by_key(|(_, count)| *count);
    let footprint = line.in_work().and_then(|w| w.work.footprint);
    Some(BeltView {
        loop_mm: ledger.loop_length().map(mm),
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
        wear: most.map(|&(at, most)| WearView {
            most,
            least: wear.iter().map(|&(_, count)| count).min().unwrap_or(0),
            most_before_mm: mm(at),
        }),
        placed_mm: footprint.map(|span| [mm(nose - span.lead), mm(nose - span.tail)]),
    })
}

fn mm(um: Micrometres) -> f64 {
    um.to_millimetres().0
}
