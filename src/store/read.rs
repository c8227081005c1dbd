//! Reading: what the page, the API and the infeed may ask. Nothing here writes.

use std::collections::HashSet;
use std::path::PathBuf;

use sqlx::sqlite::SqliteRow;
use sqlx::{Row, SqlitePool};

use super::error::StoreError;
use super::rows::{self, cycle_columns, job_fields};
use crate::job::{Cycle, CycleId, Footprint, Job, JobId, Survey};

/// A handle for reading the database; clones share a few connections. Each question sees what was committed before it.
#[derive(Clone, Debug)]
pub struct Reader {
    path: PathBuf,
    pool: SqlitePool,
}

/// How large a part is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PartSize {
    /// The rectangle that its plastic touches.
    pub footprint: Footprint,
    /// Its height, mm.
    pub height_mm: f64,
}

impl Reader {
    pub(super) fn new(path: PathBuf, pool: SqlitePool) -> Self {
        Self { path, pool }
    }

    pub(super) async fn close(&self) {
        self.pool.close().await;
    }

    pub(super) fn pool(&self) -> &SqlitePool {
        &self.pool
    }

    pub(super) fn fault(&self, error: sqlx::Error) -> StoreError {
        StoreError::database(&self.path, error)
    }

    /// Every row of an answer, read by `read`.
    pub(super) fn rows<T>(
        &self,
        answer: sqlx::Result<Vec<SqliteRow>>,
        read: impl Fn(&SqliteRow) -> sqlx::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let rows = answer.map_err(|e| self.fault(e))?;
        rows.iter().map(read).collect::<sqlx::Result<_>>().map_err(|e| self.fault(e))
    }

    /// The only row of an answer, if there is one.
    pub(super) fn row<T>(
        &self,
        answer: sqlx::Result<Option<SqliteRow>>,
        read: impl Fn(&SqliteRow) -> sqlx::Result<T>,
    ) -> Result<Option<T>, StoreError> {
        let row = answer.map_err(|e| self.fault(e))?;
        row.as_ref().map(read).transpose().map_err(|e| self.fault(e))
    }

    /// A job by its number.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn job(&self, id: JobId) -> Result<Option<Job>, StoreError> {
        let query = sqlx::query(concat!("select ", job_fields!(), " from jobs where id = ?1")).bind(id.0);
        self.row(query.fetch_optional(&self.pool).await, rows::job)
    }

    /// The job that makes the rest of this one, if there is one. Those that make single copies again are none.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn successor_of(&self, job: JobId) -> Result<Option<JobId>, StoreError> {
        let query =
            sqlx::query("select id from jobs where restart_of = ?1 and id not in (select job from remakes) limit 1")
                .bind(job.0);
        self.row(query.fetch_optional(&self.pool).await, |row| row.try_get(0).map(JobId))
    }

    /// The cycles of a job, the first one first.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn cycles_of(&self, job: JobId) -> Result<Vec<Cycle>, StoreError> {
        let query =
            sqlx::query(concat!("select ", cycle_columns!(), " from cycles where job = ?1 order by id")).bind(job.0);
        self.rows(query.fetch_all(&self.pool).await, rows::cycle)
    }

    /// A cycle by its number.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn cycle(&self, id: CycleId) -> Result<Option<Cycle>, StoreError> {
        let query = sqlx::query(concat!("select ", cycle_columns!(), " from cycles where id = ?1")).bind(id.0);
        self.row(query.fetch_optional(&self.pool).await, rows::cycle)
    }

    /// The job that makes this copy again, since a person called it scrap.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn remade_by(&self, cycle: CycleId) -> Result<Option<JobId>, StoreError> {
        let query = sqlx::query("select job from remakes where cycle = ?1").bind(cycle.0);
        self.row(query.fetch_optional(&self.pool).await, |row| row.try_get(0).map(JobId))
    }

    /// How many copies of this job are made again by other jobs.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn remade_elsewhere(&self, job: JobId) -> Result<u32, StoreError> {
        let query = sqlx::query(
            "select count(*) from cycles join remakes on remakes.cycle = cycles.id where cycles.job = ?1 and remakes.job <> ?1",
        );
        let count = self.row(query.bind(job.0).fetch_optional(&self.pool).await, |row| row.try_get(0))?;
        Ok(count.unwrap_or_default())
    }

    /// What the survey found in the file with this content hash.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn survey(&self, sha256: &str) -> Result<Option<Survey>, StoreError> {
        let query = sqlx::query("select survey from files where sha256 = ?1").bind(sha256.to_owned());
        self.row(query.fetch_optional(&self.pool).await, rows::survey)
    }

    /// How large the part of the file with this content hash is; `None` if no survey is there, or nothing is laid.
    /// Leaves the rest of the survey, which may be long, in the database.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn part_size(&self, sha256: &str) -> Result<Option<PartSize>, StoreError> {
        let query =
            sqlx::query("select survey -> '$.footprint', survey ->> '$.height_mm' from files where sha256 = ?1")
                .bind(sha256.to_owned());
        let size = self.row(query.fetch_optional(&self.pool).await, |row| {
            let (footprint, height_mm): (Option<String>, Option<f64>) = (row.try_get(0)?, row.try_get(1)?);
            let footprint = footprint.and_then(|text| serde_json::from_str(&text).ok());
            Ok(footprint.zip(height_mm).map(|(footprint, height_mm)| PartSize { footprint, height_mm }))
        })?;
        Ok(size.flatten())
    }

    /// The content hashes of every file that a job has ever used.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn known_files(&self) -> Result<HashSet<String>, StoreError> {
        let query = sqlx::query("select sha256 from files");
        let known = self.rows(query.fetch_all(&self.pool).await, |row| row.try_get(0))?;
        Ok(known.into_iter().collect())
    }
}
