//! Opening the database: settings, changes of its layout, the writer's connection.

use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::migrate::{MigrateError, Migrator};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, SqliteConnection, SqlitePool};

use super::error::StoreError;
use super::read::Reader;
use super::rescue::mark_closed;

// A new file in migrations/ is seen when this file is compiled again: touch it when you add one. The last: 0007.
static MIGRATIONS: Migrator = sqlx::migrate!("./migrations");

/// How long a connection waits for another program's lock before it gives up.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
/// Enough for a page, its event stream and a program or two; more would only queue for the same disk.
const READERS: u32 = 4;
/// Memory that the writer and each reader keep pages in, KiB, as SQLite wants it; what they let go the system's own cache still has.
const WRITER_CACHE: &str = "-512";
const READER_CACHE: &str = "-256";
/// Rows that travel from SQLite's thread at once; a page of a list fits.
const ROWS_AT_ONCE: usize = 1000;

/// The database. It has one writer, the foreman, who owns this; everybody else reads through a [`Reader`].
#[derive(Debug)]
pub struct Store {
    pub(super) path: PathBuf,
    pub(super) options: SqliteConnectOptions,
    /// `None` after a failed commit: the next one starts on a new connection, whatever state the old one was left in.
    pub(super) writer: Option<SqliteConnection>,
    reader: Reader,
}

impl Store {
    /// Opens the database file, makes it if it is not there, and brings its layout up to date.
    ///
    /// # Errors
    /// [`StoreError::NewerSchema`] for a database of a later version, [`StoreError::Corrupt`] for a file that is not a
    /// database, [`StoreError::Io`] where it cannot be opened.
    pub async fn open(path: &Path) -> Result<Self, StoreError> {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(BUSY_TIMEOUT)
            .row_buffer_size(ROWS_AT_ONCE)
            .pragma("cache_size", WRITER_CACHE)
            .disable_statement_logging();
        let mut writer = connect(&options, path).await?;
        MIGRATIONS.run(&mut writer).await.map_err(|e| sort_migration(path, e))?;
        let reader = Reader::new(path.to_owned(), readers(&options, READERS));
        Ok(Self { path: path.to_owned(), options, writer: Some(writer), reader })
    }

    /// A handle for reading; clones share a few connections.
    #[must_use]
    pub fn reader(&self) -> Reader {
        self.reader.clone()
    }

    /// A connection that nobody else reads by, to be closed: what it comes to hold of a long reading goes with it.
    pub(super) fn reader_apart(&self) -> Reader {
        Reader::new(self.path.clone(), readers(&self.options, 1))
    }

    /// Copies the database at `path`, whatever a daemon does with it meanwhile, to a new file at `target`. Answers the content
    /// hashes of the files that the copy knows.
    ///
    /// # Errors
    /// [`StoreError::Io`] where there is none, or the copy cannot be written.
    pub async fn copy(path: &Path, target: &Path) -> Result<Vec<String>, StoreError> {
        let options = SqliteConnectOptions::new().filename(path).busy_timeout(BUSY_TIMEOUT).disable_statement_logging();
        let mut source = connect(&options, path).await?;
        let fault = |e| StoreError::database(path, e);
        let into = target.to_str().map(str::to_owned).unwrap_or_default();
        sqlx::query("vacuum into ?1").bind(into).execute(&mut source).await.map_err(fault)?;
        source.close().await.map_err(fault)?;
        let mut copy = connect(&options.filename(target), target).await?;
        let hashes = sqlx::query_scalar("select sha256 from files order by sha256").fetch_all(&mut copy).await;
        copy.close().await.map_err(fault)?;
        hashes.map_err(fault)
    }

    /// Closes every connection, so that the write-ahead log is folded into the database. Readers fail from now on.
    ///
    /// # Errors
    /// What the database says; everything committed is safe all the same.
    pub async fn close(self) -> Result<(), StoreError> {
        self.reader.close().await;
        match self.writer {
            Some(writer) => writer.close().await.map_err(|e| StoreError::database(&self.path, e))?,
            None => return Ok(()),
        }
        mark_closed(&self.path);
        Ok(())
    }
}

/// At most so many connections, each when it is first needed.
fn readers(options: &SqliteConnectOptions, most: u32) -> SqlitePool {
    let options = options.clone().create_if_missing(false).pragma("query_only", "on");
    SqlitePoolOptions::new()
        .max_connections(most)
        .test_before_acquire(false)
        .max_lifetime(None)
        .idle_timeout(None)
        .connect_lazy_with(options.pragma("cache_size", READER_CACHE))
}

