//! Memory of a daemon with a long queue that waits for a person, against a server that has the same database open.

use std::thread;
use std::time::Duration;

use nosebar::store::Store;
use tokio::runtime::Runtime;

use crate::common::asking::once;
use crate::common::daemon::Folder;
use crate::common::printer_end::{By, Pace, PrinterEnd};
use crate::common::{rows, table};
use crate::served::bare::Bare;

/// So long nobody asks anything before it is looked at.
const IDLE: Duration = Duration::from_secs(7);
/// Goal: at most so many times the bare server.
const GOAL: f64 = 3.0;

/// Prints the table; says whether the goal was met.
pub(crate) fn run(runtime: &Runtime, jobs: i64) -> bool {
    let printer = PrinterEnd::start(By::Tcp, Pace::AT_ONCE);
    let (_, [empty, _]) = measure(runtime, &Folder::make(&printer.place));
    let folder = Folder::make(&printer.place);
    runtime.block_on(async {
        let mut store = Store::open(&folder.database()).await.expect("a store");
        rows::put_files(&mut store, jobs).await;
        rows::put(&mut store, (1..=jobs).map(rows::waiting)).await;
        store.close().await.expect("closed");
    });
    let (bare, [idle, asked]) = measure(runtime, &folder);
    let ratio = idle / bare;
    let row = |name: &str, mb: f64| vec![name.to_owned(), format!("{mb:.1}"), format!("{:.2}", mb / bare)];
    println!("resident memory, a queue of {jobs} jobs");
    table::print(
        &["", "MB", "× bare"],
        &[
            row("bare `axum` and `sqlx`, a page of the list asked for", bare),
            row("daemon without jobs", empty),
            row("daemon", idle),
            row("daemon, page and a page of the list asked for", asked),
        ],
    );
    let met = ratio <= GOAL;
    println!("goal {GOAL} × bare: {}\n", if met { "met" } else { "MISSED" });
    met
}

/// A bare server, and a daemon before and after it was asked something, MB.
fn measure(runtime: &Runtime, folder: &Folder) -> (f64, [f64; 2]) {
    let daemon = folder.start();
    runtime.block_on(daemon.until("connected", |line| line["connected"] == true));
    thread::sleep(IDLE);
    let idle = daemon.process.resident_mb();
    runtime.block_on(once(&daemon.host, "/"));
    runtime.block_on(once(&daemon.host, "/api/v1/jobs?limit=100"));
    let asked = daemon.process.resident_mb();
    daemon.process.end();
    let bare = Bare::database(&folder.database());
    runtime.block_on(once(&bare.host, "/"));
    thread::sleep(IDLE);
    (bare.process.resident_mb(), [idle, asked])
}
