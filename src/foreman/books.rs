//! The open jobs in memory: what has been asked for, what has been made, whose turn it is. Plain code; no waiting in here.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::command::{Arrival, JobCommand, Refused};
use super::patch::{apply_patch, check_patch};
use super::refusal::{conflict, no_job};
use crate::infeed::read_name;
use crate::job::{CheckedBy, Cycle, CycleId, Job, JobId, JobReason, JobState, LineName, Outcome, Phase, Survey};
use crate::store::{Entry, Snapshot, Write};
use crate::units::{Micrometres, UnixMillis};

#[cfg(test)]
mod house;
mod judge;
mod place;
mod restore;

pub(super) use judge::Past;

/// The books.
#[derive(Debug, Default)]
pub(super) struct Books {
    jobs: BTreeMap<JobId, Arc<Job>>,
    surveys: HashMap<Arc<str>, Arc<Survey>>,
    cycles: BTreeMap<CycleId, Cycle>,
    /// Cycles whose belt step is still open, though they may have ended.
    trailing: BTreeSet<CycleId>,
    /// Jobs that make the rest of ended ones, as far as anybody has asked.
    successors: HashMap<JobId, JobId>,
    /// Finished copies that a person called scrap, and the jobs that make them again, as far as anybody has asked.
    remakes: HashMap<CycleId, JobId>,
    /// How many scrapped copies of the job that was last asked about are made again by others.
    remade_elsewhere: u32,
    changed_remakes: Vec<(CycleId, Option<JobId>)>,
    changed_jobs: BTreeSet<JobId>,
    changed_cycles: BTreeSet<CycleId>,
    new_files: Vec<(Arc<Survey>, UnixMillis)>,
    pub(super) heat: super::heat_book::HeatBook,
    entries: Vec<Arc<Entry>>,
    last_job: i64,
    last_cycle: i64,
    last_seq: i64,
}

/// What an entry of the journal concerns.
#[derive(Clone, Debug, Default)]
pub(super) struct About {
    pub(super) line: Option<LineName>,
    pub(super) job: Option<JobId>,
    pub(super) cycle: Option<CycleId>,
}

impl Books {
    pub(super) fn open(snapshot: Snapshot) -> Self {
        Self {
            jobs: snapshot.jobs.into_iter().map(|job| (job.id, job)).collect(),
            surveys: snapshot.surveys.into_iter().map(|s| (s.file.sha256.as_str().into(), Arc::new(s))).collect(),
            cycles: snapshot.cycles.into_iter().map(|cycle| (cycle.id, cycle)).collect(),
            heat: super::heat_book::HeatBook::open(snapshot.heat_runs, snapshot.last_heat_run),
            last_job: snapshot.last_job,
            last_cycle: snapshot.last_cycle,
            last_seq: snapshot.last_seq,
            ..Self::default()
        }
    }

    pub(super) fn last_seq(&self) -> i64 {
        self.last_seq
    }

    pub(super) fn job(&self, id: JobId) -> Option<&Job> {
        self.jobs.get(&id).map(Arc::as_ref)
    }

    pub(super) fn cycle(&self, id: CycleId) -> Option<&Cycle> {
        self.cycles.get(&id)
    }

    pub(super) fn open_cycles(&self) -> Vec<Cycle> {
        self.cycles.values().cloned().collect()
    }

    pub(super) fn survey_of(&self, job: &Job) -> Option<Arc<Survey>> {
        self.surveys.get(&job.sha256).map(Arc::clone)
    }

    /// Jobs that have not ended, in the order of the queue.
    pub(super) fn queue(&self) -> Vec<&Job> {
        let mut jobs: Vec<_> = self.jobs.values().map(Arc::as_ref).filter(|j| !j.state.is_terminal()).collect();
        jobs.sort_by_key(|job| (job.rank, job.id));
        jobs
    }

    /// Appends to the journal.
    pub(super) fn note(&mut self, at: UnixMillis, about: &About, kind: &str, text: &str, data: serde_json::Value) {
        self.last_seq += 1;
        self.entries.push(Arc::new(Entry {
            seq: self.last_seq,
            at,
            line: about.line.clone(),
            job: about.job,
            cycle: about.cycle,
            kind: kind.to_owned(),
            text: text.to_owned(),
            data,
        }));
    }

