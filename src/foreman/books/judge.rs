//! A person's word on a finished copy: good or scrap. Scrap is made again, and not twice.

use std::sync::Arc;

use super::{About, Books};
use crate::foreman::command::{Refused, RefusedCode};
use crate::foreman::refusal::conflict;
use crate::job::{CheckedBy, Cycle, CycleId, Job, JobId, JobReason, JobState, Outcome, PartWord, Survey};
use crate::units::UnixMillis;

/// What the store knows of something that has ended and that somebody asks about: back in the books for one command.
#[derive(Debug, Default)]
pub(in crate::foreman) struct Past {
    /// Jobs that are not in the books any more.
    pub(in crate::foreman) jobs: Vec<Job>,
    /// What their file is.
    pub(in crate::foreman) survey: Option<Survey>,
    /// Jobs, and those that make their rest.
    pub(in crate::foreman) successors: Vec<(JobId, JobId)>,
    /// The copy that is asked about.
    pub(in crate::foreman) cycle: Option<Cycle>,
    /// The job that makes that copy again.
    pub(in crate::foreman) remade_by: Option<JobId>,
    /// How many of the job's copies other jobs make again.
    pub(in crate::foreman) remade_elsewhere: u32,
}

/// How a job whose copies are all begun is completed.
pub(super) const fn completed_how(job: &Job) -> JobReason {
    match (job.scrapped, job.unchecked) {
        (1.., _) => JobReason::JobCompletedWithErrors,
        (0, 1..) => JobReason::JobCompletedWithWarnings,
        (0, 0) => JobReason::JobCompletedSuccessfully,
    }
}

impl Books {
    /// Brings what has ended back for one command. What the books have is newer and stays.
    pub(in crate::foreman) fn recall(&mut self, past: Past) {
        if let Some(survey) = past.survey {
            self.surveys.entry(survey.file.sha256.as_str().into()).or_insert_with(|| Arc::new(survey));
        }
        for job in past.jobs {
            self.jobs.entry(job.id).or_insert_with(|| Arc::new(job));
        }
        self.successors.extend(past.successors);
        self.remade_elsewhere = past.remade_elsewhere;
        if let Some(cycle) = past.cycle {
            match past.remade_by {
                Some(job) => self.remakes.insert(cycle.id, job),
                None => self.remakes.remove(&cycle.id),
            };
            self.cycles.entry(cycle.id).or_insert(cycle);
        }
    }

    pub(super) fn judge(&mut self, now: UnixMillis, job: &Job, id: CycleId, part: PartWord) -> Result<(), Refused> {
        let cycle = self.cycles.get(&id).filter(|cycle| cycle.job == job.id).cloned().ok_or_else(|| Refused {
            code: RefusedCode::NotFound,
            text: format!("job {} has no cycle {id}", job.id),
        })?;
        let copy = format!("copy {} of job {}", cycle.copy, job.id);
        let before = match cycle.outcome {
            Some(Outcome::Returned) => {
                return Err(conflict(format!("nothing was printed of {copy}: it is neither good nor scrap")));
            }
            None => return Err(conflict(format!("{copy} is still in work; say it when the copy is finished"))),
            Some(outcome) => outcome,
        };
        let after = match part {
            PartWord::Good => Outcome::Completed,
            PartWord::Scrap => Outcome::Scrapped,
        };
        let unchecked = cycle.checked_by == Some(CheckedBy::Nothing);
        if before == after && !unchecked {
            return Ok(());
        }
        self.change_cycle(id, |cycle| {
            cycle.outcome = Some(after);
            cycle.checked_by = Some(CheckedBy::Person);
        });
        self.change(job.id, |job| {
            job.unchecked = job.unchecked.saturating_sub(u32::from(unchecked));
            match (before, after) {
                (Outcome::Completed, Outcome::Scrapped) => {
                    (job.completed, job.scrapped) = (job.completed - 1, job.scrapped + 1)
                }
                (Outcome::Scrapped, Outcome::Completed) => {
                    (job.completed, job.scrapped) = (job.completed + 1, job.scrapped - 1)
                }
                _ => {}
            }
        });
        let then = match after {
            _ if before == after => String::new(),
            Outcome::Scrapped => self.make_again(now, job, &cycle),
            _ => self.take_back(now, job, &cycle),
        };
        let about = About { line: Some(cycle.line.clone()), job: Some(job.id), cycle: Some(id) };
        let text = format!(
            "a person says that {copy} is {}{then}",
            match part {
                PartWord::Good => "good",
                PartWord::Scrap => "scrap",
            }
        );
        self.note(now, &about, "copy-judged", &text, serde_json::json!({ "copy": cycle.copy, "outcome": after }));
        self.reconsider(job.id);
        Ok(())
    }

