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
    /// How often the whole advance is run for a part.
    pub advances: u32,
}

impl BeltNow {
    /// Whether some turn of the belt brings free belt under this file's footprint.
    ///
    /// # Errors
    /// [`NoRoom`] with both lengths.
    pub fn room_for(&self, survey: &Survey) -> Result<(), NoRoom> {
        let Some(extent) = self.frame.extent(survey) else { return Ok(()) };
        // A less worn place is a place more to look at, and no more room.
        let least = Clearances { wear_slack: Micrometres(0), ..self.clearances };
        self.ledger.place(Span::over(extent), &least, self.fallen).map(drop)
    }

    /// A copy of this file comes and goes. Returns how far the belt runs first, so that the copy lies on free belt.
    ///
    /// # Errors
    /// [`NoRoom`]: then nothing has changed.
    pub fn pass(&mut self, survey: &Survey) -> Result<Micrometres, NoRoom> {
        let extent = self.frame.extent(survey);
        let footprint = extent.map(Span::over);
        let place = |span| self.ledger.place(span, &self.clearances, self.fallen);
        let first = footprint.map(place).transpose()?.map_or(Micrometres(0), |placement| placement.advance);
        self.ledger.count(first, Micrometres(0));
        if let Some(span) = footprint {
            self.ledger.lay(0, span);
        }
        let overrun = (self.fallen - self.frame.nose.to_micrometres()).to_millimetres();
        let advance = self.frame.advance(extent, overrun).total();
        self.leave(Micrometres(advance.0 * i64::from(self.advances)));
        Ok(first)
    }

    /// The belt runs so far, and then nothing is on it.
    pub fn leave(&mut self, travel: Micrometres) {
        self.ledger.count(travel, Micrometres(0));
        self.ledger.all_left();
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
