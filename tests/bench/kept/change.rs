//! What a durable change costs: through the store, by the leanest statement on a bare connection, and as bytes in a file.

use std::fs::OpenOptions;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::sync::Arc;

use nosebar::job::Job;
use nosebar::store::{Entry, Store, Write};
use nosebar::units::UnixMillis;
use rusqlite::{Connection, params};
use serde_json::json;
use tokio::runtime::Runtime;

use crate::common::race::{Race, Results};
use crate::common::{rows, table};

/// Changes in a round of each, and jobs that take turns.
const CHANGES: i64 = 200;
const JOBS: i64 = 1_000;
const LIMIT: &str = "4 KiB written over and synced: the limit";
const BARE: &str = "`rusqlite`, two columns of a job";
const STORE: &str = "the store, a whole job";
const ENTRY: &str = "the store, a job and its entry in the journal";
/// Goals: share of the limit, and of the bare connection.
const LIMIT_GOAL: f64 = 0.5;
const BARE_GOAL: f64 = 0.7;

/// Prints the table; says whether the goals were met.
pub(crate) fn run(runtime: &Runtime, rounds: usize) -> bool {
    let dir = tempfile::tempdir().expect("a folder");
    let [limit, bare, store, entry] = ["limit", "bare.db", "store.db", "entry.db"].map(|name| dir.path().join(name));
    let mut race = Race::new();
    race.enter(LIMIT, written_over(&limit));
    race.enter(BARE, by_hand(runtime, &bare));
    race.enter(STORE, through_the_store(runtime, &store, false));
    race.enter(ENTRY, through_the_store(runtime, &entry, true));
    let results = race.run(rounds);
    let rows: Vec<Vec<String>> = results.names().map(|name| row(&results, name)).collect();
    println!("durable changes, medians of {rounds} rounds of {CHANGES}");
    table::print(&["", "a second", "× the limit", "× `rusqlite`"], &rows);
    let ratios = [results.times_as_fast(STORE, LIMIT), results.times_as_fast(STORE, BARE)];
    let met = ratios[0] >= LIMIT_GOAL && ratios[1] >= BARE_GOAL;
    println!(
        "{STORE}: goals {LIMIT_GOAL} × the limit and {BARE_GOAL} × `rusqlite`: {}\n",
        if met { "met" } else { "MISSED" }
    );
    met
}

fn row(results: &Results, name: &str) -> Vec<String> {
    let a_second = CHANGES as f64 / results.median_s(name);
    let ratio = |other: &str| format!("{:.2}", results.times_as_fast(name, other));
    vec![name.to_owned(), format!("{a_second:.0}"), ratio(LIMIT), ratio(BARE)]
}

/// The least that a durable change can be: one page of the disk.
fn written_over(path: &Path) -> impl FnMut() -> u64 {
    let file = OpenOptions::new().write(true).create_new(true).open(path).expect("a file");
    file.write_all_at(&[0; 4096], 0).expect("there is room");
    file.sync_all().expect("it is on the disk");
    let mut page = [0; 4096];
    move || {
        for _ in 0..CHANGES {
            page[0] ^= 1;
            file.write_all_at(&page, 0).expect("there is room");
            file.sync_data().expect("it is on the disk");
        }
        CHANGES.unsigned_abs()
    }
}

/// The same layout with its indexes and triggers, but a statement that names only what changes.
fn by_hand(runtime: &Runtime, path: &Path) -> impl FnMut() -> u64 {
    runtime.block_on(async { made(path).await.close().await.expect("closed") });
    let bare = Connection::open(path).expect("a database");
    bare.execute_batch("pragma journal_mode = wal; pragma synchronous = full; pragma foreign_keys = on").expect("set");
    let mut version = 1;
    move || {
        let mut change = bare.prepare_cached("update jobs set note = ?2, version = ?3 where id = ?1");
        let change = change.as_mut().expect("a statement");
        for turn in 0..CHANGES {
            version += 1;
            let job = changed(turn, version);
            let changed = change.execute(params![job.id.0, job.note, job.version]);
            assert_eq!(changed.expect("it is on the disk"), 1);
        }
        CHANGES.unsigned_abs()
    }
}

/// As the foreman does it, from a task of the runtime.
fn through_the_store(runtime: &Runtime, path: &Path, with_entry: bool) -> impl FnMut() -> u64 {
    let mut kept = Some(runtime.block_on(made(path)));
    let (mut version, mut seq) = (1, 0);
    move || {
        let mut store = kept.take().expect("it is given back");
        let work = runtime.spawn(async move {
            for turn in 0..CHANGES {
                version += 1;
                let mut writes = vec![Write::Job(Arc::new(changed(turn, version)))];
                if with_entry {
                    seq += 1;
                    writes.push(entry(seq));
                }
                store.commit(&writes).await.expect("it is on the disk");
            }
            store
        });
        kept = Some(runtime.block_on(work).expect("it is done"));
        version += CHANGES;
        seq += if with_entry { CHANGES } else { 0 };
        CHANGES.unsigned_abs()
    }
}

/// A database with jobs that wait.
async fn made(path: &Path) -> Store {
    let mut store = Store::open(path).await.expect("a store");
    rows::put_files(&mut store, JOBS).await;
    rows::put(&mut store, (1..=JOBS).map(rows::waiting)).await;
    store
}

fn changed(turn: i64, version: i64) -> Job {
    Job { note: format!("change {version}").into(), version, ..rows::waiting(1 + turn * 7 % JOBS) }
}

fn entry(seq: i64) -> Write {
    let (line, job, cycle) = (None, None, None);
    let text = "the job has another place in the queue".to_owned();
    let data = json!({ "rank": seq });
    Write::Journal(Arc::new(Entry {
        seq,
        at: UnixMillis(seq),
        line,
        job,
        cycle,
        kind: "job-changed".to_owned(),
        text,
        data,
    }))
}
