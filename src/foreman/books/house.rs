//! Books with a store behind them, for tests: jobs are made without a line, and everything survives.

use std::sync::Arc;

use tempfile::TempDir;

use super::Books;
use crate::foreman::bench::survey;
use crate::foreman::command::{Arrival, Command, JobCommand, Refused};
use crate::foreman::{recall, recover};
use crate::job::{CheckedBy, Cycle, CycleId, Job, JobId, LineName, Outcome};
use crate::store::{Entry, JobFilter, JobSet, Store};
use crate::units::UnixMillis;

pub(super) struct House {
    dir: TempDir,
    pub(super) store: Store,
    pub(super) books: Books,
    /// What the last command wrote into the journal.
    pub(super) said: Vec<Arc<Entry>>,
    now: i64,
}

impl House {
    pub(super) async fn new() -> Self {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = Store::open(&dir.path().join("db")).await.expect("a store");
        Self { dir, store, books: Books::default(), said: Vec::new(), now: 0 }
    }

    pub(super) fn line() -> LineName {
        LineName::new("one").expect("a good name")
    }

    /// Kept at once, as after each event of the foreman.
    async fn keep(&mut self) {
        let (writes, _, said) = self.books.take_writes();
        self.said = said;
        self.store.commit(&writes).await.expect("the database takes it");
        self.books.forget_ended();
    }

    fn tick(&mut self) -> UnixMillis {
        self.now += 1000;
        UnixMillis(self.now)
    }

    pub(super) async fn admit(&mut self, copies: u32) -> JobId {
        self.take_in(copies, None).await
    }

    /// One copy of this material.
    pub(super) async fn admit_of(&mut self, material: &str) -> JobId {
        self.take_in(1, Some(material.to_owned())).await
    }

    async fn take_in(&mut self, copies: u32, material: Option<String>) -> JobId {
        let now = self.tick();
        let arrival = Arrival {
            file_name: "clip.gcode".to_owned(),
            survey: survey(1),
            copies,
            line: None,
            material,
            release_c: None,
            hold: false,
            reviewed: false,
            source_key: None,
            source: None,
        };
        let job = self.books.admit(now, arrival);
        self.keep().await;
        job.id
    }

    pub(super) async fn ask(&mut self, id: JobId, what: JobCommand) -> Result<Job, Refused> {
        let now = self.tick();
        let command = Command::Job { id, what: what.clone(), if_version: None };
        let past = recall::recall(&self.store.reader(), &self.books, &command).await.expect("readable");
        self.books.recall(past.expect("it is about a job"));
        let done = self.books.command(now, id, what, &[]);
        self.keep().await;
        done
    }

    /// A line begins a copy, if the job has one for it.
    pub(super) async fn begin(&mut self, id: JobId) -> Option<CycleId> {
        let now = self.tick();
        let open = self.books.job(id).is_some_and(|job| {
            !job.state.is_terminal() && job.copies_waiting() > 0 && job.in_work == 0 && job.canceled_from.is_none()
        });
        let cycle = if open { self.books.begin_cycle(now, id, &Self::line()) } else { None };
        self.keep().await;
        cycle.map(|cycle| cycle.id)
    }

    pub(super) async fn end(&mut self, id: CycleId, outcome: Outcome, by: Option<CheckedBy>) {
        let now = self.tick();
        self.books.end_cycle(now, id, outcome, by, "");
        self.keep().await;
    }

    /// Makes copies until none is left; answers the last one's cycle.
    pub(super) async fn make_all(&mut self, id: JobId) -> CycleId {
        let mut last = None;
        while let Some(cycle) = self.begin(id).await {
            self.end(cycle, Outcome::Completed, Some(CheckedBy::Switch)).await;
            last = Some(cycle);
        }
        last.expect("a copy was to be made")
    }

    /// The process dies and the next one begins.
    pub(super) async fn restart(&mut self) {
        let now = self.tick();
        self.store = Store::open(&self.dir.path().join("db")).await.expect("the store");
        self.books = Books::open(self.store.load().await.expect("readable"));
        for (_, cycle) in recover::settle_cycles(&mut self.books, now, &[Self::line()]) {
            self.books.end_cycle(now, cycle, Outcome::Completed, Some(CheckedBy::Person), "");
        }
        self.keep().await;
    }

    /// Every job as it is kept.
    pub(super) async fn jobs(&self) -> Vec<Job> {
        let mut jobs = Vec::new();
        for set in [JobSet::Open, JobSet::Ended] {
            jobs.extend(self.store.reader().list_jobs(&JobFilter::all(set), None, 10_000).await.expect("readable"));
        }
        jobs.sort_by_key(|job| job.id);
        jobs
    }

    pub(super) async fn job(&self, id: JobId) -> Job {
        self.store.reader().job(id).await.expect("readable").expect("it is kept")
    }

    pub(super) async fn cycles(&self, id: JobId) -> Vec<Cycle> {
        self.store.reader().cycles_of(id).await.expect("readable")
    }

    pub(super) async fn remade_by(&self, cycle: CycleId) -> Option<JobId> {
        self.store.reader().remade_by(cycle).await.expect("readable")
    }
}
