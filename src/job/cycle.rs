//! One copy's way through a line, and the states of a line.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::id::{CycleId, JobId, LineName};
use super::keyword::keywords;
use crate::units::UnixMillis;

keywords! {
    /// The five phases of a cycle, in their order.
    Phase {
        /// Bed, then nozzle, are brought to the file's first temperatures.
        Warm = "warm",
        /// The file is sent.
        Print = "print",
        /// The bed cools until the part lets go.
        Cool = "cool",
        /// The belt carries the part over the nose.
        Advance = "advance",
        /// Something or somebody confirms that the part has left.
        Check = "check",
    }
}

keywords! {
    /// How a copy ended.
    Outcome {
        /// Finished; `checked_by` says who or what confirmed that it left the belt.
        Completed = "completed",
        /// Begun and no good.
        Scrapped = "scrapped",
        /// Nothing was printed; the copy waits again.
        Returned = "returned",
    }
}

keywords! {
    /// Who or what said that the part has left the belt.
    CheckedBy {
        /// A person, on the page or through the API.
        Person = "person",
        /// An input of the printer.
        Switch = "switch",
        /// The user's own program.
        Command = "command",
        /// Nothing: the line has no sensor and a standing word; the whole advance was run twice.
        Nothing = "nothing",
    }
}

/// One copy's way through a line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Cycle {
    /// The cycle's number.
    pub id: CycleId,
    /// Whose copy it is.
    pub job: JobId,
    /// On which line.
    pub line: LineName,
    /// Which copy of the job, from 1.
    pub copy: u32,
    /// The phase it is in, or ended in.
    pub phase: Phase,
    /// How it ended, when it did.
    pub outcome: Option<Outcome>,
    /// Who or what confirmed it.
    pub checked_by: Option<CheckedBy>,
    /// Belt travel of this cycle toward the nose that certainly happened, µm: on the way to a free place, in the advance and in
    /// every new try, also where it was reported after the cycle had ended. Back counts as less. Travel that may have happened
    /// is not in it; the line keeps that as uncertain.
    pub advance_um: i64,
    /// When it began.
    pub started_at: UnixMillis,
    /// When it ended.
    pub ended_at: Option<UnixMillis>,
    /// One sentence for a person; may be empty.
    pub note: String,
}

keywords! {
    /// State of a line; a subset of the names of ISA-TR88.00.02.
    LineState {
        /// A person stopped it; it takes no job until a person lets it go on.
        Stopped = "stopped",
        /// Ready for a job.
        Idle = "idle",
        /// A cycle is under way, or a trial of commissioning.
        Execute = "execute",
        /// Waits for a person because of something inside the line.
        Held = "held",
        /// Waits for something outside the line to change.
        Suspended = "suspended",
        /// Ended in a hurry; a person must look and answer before it can be idle again.
        Aborted = "aborted",
    }
}

keywords! {
    /// Why a line is in its state: a closed list.
    LineReason {
        /// Nothing to say.
        None = "none",
        /// A person asked for it.
        Operator = "operator",
        /// It is not known whether the belt is clear.
        BeltNotKnownClear = "belt-not-known-clear",
        /// The clear check asks a person.
        AskPerson = "ask-person",
        /// The part did not leave the belt, retries included.
        PartNotCleared = "part-not-cleared",
        /// The clear check gave no answer.
        CheckUnknown = "check-unknown",
        /// The daemon was restarted with a cycle under way.
        Restarted = "restarted",
        /// The connection to the printer was lost with a cycle under way.
        LinkLost = "link-lost",
        /// There is no connection to the printer.
        ConnectingToDevice = "connecting-to-device",
        /// The printer was reset with a cycle under way.
        PrinterReset = "printer-reset",
        /// The printer reported a fault.
        PrinterFault = "printer-fault",
        /// A person pressed the emergency stop.
        EmergencyStop = "emergency-stop",
        /// A phase went past its deadline.
        PhaseOverdue = "phase-overdue",
        /// The part would not let go at any temperature that this bed can reach here.
        NeverCools = "never-cools",
        /// No temperature was reported for too long.
        NoTemperature = "no-temperature",
        /// In mid-print a heater no longer kept its temperature.
        HeatLost = "heat-lost",
        /// A heater is hotter than it may ever be.
        TooHot = "too-hot",
        /// The next job needs another material than the one loaded.
        MaterialNeeded = "material-needed",
        /// The bin is full.
        OutputAreaFull = "output-area-full",
        /// It is being commissioned, and takes no job until a person lets it go on.
        Commissioning = "commissioning",
        /// The journal could not be written.
        StoreFailed = "store-failed",
        /// An invariant of the program was broken.
        Internal = "internal",
    }
}

keywords! {
    /// What a person says of the part when giving the word that the belt is clear.
    PartWord {
        /// It may go to the customer.
        Good = "good",
        /// It goes to the bin for waste.
        Scrap = "scrap",
    }
}

/// What is kept of a line across restarts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineRow {
    /// The line.
    pub name: LineName,
    /// Its state.
    pub state: LineState,
    /// Why.
    pub reason: LineReason,
    /// One sentence more; may be empty.
    pub note: String,
    /// The cycle under way.
    pub cycle: Option<CycleId>,
    /// Whether the belt is known clear; false from before the first plastic of a print until a check or a person's word.
    pub belt_clear: bool,
    /// Net belt travel toward the nose since installation that the printer acknowledged, µm.
    pub odometer_um: i64,
    /// Travel that was sent, not acknowledged, and may have happened, µm.
    pub uncertain_um: i64,
    /// A journaled step that has no end yet, as JSON for the journal's reader; `None` when nothing is under way.
    pub open_step: Option<String>,
    /// Whether the line is to be held once the part under way has left.
    pub hold_after_part: bool,
    /// What is known of the belt, as JSON of the belt's room; `None` while nothing is.
    #[serde(default)]
    pub belt: Option<String>,
    /// Alarms that are not normal, as JSON of [`super::AlarmRow`]s; `None` while there are none.
    #[serde(default)]
    pub alarms: Option<String>,
}

impl LineRow {
    /// A line at rest that has never done anything, on a clear belt.
    #[must_use]
    pub fn at_rest(name: LineName) -> Self {
        Self {
            name,
            state: LineState::Idle,
            reason: LineReason::None,
            note: String::new(),
            cycle: None,
            belt_clear: true,
            odometer_um: 0,
            uncertain_um: 0,
            open_step: None,
            hold_after_part: false,
            belt: None,
            alarms: None,
        }
    }
}
