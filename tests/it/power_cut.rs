//! Power cuts and damaged disks: the database's files as they may be found afterwards.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use nosebar::job::{AccessKey, KeyHash, KeyId, KeyName, Rights};
use nosebar::job::{Cycle, CycleId, FileFacts, HeatRun, HeatWay, Job, JobId, LineName, LineRow};
use nosebar::job::{Outcome, Phase, PrintRun, Survey};
use nosebar::store::{Entry, JobFilter, JobSet, JournalFilter, Store, StoreError, Write};
use nosebar::units::UnixMillis;
use proptest::prelude::*;
use serde_json::json;
use sqlx::sqlite::{SqliteConnectOptions, SqliteLockingMode};
use sqlx::{ConnectOptions, Connection};
use tempfile::TempDir;

use crate::plant::{By, Plant, tiny_print};

const HASH: &str = "5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed5eed";

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    PathBuf::from(format!("{}{ending}", path.display()))
}

/// Everything that commit number `n` keeps: a job and an entry of the journal, which belong together.
fn commit(n: i64) -> Vec<Write> {
    let file = FileFacts { bytes: 1, lines: 1, sha256: HASH.to_owned() };
    let survey = Survey { file, ..Survey::default() };
    let job = Job::waiting(JobId(n), format!("packet holder {n}"), HASH.to_owned(), 2, UnixMillis(n));
    let text = "taken in ".repeat(20);
    let (line, cycle) = (None, None);
    let entry = Entry {
        seq: n,
        at: UnixMillis(n),
        line,
        job: Some(JobId(n)),
        cycle,
        kind: "job-accepted".into(),
        text,
        data: json!(null),
    };
    vec![
        Write::File { survey: Box::new(survey), at: UnixMillis(0) },
        Write::Job(Arc::new(job)),
        Write::Journal(Arc::new(entry)),
    ]
}

/// How many commits are there: each whole, none missing between.
async fn commits_in(path: &Path) -> i64 {
    let (store, rescue) = Store::open_or_rescue(path, UnixMillis(7)).await.expect("it opens");
    assert_eq!(rescue, None, "a power cut damages nothing");
    let snapshot = store.load().await.expect("readable");
    let ids: Vec<i64> = snapshot.jobs.iter().map(|job| job.id.0).collect();
    assert_eq!(ids, (1..=snapshot.last_seq).collect::<Vec<_>>(), "jobs and journal tell the same");
    snapshot.last_seq
}

fn copy(from: &Path, to: &Path, log_bytes: Option<u64>) {
    let log = fs::read(with_ending(from, "-wal")).unwrap_or_default();
    let length = log_bytes.map_or(log.len(), |n| usize::try_from(n).expect("short").min(log.len()));
    fs::copy(from, to).expect("copied");
    fs::write(with_ending(to, "-wal"), &log[..length]).expect("copied");
}

#[tokio::test]
async fn a_power_cut_at_any_byte_of_the_log_keeps_a_whole_run_of_commits() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("nosebar.db");
    let mut store = Store::open(&path).await.expect("a store");
    for n in 1..=40 {
        store.commit(&commit(n)).await.expect("kept");
    }
    let length = fs::metadata(with_ending(&path, "-wal")).expect("a log").len();
    let mut last = 0;
    // A prime stride cuts at ends of pages, in headers and in the middle of text alike.
    for cut in (0..=length).step_by(9973).chain([length]) {
        let torn = TempDir::new().expect("a temporary folder");
        let found = torn.path().join("nosebar.db");
        copy(&path, &found, Some(cut));
        let commits = commits_in(&found).await;
        assert!(commits >= last, "{cut} bytes of the log keep {commits} commits, fewer bytes kept {last}");
        last = commits;
    }
    assert_eq!(last, 40, "what was answered is there");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn copies_taken_under_load_have_everything_that_was_answered_before() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("nosebar.db");
    let mut store = Store::open(&path).await.expect("a store");
    let (answered, progress) = tokio::sync::watch::channel(0);
    let writer = tokio::spawn(async move {
        for n in 1..=400 {
            store.commit(&commit(n)).await.expect("kept");
            answered.send_replace(n);
        }
        store
    });
    let mut copies = 0;
    while !writer.is_finished() {
        let before = *progress.borrow();
        let torn = TempDir::new().expect("a temporary folder");
        let found = torn.path().join("nosebar.db");
        let folded = fs::metadata(&path).expect("there").modified().expect("a time");
        copy(&path, &found, None);
        // The log is folded into the database now and then; two files copied around that are no moment in time.
        if fs::metadata(&path).expect("there").modified().expect("a time") != folded {
            continue;
        }
        let commits = commits_in(&found).await;
        let after = *progress.borrow();
        assert!((before..=after + 1).contains(&commits), "{commits} commits found, answered {before} to {after}");
        copies += 1;
    }
    assert!(copies >= 10, "{copies} copies");
    writer.await.expect("written").close().await.expect("closed");
    assert_eq!(commits_in(&path).await, 400);
}

