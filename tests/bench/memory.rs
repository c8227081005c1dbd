//! Memory of a survey: `cargo bench --bench memory -- --mb 100`.
//!
//! Runs itself again as a process that surveys, and as one that does nothing, and compares the peaks of resident memory.

mod common {
    pub(crate) mod asked;
    pub(crate) mod pieces;
    pub(crate) mod sample;
    pub(crate) mod table;
}

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use common::{asked, pieces, sample, table};
use nosebar::gcode::{Rules, Surveyor};
use nosebar::infeed::{Inspect, SharedSurvey};

/// What is said to the process that does the work: how many times over it is to survey which file.
const CHILD: &str = "--child-times";
const FILE: &str = "--child-file";
const THREADS: &str = "--child-threads";

fn main() {
    let times = asked::value(CHILD, usize::MAX);
    if times != usize::MAX {
        return work(&asked::value(FILE, PathBuf::new()), times, asked::value(THREADS, 1));
    }
    let (print, megabytes) = (sample::rustlogo(), asked::value("--mb", 1000_usize));
    let length = fs::metadata(&print).expect("the sample is there").len();
    let length = usize::try_from(length).expect("a few megabytes");
    let idle = peak_kib_of_child(&print, 0, 1);
    let rows: Vec<Vec<String>> = [(megabytes.div_ceil(10), 1), (megabytes, 1), (megabytes, 2)]
        .into_iter()
        .map(|(size, threads)| {
            let peak = peak_kib_of_child(&print, sample::repeats(length, size), threads) / 1024.0;
            let above = peak - idle / 1024.0;
            vec![format!("{size} MB"), threads.to_string(), format!("{peak:.1}"), format!("{above:.1}")]
        })
        .collect();
    println!("an idle process has {:.1} MiB", idle / 1024.0);
    table::print(&["survey of", "threads", "peak, MiB", "above idle, MiB"], &rows);
}

/// Surveys a file so many times over as if it were one, read in pieces, and prints the lines that it had; 0 is no survey.
fn work(file: &Path, times: usize, threads: usize) {
    let lines = match (times, threads) {
        (0, _) => 0,
        (_, 1) => survey(file, times),
        _ => survey_shared(file, times),
    };
    println!("{lines} lines, VmHWM {} kB", peak_kib());
}

fn survey(file: &Path, times: usize) -> u64 {
    let mut surveyor = Surveyor::new(&Rules::default());
    for _ in 0..times {
        pieces::in_pieces(file, |piece| surveyor.handle_bytes(piece));
    }
    surveyor.finish().file.lines
}

/// As the daemon does it.
fn survey_shared(file: &Path, times: usize) -> u64 {
    let mut survey = SharedSurvey::begin(&Rules::default()).expect("there is a thread to be had");
    for _ in 0..times {
        pieces::in_owned_pieces(file, |piece| survey.handle_bytes(&piece));
    }
    Box::new(survey).finish(String::new()).file.lines
}

fn peak_kib_of_child(file: &Path, times: usize, threads: usize) -> f64 {
    let own = std::env::current_exe().expect("a process knows its program");
    let child = Command::new(own)
        .args([CHILD, &times.to_string(), THREADS, &threads.to_string(), FILE])
        .arg(file)
        .output()
        .expect("it runs again");
    let said = String::from_utf8_lossy(&child.stdout).into_owned();
    let peak =
        said.split_once("VmHWM ").and_then(|(_, rest)| rest.split_once(' ')).and_then(|(kib, _)| kib.parse().ok());
    peak.unwrap_or_else(|| panic!("the child said no peak but {said:?}"))
}

/// Greatest resident memory so far, KiB.
fn peak_kib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").expect("this measures on Linux alone");
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("the kernel keeps the peak");
    line.trim().trim_end_matches("kB").trim().parse().expect("a number of KiB")
}
