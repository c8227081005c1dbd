//! A person thinks better of a cancel: the job comes back as it was.

use super::Books;
use crate::foreman::command::Refused;
use crate::foreman::refusal::conflict;
use crate::job::{Job, JobReason, JobState};

/// What is kept of a job's reason when a person cancels it: whether it was held, and for what.
pub(super) fn canceled_from(job: &Job) -> JobReason {
    match job.reason {
        held @ (JobReason::JobHeldForRelease | JobReason::JobHeldForReview) => held,
        _ => JobReason::JobQueued,
    }
}

impl Books {
    /// Takes a cancel back, whether the last copy has ended meanwhile or not.
    pub(super) fn restore(&mut self, old: &Job) -> Result<(), Refused> {
        let id = old.id;
        if old.state != JobState::Canceled && old.reason != JobReason::ProcessingToStopPoint {
            let text = format!("job {id} is {}; only a job that a person canceled comes back", old.state);
            return Err(conflict(text));
        }
        if let Some(successor) = self.successors.get(&id) {
            let text = format!("job {successor} makes the rest of job {id}; change or release that one");
            return Err(conflict(text));
        }
        let Some(former) = old.canceled_from else {
            return Err(conflict(format!("job {id} is not to be made any more: {}", old.note)));
        };
        let held = former != JobReason::JobQueued;
        self.change(id, |job| {
            job.canceled_from = None;
            job.ended_at = None;
            job.reason = former;
            match (job.in_work > 0, held) {
                (true, true) => {}
                (true, false) => job.reason = JobReason::JobPrinting,
                (false, true) => job.state = JobState::PendingHeld,
                (false, false) => job.state = JobState::Pending,
            }
        });
        self.return_to_place(id);
        Ok(())
    }
}
