//! A page of a hundred jobs out of a hundred thousand: as the interface answers it, and by hand.

use nosebar::job::JobId;
use nosebar::store::{FileStore, JobFilter, JobKey, JobSet, Reader, Store};
use rusqlite::{CachedStatement, Connection, OpenFlags, Row, params};
use serde::Serialize;
use tokio::runtime::Runtime;

use crate::common::race::{Race, Results};
use crate::common::{rows, table};
use crate::kept::interface::{PAGES, asked, interface};

/// Jobs on a page.
const JOBS: i64 = 100;
const BARE: &str = "`rusqlite` and JSON, first page";
const FIRST: &str = "the interface, first page";
const LAST: &str = "the interface, last page";
const READER: &str = "the store's reader alone";
/// Goals: at most so many times the time by hand, and of the last page so many times that of the first.
const BARE_GOAL: f64 = 3.0;
const LAST_GOAL: f64 = 1.3;

/// Prints the table; says whether the goals were met.
pub(crate) fn run(runtime: &Runtime, jobs: i64, rounds: usize) -> bool {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("nosebar.db");
    let store = runtime.block_on(async {
        let mut store = Store::open(&path).await.expect("a store");
        rows::put_files(&mut store, jobs).await;
        rows::put(&mut store, (1..=jobs).map(rows::ended)).await;
        store
    });
    let files = FileStore::open_in(dir.path()).expect("a file store");
    let app = interface(store.reader(), files);
    let bare = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY).expect("a database");
    let behind = rows::ended(JOBS + 1).ended_at.map_or(0, |at| at.0);
    let address = format!("/api/v1/jobs?state=ended&limit={JOBS}");
    let last = format!("{address}&after=ended.{behind}.{}", JOBS + 1);
    let reader = store.reader();
    let mut race = Race::new();
    race.enter(BARE, || {
        let mut page = bare.prepare_cached(PAGE).expect("a statement");
        (0..PAGES).map(|_| by_hand(&mut page)).sum()
    });
    race.enter(FIRST, || asked(runtime, &app, &address));
    race.enter(LAST, || asked(runtime, &app, &last));
    race.enter(READER, || read(runtime, &reader, None));
    let behind = JobKey { place: behind, id: JobId(JOBS + 1) };
    assert_eq!(read(runtime, &reader, Some(behind)), PAGES * JOBS.unsigned_abs(), "there are so many on the last page");
    let results = race.run(rounds);
    let rows: Vec<Vec<String>> = results.names().map(|name| row(&results, name)).collect();
    println!("{JOBS} of {jobs} jobs, medians of {rounds} rounds of {PAGES}");
    table::print(&["", "µs", "× `rusqlite`"], &rows);
    let bare = results.times_as_fast(BARE, FIRST);
    let last = results.times_as_fast(FIRST, LAST);
    let met = bare <= BARE_GOAL && last <= LAST_GOAL;
    println!(
        "goals: {BARE_GOAL} × `rusqlite`; the last page {LAST_GOAL} × the first, is {last:.2}: {}\n",
        if met { "met" } else { "MISSED" }
    );
    met
}

fn row(results: &Results, name: &str) -> Vec<String> {
    let us = results.median_s(name) / PAGES as f64 * 1e6;
    vec![name.to_owned(), format!("{us:.0}"), format!("{:.2}", results.times_as_fast(BARE, name))]
}

fn read(runtime: &Runtime, reader: &Reader, after: Option<JobKey>) -> u64 {
    let reader = reader.clone();
    let work = runtime.spawn(async move {
        let mut jobs = 0;
        for _ in 0..PAGES {
            let page = reader.list_jobs(&JobFilter::all(JobSet::Ended), after, 100).await;
            jobs += page.expect("it can be read").len();
        }
        jobs as u64
    });
    runtime.block_on(work).expect("it is done")
}

const PAGE: &str = "select id, name, sha256, state, reason, note, copies, completed, scrapped, in_work, rank, line, material, \
    release_c, reviewed, unchecked, restart_of, created_at, started_at, ended_at, version from jobs \
    where ended_at is not null and (ended_at, id) < (?1, ?2) order by ended_at desc, id desc limit ?3";

/// A row as it comes.
#[derive(Serialize)]
struct Bare {
    id: i64,
    name: String,
    sha256: String,
    state: String,
    reason: String,
    note: String,
    copies: u32,
    completed: u32,
    scrapped: u32,
    in_work: u32,
    rank: i64,
    line: Option<String>,
    material: Option<String>,
    release_c: Option<f64>,
    reviewed: bool,
    unchecked: u32,
    restart_of: Option<i64>,
    created_at: i64,
    started_at: Option<i64>,
    ended_at: Option<i64>,
    version: i64,
    copies_waiting: u32,
}

fn by_hand(page: &mut CachedStatement<'_>) -> u64 {
    let jobs = page.query_map(params![i64::MAX, i64::MAX, JOBS], bare).expect("it can be read");
    let jobs: Vec<Bare> = jobs.collect::<rusqlite::Result<_>>().expect("they can be read");
    assert_eq!(jobs.len(), 100);
    serde_json::to_vec(&jobs).expect("they are JSON").len() as u64
}

fn bare(row: &Row<'_>) -> rusqlite::Result<Bare> {
    let (copies, completed, scrapped, in_work) = (row.get(6)?, row.get(7)?, row.get(8)?, row.get(9)?);
    Ok(Bare {
        id: row.get(0)?,
        name: row.get(1)?,
        sha256: row.get(2)?,
        state: row.get(3)?,
        reason: row.get(4)?,
        note: row.get(5)?,
        copies,
        completed,
        scrapped,
        in_work,
        rank: row.get(10)?,
        line: row.get(11)?,
        material: row.get(12)?,
        release_c: row.get(13)?,
        reviewed: row.get(14)?,
        unchecked: row.get(15)?,
        restart_of: row.get(16)?,
        created_at: row.get(17)?,
        started_at: row.get(18)?,
        ended_at: row.get(19)?,
        version: row.get(20)?,
        copies_waiting: copies - completed - scrapped - in_work,
    })
}
