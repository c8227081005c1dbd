//! What a line costs the host where the cable is not the limit: the driver against a bare loop, in turn. The printer's end is a
//! process of its own, so that this one's processor time is the host's alone.

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike;
use nosebar::wire::numbered;
use tokio::runtime::Runtime;

use crate::common::host::{Host, WINDOW_LINES, connect_to};
use crate::common::printer_end::{By, Pace, Place, PrinterEnd};
use crate::common::watch::{now, quantile};
use crate::common::{real_lines, table};
use crate::streaming::bare;

/// What is said to the process that is the printer: how it is to be reached.
const PRINTER: &str = "--printer";
const BAUD: u32 = 115_200;
/// The goal: a line costs at most so many times what it costs the bare loop.
const GOAL: f64 = 1.5;

/// A printer in a process of its own, until this is dropped.
struct Elsewhere {
    process: Child,
    place: Place,
}

/// One run.
struct Run {
    cpu_us: f64,
    lines_per_s: f64,
}

/// Works as the printer if this process was started for that, and then does not return.
pub(crate) fn be_printer_if_asked() {
    let Some(by) = std::env::args().skip_while(|argument| argument != PRINTER).nth(1) else { return };
    let by = if by == By::Tcp.name() { By::Tcp } else { By::Terminal };
    let printer = PrinterEnd::start(by, Pace::AT_ONCE);
    match &printer.place {
        Place::Tcp(address) => println!("{address}"),
        Place::Terminal(path) => println!("{}", path.display()),
    }
    // Until whoever started it has gone.
    drop(std::io::stdin().read(&mut [0]));
    std::process::exit(0);
}

impl Elsewhere {
    fn start(by: By) -> Self {
        let own = std::env::current_exe().expect("a process knows its program");
        let mut command = Command::new(own);
        command.args([PRINTER, by.name()]).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut process = command.spawn().expect("it runs again");
        let mut said = String::new();
        let stdout = process.stdout.take().expect("stdout is piped");
        BufReader::new(stdout).read_line(&mut said).expect("it says where it is");
        let said = said.trim();
        let place = match by {
            By::Tcp => Place::Tcp(said.parse().expect("an address")),
            By::Terminal => Place::Terminal(said.into()),
        };
        Self { process, place }
    }
}

impl Drop for Elsewhere {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

/// Prints the table; says whether the goal was met.
pub(crate) fn run(runtime: &Runtime, seconds: f64, rounds: usize) -> bool {
    let (mut rows, mut met) = (Vec::new(), true);
    for by in By::BOTH {
        let printer = Elsewhere::start(by);
        let (mut driver, mut bare) = (Vec::new(), Vec::new());
        // A first run tells how many lines make a round of this length.
        let lines = lines_in(seconds, &drive(runtime, &printer.place, 5_000));
        for _ in 0..rounds {
            bare.push(strip(runtime, &printer.place, lines));
            driver.push(drive(runtime, &printer.place, lines));
        }
        let ratios = driver.iter().zip(&bare).map(|(driver, bare)| driver.cpu_us / bare.cpu_us).collect();
        let ratio = quantile(ratios, 0.5);
        met &= ratio <= GOAL;
        let goal = format!("≤ {GOAL}: {}", if ratio <= GOAL { "met" } else { "MISSED" });
        rows.push(row(by, "bare loop of two tasks", &bare, "1", ""));
        rows.push(row(by, "driver", &driver, &format!("{ratio:.2}"), &goal));
    }
    table::print(&["", "", "lines/s", "processor time a line", "× bare", "goal"], &rows);
    met
}

fn row(by: By, what: &str, runs: &[Run], ratio: &str, goal: &str) -> Vec<String> {
    let median = |of: fn(&Run) -> f64| quantile(runs.iter().map(of).collect(), 0.5);
    let (speed, cpu) = (median(|run| run.lines_per_s), median(|run| run.cpu_us));
    [by.name(), what, &format!("{speed:.0}"), &format!("{cpu:.1} µs"), ratio, goal].map(str::to_owned).to_vec()
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some ten thousands of lines")]
fn lines_in(seconds: f64, run: &Run) -> usize {
    (run.lines_per_s * seconds) as usize
}

fn drive(runtime: &Runtime, place: &Place, lines: usize) -> Run {
    let file = real_lines::file_of(&real_lines::commands(lines));
    runtime.block_on(async {
        let mut host = Host::start(connect_to(place, BAUD), WINDOW_LINES);
        host.until_connected().await;
        let (began, before) = (now(), cpu());
        host.print(file.path().to_owned());
        host.until_printed().await;
        let run = Run::of(lines, cpu().saturating_sub(before), began.elapsed());
        host.end().await;
        run
    })
}

fn strip(runtime: &Runtime, place: &Place, lines: usize) -> Run {
    let commands = real_lines::commands(lines);
    let wire = (1..=99_999).cycle().zip(&commands).map(|(number, command)| numbered(number, command.as_bytes()));
    let wire = Arc::new(wire.collect());
    let (began, before) = (now(), cpu());
    bare::stream(runtime, place, BAUD, wire);
    Run::of(lines, cpu().saturating_sub(before), began.elapsed())
}

impl Run {
    fn of(lines: usize, cpu: Duration, took: Duration) -> Self {
        let lines = lines as f64;
        Self { cpu_us: cpu.as_secs_f64() * 1e6 / lines, lines_per_s: lines / took.as_secs_f64() }
    }
}

/// Processor time of this process until now.
fn cpu() -> Duration {
    let usage = getrusage(UsageWho::RUSAGE_SELF).expect("the kernel counts");
    let total = usage.user_time() + usage.system_time();
    Duration::from_micros(u64::try_from(total.num_microseconds()).expect("time goes forward"))
}
