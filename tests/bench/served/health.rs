//! Answers a second to sixteen who ask whether it is well, against a server that says hello.

use std::time::Duration;

use crate::common::asking::Connection;
use crate::common::daemon::Folder;
use crate::common::printer_end::{By, Pace, PrinterEnd};
use crate::common::table;
use crate::common::watch::{now, quantile};
use crate::served::bare::Bare;

const CONNECTIONS: usize = 16;
/// Goal: share of what the bare server answers.
const GOAL: f64 = 0.8;

/// Prints the table; says whether the goal was met.
pub(crate) fn run(seconds: f64, rounds: usize) -> bool {
    let printer = PrinterEnd::start(By::Tcp, Pace::AT_ONCE);
    let folder = Folder::make(&printer.place);
    let (daemon, bare) = (folder.start(), Bare::hello());
    let (mut ours, mut theirs, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..=rounds {
        let hello = answers_a_second(&bare.host, "/", seconds);
        let health = answers_a_second(&daemon.host, "/api/v1/health", seconds);
        if round > 0 {
            ours.push(health);
            theirs.push(hello);
            ratios.push(health / hello);
        }
    }
    let ratio = quantile(ratios, 0.5);
    let row = |name: &str, of: Vec<f64>, ratio: f64| {
        vec![name.to_owned(), format!("{:.0}", quantile(of, 0.5)), format!("{ratio:.2}")]
    };
    println!("health, {CONNECTIONS} connections, medians of {rounds} rounds of {seconds} s");
    table::print(&["", "answers/s", "× bare"], &[row("bare `axum`", theirs, 1.0), row("daemon", ours, ratio)]);
    let met = ratio >= GOAL;
    println!("goal {GOAL} × bare: {}\n", if met { "met" } else { "MISSED" });
    met
}

/// Everybody asks again as soon as there is an answer. One thread asks for all, so that the server has the other processor.
fn answers_a_second(host: &str, path: &str, seconds: f64) -> f64 {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let begun = now();
        let until = begun + Duration::from_secs_f64(seconds);
        let asking: Vec<_> = (0..CONNECTIONS)
            .map(|_| {
                let (host, path) = (host.to_owned(), path.to_owned());
                tokio::spawn(async move {
                    let mut connection = Connection::open(&host).await.expect("somebody listens");
                    let request = connection.get(&path);
                    let mut answers = 0_u64;
                    while now() < until {
                        let status = connection.ask(&request).await.expect("an answer");
                        assert_eq!(status, 200);
                        answers += 1;
                    }
                    answers
                })
            })
            .collect();
        let mut answers = 0;
        for one in asking {
            answers += one.await.expect("it asked");
        }
        answers as f64 / begun.elapsed().as_secs_f64()
    })
}
