//! The page as a browser gets it, after a hundred jobs and after ten thousand: a long working life does not slow it.

use std::path::Path;

use axum::Router;
use nosebar::store::{FileStore, Store};
use tokio::runtime::Runtime;

use crate::common::race::{Race, Results};
use crate::common::{rows, table};
use crate::kept::interface::{PAGES, asked, interface};

/// Ended jobs of a line that is new.
const FEW: i64 = 100;
/// The page of the line, and the last page of the list of ended jobs.
const PLACES: [(&str, &str, &str); 2] = [
    ("/", "the page, few jobs behind it", "the page, many jobs behind it"),
    ("/jobs?state=ended", "the list of ended jobs, few", "the list of ended jobs, many"),
];
/// Goal: with many jobs at most so many times the time with few.
const GOAL: f64 = 1.3;

/// Prints the table; says whether the goal was met.
pub(crate) fn run(runtime: &Runtime, jobs: i64, rounds: usize) -> bool {
    let dirs = [FEW, jobs].map(|jobs| {
        let dir = tempfile::tempdir().expect("a folder");
        let app = worked(runtime, dir.path(), jobs);
        (dir, app)
    });
    let mut race = Race::new();
    for (place, few, many) in PLACES {
        race.enter(few, || asked(runtime, &dirs[0].1, place));
        race.enter(many, || asked(runtime, &dirs[1].1, place));
    }
    let results = race.run(rounds);
    println!("pages after {FEW} and after {jobs} jobs, medians of {rounds} rounds of {PAGES}");
    let rows: Vec<Vec<String>> =
        PLACES.iter().flat_map(|(_, few, many)| [row(&results, few, few), row(&results, many, few)]).collect();
    table::print(&["", "µs", "× few"], &rows);
    let met = PLACES.iter().all(|(_, few, many)| results.times_as_fast(few, many) <= GOAL);
    println!("goal {GOAL} × few: {}\n", if met { "met" } else { "MISSED" });
    met
}

/// The interface of a daemon that has made so many jobs.
fn worked(runtime: &Runtime, dir: &Path, jobs: i64) -> Router {
    let store = runtime.block_on(async {
        let mut store = Store::open(&dir.join("nosebar.db")).await.expect("a store");
        rows::put_files(&mut store, jobs).await;
        rows::put(&mut store, (1..=jobs).map(rows::ended)).await;
        store
    });
    interface(store.reader(), FileStore::open_in(dir).expect("a file store"))
}

fn row(results: &Results, name: &str, few: &str) -> Vec<String> {
    let us = results.median_s(name) / PAGES as f64 * 1e6;
    vec![name.to_owned(), format!("{us:.0}"), format!("{:.2}", results.times_as_fast(few, name))]
}