fn damage(path: &Path, pages: &[(usize, u8)]) {
    const PAGE: usize = 4096;
    let mut bytes = fs::read(path).expect("there");
    let count = bytes.len() / PAGE;
    for (page, fill) in pages {
        let at = page % count * PAGE;
        for (i, byte) in bytes[at..at + PAGE].iter_mut().enumerate() {
            *byte = fill.wrapping_mul(31).wrapping_add((i * 7) as u8);
        }
    }
    fs::write(path, bytes).expect("damaged");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn whatever_page_is_spoilt_it_starts_and_invents_nothing(pages in prop::collection::vec((any::<usize>(), any::<u8>()), 1..4)) {
        tokio::runtime::Runtime::new().expect("a runtime").block_on(async { spoilt(&pages).await; });
    }
}

/// What a line has learned by its first ten copies.
fn learned() -> (Vec<PrintRun>, Vec<HeatRun>) {
    let line = || LineName::new("one").expect("a good name");
    let print = |n| PrintRun { cycle: CycleId(n), line: line(), at: UnixMillis(n), planned_s: 100.0, actual_s: 123.0 };
    let heat = |n| HeatRun {
        id: n,
        line: line(),
        way: HeatWay::Cool,
        cycle: Some(CycleId(n)),
        at: UnixMillis(n),
        material: Some("pla".to_owned()),
        fan: None,
        mass_g: Some(12.5),
        start_c: 60.0,
        end_c: 30.0,
        ambient_c: 22.5,
        tau_s: 600.0 + n as f64,
        rms_k: 0.1,
        samples: 200,
    };
    ((1..=10).map(print).collect(), (1..=10).map(heat).collect())
}

/// The line, the copies and what was learned by them.
fn history() -> Vec<Write> {
    let name = LineName::new("one").expect("a good name");
    let line = LineRow::at_rest(name.clone());
    let cycle = |n: i64| Cycle {
        id: CycleId(n),
        job: JobId(n),
        line: name.clone(),
        copy: 1,
        phase: Phase::Check,
        outcome: Some(Outcome::Completed),
        checked_by: None,
        advance_um: 100_000,
        started_at: UnixMillis(n),
        ended_at: Some(UnixMillis(n + 1)),
        note: String::new(),
    };
    let (prints, heats) = learned();
    let mut writes = vec![Write::Line(Box::new(line))];
    writes.extend((1..=10).map(|n| Write::Cycle(Box::new(cycle(n)))));
    writes.extend(prints.into_iter().map(|run| Write::PrintRun(Box::new(run))));
    writes.extend(heats.into_iter().map(|run| Write::HeatRun(Box::new(run))));
    writes.push(Write::Key(Box::new(revoked_key())));
    writes
}

#[tokio::test]
async fn a_spoilt_page_costs_what_was_learned_only_where_it_held_some_of_it() {
    let (pages, (mut whole, mut rescued)) = (sound().await.len() / 4096, (0, 0));
    for page in 0..pages {
        if let Some((prints, heats, keys)) = spoilt(&[(page, 7)]).await {
            rescued += 1;
            whole += usize::from((prints, heats, keys) == (10, 10, 1));
        }
    }
    println!("{rescued} of {pages} pages were missed, and {whole} times everything learned was carried over");
    assert!(rescued > 10 && whole >= rescued / 2, "{whole} of {rescued}");
}