    /// Answers what comes of it, for the journal.
    fn make_again(&mut self, now: UnixMillis, job: &Job, cycle: &Cycle) -> String {
        if let Some(by) = self.remakes.get(&cycle.id) {
            return format!("; job {by} makes it again already");
        }
        if job.state.is_terminal() {
            let again = self.make_more(now, job, 1, &format!("copy {} of job {} again", cycle.copy, job.id));
            self.remember_remake(cycle.id, Some(again.id));
            return format!("; job {} makes it again", again.id);
        }
        self.change(job.id, |job| job.copies += 1);
        self.remember_remake(cycle.id, Some(job.id));
        "; it is made again".to_owned()
    }

    /// Answers what comes of it, for the journal.
    fn take_back(&mut self, now: UnixMillis, job: &Job, cycle: &Cycle) -> String {
        let Some(by) = self.remakes.get(&cycle.id).copied() else {
            // No word of a person had it made again, but whoever makes the rest of the job may.
            return self.successors.get(&job.id).map_or_else(String::new, |rest| {
                format!("; job {rest} makes what job {} lacked, this one too if nobody changes it", job.id)
            });
        };
        let waiting = self.jobs.get(&by).is_some_and(|by| by.copies_waiting() > 0);
        if !waiting || self.successors.contains_key(&by) {
            return format!("; the one that replaces it is begun or given on by job {by}, and stays");
        }
        self.remember_remake(cycle.id, None);
        let alone = self.jobs.get(&by).is_some_and(|by| by.copies == 1);
        let why = format!("copy {} of job {} is good after all", cycle.copy, cycle.job);
        self.change(by, |again| {
            if by != job.id {
                // Nobody's rest any more.
                again.restart_of = None;
            }
            if alone {
                (again.state, again.reason) = (JobState::Canceled, JobReason::JobCanceledByOperator);
                again.canceled_from = None;
                again.ended_at.get_or_insert(now);
                again.note = why.as_str().into();
            } else {
                again.copies -= 1;
            }
        });
        if alone {
            let text = format!("job {by} is canceled: {why}");
            let about = About { job: Some(by), ..About::default() };
            self.note(now, &about, "job-canceled", &text, serde_json::Value::Null);
        } else if by != job.id {
            self.derive(now, by);
        }
        "; it is not made again".to_owned()
    }

    fn remember_remake(&mut self, cycle: CycleId, job: Option<JobId>) {
        match job {
            Some(job) => self.remakes.insert(cycle, job),
            None => self.remakes.remove(&cycle),
        };
        self.changed_remakes.push((cycle, job));
    }

    /// How a job that has ended stands after a word on one of its copies.
    fn reconsider(&mut self, id: JobId) {
        self.change(id, |job| {
            let all_begun = job.in_work == 0 && job.copies_waiting() == 0;
            match job.state {
                JobState::Completed => job.reason = completed_how(job),
                JobState::Aborted if all_begun && job.completed > 0 => {
                    (job.state, job.reason) = (JobState::Completed, completed_how(job));
                }
                _ => {}
            }
        });
    }
}

#[cfg(test)]
mod tests;
