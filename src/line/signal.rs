//! What goes into a line and what comes out of it.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::belt::{Advance, Move, Span, Stretch};
use crate::job::{CheckedBy, CycleId, JobId, Outcome};
use crate::thermal::{Likeness, Prior, Summary};
use crate::units::{Celsius, Micrometres, Millimetres};

/// One copy to be made: everything that the cycle needs to know of its file.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// The cycle's number.
    pub cycle: CycleId,
    /// The job.
    pub job: JobId,
    /// Which copy, from 1.
    pub copy: u32,
    /// The file's first bed temperature.
    pub bed: Option<Celsius>,
    /// The file's first nozzle temperature.
    pub nozzle: Option<Celsius>,
    /// Bed temperature at which the part lets go.
    pub release: Celsius,
    /// The belt that its plastic touches, along `u`; `None` if it lays nothing.
    pub footprint: Option<Span>,
    /// The advance that pushes it off.
    pub advance: Advance,
    /// Where the head must be, at least, before the belt moves: above the part.
    pub park_z: Millimetres,
    /// How long the print is expected to take.
    pub print_time: Duration,
    /// What the part is like, for the line's history of heat.
    pub like: Likeness,
    /// What is believed of the cooling before it begins.
    pub cooling: Prior,
    /// What is believed of the bed's warm-up before it begins.
    pub warming: Prior,
}

/// A step's number, counted by its line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct StepId(pub u64);

/// Something that heats or moves. It is in the journal before its first byte is sent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "kebab-case")]
pub enum Step {
    /// Sets heaters; `None` leaves one as it is.
    Heat {
        /// Bed target; 0 is off.
        bed: Option<Celsius>,
        /// Nozzle target; 0 is off.
        nozzle: Option<Celsius>,
    },
    /// Sends the file.
    Print,
    /// Stops sending the file at the next whole command, and lifts the head.
    Pause,
    /// Brings the head back and goes on sending.
    GoOn,
    /// Heaters off, and the head up to at least `park_z` if that is not `None`.
    CoolDown {
        /// Height to be at, in the file's coordinates.
        park_z: Option<Millimetres>,
    },
    /// Runs the belt.
    Belt {
        /// The moves, in order.
        moves: Vec<Move>,
        /// Whether the switch is looked at between pieces.
        watch: bool,
    },
    /// Heaters off, whatever is being sent is given up, and the head goes up a little if `lift`.
    Quiet {
        /// Whether the head may stand in a part.
        lift: bool,
    },
}

impl Step {
    /// Whether a person has to look if it may have happened. Heaters that go off as a connection begins harm nothing.
    #[must_use]
    pub(super) const fn heats_or_moves(&self) -> bool {
        !matches!(self, Self::Quiet { lift: false })
    }

    /// Whether it is a piece of a jog that lasts while a button is held.
    #[must_use]
    pub fn is_piece(&self) -> bool {
        matches!(self, Self::Belt { moves, .. } if moves.iter().any(|each| each.stretch == Stretch::HeldJog))
    }
}

/// What the switch did while the belt ran.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Watched {
    /// Looks that had an answer.
    pub looks: u32,
    /// Whether it was ever different from its first state.
    pub changed: bool,
    /// Whether it ended in its first state.
    pub back: bool,
}

/// How a step ended.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StepResult {
    /// Whether all of it was done; otherwise it was stopped, as asked.
    pub complete: bool,
    /// Belt travel that certainly happened.
    pub moved: Micrometres,
    /// Belt travel that was sent and may have happened.
    pub maybe: Micrometres,
    /// What the switch did, if it was looked at.
    pub watched: Option<Watched>,
}

/// Reported temperatures.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Readings {
    /// Bed.
    pub bed: Option<Celsius>,
    /// What the printer says the bed is set to.
    pub bed_target: Option<Celsius>,
    /// Nozzle.
    pub nozzle: Option<Celsius>,
    /// What the printer says the nozzle is set to.
    pub nozzle_target: Option<Celsius>,
}

/// A clear check's answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The part has left.
    Clear,
    /// It has not.
    NotClear,
    /// No answer that could be trusted.
    Unknown,
}

/// What happens to a line.
#[derive(Clone, Debug, PartialEq)]
pub enum Signal {
    /// There is a printer.
    Connected,
    /// There is none any more.
    Disconnected {
        /// Why.
        why: String,
        /// What became of the belt, if it was moving.
        result: StepResult,
    },
    /// The printer was reset: it has forgotten everything.
    Reset {
        /// What became of the belt, if it was moving.
        result: StepResult,
    },
    /// The printer reported a fault that it will not go on from.
    Fault {
        /// Its words.
        text: String,
    },
    /// Temperatures.
    Temperatures(Readings),
    /// A step ended.
    StepDone {
        /// Which.
        step: StepId,
        /// How.
        result: StepResult,
    },
    /// A step could not be done.
    StepFailed {
        /// Which.
        step: StepId,
        /// Why.
        why: String,
        /// What became of the belt.
        result: StepResult,
    },
    /// The user's program answered.
    Checked {
        /// For which cycle.
        cycle: CycleId,
        /// What.
        verdict: Verdict,
        /// How it said so.
        note: String,
    },
    /// The journal cannot be written.
    StoreFailed {
        /// Why.
        why: String,
    },
}

/// What a line wants done, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// Journal this step, then have the printer do it.
    Begin(StepId, Step),
    /// Stop the belt step under way after the pieces that have left already.
    StopBelt,
    /// Emergency stop: overtakes everything.
    EmergencyStop,
    /// Run the user's program.
    RunCheck(CycleId),
    /// A person took everything off the belt.
    PartsTakenOff,
    /// The bed got where it was to go: something to learn from.
    BedFollowed(Summary),
    /// How far the belt ran for a cycle that the line lets go of.
    Travelled {
        /// Which.
        cycle: CycleId,
        /// As far as is certain; back counts as less.
        travelled: Micrometres,
        /// Whether a belt step of its is still open: then it is told once more, with what that step did.
        more: bool,
    },
    /// The cycle is over.
    CycleEnded {
        /// Which.
        cycle: CycleId,
        /// How.
        outcome: Outcome,
        /// Who or what confirmed it.
        checked_by: Option<CheckedBy>,
        /// One sentence more.
        note: String,
    },
    /// Something for the journal.
    Note {
        /// Keyword.
        kind: &'static str,
        /// Sentence.
        text: String,
    },
}
