//! What the foreman asks of a driver, and what a driver reports.

use std::path::PathBuf;

use crate::belt::Move;
use crate::clock::Busy;
use crate::units::{Celsius, Micrometres, Millimetres};

/// A message between tasks; while it is on its way or being dealt with, a warped clock stands still.
#[derive(Debug)]
pub struct Mail<T> {
    /// The message.
    pub body: T,
    /// The clock's token.
    pub busy: Busy,
}

/// A task's number, given by whoever asks.
pub type TaskId = u64;

/// What a driver can do.
#[derive(Clone, Debug, PartialEq)]
pub enum Task {
    /// Sets heaters; `None` leaves one as it is, 0 is off.
    Heat {
        /// Bed target.
        bed: Option<Celsius>,
        /// Nozzle target.
        nozzle: Option<Celsius>,
    },
    /// Sends a file.
    Print {
        /// Where it is.
        file: PathBuf,
    },
    /// Stops sending the file at the next whole command, and lifts the head.
    Pause,
    /// Brings the head back and goes on sending.
    GoOn,
    /// Heaters off, the head up to `park_z`.
    CoolDown {
        /// Height, in the file's coordinates; `None`: the head stays.
        park_z: Option<Millimetres>,
    },
    /// Runs the belt.
    Belt {
        /// The moves.
        moves: Vec<Move>,
        /// Where the belt is, for exact rounding.
        odometer: Micrometres,
        /// Whether the switch is looked at between pieces.
        watch: bool,
    },
    /// Gives up what is being sent, heaters off, the head up a little if `lift`.
    Quiet {
        /// Whether the head may stand in a part.
        lift: bool,
    },
}

/// What a driver is told.
#[derive(Clone, Debug, PartialEq)]
pub enum Order {
    /// Do this when what was asked before is done.
    Do(TaskId, Task),
    /// End the belt task after the pieces that have left already.
    StopBelt,
    /// Emergency stop, before everything else.
    EmergencyStop,
    /// The simulated machine's person takes everything off the belt.
    PartsTakenOff,
}

/// How a task ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TaskResult {
    /// Whether all of it was done; otherwise it was stopped, as asked.
    pub complete: bool,
    /// Belt travel that certainly happened.
    pub moved: Micrometres,
    /// Belt travel that was sent and may have happened.
    pub maybe: Micrometres,
    /// What the switch did.
    pub watched: Option<Looks>,
    /// Commands of the file that were left out.
    pub dropped: u64,
}

/// What a switch did while the belt ran.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Looks {
    /// Looks that had an answer.
    pub looks: u32,
    /// Whether it was ever different from its first state.
    pub changed: bool,
    /// Whether it ended in its first state.
    pub back: bool,
}

/// What a driver reports.
#[derive(Clone, Debug, PartialEq)]
pub enum Report {
    /// There is a printer and it answers.
    Connected {
        /// What it is connected to.
        to: String,
    },
    /// There is none any more, or it could not be reached.
    Lost {
        /// Why.
        why: String,
        /// What became of the belt, if it was moving.
        result: TaskResult,
    },
    /// The printer was reset.
    Reset {
        /// What became of the belt, if it was moving.
        result: TaskResult,
    },
    /// The printer reported a fault that it will not go on from.
    Fault {
        /// Its words.
        text: String,
    },
    /// Something that the printer said, or that happened on the wire, worth keeping.
    Note {
        /// In words.
        text: String,
    },
    /// Temperatures; `None` where the report had none.
    Temperatures {
        /// Bed.
        bed: Option<Celsius>,
        /// What the bed is set to.
        bed_target: Option<Celsius>,
        /// Nozzle.
        nozzle: Option<Celsius>,
        /// What the nozzle is set to.
        nozzle_target: Option<Celsius>,
    },
    /// How much of the file has been acknowledged.
    Progress {
        /// Bytes.
        sent: u64,
        /// Of so many.
        of: u64,
    },
    /// A task ended.
    Done {
        /// Which.
        task: TaskId,
        /// How.
        result: TaskResult,
    },
    /// A task could not be done.
    Failed {
        /// Which.
        task: TaskId,
        /// Why.
        why: String,
        /// What became of the belt.
        result: TaskResult,
    },
}
