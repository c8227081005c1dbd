//! Whether there is a place on a line's belt for a footprint.

use super::plan::{Berth, Candidate};
use crate::belt::{Clearances, Frame, Ledger, NoRoom, Span};
use crate::job::{JobReason, Survey};
use crate::units::Micrometres;

/// A line's belt as it is now.
#[derive(Clone, Debug, PartialEq)]
pub struct BeltNow {
    /// Where it lies in the files' coordinates.
    pub frame: Frame,
    /// What is known of it.
    pub ledger: Ledger,
    /// How far footprints keep off the marks.
    pub clearances: Clearances,
    /// Where a part has left it.
    pub fallen: Micrometres,
}

impl BeltNow {
    /// Whether some turn of the belt brings free belt under this file's footprint.
    ///
    /// # Errors
    /// [`NoRoom`] with both lengths.
    pub fn room_for(&self, survey: &Survey) -> Result<(), NoRoom> {
        let Some(extent) = self.frame.extent(survey) else { return Ok(()) };
        self.ledger.place(Span::over(extent), &self.clearances, self.fallen).map(drop)
    }
}

/// Whether the line's belt has a free stretch that is long enough, as far as is known.
pub(super) fn has_room(candidate: &Candidate<'_>, line: &Berth) -> bool {
    line.belt.as_ref().is_none_or(|belt| belt.room_for(candidate.survey).is_ok())
}

/// Those of `fitting` that have room for the candidate; the numbers of the first if none has.
pub(super) fn with_room(
    candidate: &Candidate<'_>,
    lines: &[Berth],
    fitting: Vec<usize>,
) -> Result<Vec<usize>, (JobReason, String)> {
    let room = |i: usize| lines[i].belt.as_ref().map_or(Ok(()), |belt| belt.room_for(candidate.survey));
    let first = fitting.first().copied().map(|i| (&lines[i].name, room(i)));
    let roomy: Vec<usize> = fitting.into_iter().filter(|&i| room(i).is_ok()).collect();
    match first {
        Some((name, Err(no_room))) if roomy.is_empty() => {
            let next = "clear a flaw of its belt or say where the splice is";
            Err((JobReason::ResourcesAreNotReady, format!("line {name}: {no_room}; {next}")))
        }
        _ => Ok(roomy),
    }
}