/// A key that must not come to life again.
fn revoked_key() -> AccessKey {
    AccessKey {
        id: KeyId(1),
        name: KeyName::new("first phone").expect("a good name"),
        rights: Rights::Operate,
        hash: KeyHash([9; 32]),
        made_at: UnixMillis(1),
        last_used: None,
        revoked_at: Some(UnixMillis(2)),
    }
}

/// A database with 120 commits, closed; made once.
async fn sound() -> &'static [u8] {
    static SOUND: tokio::sync::OnceCell<Vec<u8>> = tokio::sync::OnceCell::const_new();
    let make = || async {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("nosebar.db");
        let mut store = Store::open(&path).await.expect("a store");
        for n in 1..=120 {
            store.commit(&commit(n)).await.expect("kept");
        }
        store.commit(&history()).await.expect("kept");
        store.close().await.expect("closed");
        fs::read(&path).expect("there")
    };
    SOUND.get_or_init(make).await
}

/// Spoils these pages and starts; how many learned prints, runs of the bed and keys came through, where a rescue was needed.
async fn spoilt(pages: &[(usize, u8)]) -> Option<(usize, usize, usize)> {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("nosebar.db");
    fs::write(&path, sound().await).expect("written");
    damage(&path, pages);
    let spoilt = fs::read(&path).expect("there");

    let (store, rescue) = Store::open_or_rescue(&path, UnixMillis(99)).await.expect("it starts");
    let reader = store.reader();
    let jobs = reader.list_jobs(&JobFilter::all(JobSet::Open), None, 1000).await.expect("readable");
    for job in &jobs {
        let [_, Write::Job(wanted), _] = &commit(job.id.0)[..] else { unreachable!("three writes") };
        assert_eq!(job, &**wanted);
    }
    let Some(rescue) = rescue else {
        // The page was not in use.
        assert_eq!(jobs.len(), 120);
        return None;
    };
    assert_eq!(fs::read(&rescue.aside).expect("set aside"), spoilt, "the damaged one stays as it was");
    assert_eq!(jobs.len(), rescue.jobs);
    assert!(!rescue.whole || rescue.jobs == 120, "{rescue:?}");
    assert!(rescue.fileless.iter().all(|job| job.copies == 2), "{rescue:?}");
    let entries = reader.journal_after(&JournalFilter::All, 0, 1000).await.expect("readable");
    assert_eq!(entries.last().map(|entry| entry.kind.as_str()), Some("database-damaged"));
    let (snapshot, (prints, heats)) = (store.load().await.expect("readable"), learned());
    assert!(snapshot.print_runs.iter().all(|run| prints.contains(run)), "{:#?}", snapshot.print_runs);
    let without_cycle = |run: &HeatRun| HeatRun { cycle: None, ..run.clone() };
    let known = |run: &HeatRun| heats.contains(run) || heats.iter().any(|each| without_cycle(each) == *run);
    assert!(snapshot.heat_runs.iter().all(known), "{:#?}", snapshot.heat_runs);
    assert!(snapshot.keys.iter().all(|key| *key == revoked_key()), "{:#?}", snapshot.keys);
    Some((snapshot.print_runs.len(), snapshot.heat_runs.len(), snapshot.keys.len()))
}

