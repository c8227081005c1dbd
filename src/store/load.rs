//! What the foreman reads once, at the start.

use std::collections::HashSet;
use std::sync::Arc;

use sqlx::Row;

use super::error::StoreError;
use super::heat_runs::load_heat_runs;
use super::keys::load_keys;
use super::list::{JobFilter, JobKey, JobSet};
use super::open::Store;
use super::read::Reader;
use super::rows::{self, cycle_columns, job_fields, line_columns};
use super::write::{PRINT_RUNS, Snapshot};
use crate::job::Job;

/// Jobs that are read in one piece: a queue of any length must not become one text.
const JOBS_AT_ONCE: u32 = 1000;

/// Ended jobs whose folder file may still be there. Left to itself, SQLite would look through the whole history for them.
const LEFT: &str = concat!(
    "select ",
    job_fields!(),
    " from jobs indexed by jobs_by_source where source_key is not null and ended_at is not null"
);

/// Ended jobs with a copy on a line that waits for a person's word: it will be counted. By the index of open cycles.
const OWED: &str = concat!(
    "select ",
    job_fields!(),
    " from jobs where id in (select job from cycles where ended_at is null) and ended_at is not null and source_key is null"
);

/// The last prints of each line that has ever been kept; by the index, however long the history is.
const PRINTS: &str = "select print_runs.cycle, print_runs.line, at, planned_s, actual_s
       from lines join print_runs
         on print_runs.cycle in (select cycle from print_runs where line = lines.name order by cycle desc limit ?1)
      order by print_runs.cycle";

/// Text that jobs of a long queue have alike, each in memory once.
#[derive(Default)]
struct Alike(HashSet<Arc<str>>);

impl Alike {
    fn share(&mut self, mut job: Job) -> Job {
        let material = job.material.as_mut();
        for text in [&mut job.sha256, &mut job.note].into_iter().chain(material) {
            match self.0.get(text) {
                Some(known) => *text = Arc::clone(known),
                None => drop(self.0.insert(Arc::clone(text))),
            }
        }
        job
    }
}

impl Store {
    /// Everything that is needed to go on after a restart.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read, [`StoreError::Corrupt`] where it holds what this version never writes.
    pub async fn load(&self) -> Result<Snapshot, StoreError> {
        let reader = self.reader_apart();
        let snapshot = load(&reader).await;
        reader.close().await;
        snapshot
    }
}

async fn load(reader: &Reader) -> Result<Snapshot, StoreError> {
    let mut jobs: Vec<Arc<Job>> = Vec::new();
    let mut alike = Alike::default();
    loop {
        let after = jobs.last().map(|job| JobKey::of(job));
        let page = reader.list_jobs(&JobFilter::all(JobSet::Open), after, JOBS_AT_ONCE).await?;
        if page.is_empty() {
            break;
        }
        jobs.extend(page.into_iter().map(|job| Arc::new(alike.share(job))));
    }
    for ended in [LEFT, OWED] {
        let found = reader.rows(sqlx::query(ended).fetch_all(reader.pool()).await, rows::job)?;
        jobs.extend(found.into_iter().map(|job| Arc::new(alike.share(job))));
    }
    jobs.sort_by_key(|job| (job.rank, job.id));
    let surveys = sqlx::query(
            "select survey from files where sha256 in
                 (select sha256 from jobs where ended_at is null union select sha256 from jobs where source_key is not null)",
        );
    let cycles = sqlx::query(concat!("select ", cycle_columns!(), " from cycles where ended_at is null order by id"));
    let lines = sqlx::query(concat!("select ", line_columns!(), " from lines order by name"));
    let prints = sqlx::query(PRINTS).bind(i64::try_from(PRINT_RUNS).unwrap_or(i64::MAX));
    let last = sqlx::query(
        "select (select coalesce(max(id), 0) from jobs), (select coalesce(max(id), 0) from cycles),
                    (select coalesce(max(seq), 0) from journal)",
    );
    let numbers = |row: &_| Ok((Row::try_get(row, 0)?, Row::try_get(row, 1)?, Row::try_get(row, 2)?));
    let last = reader.row(last.fetch_optional(reader.pool()).await, numbers)?;
    let (last_job, last_cycle, last_seq) = last.unwrap_or_default();
    let (heat_runs, last_heat_run) = load_heat_runs(reader).await?;
    Ok(Snapshot {
        jobs,
        heat_runs,
        keys: load_keys(reader).await?,
        last_heat_run,
        surveys: reader.rows(surveys.fetch_all(reader.pool()).await, rows::survey)?,
        cycles: reader.rows(cycles.fetch_all(reader.pool()).await, rows::cycle)?,
        lines: reader.rows(lines.fetch_all(reader.pool()).await, rows::line)?,
        print_runs: reader.rows(prints.fetch_all(reader.pool()).await, rows::print_run)?,
        last_job,
        last_cycle,
        last_seq,
    })
}

#[cfg(test)]
mod tests {
    use super::super::list::tests::plan;
    use super::*;

    #[tokio::test]
    async fn a_long_history_is_not_looked_through_at_the_start() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = Store::open(&dir.path().join("db")).await.expect("a store");
        let steps = plan(&store.reader(), LEFT).await;
        assert!(steps.len() == 1 && steps[0].contains("USING INDEX jobs_by_source"), "{steps:?}");
        let steps = plan(&store.reader(), OWED).await;
        assert!(steps.iter().any(|step| step.contains("USING INTEGER PRIMARY KEY")), "{steps:?}");
        assert!(steps.iter().any(|step| step.contains("USING INDEX cycles_open")), "{steps:?}");
        let steps = plan(&store.reader(), &PRINTS.replace("?1", "50")).await;
        assert!(
            steps.iter().any(|step| step.contains("USING COVERING INDEX print_runs_of_line (line=?)")),
            "{steps:?}"
        );
        assert!(!steps.iter().any(|step| step.starts_with("SCAN print_runs")), "{steps:?}");
    }
}
