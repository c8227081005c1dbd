//! A damaged database: set aside as it is, and what can still be read of it carried into a new one.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use sqlx::sqlite::{SqliteConnectOptions, SqliteRow};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection, Row, SqliteConnection};

use super::error::StoreError;
use super::heat_runs::{self, heat_run};
use super::keys::{self, access_key};
use super::open::Store;
use super::rows::{self, cycle_columns, entry_columns, job_fields, line_columns, print_run_columns};
use super::write::{Entry, Write};
use crate::job::{AccessKey, Cycle, CycleId, HeatRun, Job, JobId, LineRow, PrintRun, Survey};
use crate::units::UnixMillis;

/// Rows that are read at once while nothing is wrong.
const ROWS_AT_ONCE: u32 = 200;
/// The files of a database.
const PARTS: [&str; 3] = ["", "-wal", "-shm"];

/// What became of a damaged database.
#[derive(Clone, Debug, PartialEq)]
pub struct Rescue {
    /// Where the damaged one lies now, untouched.
    pub aside: PathBuf,
    /// What was wrong with it.
    pub what: String,
    /// Whether every job and every file could be read: if not, files may lie in the file store that a job was made of.
    pub whole: bool,
    /// Jobs that were carried over, ended ones too.
    pub jobs: usize,
    /// Jobs that could be read without what is known of their file: it must be surveyed anew.
    pub fileless: Vec<Job>,
    /// Entries of the journal that were carried over.
    pub entries: usize,
}

impl Store {
    /// As [`Store::open`]; a damaged database is set aside, and a new one made of what can still be read of it.
    ///
    /// It is looked through only where the last daemon did not close it.
    ///
    /// # Errors
    /// As [`Store::open`], but for [`StoreError::Corrupt`].
    pub async fn open_or_rescue(path: &Path, now: UnixMillis) -> Result<(Self, Option<Rescue>), StoreError> {
        let what = match Self::open_checked(path).await {
            Ok(store) => return Ok((store, None)),
            Err(StoreError::Corrupt { what, .. }) => what,
            Err(other) => return Err(other),
        };
        let aside = set_aside(path, now)?;
        let mut read = Remains::read(&aside).await.matched();
        let mut store = Self::open(path).await?;
        let fileless = std::mem::take(&mut read.fileless);
        let learned = read.take_learned();
        let keys: Vec<Write> =
            std::mem::take(&mut read.keys).into_iter().map(|key| Write::Key(Box::new(key))).collect();
        let (mut whole, mut jobs, mut entries) =
            (read.whole && fileless.is_empty(), read.jobs.len(), read.entries.len());
        if let Err(error) = store.commit(&read.into_writes()).await {
            tracing::error!(%error, "what was read of the damaged database does not fit together");
            (whole, jobs, entries) = (false, 0, 0);
        }
        // For itself: a spoilt figure must not cost the jobs.
        if let Err(error) = store.commit(&learned).await {
            tracing::warn!(%error, "what the lines had learned is lost: times are foretold by the config's figures again");
        }
        if let Err(error) = store.commit(&keys).await {
            tracing::warn!(%error, "the keys are lost: other devices need new ones");
        }
        let rescue = Rescue { aside, what, whole, jobs, fileless, entries };
        store.commit(&[note(&rescue, now)]).await?;
        Ok((store, Some(rescue)))
    }

    /// As [`Store::open`]; looks through a database that was not closed in good order, and counts it as not closed from then on.
    ///
    /// # Errors
    /// As [`Store::open`]; [`StoreError::Corrupt`] too where a part of it is damaged.
    pub async fn open_checked(path: &Path) -> Result<Self, StoreError> {
        let mark = closed_mark(path);
        let closed = mark.exists();
        let store = Self::open(path).await?;
        // From here on it counts as not closed.
        if closed {
            std::fs::remove_file(&mark).map_err(|e| StoreError::io("remove", &mark, e))?;
        } else {
            store.check().await?;
        }
        Ok(store)
    }

    /// Looks through the whole database.
    ///
    /// # Errors
    /// [`StoreError::Corrupt`] with the first thing that is wrong.
    async fn check(&self) -> Result<(), StoreError> {
        let reader = self.reader();
        let found = sqlx::query("pragma quick_check(1)").fetch_optional(reader.pool()).await;
        let word: Option<String> = reader.row(found, |row| row.try_get(0))?;
        match word.as_deref() {
            Some("ok") => Ok(()),
            other => {
                let what = other.unwrap_or("it gives no answer").to_owned();
                Err(StoreError::Corrupt { path: self.path.clone(), what })
            }
        }
    }
}