    /// Changes a job and marks it to be kept.
    pub(super) fn change(&mut self, id: JobId, how: impl FnOnce(&mut Job)) {
        if let Some(job) = self.jobs.get_mut(&id) {
            let mut changed = Job::clone(job);
            how(&mut changed);
            if changed != **job {
                changed.version += 1;
                *job = Arc::new(changed);
                self.changed_jobs.insert(id);
            }
        }
    }

    /// Changes a cycle and marks it to be kept.
    pub(super) fn change_cycle(&mut self, id: CycleId, how: impl FnOnce(&mut Cycle)) {
        if let Some(cycle) = self.cycles.get_mut(&id) {
            how(cycle);
            self.changed_cycles.insert(id);
        }
    }

    /// How far the belt ran for a cycle that its line has let go of; with `more`, there will be another word.
    pub(super) fn travelled(&mut self, id: CycleId, travelled: Micrometres, more: bool) {
        self.change_cycle(id, |cycle| cycle.advance_um = travelled.0);
        if more {
            self.trailing.insert(id);
        } else {
            self.trailing.remove(&id);
        }
    }

    /// A file becomes a job; the same folder file never becomes two.
    pub(super) fn admit(&mut self, now: UnixMillis, arrival: Arrival) -> Job {
        let known =
            arrival.source_key.as_ref().and_then(|key| self.jobs.values().find(|j| j.source_key.as_ref() == Some(key)));
        if let Some(job) = known {
            return Job::clone(job);
        }
        self.last_job += 1;
        let id = JobId(self.last_job);
        let reviewed = arrival.reviewed && !arrival.survey.concerns.is_empty();
        let (state, reason) = match (reviewed || arrival.survey.concerns.is_empty(), arrival.hold) {
            (false, _) => (JobState::PendingHeld, JobReason::JobHeldForReview),
            (true, true) => (JobState::PendingHeld, JobReason::JobHeldForRelease),
            (true, false) => (JobState::Pending, JobReason::JobQueued),
        };
        let job = Job {
            state,
            reason,
            line: arrival.line,
            material: arrival.material.map(|material| self.shared_material(&material.to_ascii_lowercase())),
            release_c: arrival.release_c,
            reviewed,
            source_key: arrival.source_key,
            rank: self.rank_of_new(id),
            ..Job::waiting(
                id,
                read_name(&arrival.file_name).map_or(arrival.file_name, |named| named.name),
                self.shared_hash(&arrival.survey.file.sha256),
                arrival.copies.max(1),
                now,
            )
        };
        let about = About { job: Some(id), line: job.line.clone(), cycle: None };
        let text = format!("job {id} ({}, {} off) was taken in", job.name, job.copies);
        self.note(
            now,
            &about,
            "job-accepted",
            &text,
            serde_json::json!({ "sha256": job.sha256, "copies": job.copies }),
        );
        if reason == JobReason::JobHeldForReview {
            let text = format!("job {id} waits for a person's yes: {}", findings(&arrival.survey));
            self.note(now, &about, "job-held-for-review", &text, serde_json::Value::Null);
        }
        if reviewed {
            let text =
                format!("a person has read what was found in the file of job {id}: {}", findings(&arrival.survey));
            self.note(now, &about, "job-reviewed", &text, serde_json::Value::Null);
        }
        let survey = Arc::new(arrival.survey);
        self.new_files.push((Arc::clone(&survey), now));
        self.surveys.insert(Arc::clone(&job.sha256), survey);
        self.jobs.insert(id, Arc::new(job.clone()));
        self.changed_jobs.insert(id);
        job
    }

    /// The hash of a file, held once by all of its jobs.
    fn shared_hash(&self, sha256: &str) -> Arc<str> {
        self.surveys.get_key_value(sha256).map_or_else(|| sha256.into(), |(known, _)| Arc::clone(known))
    }

    /// The word for a material, held once by jobs that come in one after another.
    fn shared_material(&self, material: &str) -> Arc<str> {
        let last = self.jobs.last_key_value().and_then(|(_, job)| job.material.as_ref());
        last.filter(|last| ***last == *material).map_or_else(|| material.into(), Arc::clone)
    }

