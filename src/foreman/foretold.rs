//! What the foreman publishes of what is to come. Times are civil times; intervals hold nine times in ten, as far as that can be
//! known: a new try at the nose, a hold and a stop are not foreseen.

use serde::Serialize;
use utoipa::ToSchema;

use crate::job::{JobId, LineName, Phase};
use crate::units::UnixMillis;

/// The forecast, as it was last made.
#[derive(Clone, Debug, Default, PartialEq, Serialize, ToSchema)]
pub struct ForecastView {
    /// When it was made.
    pub at: UnixMillis,
    /// In the order of the config.
    pub lines: Vec<LineForecastView>,
    /// Open jobs in the order of the queue.
    pub jobs: Vec<JobForecastView>,
    /// When everything that has a figure is made; `None` when nothing has.
    pub end: Option<TimeView>,
    /// How many jobs have none.
    pub jobs_without_figure: usize,
}

/// What is to come on a line.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct LineForecastView {
    /// The line.
    pub line: LineName,
    /// When the part under way has left the belt.
    pub part: Option<TimeView>,
    /// When it has made everything that it will be given; `None` where nobody can tell, and where there is nothing to make.
    pub empty: Option<TimeView>,
    /// Its prints take so many times what is worked out for them.
    pub print_ratio: f64,
    /// How many of its prints taught that.
    pub prints_learned: usize,
    /// Whether what they taught was beyond belief, and is cut off.
    pub print_ratio_cut_off: bool,
}

/// What becomes of a job.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct JobForecastView {
    /// The job.
    pub job: JobId,
    /// When its first copy begins, or began.
    pub start: Option<TimeView>,
    /// When its last copy has left the belt.
    pub end: Option<TimeView>,
    /// Where there is no end: the keyword of what the job waits for, `never-cools` or `too-far`.
    pub reason: Option<&'static str>,
    /// Its copies that are to come or under way.
    #[serde(skip)]
    pub copies: Vec<CopyForecastView>,
    /// How many copies further are not spelled out.
    #[serde(skip)]
    pub copies_left_out: u32,
}

/// One copy.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct CopyForecastView {
    /// Which, from 1.
    pub copy: u32,
    /// On which line.
    pub line: LineName,
    /// Its phases that have not ended.
    pub phases: Vec<PhaseForecastView>,
}

/// One phase.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct PhaseForecastView {
    /// Which.
    pub phase: Phase,
    /// Its start; that of the phase under way is when the forecast was made.
    pub start: TimeView,
    /// Its end.
    pub end: TimeView,
    /// Whether it ends when a person answers: the figure is of somebody who is at hand.
    pub waits_for_person: bool,
}

/// A time that is to come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct TimeView {
    /// As expected.
    pub at: UnixMillis,
    /// At the earliest.
    pub early: UnixMillis,
    /// At the latest.
    pub late: UnixMillis,
}

/// A change that nobody would see on a clock without seconds, ms.
const UNSEEN_MS: i64 = 60_000;

impl ForecastView {
    /// What is to come on a line.
    #[must_use]
    pub fn line(&self, name: &LineName) -> Option<&LineForecastView> {
        self.lines.iter().find(|line| line.line == *name)
    }

    /// What becomes of a job.
    #[must_use]
    pub fn job(&self, id: JobId) -> Option<&JobForecastView> {
        self.jobs.iter().find(|job| job.job == id)
    }

    /// Whether a person would see a difference: another reason, another order, or a time in another minute.
    #[must_use]
    pub fn looks_like(&self, other: &Self) -> bool {
        let times = |line: &LineForecastView| [line.part, line.empty].map(minutes);
        let job = |job: &JobForecastView| (job.job, [job.start, job.end].map(minutes), job.reason);
        self.lines.iter().map(times).eq(other.lines.iter().map(times))
            && self.jobs.iter().map(job).eq(other.jobs.iter().map(job))
    }
}

fn minutes(time: Option<TimeView>) -> Option<[i64; 3]> {
    time.map(|time| [time.at, time.early, time.late].map(|at| at.0.div_euclid(UNSEEN_MS)))
}

impl TimeView {
    /// A time that is known.
    #[must_use]
    pub fn exactly(at: UnixMillis) -> Self {
        Self { at, early: at, late: at }
    }
}