/// Says beside the database that it was closed in good order.
pub(super) fn mark_closed(path: &Path) {
    // Without the mark the next start takes a little longer, and that is all.
    drop(std::fs::write(closed_mark(path), b""));
}

fn closed_mark(path: &Path) -> PathBuf {
    with_ending(path, ".closed")
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

fn set_aside(path: &Path, now: UnixMillis) -> Result<PathBuf, StoreError> {
    let aside = with_ending(path, &format!(".damaged-{}", now.0));
    for part in PARTS {
        let (from, to) = (with_ending(path, part), with_ending(&aside, part));
        match std::fs::rename(&from, &to) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            moved => moved.map_err(|e| StoreError::io("set aside", &from, e))?,
        }
    }
    Ok(aside)
}

fn note(rescue: &Rescue, at: UnixMillis) -> Write {
    let Rescue { aside, what, whole, jobs, entries, .. } = rescue;
    let seq = i64::try_from(*entries).unwrap_or(i64::MAX).saturating_add(1);
    let lost = if *whole { "every job could be read" } else { "not every job could be read: look through the queue" };
    let name = aside.file_name().unwrap_or_default().to_string_lossy();
    let text = format!(
        "the database was damaged ({what}) and lies beside the new one as {name}; {jobs} jobs and {entries} entries were carried over, {lost}"
    );
    let data = serde_json::json!({ "what": what, "jobs": jobs, "entries": entries, "whole": whole });
    let (line, job, cycle) = (None, None, None);
    Write::Journal(Arc::new(Entry { seq, at, line, job, cycle, kind: "database-damaged".to_owned(), text, data }))
}

/// What could be read of a damaged database.
#[derive(Default)]
struct Remains {
    files: Vec<(Survey, UnixMillis)>,
    jobs: Vec<Job>,
    fileless: Vec<Job>,
    cycles: Vec<Cycle>,
    lines: Vec<LineRow>,
    print_runs: Vec<PrintRun>,
    heat_runs: Vec<HeatRun>,
    keys: Vec<AccessKey>,
    entries: Vec<Entry>,
    whole: bool,
}

impl Remains {
    async fn read(aside: &Path) -> Self {
        // SQLite writes even when it only reads (it folds its log in): it gets a copy, and what is set aside stays as it is.
        let Ok(folder) = tempfile::Builder::new().prefix("rescue-").tempdir_in(aside.parent().unwrap_or(aside)) else {
            return Self::default();
        };
        let copy = folder.path().join("db");
        for part in PARTS {
            drop(std::fs::copy(with_ending(aside, part), with_ending(&copy, part)));
        }
        let options = SqliteConnectOptions::new().filename(&copy).create_if_missing(false).disable_statement_logging();
        let Ok(mut database) = options.connect().await else { return Self::default() };
        let remains = Self::read_tables(&mut database).await;
        drop(database.close_hard().await);
        remains
    }

    async fn read_tables(database: &mut SqliteConnection) -> Self {
        let survey = |row: &SqliteRow| Ok((rows::survey(row)?, UnixMillis(row.try_get(1)?)));
        let (files, files_whole) = read_table(database, "files", "survey, at", survey).await;
        let (jobs, jobs_whole) = read_table(database, "jobs", job_fields!(), rows::job).await;
        let (cycles, _) = read_table(database, "cycles", cycle_columns!(), rows::cycle).await;
        let (lines, _) = read_table(database, "lines", line_columns!(), rows::line).await;
        let (print_runs, _) = read_table(database, "print_runs", print_run_columns!(), rows::print_run).await;
        let (heat_runs, _) = read_table(database, "heat_runs", heat_runs::COLUMNS, heat_run).await;
        let (keys, _) = read_table(database, "keys", keys::COLUMNS, access_key).await;
        let (entries, _) = read_table(database, "journal", entry_columns!(), rows::entry).await;
        let whole = files_whole && jobs_whole;
        Self { files, jobs, fileless: Vec::new(), cycles, lines, print_runs, heat_runs, keys, entries, whole }
    }

