//! Requests with a key that were done, so that the same one sent again is not done again.

use sqlx::Row;

use super::commit::Query;
use super::error::StoreError;
use super::read::Reader;
use super::rows;
use super::write::DoneRequest;
use crate::job::{JobId, LineName};
use crate::units::UnixMillis;

/// How long a request is remembered, milliseconds: a day, as the trigger of the table has it.
const KEPT_MS: i64 = 86_400_000;

pub(super) fn put(done: &DoneRequest) -> Query {
    sqlx::query("insert into requests (key, print, job, line, at) values (?1, ?2, ?3, ?4, ?5)")
        .bind(done.key.clone())
        .bind(done.print.clone())
        .bind(done.job.map(|id| id.0))
        .bind(done.line.as_ref().map(|line| line.as_str().to_owned()))
        .bind(done.at.0)
}

impl Reader {
    /// The request that was done with this key, if it is remembered at the moment `now`.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn done_request(&self, key: &str, now: UnixMillis) -> Result<Option<DoneRequest>, StoreError> {
        let query = sqlx::query("select key, print, job, line, at from requests where key = ?1 and at > ?2")
            .bind(key.to_owned())
            .bind(now.0.saturating_sub(KEPT_MS));
        self.row(query.fetch_optional(self.pool()).await, |row| {
            Ok(DoneRequest {
                key: row.try_get(0)?,
                print: row.try_get(1)?,
                job: row.try_get::<Option<i64>, _>(2)?.map(JobId),
                line: rows::maybe_word(row, 3, |name| LineName::new(name).ok())?,
                at: UnixMillis(row.try_get(4)?),
            })
        })
    }
}