    /// Does what a person asks with a job. `lines` are the lines that there are.
    pub(super) fn command(
        &mut self,
        now: UnixMillis,
        id: JobId,
        what: JobCommand,
        lines: &[LineName],
    ) -> Result<Job, Refused> {
        let job = Arc::clone(self.jobs.get(&id).ok_or_else(|| no_job(id))?);
        if job.state.is_terminal() && !what.is_for_ended() {
            return Err(conflict(format!("job {id} is {}; nothing can be changed any more", job.state)));
        }
        let about = About { job: Some(id), ..About::default() };
        let mut told = None;
        match what {
            JobCommand::MoveUp => self.swap(id, -1),
            JobCommand::MoveDown => self.swap(id, 1),
            JobCommand::MoveBefore(before) => self.stand_before(id, before)?,
            JobCommand::Hold => {
                if job.reason == JobReason::ProcessingToStopPoint {
                    return Err(conflict(format!("job {id} ends with the copy on the line")));
                }
                self.change(id, |job| {
                    job.reason = JobReason::JobHeldForRelease;
                    job.note = Arc::default();
                    if job.in_work == 0 {
                        job.state = JobState::PendingHeld;
                    }
                });
                told = Some(("job-held", format!("a person held job {id}")));
            }
            JobCommand::Release => {
                self.change(id, |job| {
                    job.reviewed |= job.reason == JobReason::JobHeldForReview;
                    job.canceled_from = None;
                    job.reason = JobReason::JobQueued;
                    if job.in_work == 0 {
                        job.state = JobState::Pending;
                    }
                });
                told = Some(("job-released", format!("a person released job {id}")));
            }
            JobCommand::Cancel => {
                if job.reason != JobReason::ProcessingToStopPoint {
                    self.change(id, |job| {
                        job.canceled_from = Some(restore::canceled_from(job));
                        job.reason = JobReason::ProcessingToStopPoint;
                        // Why it waited does not matter any more.
                        job.note = Arc::default();
                    });
                    told = Some(("job-canceled", format!("a person canceled job {id}; no further copy is begun")));
                }
            }
            JobCommand::Restore => {
                self.restore(&job)?;
                told = Some(("job-restored", format!("a person took the cancel of job {id} back")));
            }
            JobCommand::Judge { cycle, part } => self.judge(now, &job, cycle, part)?,
            JobCommand::Patch(patch) => {
                check_patch(&job, &patch, lines)?;
                self.change(id, |job| apply_patch(job, patch));
                told = Some(("job-changed", format!("a person changed job {id}")));
            }
            JobCommand::MakeRest => return self.make_rest(now, &job),
        }
        if let Some((kind, text)) = told {
            self.note(now, &about, kind, &text, serde_json::Value::Null);
        }
        self.derive(now, id);
        self.job(id).cloned().ok_or_else(|| no_job(id))
    }

    fn make_rest(&mut self, now: UnixMillis, old: &Job) -> Result<Job, Refused> {
        if !old.state.is_terminal() {
            return Err(conflict(format!("job {} has not ended; its copies are still to be made", old.id)));
        }
        if let Some(successor) = self.successors.get(&old.id) {
            return Err(conflict(format!("job {successor} makes the rest of job {} already", old.id)));
        }
        let lacking = old.copies.saturating_sub(old.completed + old.in_work);
        if old.state == JobState::Canceled && old.canceled_from.is_none() {
            return Err(conflict(format!("job {} is not to be made any more: {}", old.id, old.note)));
        }
        let rest = lacking.saturating_sub(self.remade_elsewhere);
        match (lacking, rest) {
            (0, _) => return Err(conflict(format!("job {} made every copy", old.id))),
            (_, 0) => return Err(conflict(format!("what job {} lacks is made again by another job already", old.id))),
            _ => {}
        }
        let job = self.make_more(now, old, rest, &format!("the {rest} that job {} did not", old.id));
        self.successors.insert(old.id, job.id);
        Ok(job)
    }

    /// A new job for copies that an ended one lacks.
    fn make_more(&mut self, now: UnixMillis, old: &Job, rest: u32, what: &str) -> Job {
        self.last_job += 1;
        let id = JobId(self.last_job);
        let job = Job {
            line: old.line.clone(),
            material: old.material.clone(),
            release_c: old.release_c,
            reviewed: old.reviewed,
            restart_of: Some(old.id),
            rank: self.rank_of_new(id),
            ..Job::waiting(id, old.name.clone(), old.sha256.clone(), rest, now)
        };
        let about = About { job: Some(id), ..About::default() };
        let text = format!("job {id} makes {what}");
        self.note(now, &about, "job-accepted", &text, serde_json::json!({ "restart_of": old.id }));
        self.jobs.insert(id, Arc::new(job.clone()));
        self.changed_jobs.insert(id);
        job
    }

