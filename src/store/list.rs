//! Lists of jobs, a page at a time: each page goes on behind the last row of the one before, so none is slower than the first.

use std::cmp::Reverse;

use super::error::StoreError;
use super::read::Reader;
use super::rows::{self, job_fields};
use crate::job::{Job, JobId, JobState, LineName};

/// Which jobs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JobFilter {
    /// By where they stand.
    pub set: JobSet,
    /// Only those that this line alone may make.
    pub line: Option<LineName>,
}

/// Jobs by where they stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum JobSet {
    /// Those that have not ended, in the order of the queue.
    Open,
    /// Those that have, the last one first.
    Ended,
    /// Those in this state, in the order of the queue, or the last one first if the state is terminal.
    State(JobState),
}

/// A place in a list of jobs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JobKey {
    /// The rank of an open job; when an ended one ended, in milliseconds since 1970.
    pub place: i64,
    /// The job's number.
    pub id: JobId,
}

impl JobKey {
    /// The job's place: the next page begins behind it.
    #[must_use]
    pub fn of(job: &Job) -> Self {
        Self { place: job.ended_at.map_or(job.rank, |at| at.0), id: job.id }
    }
}

impl JobFilter {
    /// Every job of a set.
    #[must_use]
    pub fn all(set: JobSet) -> Self {
        Self { set, line: None }
    }

    fn direction(&self) -> Direction {
        match self.set {
            JobSet::Open => Direction::Queue,
            JobSet::Ended => Direction::History,
            JobSet::State(state) if state.is_terminal() => Direction::History,
            JobSet::State(_) => Direction::Queue,
        }
    }

    fn state(&self) -> Option<JobState> {
        match self.set {
            JobSet::State(state) => Some(state),
            JobSet::Open | JobSet::Ended => None,
        }
    }

    /// ?1, ?2: the key; ?3: the limit; ?4: the state; ?5: the line.
    fn sql(&self) -> &'static str {
        match (self.direction(), self.state().is_some(), self.line.is_some()) {
            (Direction::Queue, false, false) => queue!(""),
            (Direction::Queue, true, false) => queue!("state = ?4 and"),
            (Direction::Queue, false, true) => queue!("line = ?5 and"),
            (Direction::Queue, true, true) => queue!("line = ?5 and state = ?4 and"),
            (Direction::History, false, false) => history!(""),
            (Direction::History, true, false) => history!("state = ?4 and"),
            (Direction::History, false, true) => history!("line = ?5 and"),
            (Direction::History, true, true) => history!("line = ?5 and state = ?4 and"),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Direction {
    Queue,
    History,
}

macro_rules! page {
    ($which:expr) => {
        concat!("select json_group_array(", job_fields!(), ") from (select * from jobs where ", $which, " limit ?3)")
    };
}
macro_rules! queue {
    ($and:literal) => {
        page!(concat!("ended_at is null and ", $and, " (rank, id) > (?1, ?2) order by rank, id"))
    };
}
macro_rules! history {
    ($and:literal) => {
        page!(concat!("ended_at is not null and ", $and, " (ended_at, id) < (?1, ?2) order by ended_at desc, id desc"))
    };
}
use {history, page, queue};

impl Reader {
    /// One page of a list of jobs: at most `limit`, behind `after`.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn list_jobs(
        &self,
        filter: &JobFilter,
        after: Option<JobKey>,
        limit: u32,
    ) -> Result<Vec<Job>, StoreError> {
        let (place, id) = match (after, filter.direction()) {
            (Some(key), _) => (key.place, key.id.0),
            (None, Direction::Queue) => (i64::MIN, i64::MIN),
            (None, Direction::History) => (i64::MAX, i64::MAX),
        };
        let query = sqlx::query(filter.sql())
            .bind(place)
            .bind(id)
            .bind(limit)
            .bind(filter.state().map(JobState::as_str))
            .bind(filter.line.as_ref().map(|line| line.as_str().to_owned()));
        let mut jobs = self.row(query.fetch_optional(self.pool()).await, rows::jobs)?.unwrap_or_default();
        // They come in this order, though SQL does not promise it; sorting what is sorted costs next to nothing.
        match filter.direction() {
            Direction::Queue => jobs.sort_by_key(|job| (job.rank, job.id)),
            Direction::History => jobs.sort_by_key(|job| Reverse((job.ended_at, job.id))),
        }
        Ok(jobs)
    }
}

#[cfg(test)]
pub(in crate::store) mod tests {
    use super::*;
    use crate::store::Store;

    /// What SQLite means to do for a question, one line a step.
    pub(in crate::store) async fn plan(reader: &Reader, sql: &str) -> Vec<String> {
        use sqlx::{AssertSqlSafe, Row};
        let explain = format!("explain query plan {sql}");
        let rows = sqlx::query(AssertSqlSafe(explain)).fetch_all(reader.pool()).await.expect("a plan");
        rows.iter().map(|row| row.try_get("detail").expect("a detail")).collect()
    }

    #[tokio::test]
    async fn every_list_is_read_in_its_index_order_without_scan_or_sort() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = Store::open(&dir.path().join("db")).await.expect("a store");
        let mut sets = vec![JobSet::Open, JobSet::Ended];
        sets.extend(JobState::ALL.iter().map(|state| JobSet::State(*state)));
        for set in sets {
            for line in [None, Some(LineName::new("a").expect("a name"))] {
                let filter = JobFilter { set, line };
                let steps = plan(&store.reader(), filter.sql()).await;
                let of_table: Vec<_> = steps.iter().filter(|step| step.contains(" jobs")).collect();
                assert_eq!(of_table.len(), 1, "{filter:?}: {steps:?}");
                assert!(of_table[0].starts_with("SEARCH jobs USING INDEX jobs_"), "{filter:?}: {steps:?}");
                assert!(!steps.iter().any(|step| step.contains("TEMP B-TREE")), "{filter:?}: {steps:?}");
            }
        }
    }
}
