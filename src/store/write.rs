//! Everything that the foreman can ask the store to keep. A list of these is committed as one transaction or not at all.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::job::{AccessKey, Cycle, CycleId, HeatRun, Job, JobId, LineName, LineRow, PrintRun, Survey};
use crate::units::UnixMillis;

/// One change. Numbers (job, cycle, journal) are given by the foreman, the store's only writer.
#[derive(Clone, Debug, PartialEq)]
pub enum Write {
    /// A file of the file store, known by its content hash; a file that is already there is left as it is.
    File {
        /// What the survey found.
        survey: Box<Survey>,
        /// When it came in.
        at: UnixMillis,
    },
    /// The whole row: inserted, or put in place of the one with the same number.
    Job(Arc<Job>),
    /// The whole row: inserted, or put in place of the one with the same number.
    Cycle(Box<Cycle>),
    /// The whole row: inserted, or put in place of the one with the same name.
    Line(Box<LineRow>),
    /// How long the print of a cycle took; a second one of the same cycle is put in place of the first.
    PrintRun(Box<PrintRun>),
    /// Appended; never changed afterwards.
    HeatRun(Box<HeatRun>),
    /// The whole row: inserted, or put in place of the one with the same number.
    Key(Box<AccessKey>),
    /// Which job makes a copy again that a person called scrap; `None` if nobody does.
    Remake {
        /// The copy's cycle.
        cycle: CycleId,
        /// The job.
        job: Option<JobId>,
    },
    /// A request with a key was done. Those of a day ago and more are forgotten then.
    Request(Box<DoneRequest>),
    /// Appended; never changed afterwards.
    Journal(Arc<Entry>),
}

/// A request with a key, as it is kept with what it did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DoneRequest {
    /// The key, 1 to 255 characters.
    pub key: String,
    /// SHA-256 of what was asked, in hexadecimal digits.
    pub print: String,
    /// The job that was the answer.
    pub job: Option<JobId>,
    /// The line that was the answer.
    pub line: Option<LineName>,
    /// When it was done.
    pub at: UnixMillis,
}

/// An entry of the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Entry {
    /// Counts up from 1 without gaps.
    pub seq: i64,
    /// When.
    pub at: UnixMillis,
    /// Which line it concerns.
    pub line: Option<LineName>,
    /// Which job it concerns.
    pub job: Option<JobId>,
    /// Which cycle it concerns.
    pub cycle: Option<CycleId>,
    /// Kebab-case keyword: `step-begin`, `step-end`, `state`, `job-accepted`, `file-rejected`, …
    pub kind: String,
    /// A plain sentence for people.
    pub text: String,
    /// Facts for programs; `null` when there are none.
    pub data: serde_json::Value,
}

/// So many prints of a line say how its next one will go; older ones say nothing more.
pub const PRINT_RUNS: usize = 50;

/// What the foreman needs to go on after a restart.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// Jobs that have not ended, and ended ones whose folder file may still be there (`source_key` set), by rank, then number.
    pub jobs: Vec<Arc<Job>>,
    /// Surveys of the files of these jobs.
    pub surveys: Vec<Survey>,
    /// Cycles without an end.
    pub cycles: Vec<Cycle>,
    /// Lines.
    pub lines: Vec<LineRow>,
    /// The last [`PRINT_RUNS`] of each line, the oldest first.
    pub print_runs: Vec<PrintRun>,
    /// The newest warm-ups and cool-downs of each line, by number.
    pub heat_runs: Vec<HeatRun>,
    /// Every key that there ever was, by number.
    pub keys: Vec<AccessKey>,
    /// Greatest numbers given so far; 0 when there are none.
    pub last_job: i64,
    /// Greatest cycle number.
    pub last_cycle: i64,
    /// Greatest journal number.
    pub last_seq: i64,
    /// Greatest number of a warm-up or cool-down.
    pub last_heat_run: i64,
}
