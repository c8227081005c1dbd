//! Totals of copies, kept by the database as it goes.

use serde::{Deserialize, Serialize};
use sqlx::Row;

use super::error::StoreError;
use super::read::Reader;
use super::rows;
use crate::job::{JobState, LineName};

/// The jobs in one state.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobTotals {
    /// The state.
    pub state: JobState,
    /// How many jobs are in it.
    pub jobs: i64,
    /// Copies that they ask for.
    pub copies: i64,
    /// Copies of theirs that were finished and confirmed, or let go.
    pub completed: i64,
    /// Copies of theirs that were begun and are no good.
    pub scrapped: i64,
    /// Copies of theirs that nothing checked.
    pub unchecked: i64,
}

/// What one line has made.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineTotals {
    /// The line.
    pub line: LineName,
    /// Copies completed.
    pub completed: i64,
    /// Copies begun that are no good.
    pub scrapped: i64,
    /// Copies given back before anything was printed.
    pub returned: i64,
    /// Completed copies that nothing checked.
    pub unchecked: i64,
    /// Belt travel of its ended cycles that certainly happened, µm.
    pub advance_um: i64,
}

impl Reader {
    /// Jobs and copies by state; states that no job was ever in are left out.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn job_totals(&self) -> Result<Vec<JobTotals>, StoreError> {
        let query =
            sqlx::query("select state, jobs, copies, completed, scrapped, unchecked from job_totals order by state");
        self.rows(query.fetch_all(self.pool()).await, |row| {
            Ok(JobTotals {
                state: rows::word(row, 0, JobState::parse)?,
                jobs: row.try_get(1)?,
                copies: row.try_get(2)?,
                completed: row.try_get(3)?,
                scrapped: row.try_get(4)?,
                unchecked: row.try_get(5)?,
            })
        })
    }

    /// What each line has made, by name; lines without an ended cycle are left out.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn line_totals(&self) -> Result<Vec<LineTotals>, StoreError> {
        let query = sqlx::query(
            "select line, completed, scrapped, returned, unchecked, advance_um from line_totals order by line",
        );
        self.rows(query.fetch_all(self.pool()).await, |row| {
            Ok(LineTotals {
                line: rows::line_name(row, 0)?,
                completed: row.try_get(1)?,
                scrapped: row.try_get(2)?,
                returned: row.try_get(3)?,
                unchecked: row.try_get(4)?,
                advance_um: row.try_get(5)?,
            })
        })
    }
}
