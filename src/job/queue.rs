//! A job and where it stands.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::id::{JobId, LineName};
use super::keyword::keywords;
use crate::units::UnixMillis;

keywords! {
    /// `job-state` of RFC 8011 §5.3.7.
    JobState {
        /// A candidate for the next free line.
        Pending = "pending",
        /// Not a candidate until its reasons are gone.
        PendingHeld = "pending-held",
        /// A copy is on a line.
        Processing = "processing",
        /// A copy is on a line that stands still.
        ProcessingStopped = "processing-stopped",
        /// Ended by a person.
        Canceled = "canceled",
        /// Ended by the program.
        Aborted = "aborted",
        /// Every copy is made.
        Completed = "completed",
    }
}

impl JobState {
    /// Whether nothing more will happen to the job by itself.
    #[must_use]
    pub const fn is_terminal(self) -> bool {
        matches!(self, Self::Canceled | Self::Aborted | Self::Completed)
    }
}

keywords! {
    /// `job-state-reasons` of RFC 8011 §5.3.8, and `printer-state-reasons` of the 3D subset where a job waits for its line.
    JobReason {
        /// Nothing to say.
        None = "none",
        /// Waits for its turn.
        JobQueued = "job-queued",
        /// A copy is being made.
        JobPrinting = "job-printing",
        /// A person held it.
        JobHeldForRelease = "job-held-for-release",
        /// The file has concerns that a person should read first.
        JobHeldForReview = "job-held-for-review",
        /// No line that it fits is there.
        ResourcesAreNotReady = "resources-are-not-ready",
        /// Every line that it fits has another material.
        MaterialNeeded = "material-needed",
        /// The line that it waits for has a full bin.
        OutputAreaFull = "output-area-full",
        /// The line that it waits for cools down.
        PlatformCooling = "platform-cooling",
        /// The line that it waits for does not run.
        PrinterStopped = "printer-stopped",
        /// The line that it waits for has no connection.
        ConnectingToDevice = "connecting-to-device",
        /// The line asks a person.
        WaitingForUserAction = "waiting-for-user-action",
        /// A person ended it; the copy on the line is the last.
        ProcessingToStopPoint = "processing-to-stop-point",
        /// A person ended it.
        JobCanceledByOperator = "job-canceled-by-operator",
        /// The program ended it; its journal says why.
        AbortedBySystem = "aborted-by-system",
        /// All copies were confirmed.
        JobCompletedSuccessfully = "job-completed-successfully",
        /// All copies were begun, and some were scrapped.
        JobCompletedWithErrors = "job-completed-with-errors",
        /// All copies were made, but some were not confirmed by anything.
        JobCompletedWithWarnings = "job-completed-with-warnings",
    }
}

/// The longest name that a person may give a job, characters.
pub const NAME_MAX: usize = 200;

/// A sliced file to be made `copies` times.
///
/// `copies = completed + scrapped-and-not-remade + waiting + in work`; see [`Job::copies_waiting`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
// Text that is an `Arc` is the same for many jobs of a long queue: they hold it together.
pub struct Job {
    /// The job's number.
    pub id: JobId,
    /// What people call it: the file's name without `.Noff` and ending.
    pub name: String,
    /// Content hash of the sliced file, its name in the file store.
    pub sha256: Arc<str>,
    /// Where it stands.
    pub state: JobState,
    /// Why it stands there.
    pub reason: JobReason,
    /// One sentence more for a person; may be empty.
    pub note: Arc<str>,
    /// How many are asked for, at least 1.
    pub copies: u32,
    /// How many were finished and confirmed (or, on a line without a sensor, let go).
    pub completed: u32,
    /// How many were begun and are no good.
    pub scrapped: u32,
    /// How many are on a line now: 0 or 1 for each line at work on it.
    pub in_work: u32,
    /// Place in the queue; smaller goes first.
    pub rank: i64,
    /// The one line that may make it, if a person chose one.
    pub line: Option<LineName>,
    /// Material keyword, lower case (`pla`), if known.
    pub material: Option<Arc<str>>,
    /// Bed temperature at which the part lets go, °C, if set for this job.
    pub release_c: Option<f64>,
    /// Whether a person has read the file's concerns and agreed.
    pub reviewed: bool,
    /// Copies that nothing checked (see the `trust` clear check).
    pub unchecked: u32,
    /// Identity of the folder's file until that file is removed; keeps a crash from making the job twice. Nobody's business.
    #[serde(default, skip_serializing)]
    pub source_key: Option<String>,
    /// The job of which this one makes the rest.
    pub restart_of: Option<JobId>,
    /// When it came in.
    pub created_at: UnixMillis,
    /// When its first copy was begun.
    pub started_at: Option<UnixMillis>,
    /// When it ended.
    pub ended_at: Option<UnixMillis>,
    /// Counts every change, for `ETag`.
    pub version: i64,
    /// What it was when a person canceled it, held or queued: that is what it comes back as.
    pub canceled_from: Option<JobReason>,
}

impl Job {
    /// A job that has just come in and waits for its turn, in the order of the numbers.
    #[must_use]
    pub fn waiting(id: JobId, name: String, sha256: impl Into<Arc<str>>, copies: u32, created_at: UnixMillis) -> Self {
        Self {
            id,
            name,
            sha256: sha256.into(),
            state: JobState::Pending,
            reason: JobReason::JobQueued,
            note: Arc::default(),
            copies,
            completed: 0,
            scrapped: 0,
            in_work: 0,
            rank: id.0,
            line: None,
            material: None,
            release_c: None,
            reviewed: false,
            unchecked: 0,
            source_key: None,
            restart_of: None,
            created_at,
            started_at: None,
            ended_at: None,
            version: 1,
            canceled_from: None,
        }
    }

    /// Copies that no line has begun. Law L8: copies = completed + scrapped + waiting + in work.
    #[must_use]
    pub fn copies_waiting(&self) -> u32 {
        self.copies.saturating_sub(self.completed + self.scrapped + self.in_work)
    }
}
