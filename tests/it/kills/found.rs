//! What a kill leaves: the database and the watched folder, read while no daemon runs.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, SqliteConnection};

/// A job as it was kept.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub(super) struct Job {
    pub(super) id: i64,
    pub(super) name: String,
    pub(super) sha256: String,
    pub(super) state: String,
    pub(super) copies: i64,
    pub(super) completed: i64,
    pub(super) scrapped: i64,
    pub(super) in_work: i64,
    pub(super) restart_of: Option<i64>,
}

impl Job {
    pub(super) fn has_ended(&self) -> bool {
        matches!(self.state.as_str(), "completed" | "aborted" | "canceled")
    }
}

/// A copy's way, as it was kept.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub(super) struct Cycle {
    pub(super) id: i64,
    pub(super) job: i64,
    pub(super) phase: String,
    pub(super) outcome: Option<String>,
    pub(super) checked_by: Option<String>,
}

impl Cycle {
    /// Whether its print had ended by what was kept.
    pub(super) fn is_printed(&self) -> bool {
        matches!(self.phase.as_str(), "cool" | "advance" | "check")
    }
}

/// The line, as it was kept.
#[derive(Clone, Debug, sqlx::FromRow)]
pub(super) struct Line {
    pub(super) state: String,
    pub(super) cycle: Option<i64>,
    pub(super) open_step: Option<String>,
}

/// All of it.
#[derive(Debug, Default)]
pub(super) struct Found {
    pub(super) jobs: BTreeMap<i64, Job>,
    pub(super) cycles: BTreeMap<i64, Cycle>,
    pub(super) line: Option<Line>,
    /// Whole files in the watched folder, by name.
    pub(super) folder: BTreeSet<String>,
}

impl Found {
    /// Reads a copy, since SQLite folds its log in even where it is only asked; says so if the database is not sound.
    pub(super) async fn read(data: &Path, infeed: &Path) -> Self {
        let aside = tempfile::tempdir().expect("a folder");
        for part in ["nosebar.db", "nosebar.db-wal"] {
            if data.join(part).exists() {
                fs::copy(data.join(part), aside.path().join(part)).expect("copied");
            }
        }
        let options = SqliteConnectOptions::new().filename(aside.path().join("nosebar.db")).disable_statement_logging();
        let mut database = options.connect().await.expect("the database opens");
        is_sound(&mut database).await;
        let jobs: Vec<Job> = sqlx::query_as(
            "select id, name, sha256, state, copies, completed, scrapped, in_work, restart_of from jobs",
        )
        .fetch_all(&mut database)
        .await
        .expect("jobs");
        let cycles: Vec<Cycle> = sqlx::query_as("select id, job, phase, outcome, checked_by from cycles")
            .fetch_all(&mut database)
            .await
            .expect("cycles");
        let line: Option<Line> = sqlx::query_as("select state, cycle, open_step from lines")
            .fetch_optional(&mut database)
            .await
            .expect("a line or none");
        database.close().await.expect("closed");
        let entries = fs::read_dir(infeed).expect("the folder").map(|entry| entry.expect("an entry"));
        let names = entries.filter(|entry| entry.path().is_file()).map(|entry| entry.file_name());
        let found = Self {
            jobs: jobs.into_iter().map(|job| (job.id, job)).collect(),
            cycles: cycles.into_iter().map(|cycle| (cycle.id, cycle)).collect(),
            line,
            folder: names.map(|name| name.into_string().expect("our own name")).collect(),
        };
        let of_line = found.line.as_ref().and_then(|line| line.cycle);
        assert!(of_line.is_none() || of_line == found.open_cycle().map(|cycle| cycle.id), "{found:#?}");
        found
    }

    /// The copy under way, or that waits for a person's word.
    pub(super) fn open_cycle(&self) -> Option<&Cycle> {
        let mut open = self.cycles.values().filter(|cycle| cycle.outcome.is_none());
        let first = open.next();
        assert!(open.next().is_none(), "one line has two copies under way: {:#?}", self.cycles);
        first
    }

    /// Whether the belt may have run without anybody having been told how far.
    pub(super) fn belt_may_have_run(&self) -> bool {
        self.line.as_ref().and_then(|line| line.open_step.as_ref()).is_some_and(|step| step.contains("travel"))
    }

    /// What the line was at, in a word.
    pub(super) fn standing(&self) -> &str {
        match (&self.line, self.open_cycle()) {
            (None, _) => "new",
            (Some(line), Some(cycle)) if line.state == "execute" => &cycle.phase,
            (Some(line), _) => &line.state,
        }
    }

    /// The jobs of a file that came in, and not as the rest of another job.
    pub(super) fn jobs_of<'a>(&'a self, sha256: &'a str) -> impl Iterator<Item = &'a Job> {
        self.jobs.values().filter(move |job| job.sha256 == sha256 && job.restart_of.is_none())
    }

    /// Good copies of a file, those of rests included.
    pub(super) fn good_of(&self, sha256: &str) -> i64 {
        self.jobs.values().filter(|job| job.sha256 == sha256).map(|job| job.completed).sum()
    }
}

/// SQLite's own checks, and the totals that the database keeps of itself.
async fn is_sound(database: &mut SqliteConnection) {
    let said: Vec<String> =
        sqlx::query_scalar("pragma integrity_check").fetch_all(&mut *database).await.expect("an answer");
    assert_eq!(said, ["ok"]);
    let strays = sqlx::query("pragma foreign_key_check").fetch_all(&mut *database).await.expect("an answer");
    assert!(strays.is_empty(), "{} rows name what is not there", strays.len());
    for (kept, counted) in [
        (
            "select coalesce(sum(completed), 0), coalesce(sum(scrapped), 0) from job_totals",
            "select coalesce(sum(completed), 0), coalesce(sum(scrapped), 0) from jobs",
        ),
        (
            "select coalesce(sum(completed), 0), coalesce(sum(scrapped), 0) from line_totals",
            "select coalesce(sum(outcome = 'completed'), 0), coalesce(sum(outcome = 'scrapped'), 0) from cycles",
        ),
    ] {
        let kept: (i64, i64) = sqlx::query_as(kept).fetch_one(&mut *database).await.expect("totals");
        let counted: (i64, i64) = sqlx::query_as(counted).fetch_one(&mut *database).await.expect("totals");
        assert_eq!(kept, counted, "totals of completed and scrapped copies");
    }
}
