//! From the press of the emergency stop to its bytes at the printer, in the middle of a print.

use std::sync::mpsc::Receiver;
use std::thread;
use std::time::{Duration, Instant};

use nosebar::printer::{Order, Report};
use tokio::runtime::Runtime;

use crate::common::host::{Host, WINDOW_LINES, connect_to};
use crate::common::printer_end::{By, Pace, PrinterEnd};
use crate::common::watch::{now, quantile};
use crate::common::{real_lines, table};

const BAUD: u32 = 115_200;
/// The goal, 99.9th percentile.
const GOAL_MS: f64 = 50.0;
/// Enough lines that none of these prints comes to its end.
const FILE_LINES: usize = 100_000;
const LOST: Duration = Duration::from_secs(30);
/// Lines of a print that have gone before the stop is pressed: the handshake and more.
const GONE: u64 = 40;

/// How the printer is when the stop is pressed.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Printer {
    /// Takes lines as fast as they come.
    Fast,
    /// Has a cable of 115,200 baud, and the window is full; eight of them at once.
    OnCable,
    /// Answers nothing and reads nothing any more. What counts is when the bytes have left.
    Deaf,
}

impl Printer {
    const ALL: [(Self, usize, &'static str); 3] = [
        (Self::Fast, 1, "as fast as it goes"),
        (Self::OnCable, 8, "115,200 baud, window full, 8 at once"),
        (Self::Deaf, 1, "the printer reads nothing"),
    ];
}

/// Prints the table; says whether the goal was met.
pub(crate) fn run(runtime: &Runtime, presses: usize) -> bool {
    let file = real_lines::file_of(&real_lines::commands(FILE_LINES));
    let (mut rows, mut met) = (Vec::new(), true);
    for by in By::BOTH {
        for (kind, lanes, what) in Printer::ALL {
            let work = || Lane::start(by, kind).press(runtime, file.path(), presses.div_ceil(lanes));
            let times_ms = thread::scope(|scope| {
                let lanes: Vec<_> = (0..lanes).map(|_| scope.spawn(work)).collect();
                lanes.into_iter().flat_map(|lane| lane.join().expect("every stop arrives")).collect::<Vec<_>>()
            });
            let at = |share| quantile(times_ms.clone(), share);
            let good = at(0.999) <= GOAL_MS;
            met &= good;
            let figures = [0.5, 0.99, 0.999, 1.0].map(|share| format!("{:.2} ms", at(share)));
            let goal = format!("≤ {GOAL_MS} ms: {}", if good { "met" } else { "MISSED" });
            let head = vec![by.name().to_owned(), what.to_owned(), times_ms.len().to_string()];
            rows.push([head, figures.to_vec(), vec![goal]].concat());
        }
    }
    table::print(&["", "", "presses", "median", "99 %", "99.9 %", "worst", "goal"], &rows);
    met
}

/// A printer that is stopped again and again.
struct Lane {
    kind: Printer,
    printer: PrinterEnd,
    stops: Receiver<Instant>,
}

impl Lane {
    fn start(by: By, kind: Printer) -> Self {
        let paced = Pace { baud: Some(BAUD), delay: Duration::ZERO, awake: Duration::ZERO };
        let printer = PrinterEnd::start(by, if kind == Printer::OnCable { paced } else { Pace::AT_ONCE });
        let stops = printer.seen.watch_stops();
        Self { kind, printer, stops }
    }

    /// Times of so many stops, ms, each in a print of its own.
    fn press(&self, runtime: &Runtime, file: &std::path::Path, times: usize) -> Vec<f64> {
        (0..times).map(|nth| self.press_once(runtime, file, nth).as_secs_f64() * 1e3).collect()
    }

    fn press_once(&self, runtime: &Runtime, file: &std::path::Path, nth: usize) -> Duration {
        let seen = &self.printer.seen;
        let before = seen.taken().lines;
        let mut host = runtime.block_on(async {
            let mut host = Host::start(connect_to(&self.printer.place, BAUD), WINDOW_LINES);
            host.until_connected().await;
            host.print(file.to_owned());
            host
        });
        while seen.taken().lines < before + GONE {
            thread::sleep(Duration::from_micros(500));
        }
        // Not always at the same place between two lines.
        thread::sleep(Duration::from_micros(nth as u64 * 137 % 3_000));
        let deaf = (self.kind == Printer::Deaf).then(|| seen.deafen());
        if deaf.is_some() {
            thread::sleep(Duration::from_millis(2));
        }
        let pressed = now();
        host.tell(Order::EmergencyStop);
        let sent = runtime.block_on(async {
            host.until(|report| matches!(report, Report::Lost { why, .. } if why.starts_with("emergency stop:"))).await;
            now()
        });
        drop(deaf);
        let arrived = self
            .stops
            .recv_timeout(LOST)
            .unwrap_or_else(|_| panic!("stop {nth} never arrived at {:?}", self.printer.place));
        runtime.block_on(host.end());
        if self.kind == Printer::Deaf { sent } else { arrived }.duration_since(pressed)
    }
}