    /// A copy is begun.
    pub(super) fn begin_cycle(&mut self, now: UnixMillis, id: JobId, line: &LineName) -> Option<Cycle> {
        let copy = self.jobs.get(&id).map(|job| job.completed + job.scrapped + job.in_work + 1)?;
        self.last_cycle += 1;
        let cycle = Cycle {
            id: CycleId(self.last_cycle),
            job: id,
            line: line.clone(),
            copy,
            phase: Phase::Warm,
            outcome: None,
            checked_by: None,
            advance_um: 0,
            started_at: now,
            ended_at: None,
            note: String::new(),
        };
        self.cycles.insert(cycle.id, cycle.clone());
        self.changed_cycles.insert(cycle.id);
        self.change(id, |job| {
            job.in_work += 1;
            job.started_at.get_or_insert(now);
            job.state = JobState::Processing;
            job.reason = JobReason::JobPrinting;
            job.note = Arc::default();
        });
        let about = About { line: Some(line.clone()), job: Some(id), cycle: Some(cycle.id) };
        let name =
            self.jobs.get(&id).map_or_else(String::new, |job| format!("{} of {} of {}", copy, job.copies, job.name));
        let text = format!("line {line} begins copy {name}");
        self.note(now, &about, "cycle-begin", &text, serde_json::json!({ "copy": copy }));
        Some(cycle)
    }

    /// A copy is done with.
    pub(super) fn end_cycle(
        &mut self,
        now: UnixMillis,
        id: CycleId,
        outcome: Outcome,
        checked_by: Option<CheckedBy>,
        note: &str,
    ) {
        self.change_cycle(id, |cycle| {
            cycle.outcome = Some(outcome);
            cycle.checked_by = checked_by;
            cycle.ended_at = Some(now);
            note.clone_into(&mut cycle.note);
        });
        let Some(cycle) = self.cycles.get(&id).cloned() else { return };
        self.change(cycle.job, |job| {
            job.in_work = job.in_work.saturating_sub(1);
            match outcome {
                Outcome::Completed => job.completed += 1,
                Outcome::Scrapped => job.scrapped += 1,
                Outcome::Returned => {}
            }
            job.unchecked += u32::from(checked_by == Some(CheckedBy::Nothing));
        });
        let about = About { line: Some(cycle.line.clone()), job: Some(cycle.job), cycle: Some(id) };
        let because = if note.is_empty() { String::new() } else { format!(": {note}") };
        let text = format!("copy {} of job {} on line {} is {outcome}{because}", cycle.copy, cycle.job, cycle.line);
        let data = serde_json::json!({ "outcome": outcome, "checked_by": checked_by, "advance_um": cycle.advance_um });
        self.note(now, &about, "cycle-end", &text, data);
        self.derive(now, cycle.job);
    }

    /// The line that a copy is on stands still, or runs again.
    pub(super) fn line_runs(&mut self, id: JobId, runs: bool) {
        self.change(id, |job| {
            if job.in_work > 0 && !job.state.is_terminal() {
                job.state = if runs { JobState::Processing } else { JobState::ProcessingStopped };
            }
        });
    }

    /// A restart found the job with a copy under way.
    pub(super) fn abort_job(&mut self, now: UnixMillis, id: JobId, why: &str) {
        self.change(id, |job| {
            if !job.state.is_terminal() {
                job.state = JobState::Aborted;
                job.reason = JobReason::AbortedBySystem;
                job.note = why.into();
                job.ended_at = Some(now);
            }
        });
        let about = About { job: Some(id), ..About::default() };
        self.note(now, &about, "job-aborted", &format!("job {id} was aborted: {why}"), serde_json::Value::Null);
    }

    /// Says why a job waits.
    pub(super) fn wait(&mut self, id: JobId, reason: JobReason, text: Arc<str>) {
        // No change that a person made or needs to know of before making one: the version stays.
        // `pending-held` of RFC 8011: no candidate until the reason is gone, and then pending again by itself.
        let state = match reason {
            JobReason::ResourcesAreNotReady => JobState::PendingHeld,
            _ => JobState::Pending,
        };
        let changed = |job: &&mut Arc<Job>| job.state != state || job.reason != reason || job.note != text;
        if let Some(job) = self.jobs.get_mut(&id).filter(changed) {
            let job = Arc::make_mut(job);
            (job.state, job.reason, job.note) = (state, reason, text);
            self.changed_jobs.insert(id);
        }
    }

    /// Whether any job has changed since the last time that everything was kept.
    pub(super) fn has_changes(&self) -> bool {
        !self.changed_jobs.is_empty()
    }

