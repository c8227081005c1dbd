//! When everything will be done: the same decisions as [`plan`](super::plan()), made ahead of time.
//!
//! Where the plan gives a line its next copy when the line comes free, the forecast goes from one free line to the next by the
//! times that are expected, and each line's belt from one place to the next by the very rule that places its copies. Every copy
//! is taken to turn out well at its first try, and nothing new to come in: no new try at the nose, no hold, nobody's stop.

mod walk;

use super::plan::{Berth, Candidate};
use super::span::{PhaseTimes, Span};
use crate::job::{JobId, JobReason, Phase};
use crate::units::Micrometres;

/// A line as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct LineNow {
    /// What it can make, and what a waiting job is told of it. Its belt is as it will be when what it makes has left.
    pub berth: Berth,
    /// What it does.
    pub doing: Doing,
}

/// What a line does, as far as the forecast needs to know.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Doing {
    /// Takes a copy at once.
    Free,
    /// Makes a copy.
    Making(Making),
    /// Nobody can tell when it goes on; the berth says why.
    Stands {
        /// Whose copy is on it.
        job: Option<JobId>,
    },
}

/// A copy under way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Making {
    /// The job.
    pub job: JobId,
    /// Which copy, from 1.
    pub copy: u32,
    /// The phase under way.
    pub phase: Phase,
    /// What is left of it, and the whole of the phases after it.
    pub left: PhaseTimes,
    /// What the line does then.
    pub then: Then,
}

/// What a line does when its part has left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Then {
    /// Takes the next copy.
    GoesOn,
    /// Holds, as a person has asked.
    Holds,
}

/// How warm the bed is when a copy is begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bed {
    /// As it is now.
    AsItIs,
    /// Where the part before let go: one of this job, by its place; `None` if the job is not in the queue.
    AfterPart(Option<usize>),
}

/// How far the belt runs before a copy is warmed up, so that the copy comes to lie on free belt.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Placing {
    /// At least.
    pub least: Micrometres,
    /// As expected.
    pub expected: Micrometres,
    /// At most.
    pub most: Micrometres,
}

impl Placing {
    /// Just so far.
    #[must_use]
    pub const fn exactly(travel: Micrometres) -> Self {
        Self { least: travel, expected: travel, most: travel }
    }
}

/// Says how long a copy of a job takes on a line, both by their places, beginning with a bed as warm as this and a belt that
/// has to run on so far; `None` if the part would never let go.
pub type Times<'a> = dyn FnMut(usize, usize, Bed, Placing) -> Option<PhaseTimes> + 'a;

/// Why there is no figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unforeseen {
    /// The job waits for this, and nobody can tell how long.
    Waits(JobReason),
    /// The bed is not believed to cool so far that the part would let go.
    NeverCools,
    /// So many copies come before that a figure would mean nothing.
    TooFar,
}

impl Unforeseen {
    /// The keyword: a job's reason, `never-cools` or `too-far`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Waits(reason) => reason.as_str(),
            Self::NeverCools => "never-cools",
            Self::TooFar => "too-far",
        }
    }
}

/// What is to come.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Forecast {
    /// In the order of the lines.
    pub lines: Vec<LineForecast>,
    /// In the order of the queue.
    pub jobs: Vec<JobForecast>,
    /// When everything that has a figure is made.
    pub end: Span,
}

/// What is to come on a line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineForecast {
    /// When the part under way has left.
    pub part: Option<Span>,
    /// When nothing is left for it to make; `None` where nobody can tell.
    pub empty: Option<Span>,
}

/// What becomes of a job.
#[derive(Clone, Debug, PartialEq)]
pub struct JobForecast {
    /// Which.
    pub job: JobId,
    /// When the first of its copies that are still to be begun is begun.
    pub start: Option<Span>,
    /// When the last of its copies has left the belt; `None` when that cannot be told.
    pub end: Option<Span>,
    /// Why it cannot.
    pub unforeseen: Option<Unforeseen>,
    /// Its copies that have a figure, in the order of their numbers; after [`COPIES_SPELLED`] over all jobs they are left out.
    pub copies: Vec<CopyForecast>,
    /// How many have been left out.
    pub copies_left_out: u32,
}

/// One copy.
#[derive(Clone, Debug, PartialEq)]
pub struct CopyForecast {
    /// Which, from 1.
    pub copy: u32,
    /// On which line, by its place.
    pub line: usize,
    /// Its phases that have not ended, in their order; one that is under way starts now.
    pub phases: Vec<PhaseForecast>,
}

/// One phase of a copy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseForecast {
    /// Which.
    pub phase: Phase,
    /// Its start.
    pub start: Span,
    /// Its end.
    pub end: Span,
}

/// So many copies are spelled out phase by phase: what a person can read, and far more.
pub const COPIES_SPELLED: usize = 2_000;
/// So many copies are looked at: at an hour each that is more than two years. It bounds what a look ahead costs.
pub const COPIES_FORESEEN: usize = 20_000;
/// So many copies of each line are placed on its belt one by one. Those that come later are taken to need as much as these, on
/// average and at most: by then the order has changed, and a belt slips. It bounds what a look ahead costs.
pub const COPIES_PLACED: u32 = 200;

/// Looks ahead. `jobs` are in the order of the queue; `times` is asked again only where a copy differs from the one before it on
/// its line: in its job, in how warm the bed is, or in how far the belt must run first.
///
/// Takes jobs × lines for what fits where, and copies × lines for the rest; the copies are cut off at [`COPIES_FORESEEN`].
#[must_use]
pub fn forecast(jobs: &[Candidate<'_>], lines: &[LineNow], times: &mut Times<'_>) -> Forecast {
    walk::Walk::begin(jobs, lines, times).run()
}

#[cfg(test)]
mod tests;
