//! The journal, read forwards for streams and backwards for pages.

use sqlx::Row;

use super::error::StoreError;
use super::read::Reader;
use super::rows::{self, entry_columns};
use super::write::Entry;
use crate::job::{JobId, LineName};
use crate::units::UnixMillis;

/// Which entries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JournalFilter {
    /// Every one.
    All,
    /// Those of a job.
    Job(JobId),
    /// Those of a line.
    Line(LineName),
}

/// ?1: where from; ?2: the limit; ?3: the job or line.
macro_rules! entries {
    ($which:literal, $side:literal, $order:literal) => {
        concat!(
            "select ",
            entry_columns!(),
            " from journal where ",
            $which,
            " seq ",
            $side,
            " ?1 order by seq ",
            $order,
            " limit ?2"
        )
    };
}

/// Numbers of the first and the last entry of a span of time. Where a clock was put back, entries of other times lie between.
const SPAN: &str = "select min(seq), max(seq) from journal where at >= ?1 and at < ?2";

impl JournalFilter {
    fn after(&self) -> &'static str {
        match self {
            Self::All => entries!("", ">", "asc"),
            Self::Job(_) => entries!("job = ?3 and", ">", "asc"),
            Self::Line(_) => entries!("line = ?3 and", ">", "asc"),
        }
    }

    fn before(&self) -> &'static str {
        match self {
            Self::All => entries!("", "<", "desc"),
            Self::Job(_) => entries!("job = ?3 and", "<", "desc"),
            Self::Line(_) => entries!("line = ?3 and", "<", "desc"),
        }
    }
}

impl Reader {
    /// At most `limit` entries with numbers above `seq`, the oldest first; 0 begins at the beginning.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn journal_after(&self, which: &JournalFilter, seq: i64, limit: u32) -> Result<Vec<Entry>, StoreError> {
        self.entries(which.after(), which, seq, limit).await
    }

    /// At most `limit` entries with numbers below `seq`, the newest first; [`i64::MAX`] begins at the end.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn journal_before(&self, which: &JournalFilter, seq: i64, limit: u32) -> Result<Vec<Entry>, StoreError> {
        self.entries(which.before(), which, seq, limit).await
    }

    /// The numbers of the first and the last entry that were written from `from` on and before `until`; `None` if none was.
    ///
    /// # Errors
    /// [`StoreError`] where the database cannot be read.
    pub async fn journal_span(&self, from: UnixMillis, until: UnixMillis) -> Result<Option<(i64, i64)>, StoreError> {
        let query = sqlx::query(SPAN).bind(from.0).bind(until.0);
        let span = self.row(query.fetch_optional(self.pool()).await, |row| {
            let (first, last): (Option<i64>, Option<i64>) = (row.try_get(0)?, row.try_get(1)?);
            Ok(first.zip(last))
        })?;
        Ok(span.flatten())
    }

    async fn entries(
        &self,
        sql: &'static str,
        which: &JournalFilter,
        seq: i64,
        limit: u32,
    ) -> Result<Vec<Entry>, StoreError> {
        let query = sqlx::query(sql).bind(seq).bind(limit);
        let query = match which {
            JournalFilter::All => query,
            JournalFilter::Job(id) => query.bind(id.0),
            JournalFilter::Line(line) => query.bind(line.as_str().to_owned()),
        };
        self.rows(query.fetch_all(self.pool()).await, rows::entry)
    }
}

#[cfg(test)]
mod tests {
    use super::super::list::tests::plan;
    use super::*;
    use crate::store::Store;

    #[tokio::test]
    async fn the_journal_is_read_in_its_index_order_without_scan_or_sort() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = Store::open(&dir.path().join("db")).await.expect("a store");
        for which in
            [JournalFilter::All, JournalFilter::Job(JobId(1)), JournalFilter::Line(LineName::new("a").expect("a name"))]
        {
            for sql in [which.after(), which.before()] {
                let steps = plan(&store.reader(), sql).await;
                assert_eq!(steps.len(), 1, "{sql}: {steps:?}");
                assert!(steps[0].starts_with("SEARCH journal USING "), "{sql}: {steps:?}");
            }
        }
        let steps = plan(&store.reader(), SPAN).await;
        assert_eq!(steps, ["SEARCH journal USING COVERING INDEX journal_by_time (at>? AND at<?)"]);
    }
}