    /// Leaves out what refers to something that is lost, and what the journal has behind a gap: it counts up without any.
    fn matched(mut self) -> Self {
        let known: HashSet<&str> = self.files.iter().map(|(survey, _)| survey.file.sha256.as_str()).collect();
        let (mut jobs, fileless): (Vec<Job>, _) = self.jobs.into_iter().partition(|job| known.contains(&*job.sha256));
        let ids: HashSet<JobId> = jobs.iter().map(|job| job.id).collect();
        for job in &mut jobs {
            job.restart_of = job.restart_of.filter(|id| ids.contains(id));
        }
        self.cycles.retain(|cycle| ids.contains(&cycle.job));
        let cycles: HashSet<CycleId> = self.cycles.iter().map(|cycle| cycle.id).collect();
        for line in &mut self.lines {
            line.cycle = line.cycle.filter(|id| cycles.contains(id));
            // What the line last knew may be older than what it did: a person looks.
            line.belt_clear = false;
        }
        self.print_runs.retain(|run| cycles.contains(&run.cycle));
        for run in &mut self.heat_runs {
            // What the bed did is worth as much without the copy that it was done for.
            run.cycle = run.cycle.filter(|id| cycles.contains(id));
        }
        let entries = self.entries.into_iter().zip(1..).take_while(|(entry, seq)| entry.seq == *seq);
        Self { jobs, fileless, entries: entries.map(|(entry, _)| entry).collect(), ..self }
    }

    fn into_writes(self) -> Vec<Write> {
        let files = self.files.into_iter().map(|(survey, at)| Write::File { survey: Box::new(survey), at });
        let jobs = self.jobs.into_iter().map(|job| Write::Job(Arc::new(job)));
        let cycles = self.cycles.into_iter().map(|cycle| Write::Cycle(Box::new(cycle)));
        let lines = self.lines.into_iter().map(|line| Write::Line(Box::new(line)));
        files
            .chain(jobs)
            .chain(cycles)
            .chain(lines)
            .chain(self.entries.into_iter().map(|entry| Write::Journal(Arc::new(entry))))
            .collect()
    }

    /// Takes out what the lines have learned.
    fn take_learned(&mut self) -> Vec<Write> {
        let prints = std::mem::take(&mut self.print_runs).into_iter().map(|run| Write::PrintRun(Box::new(run)));
        let heats = std::mem::take(&mut self.heat_runs).into_iter().map(|run| Write::HeatRun(Box::new(run)));
        prints.chain(heats).collect()
    }
}

/// Reads a table from its beginning until it breaks, then from its end back to there. Says whether all of it was good.
async fn read_table<T>(
    database: &mut SqliteConnection,
    table: &str,
    columns: &str,
    read: impl Fn(&SqliteRow) -> sqlx::Result<T>,
) -> (Vec<T>, bool) {
    let mut whole = true;
    let mut up = Vec::new();
    let mut from = i64::MIN;
    let sql = format!("select {columns}, rowid as place from {table} where rowid > ?1 order by rowid limit ?2");
    let broke = pages(database, &sql, &mut from, |row| keep(&mut up, &mut whole, row, &read)).await;
    if !broke {
        return (up, whole);
    }
    let mut down = Vec::new();
    let mut to = i64::MAX;
    let sql = format!(
        "select {columns}, rowid as place from {table} where rowid < ?1 and rowid > {from} order by rowid desc limit ?2"
    );
    pages(database, &sql, &mut to, |row| keep(&mut down, &mut whole, row, &read)).await;
    up.extend(down.into_iter().rev());
    (up, false)
}

fn keep<T>(kept: &mut Vec<T>, whole: &mut bool, row: &SqliteRow, read: &impl Fn(&SqliteRow) -> sqlx::Result<T>) {
    match read(row) {
        Ok(value) => kept.push(value),
        Err(_) => *whole = false,
    }
}

/// Reads page after page, and row after row where a page cannot be read. Says whether it had to stop before the end.
async fn pages(database: &mut SqliteConnection, sql: &str, place: &mut i64, mut take: impl FnMut(&SqliteRow)) -> bool {
    let mut limit = ROWS_AT_ONCE;
    loop {
        let query = sqlx::query(AssertSqlSafe(sql.to_owned())).bind(*place).bind(limit);
        match query.fetch_all(&mut *database).await {
            Ok(rows) if rows.is_empty() => return false,
            Ok(rows) => {
                for row in &rows {
                    let Ok(at) = row.try_get("place") else { return true };
                    *place = at;
                    take(row);
                }
            }
            Err(_) if limit > 1 => limit = 1,
            Err(_) => return true,
        }
    }
}
