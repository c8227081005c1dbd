//! Share of a cable that the sending path fills, with one line in flight and with as many as the printer's buffer holds.

use std::sync::Arc;
use std::time::Duration;

use nosebar::wire::numbered;
use tokio::runtime::Runtime;

use crate::common::host::{Host, WINDOW_LINES, connect_to};
use crate::common::printer_end::{By, Pace, PrinterEnd};
use crate::common::{real_lines, table};
use crate::streaming::bare;

const BAUDS: [u32; 2] = [115_200, 250_000];
const DELAYS_MS: [u64; 3] = [0, 1, 4];
/// Small controllers have room for so many bytes: common practice.
const WINDOW_BYTES: usize = 127;
/// Bits of a byte on the cable, and bytes of an average line.
const BITS: f64 = 10.0;
const LINE_BYTES: f64 = 36.0;
/// Bits of `ok` and its line break.
const ANSWER_BITS: f64 = 30.0;
const AWAKE: Duration = Duration::from_micros(300);
/// Goals: share of the cable at 115,200 baud, and of the formula at 250,000.
const SHARE_GOAL: f64 = 0.99;
const FORMULA_GOAL: f64 = 0.97;

struct Case {
    by: By,
    baud: u32,
    delay: Duration,
}

/// Lines a second and share of the cable.
#[derive(Clone, Copy)]
struct Speed {
    lines_per_s: f64,
    share: f64,
}

/// Prints the table; says whether every goal was met.
pub(crate) fn run(runtime: &Runtime, seconds: f64, rounds: usize) -> bool {
    let (mut rows, mut met) = (Vec::new(), true);
    for by in By::BOTH {
        for baud in BAUDS {
            for delay in DELAYS_MS.map(Duration::from_millis) {
                let (row, good) = Case { by, baud, delay }.row(runtime, seconds, rounds);
                rows.push(row);
                met &= good;
            }
        }
    }
    let head = [
        "",
        "baud",
        "delay",
        "ping-pong, lines/s",
        "share",
        "windowed, lines/s",
        "share",
        "of formula",
        "bare loop, share",
        "goal",
    ];
    table::print(&head, &rows);
    met
}

impl Case {
    fn row(&self, runtime: &Runtime, seconds: f64, rounds: usize) -> (Vec<String>, bool) {
        let commands = real_lines::commands(self.lines_in(seconds));
        let lengths: Vec<usize> = numbered_lines(&commands).iter().map(Vec::len).collect();
        let mean = lengths.iter().sum::<usize>() as f64 / lengths.len() as f64;
        let line_s = mean * BITS / f64::from(self.baud);
        let round_s = line_s + self.delay.as_secs_f64() + ANSWER_BITS / f64::from(self.baud);
        let formula = line_s / line_s.max(round_s / fitting(&lengths));
        let (mut one, mut many, mut bare) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..rounds {
            one.push(self.print(runtime, 1, &commands));
            bare.push(self.strip(runtime, &commands));
            many.push(self.print(runtime, WINDOW_LINES, &commands));
        }
        let (one, many, bare) = (best(&one), best(&many), best(&bare));
        let of_formula = many.share / formula;
        let (goal, good) = match self.baud {
            115_200 => ("share ≥ 99 %", many.share >= SHARE_GOAL),
            _ => ("formula ≥ 97 %", of_formula >= FORMULA_GOAL),
        };
        let row = vec![
            self.by.name().to_owned(),
            self.baud.to_string(),
            format!("{} ms", self.delay.as_millis()),
            format!("{:.0}", one.lines_per_s),
            percent(one.share),
            format!("{:.0}", many.lines_per_s),
            percent(many.share),
            percent(of_formula),
            percent(bare.share),
            format!("{goal}: {}", if good { "met" } else { "MISSED" }),
        ];
        (row, good)
    }

    /// Lines that take about so long with the cable in use half of the time.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred lines")]
    fn lines_in(&self, seconds: f64) -> usize {
        (seconds * 0.5 * f64::from(self.baud) / (BITS * LINE_BYTES)) as usize
    }

    fn printer(&self) -> PrinterEnd {
        PrinterEnd::start(self.by, Pace { baud: Some(self.baud), delay: self.delay, awake: AWAKE })
    }

    /// The same lines, sent by the bare loop.
    fn strip(&self, runtime: &Runtime, commands: &[String]) -> Speed {
        let printer = self.printer();
        bare::stream(runtime, &printer.place, self.baud, Arc::new(numbered_lines(commands)));
        let taken = printer.seen.taken().clone();
        Speed { lines_per_s: taken.lines_per_s(), share: taken.share() }
    }

    fn print(&self, runtime: &Runtime, window_lines: usize, commands: &[String]) -> Speed {
        let file = real_lines::file_of(commands);
        let printer = self.printer();
        runtime.block_on(async {
            let mut host = Host::start(connect_to(&printer.place, self.baud), window_lines);
            host.until_connected().await;
            host.print(file.path().to_owned());
            host.until_printed().await;
            host.end().await;
        });
        let taken = printer.seen.taken().clone();
        assert_eq!(taken.wrong, 0, "numbers and checksums are right");
        let (most_lines, most_bytes) = taken.most_waiting;
        assert!(most_lines <= window_lines && most_bytes <= WINDOW_BYTES, "the buffer ran over: {taken:?}");
        Speed { lines_per_s: taken.lines_per_s(), share: taken.share() }
    }
}

/// Lines as the driver sends them: ten others come first, and a number with more digits makes a longer line.
fn numbered_lines(commands: &[String]) -> Vec<Vec<u8>> {
    (10..).zip(commands).map(|(number, command)| numbered(number, command.as_bytes())).collect()
}

/// How many lines fit into the printer's buffer, on average over where one begins.
fn fitting(lengths: &[usize]) -> f64 {
    let from = |first: usize| {
        let sums = lengths[first..].iter().take(WINDOW_LINES).scan(0, |sum, length| {
            *sum += length;
            Some(*sum)
        });
        sums.take_while(|sum| *sum <= WINDOW_BYTES).count()
    };
    let starts = lengths.len() - WINDOW_LINES;
    (0..starts).map(from).sum::<usize>() as f64 / starts as f64
}

/// The round that was disturbed least by whatever else the machine does: nothing makes a cable faster.
fn best(speeds: &[Speed]) -> Speed {
    speeds.iter().copied().max_by(|one, other| one.share.total_cmp(&other.share)).expect("there is a round")
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}
