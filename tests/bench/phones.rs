//! Two hundred phones and a print: `cargo bench --bench phones`. Whether the printer notices that people look.
//!
//! The daemon prints over a pseudo-terminal of 115,200 baud, in turn left alone and followed by 200 streams of events and asked 50
//! times a second. The printer's end keeps its own time, in this process; the phones are another process. `--seconds S` for a
//! turn, `--rounds N` of two turns. Ends with a failure if the printer notices.

mod common {
    pub(crate) mod asked;
    #[expect(dead_code, reason = "here nobody asks once alone")]
    pub(crate) mod asking;
    #[expect(dead_code, reason = "its database is its own affair here")]
    pub(crate) mod daemon;
    pub(crate) mod intake;
    #[expect(dead_code, reason = "nothing is stopped here")]
    pub(crate) mod printer_end;
    #[expect(dead_code, reason = "other benches ask more of a process")]
    pub(crate) mod process;
    #[expect(dead_code, reason = "the file has a head of its own here")]
    pub(crate) mod real_lines;
    #[expect(dead_code, reason = "prints are made of lines here, not of megabytes")]
    pub(crate) mod sample;
    pub(crate) mod table;
    pub(crate) mod watch;
}

mod served {
    pub(crate) mod crowd;
}

use std::fs;
use std::process::ExitCode;
use std::thread;
use std::time::Duration;

use common::daemon::{Daemon, Folder};
use common::printer_end::{By, Pace, PrinterEnd};
use common::watch::{now, quantile};
use common::{asked, real_lines, table};
use served::crowd::{self, Crowd, Met};

const BAUD: u32 = 115_200;
const DELAY: Duration = Duration::from_millis(1);
/// As in the bench of the wire: the printer is never late by itself.
const AWAKE: Duration = Duration::from_micros(300);
/// Lines a second at most, and bytes that the printer has room for.
const LINES_PER_S: f64 = 400.0;
const BUFFER_BYTES: f64 = 127.0;
/// Moves that are repeated.
const MOVES: usize = 500;
/// Goals: share of the lines that come where nobody looks; and no gap as long as the buffer lasts.
const SHARE_GOAL: f64 = 0.99;
const BUFFER_S: f64 = BUFFER_BYTES * 10.0 / BAUD as f64;
/// The beginning of a print is not measured.
const BEGINNING: Duration = Duration::from_secs(3);

/// One turn.
struct Turn {
    lines_per_s: f64,
    share: f64,
    longest_gap_s: f64,
    cpu: f64,
}

fn main() -> ExitCode {
    crowd::be_crowd_if_asked();
    let (seconds, rounds) = (asked::value("--seconds", 10.0), asked::value("--rounds", 5_usize));
    let printer = PrinterEnd::start(By::Terminal, Pace { baud: Some(BAUD), delay: DELAY, awake: AWAKE });
    let folder = Folder::make(&printer.place);
    let daemon = folder.start();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(daemon.until("connected", |line| line["connected"] == true));
    runtime.block_on(daemon.say_belt_is_clear());
    drop_print(&folder, (seconds + 4.0) * rounds as f64 * 2.0);
    runtime.block_on(daemon.until("printing", |line| line["phase"] == "print"));
    thread::sleep(BEGINNING);
    let (mut alone, mut looked_at, mut met) = (Vec::new(), Vec::new(), Met::default());
    for _ in 0..rounds {
        alone.push(turn(&printer, &daemon, seconds));
        let crowd = Crowd::start(&daemon.host, seconds + 0.5);
        looked_at.push(turn(&printer, &daemon, seconds));
        let Met { answers_s, bytes, events } = crowd.end();
        met.answers_s.extend(answers_s);
        met.bytes += bytes;
        met.events += events;
    }
    runtime.block_on(daemon.until("still printing", |line| line["phase"] == "print"));
    assert_eq!(printer.seen.taken().wrong, 0, "numbers and checksums are right");
    if report(&alone, &looked_at, &met, seconds) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Drops a print into the watched folder that takes so long at least.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some ten thousand lines")]
fn drop_print(folder: &Folder, seconds: f64) {
    let head = "; material = pla\nM140 S60\nM104 S200\nG28\nM190 S60\nM109 S200\nG90\nM82\nG92 E0\nG1 Z0.2 F3000\n";
    // A few moves over and over, so that lines are as long in every turn.
    let moves = vec![real_lines::commands(MOVES).join("\n"); (seconds * LINES_PER_S) as usize / MOVES].join("\n");
    let outside = folder.path().join("outside");
    fs::write(&outside, format!("{head}{moves}\nM104 S0\nM140 S0\nM84\n")).expect("a file");
    fs::rename(outside, folder.path().join("infeed").join("plant-marker.gcode")).expect("dropped");
}

fn turn(printer: &PrinterEnd, daemon: &Daemon, seconds: f64) -> Turn {
    printer.seen.taken().count_anew();
    let (begun, before) = (now(), daemon.process.cpu_s());
    thread::sleep(Duration::from_secs_f64(seconds));
    let taken = printer.seen.taken().clone();
    let cpu = (daemon.process.cpu_s() - before) / begun.elapsed().as_secs_f64();
    let longest_gap_s = taken.longest_gap.as_secs_f64();
    Turn { lines_per_s: taken.lines_per_s(), share: taken.share(), longest_gap_s, cpu }
}

/// Prints the tables; says whether the printer noticed nothing.
fn report(alone: &[Turn], looked_at: &[Turn], met: &Met, seconds: f64) -> bool {
    let median = |turns: &[Turn], of: fn(&Turn) -> f64| quantile(turns.iter().map(of).collect(), 0.5);
    let longest = |turns: &[Turn]| quantile(turns.iter().map(|turn| turn.longest_gap_s).collect(), 1.0);
    let row = |name: &str, turns: &[Turn]| {
        vec![
            name.to_owned(),
            format!("{:.1}", median(turns, |turn| turn.lines_per_s)),
            format!("{:.1} %", median(turns, |turn| turn.share) * 100.0),
            format!("{:.1} ms", median(turns, |turn| turn.longest_gap_s) * 1000.0),
            format!("{:.1} ms", longest(turns) * 1000.0),
            format!("{:.1} %", median(turns, |turn| turn.cpu) * 100.0),
        ]
    };
    let head = ["", "lines/s", "share of the cable", "longest gap, median", "longest gap", "processor, of one core"];
    println!("a print over a pseudo-terminal, {} rounds of {seconds} s each", alone.len());
    table::print(&head, &[row("nobody looks", alone), row("200 streams, 50 questions a second", looked_at)]);
    // By the cable's share: a line whose number has a digit more takes longer, whoever looks.
    let ratios = alone.iter().zip(looked_at).map(|(alone, looked_at)| looked_at.share / alone.share);
    let ratio = quantile(ratios.collect(), 0.5);
    let gap = longest(looked_at);
    let ms = |share: f64| quantile(met.answers_s.clone(), share) * 1000.0;
    println!(
        "{} answers: median {:.1} ms, 99 % {:.1} ms, longest {:.1} ms; {} events to all streams, {:.2} MB",
        met.answers_s.len(),
        ms(0.5),
        ms(0.99),
        ms(1.0),
        met.events,
        met.bytes as f64 / 1e6
    );
    let noticed = ratio < SHARE_GOAL || gap > BUFFER_S;
    println!(
        "goals: {SHARE_GOAL} of the lines, is {ratio:.4}; no gap over {:.1} ms, what the buffer lasts: {}",
        BUFFER_S * 1000.0,
        if noticed { "MISSED" } else { "met" }
    );
    !noticed
}
