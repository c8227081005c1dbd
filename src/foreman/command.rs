//! What can be asked of the foreman, and what it answers.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::commission::{Commissioned, Measured};
use super::keys::KeyCommand;
use super::view::LineView;
use crate::job::{AccessKey, CycleId, Job, JobId, LineName, PartWord, Survey, said};
use crate::units::UnixMillis;

/// A request to the foreman.
#[derive(Clone, Debug)]
pub enum Command {
    /// A surveyed file that lies synced in the file store becomes a job. Answered with [`Answer::Job`].
    Admit(Box<Arrival>),
    /// A file was turned away: the journal shall say so. Answered with [`Answer::Done`].
    NoteRejection {
        /// The file's name.
        name: String,
        /// Why, in one sentence.
        reason: String,
    },
    /// A file cannot be taken now and stays in the folder: the journal shall say so. Answered with [`Answer::Done`].
    NoteDelay {
        /// The file's name.
        name: String,
        /// Why, in one sentence.
        reason: String,
    },
    /// The folder's file of this job has been removed. Answered with [`Answer::Done`].
    SourceGone(JobId),
    /// Nothing is asked but whether the foreman is at work. Answered with [`Answer::Done`].
    Greet,
    /// Something is done to a job.
    Job {
        /// Which.
        id: JobId,
        /// What.
        what: JobCommand,
        /// The version that the person saw; another one is answered with [`RefusedCode::Stale`].
        if_version: Option<i64>,
    },
    /// Something was measured on a line. Answered with [`Answer::Commissioned`].
    Commission {
        /// Which.
        line: LineName,
        /// What.
        measured: Box<Measured>,
    },
    /// Something is done to keys.
    Keys(KeyCommand),
    /// Something is done to a line.
    Line {
        /// Which.
        name: LineName,
        /// What.
        what: LineCommand,
        /// The `since` of the line as the person saw it; another one is answered with [`RefusedCode::Stale`]. An emergency stop
        /// is meant for any state.
        if_since: Option<UnixMillis>,
    },
}

/// A file that may become a job.
#[derive(Clone, Debug)]
pub struct Arrival {
    /// The name as it came, ending and `.Noff` included.
    pub file_name: String,
    /// What the survey found; without refusals.
    pub survey: Survey,
    /// Copies asked for, at least 1.
    pub copies: u32,
    /// The line that the file is for, by its folder or by request.
    pub line: Option<LineName>,
    /// Material by request, lower case.
    pub material: Option<String>,
    /// Release temperature by request, °C.
    pub release_c: Option<f64>,
    /// Whether it comes in held.
    pub hold: bool,
    /// Whether a person has read the survey's concerns and agreed.
    pub reviewed: bool,
    /// Identity of the folder's file; a job with the same one is answered instead of a new one.
    pub source_key: Option<String>,
    /// The folder's file, for the journal.
    pub source: Option<PathBuf>,
}

/// What can be done to a job.
#[derive(Clone, Debug, PartialEq)]
pub enum JobCommand {
    /// One place forward in the queue.
    MoveUp,
    /// One place back.
    MoveDown,
    /// To stand before this open job; behind all with `None`.
    MoveBefore(Option<JobId>),
    /// Not to be begun until released.
    Hold,
    /// May be begun; also the person's yes to the file's concerns.
    Release,
    /// Not to be made (any more).
    Cancel,
    /// A person takes a cancel back: the job is what it was before.
    Restore,
    /// A person's word on a finished copy. Scrap is made again; a word that was said already changes nothing.
    Judge {
        /// The copy's way through its line.
        cycle: CycleId,
        /// The word.
        part: PartWord,
    },
    /// Changes what is set.
    Patch(JobPatch),
    /// A new job for the copies that an ended one did not make. Answered with the new job.
    MakeRest,
}

impl JobCommand {
    /// Whether it can also be asked of a job that has ended.
    #[must_use]
    pub(super) const fn is_for_ended(&self) -> bool {
        matches!(self, Self::MakeRest | Self::Restore | Self::Judge { .. })
    }
}

/// Changes to a job; what is `None` stays. `Some(None)`, in JSON `null`, takes away what was set.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct JobPatch {
    /// New number of copies; not below those begun.
    #[schema(minimum = 1, maximum = 10_000)]
    pub copies: Option<u32>,
    /// Material keyword; `null` or `""`: as the file says.
    #[serde(deserialize_with = "said", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub material: Option<Option<String>>,
    /// Release temperature, 1 to 150 °C; `null`: as the material has it.
    #[serde(deserialize_with = "said", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 1, maximum = 150)]
    pub release_c: Option<Option<f64>>,
    /// The only line that may make it; `null` or `""`: any.
    #[serde(deserialize_with = "said", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = "^[a-z0-9-]{0,32}$")]
    pub line: Option<Option<String>>,
    /// A new name.
    #[schema(min_length = 1, max_length = 200)]
    pub name: Option<String>,
}

/// What can be done to a line.
pub use crate::line::Operator as LineCommand;

/// The foreman's answer when it did what was asked.
#[derive(Clone, Debug)]
pub enum Answer {
    /// The job as it is now.
    Job(Box<Job>),
    /// The line as it is now.
    Line(Box<LineView>),
    /// What follows from what was measured.
    Commissioned(Box<Commissioned>),
    /// The key as it is now.
    Key(Box<AccessKey>),
    /// Nothing more to say.
    Done,
}

/// Why the foreman did not do it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{text}")]
pub struct Refused {
    /// What kind of no.
    pub code: RefusedCode,
    /// One sentence: what was found, what was expected, what to do next.
    pub text: String,
}

/// Kinds of no.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RefusedCode {
    /// There is no such job or line.
    NotFound,
    /// Not in this state.
    Conflict,
    /// Somebody else changed it first.
    Stale,
    /// Another request was done with the same key.
    KeyUsed,
    /// A value that cannot be.
    Invalid,
    /// The file cannot be made on this line, or on any.
    DoesNotFit,
    /// The foreman has too much to do; try again.
    Busy,
    /// The store cannot be written: the disk may be full.
    Store,
}
