//! Memory of a survey: `cargo bench --bench memory -- --mb 100`.
//!
//! Runs itself again as a process that surveys, and as one that does nothing, and compares the peaks of resident memory.

mod common {
    pub(crate) mod asked;
    pub(crate) mod sample;
    pub(crate) mod table;
}

use std::fs;
use std::process::Command;

use common::{asked, sample, table};
use nosebar::gcode::{Rules, Surveyor};

/// What is said to the process that does the work: how many megabytes it is to survey, 0 for none.
const CHILD: &str = "--child-mb";
const PIECE_BYTES: usize = 256 * 1024;

fn main() {
    let mine = asked::value(CHILD, usize::MAX);
    if mine != usize::MAX {
        return work(mine);
    }
    let megabytes = asked::value("--mb", 1000_usize);
    let idle = peak_kib_of_child(0);
    let rows: Vec<Vec<String>> = [megabytes.div_ceil(10), megabytes]
        .into_iter()
        .map(|size| {
            let peak = peak_kib_of_child(size);
            let above = (peak - idle) / 1024.0;
            vec![format!("{size} MB"), format!("{:.1}", peak / 1024.0), format!("{above:.1}")]
        })
        .collect();
    println!("an idle process has {:.1} MiB", idle / 1024.0);
    table::print(&["survey of", "peak, MiB", "above idle, MiB"], &rows);
}

/// Surveys so much of a real print, piece by piece, and prints the lines that it had. The print itself is in memory in any
/// case, and so is a piece.
fn work(megabytes: usize) {
    let print = sample::rustlogo();
    let times = if megabytes == 0 { 0 } else { sample::repeats(&print, megabytes) };
    let mut surveyor = (times > 0).then(|| Surveyor::new(&Rules::default()));
    for _ in 0..times {
        for piece in print.as_bytes().chunks(PIECE_BYTES) {
            surveyor.iter_mut().for_each(|surveyor| surveyor.handle_bytes(piece));
        }
    }
    let lines = surveyor.map_or(0, |surveyor| surveyor.finish().file.lines);
    println!("{lines} lines, VmHWM {} kB", peak_kib());
}

fn peak_kib_of_child(megabytes: usize) -> f64 {
    let own = std::env::current_exe().expect("a process knows its program");
    let child = Command::new(own).args([CHILD, &megabytes.to_string()]).output().expect("the program runs again");
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