pub(super) async fn connect(options: &SqliteConnectOptions, path: &Path) -> Result<SqliteConnection, StoreError> {
    options.connect().await.map_err(|e| StoreError::database(path, e))
}

fn sort_migration(path: &Path, error: MigrateError) -> StoreError {
    let owned = path.to_owned();
    match error {
        MigrateError::Execute(e) | MigrateError::ExecuteMigration(e, _) => StoreError::database(path, e),
        MigrateError::VersionMissing(found) => {
            let known = MIGRATIONS.iter().map(|change| change.version).max().unwrap_or_default();
            StoreError::NewerSchema { path: owned, found, known }
        }
        MigrateError::VersionMismatch(version) => StoreError::Corrupt {
            path: owned,
            what: format!("its change {version} is not the one that this version knows"),
        },
        other => StoreError::Other { path: owned, what: other.to_string() },
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::store::{Entry, JournalFilter, Write};
    use crate::units::UnixMillis;

    fn entry(seq: i64, length: usize) -> Write {
        let text = "x".repeat(length);
        let (line, job, cycle) = (None, None, None);
        Write::Journal(Arc::new(Entry {
            seq,
            at: UnixMillis(0),
            line,
            job,
            cycle,
            kind: "note".into(),
            text,
            data: ().into(),
        }))
    }

    fn limit_pages(store: &mut Store, pages: u32) {
        store.options = store.options.clone().pragma("max_page_count", pages.to_string());
        store.writer = None;
    }

    #[tokio::test]
    async fn a_full_disk_fails_one_commit_whole_and_the_next_goes_through_when_there_is_room() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        store.commit(&[entry(1, 10)]).await.expect("room");
        limit_pages(&mut store, 60);
        let error = store.commit(&[entry(2, 10), entry(3, 1_000_000), entry(4, 10)]).await.expect_err("no room");
        assert!(matches!(error, StoreError::DiskFull { .. }), "{error:?}");
        assert!(error.to_string().contains("free some on that disk"), "{error}");
        store.commit(&[entry(2, 20)]).await.expect("a small one still fits");
        limit_pages(&mut store, 1_000_000);
        store.commit(&[entry(3, 1_000_000)]).await.expect("room again");
        let kept = store.reader().journal_after(&JournalFilter::All, 0, 10).await.expect("readable");
        assert_eq!(kept.iter().map(|e| (e.seq, e.text.len())).collect::<Vec<_>>(), [(1, 10), (2, 20), (3, 1_000_000)]);
    }

    #[tokio::test]
    async fn a_commit_given_up_half_way_does_not_block_the_next() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        let many: Vec<_> = (1..2000).map(|seq| entry(seq, 100)).collect();
        tokio::select! {
            biased;
            _ = store.commit(&many) => panic!("two thousand rows before the first turn of the other branch"),
            () = tokio::task::yield_now() => {}
        }
        store.commit(&[entry(1, 7)]).await.expect("nothing of the first was kept");
    }

    #[tokio::test]
    async fn a_database_that_somebody_else_writes_is_called_locked_and_serves_again_when_they_have_gone() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        store.options = store.options.clone().busy_timeout(Duration::from_millis(10));
        let mut other = store.writer.take().expect("open");
        sqlx::query("begin immediate").execute(&mut other).await.expect("begun");
        let error = store.commit(&[entry(1, 1)]).await.expect_err("locked");
        assert!(matches!(error, StoreError::Locked { .. }), "{error:?}");
        drop(other.close_hard().await);
        store.commit(&[entry(1, 1)]).await.expect("free again");
    }

    #[tokio::test]
    async fn a_database_of_a_later_version_is_refused_with_both_numbers() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("db");
        let mut store = Store::open(&path).await.expect("a store");
        let later = "insert into _sqlx_migrations (version, description, success, checksum, execution_time) values (999, 'later', 1, x'00', 0)";
        sqlx::query(later).execute(store.writer.as_mut().expect("open")).await.expect("written");
        store.close().await.expect("closed");
        let error = Store::open(&path).await.expect_err("too new");
        assert!(matches!(error, StoreError::NewerSchema { found: 999, known: 8, .. }), "{error:?}");
    }
}
