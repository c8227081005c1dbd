//! `nosebar simulate`: the simulated printer for anybody, on a pseudo-terminal or a TCP port.
//!
//! Threads and a channel instead of the runtime: its timer is millisecond-grained, and at speed N a late reply is N times as late.

mod console;
mod pace;
mod port;
mod pty;
mod tcp;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use thiserror::Error;

use super::SimulateArgs;
use crate::sim::{BeltConfig, Note, Printer, Script, ScriptError, SimConfig};
use crate::units::Millimetres;
use console::Typed;
use pace::Pace;
use port::{Port, PortError};

/// What the main loop waits for.
enum Event {
    /// Bytes came in.
    Bytes(Vec<u8>),
    /// A line was typed.
    Typed(String),
    /// A signal asks to end.
    Quit,
}

#[derive(Debug, Error)]
enum SimulateError {
    #[error("speed {0} cannot be; it must be above 0 and at most 1000000")]
    Speed(f64),
    #[error("{0} units for a millimetre cannot be; it must be above zero")]
    Units(f64),
    #[error("cannot read the fault script {path}: {source}")]
    FaultsUnreadable { path: PathBuf, source: std::io::Error },
    #[error("{path}: {source}")]
    Faults { path: PathBuf, source: ScriptError },
    #[error("cannot watch for signals: {0}")]
    Signals(std::io::Error),
    #[error(transparent)]
    Port(#[from] PortError),
}

/// Events that may wait; more make the senders wait.
const EVENTS_MAX: usize = 64;
/// How often the port is looked after.
const TEND_PERIOD: Duration = Duration::from_secs(1);

pub(crate) fn run(args: &SimulateArgs) -> ExitCode {
    match simulate(args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("nosebar simulate: {error}");
            ExitCode::from(2)
        }
    }
}

fn simulate(args: &SimulateArgs) -> Result<(), SimulateError> {
    if !(args.speed > 0.0 && args.speed <= 1e6) {
        return Err(SimulateError::Speed(args.speed));
    }
    if !(args.units_per_mm.is_finite() && args.units_per_mm > 0.0) {
        return Err(SimulateError::Units(args.units_per_mm));
    }
    let faults = args.faults.as_deref().map(read_faults).transpose()?.unwrap_or_default();
    let (sender, events) = sync_channel(EVENTS_MAX);
    console::watch_signals(sender.clone()).map_err(SimulateError::Signals)?;
    let port = port::open(args, sender.clone())?;
    console::watch_input(sender);
    let pace = Pace::new(args.speed);
    let usual = SimConfig::default();
    let config = SimConfig {
        belt: BeltConfig { units_per_mm: args.units_per_mm, ..usual.belt },
        loop_um: args.loop_mm.map(|mm| Millimetres(mm).to_micrometres().0),
        keep_outs: args.splice.iter().map(|stretch| stretch.0).collect(),
        faults,
        ..usual
    };
    let printer = Printer::new(config, pace.now());
    let mut bench = Bench { printer, port, pace, cuts: 0 };
    // It starts before anybody is asked to connect: nobody gets half of it.
    bench.answer();
    say(&format!("ready: {}", bench.port.describe()));
    bench.run(&events);
    Ok(())
}

fn read_faults(path: &Path) -> Result<Script, SimulateError> {
    let path = path.to_path_buf();
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(source) => return Err(SimulateError::FaultsUnreadable { path, source }),
    };
    text.parse().map_err(|source| SimulateError::Faults { path, source })
}

/// The machine and its port.
struct Bench {
    printer: Printer,
    port: Box<dyn Port>,
    pace: Pace,
    cuts: u64,
}

impl Bench {
    fn run(&mut self, events: &Receiver<Event>) {
        let mut tend_at = self.pace.real() + TEND_PERIOD;
        loop {
            self.answer();
            self.show();
            if self.pace.real() >= tend_at {
                self.port.tend();
                tend_at = self.pace.real() + TEND_PERIOD;
            }
            let until_due = self.printer.deadline().map(|moment| self.pace.until(moment));
            let wait = until_due.unwrap_or(TEND_PERIOD).min(tend_at.since(self.pace.real()));
            match events.recv_timeout(wait) {
                Ok(Event::Bytes(bytes)) => self.printer.handle_bytes(self.pace.now(), &bytes),
                Ok(Event::Typed(line)) => {
                    if self.obey(&line).is_break() {
                        return;
                    }
                }
                Ok(Event::Quit) | Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    /// Sends what the machine has said until now.
    fn answer(&mut self) {
        self.printer.advance(self.pace.now());
        if self.printer.cuts() > self.cuts {
            self.cuts = self.printer.cuts();
            if let Err(error) = self.port.cut() {
                say(&format!("cannot cut the connection: {error}"));
            }
        }
        if let Some(bytes) = self.printer.poll_output() {
            self.port.write(&bytes);
        }
    }

    /// Logs what has happened to it.
    fn show(&mut self) {
        while let Some(Note { at, what }) = self.printer.poll_note() {
            say(&format!("{:>10.3} s  {what}", at.since(crate::units::Moment::ZERO).as_secs_f64()));
        }
    }

    fn obey(&mut self, line: &str) -> std::ops::ControlFlow<()> {
        let now = self.pace.now();
        match console::parse(line) {
            Ok(Typed::Nothing) => {}
            Ok(Typed::TakeOff) => self.printer.take_parts_off(now),
            Ok(Typed::Truth) => {
                self.printer.advance(now);
                say(&serde_json::to_string(&self.printer.truth()).expect("truth is plain data"));
            }
            Ok(Typed::Fault(fault)) => self.printer.fault(now, fault),
            Ok(Typed::Quit) => return std::ops::ControlFlow::Break(()),
            Err(hint) => say(&hint),
        }
        std::ops::ControlFlow::Continue(())
    }
}

/// Prints a line. That nobody listens to the log is no reason to end.
fn say(line: &str) {
    drop(writeln!(std::io::stdout().lock(), "{line}"));
}