#[tokio::test]
async fn a_backup_of_a_running_daemon_unpacks_to_a_data_folder_with_every_job_and_file() {
    let mut plant = Plant::start(By::PseudoTerminal, 20, "kind = \"ask\"", "");
    plant.drop_file("marker.3off.gcode", &tiny_print());
    let jobs = plant.until_jobs("one", |jobs| jobs.len() == 1).await;
    let config = plant.dir.path().join("nosebar.toml");
    let target = plant.dir.path().join("backup.tar");
    let backup = || {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_nosebar"));
        command.arg("backup").arg(&target).arg("--config").arg(&config).output().expect("it runs")
    };
    let told = backup();
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let again = backup();
    assert_eq!(again.status.code(), Some(2), "an older backup is not overwritten");

    plant.daemon().kill();
    let data = plant.dir.path().join("data");
    fs::rename(&data, plant.dir.path().join("lost")).expect("away");
    tar::Archive::new(fs::File::open(&target).expect("there")).unpack(&data).expect("a good archive");
    plant.start_daemon();
    let restored = plant.until_jobs("one again", |jobs| jobs.len() == 1).await;
    let facts = ["id", "name", "copies", "sha256"];
    assert_eq!(facts.map(|key| &jobs[0][key]), facts.map(|key| &restored[0][key]), "{restored:#?}");
    let kept = fs::read(data.join(format!("files/{}.gcode", jobs[0]["sha256"].as_str().expect("a hash"))));
    assert_eq!(kept.expect("its file is there"), tiny_print());
}

#[tokio::test]
async fn a_daemon_with_a_damaged_database_says_so_and_takes_its_files_in_again_held() {
    let mut plant = Plant::start(By::PseudoTerminal, 20, "kind = \"ask\"", "");
    plant.drop_file("marker.gcode", &tiny_print());
    plant.until_jobs("one", |jobs| jobs.len() == 1).await;
    plant.daemon().kill();
    let database = plant.dir.path().join("data/nosebar.db");
    fs::remove_file(with_ending(&database, "-wal")).expect("there");
    fs::write(&database, "no database at all\n".repeat(1000)).expect("spoilt");
    plant.start_daemon();
    let jobs = plant.until_jobs("one again", |jobs| jobs.len() == 1).await;
    assert_eq!(jobs[0]["state"], json!("pending-held"), "{jobs:#?}");
    assert!(jobs[0]["name"].as_str().is_some_and(|name| name.starts_with("found-")), "{jobs:#?}");
    let line = plant.line().await;
    assert_eq!(line["belt_clear"], json!(false), "nothing is known of the belt: {line:#}");
    let aside = fs::read_dir(database.parent().expect("a folder")).expect("readable");
    let aside =
        aside.filter(|e| e.as_ref().is_ok_and(|e| e.file_name().to_string_lossy().contains("db.damaged-"))).count();
    assert!(aside >= 1, "the damaged one is kept");
}

/// Setting aside is for damage alone: whatever else keeps a database from being opened leaves it where it is.
#[tokio::test]
async fn a_sound_database_that_cannot_be_opened_is_never_set_aside() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("nosebar.db");
    let mut store = Store::open(&path).await.expect("a store");
    store.commit(&commit(1)).await.expect("written");
    store.close().await.expect("closed");
    let is_left = || {
        let names = fs::read_dir(dir.path()).expect("a folder").map(|entry| entry.expect("an entry").file_name());
        let names: Vec<_> = names.map(|name| name.to_string_lossy().into_owned()).collect();
        path.exists() && !names.iter().any(|name| name.contains("damaged"))
    };
    let options = SqliteConnectOptions::new().filename(&path);
    let alone = options.clone().locking_mode(SqliteLockingMode::Exclusive);
    let mut other = alone.connect().await.expect("a second one");
    sqlx::query("begin exclusive").execute(&mut other).await.expect("begun");
    let error = Store::open_or_rescue(&path, UnixMillis(7)).await.expect_err("somebody else has it");
    assert!(matches!(error, StoreError::Locked { .. }), "{error:?}");
    assert!(is_left());
    other.close().await.expect("closed");

    let mut other = options.connect().await.expect("a second one");
    let later = "insert into _sqlx_migrations (version, description, success, checksum, execution_time)
                 values (999, 'later', 1, x'00', 0)";
    sqlx::query(later).execute(&mut other).await.expect("written");
    let error = Store::open_or_rescue(&path, UnixMillis(7)).await.expect_err("it is too new");
    assert!(matches!(error, StoreError::NewerSchema { found: 999, .. }), "{error:?}");
    assert!(is_left());

    sqlx::query("delete from _sqlx_migrations where version = 999").execute(&mut other).await.expect("written");
    other.close().await.expect("closed");
    assert_eq!(commits_in(&path).await, 1, "nothing was lost by it");
}
