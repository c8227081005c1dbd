//! From the start of a process to its first answer, with a long history, against a server that opens the same database.

use nosebar::store::Store;
use tokio::runtime::Runtime;

use crate::common::asking::once;
use crate::common::daemon::Folder;
use crate::common::printer_end::{By, Pace, PrinterEnd};
use crate::common::watch::{now, quantile};
use crate::common::{rows, table};
use crate::served::bare::Bare;

/// Jobs of the history that have not ended.
const WAITING: i64 = 100;
/// Goal: at most so many times the bare server.
const GOAL: f64 = 5.0;

/// Prints the table; says whether the goal was met.
pub(crate) fn run(runtime: &Runtime, jobs: i64, rounds: usize) -> bool {
    let printer = PrinterEnd::start(By::Tcp, Pace::AT_ONCE);
    let folder = Folder::make(&printer.place);
    runtime.block_on(async {
        let mut store = Store::open(&folder.database()).await.expect("a store");
        rows::put_files(&mut store, jobs).await;
        let ended = jobs - WAITING;
        rows::put(&mut store, (1..=ended).map(rows::ended).chain((ended + 1..=jobs).map(rows::waiting))).await;
        store.close().await.expect("closed");
    });
    let (mut ours, mut theirs, mut killed, mut ratios) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for round in 0..=rounds {
        let bare = bare_s(runtime, &folder);
        let daemon = daemon_s(runtime, &folder, true);
        // The next start finds what a kill leaves.
        daemon_s(runtime, &folder, false);
        let after_kill = daemon_s(runtime, &folder, true);
        if round > 0 {
            theirs.push(bare);
            ours.push(daemon);
            killed.push(after_kill);
            ratios.push(daemon / bare);
        }
    }
    let bare = quantile(theirs.clone(), 0.5);
    let row = |name: &str, of: Vec<f64>| {
        let median = quantile(of, 0.5);
        vec![name.to_owned(), format!("{:.1}", median * 1000.0), format!("{:.2}", median / bare)]
    };
    println!("from exec to the first answer, {jobs} jobs of which {WAITING} wait, medians of {rounds} rounds");
    table::print(
        &["", "ms", "× bare"],
        &[
            row("bare `axum` and `sqlx`", theirs),
            row("daemon", ours),
            row("daemon after a kill, the whole database looked through", killed),
        ],
    );
    let ratio = quantile(ratios, 0.5);
    let met = ratio <= GOAL;
    println!("goal {GOAL} × bare, is {ratio:.2}: {}\n", if met { "met" } else { "MISSED" });
    met
}

fn bare_s(runtime: &Runtime, folder: &Folder) -> f64 {
    let begun = now();
    let bare = Bare::database(&folder.database());
    runtime.block_on(once(&bare.host, "/"));
    begun.elapsed().as_secs_f64()
}

fn daemon_s(runtime: &Runtime, folder: &Folder, ends_well: bool) -> f64 {
    let begun = now();
    let daemon = folder.start();
    runtime.block_on(once(&daemon.host, "/api/v1/jobs?state=ended&limit=100"));
    let took = begun.elapsed().as_secs_f64();
    if ends_well {
        daemon.process.end();
    }
    took
}