    pub(super) fn source_gone(&mut self, id: JobId) {
        self.change(id, |job| job.source_key = None);
    }

    /// Works out where a job stands from its counts.
    fn derive(&mut self, now: UnixMillis, id: JobId) {
        let before = self.jobs.get(&id).map(|job| job.state);
        self.change(id, |job| {
            if job.state.is_terminal() || job.in_work > 0 {
                return;
            }
            (job.state, job.reason) = match job.reason {
                JobReason::ProcessingToStopPoint => (JobState::Canceled, JobReason::JobCanceledByOperator),
                _ if job.copies_waiting() == 0 && job.completed == 0 => (JobState::Aborted, JobReason::AbortedBySystem),
                _ if job.copies_waiting() == 0 => (JobState::Completed, judge::completed_how(job)),
                held @ (JobReason::JobHeldForRelease | JobReason::JobHeldForReview) => (JobState::PendingHeld, held),
                _ => (JobState::Pending, JobReason::JobQueued),
            };
            if job.state.is_terminal() {
                job.ended_at = Some(now);
            }
        });
        let Some(job) = self.jobs.get(&id).filter(|job| job.state.is_terminal() && Some(job.state) != before) else {
            return;
        };
        let text =
            format!("job {id} ({}) is {}: {} made, {} scrapped", job.name, job.state, job.completed, job.scrapped);
        let data = serde_json::json!({ "state": job.state, "completed": job.completed, "scrapped": job.scrapped });
        self.note(now, &About { job: Some(id), ..About::default() }, "job-ended", &text, data);
    }

    /// Everything that must be kept now, files first and the journal last; and the jobs that have changed.
    pub(super) fn take_writes(&mut self) -> (Vec<Write>, Vec<Arc<Job>>, Vec<Arc<Entry>>) {
        let files = std::mem::take(&mut self.new_files);
        let mut writes: Vec<Write> =
            files.into_iter().map(|(survey, at)| Write::File { survey: Box::new((*survey).clone()), at }).collect();
        let jobs: Vec<_> =
            std::mem::take(&mut self.changed_jobs).iter().filter_map(|id| self.jobs.get(id).cloned()).collect();
        writes.extend(jobs.iter().cloned().map(Write::Job));
        let cycles = std::mem::take(&mut self.changed_cycles);
        writes.extend(
            cycles.iter().filter_map(|id| self.cycles.get(id)).map(|cycle| Write::Cycle(Box::new(cycle.clone()))),
        );
        let remakes = std::mem::take(&mut self.changed_remakes);
        writes.extend(remakes.into_iter().map(|(cycle, job)| Write::Remake { cycle, job }));
        writes.extend(self.heat.take_new().map(|run| Write::HeatRun(Box::new(run))));
        let entries = std::mem::take(&mut self.entries);
        writes.extend(entries.iter().cloned().map(Write::Journal));
        (writes, jobs, entries)
    }

    /// Lets go of what has ended and is kept.
    pub(super) fn forget_ended(&mut self) {
        let Self { cycles, trailing, .. } = self;
        cycles.retain(|id, cycle| cycle.outcome.is_none() || trailing.contains(id));
        self.jobs.retain(|_, job| !job.state.is_terminal() || job.source_key.is_some() || job.in_work > 0);
        let wanted: BTreeSet<&str> = self.jobs.values().map(|job| &*job.sha256).collect();
        if self.surveys.len() > wanted.len() {
            self.surveys.retain(|hash, _| wanted.contains(&**hash));
        }
    }
}

fn findings(survey: &Survey) -> String {
    let first = survey.concerns.first().map_or_else(String::new, |c| format!("line {}: {}", c.line, c.text));
    match survey.concerns.len() {
        0 | 1 => first,
        n => format!("{first} (and {} more)", n - 1),
    }
}

#[cfg(test)]
mod tests {
    use super::house::House;
    use super::*;

    #[tokio::test]
    async fn jobs_of_one_file_and_of_one_material_hold_their_text_together() {
        let mut house = House::new().await;
        for _ in 0..2 {
            house.admit_of("PETG").await;
        }
        let jobs = house.books.queue();
        assert_eq!(jobs[0].material.as_deref(), Some("petg"));
        assert!(Arc::ptr_eq(&jobs[0].sha256, &jobs[1].sha256));
        assert!(jobs[0].material.as_ref().zip(jobs[1].material.as_ref()).is_some_and(|(a, b)| Arc::ptr_eq(a, b)));
    }
}
