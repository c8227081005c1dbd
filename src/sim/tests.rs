//! The machine's behaviour as its user meets it: bytes and time in, replies and truth out.

mod dialogue;
mod faults;
mod heat;
mod motion;
mod parts;
mod physics;

use std::time::Duration;

use super::{Printer, SimConfig, Truth};
use crate::gcode::xor_checksum;
use crate::units::Moment;

/// A machine on a bench, with a clock of its own.
struct Bench {
    printer: Printer,
    now: Moment,
}

impl Bench {
    /// Switched on and started; nothing unread.
    fn new(config: SimConfig) -> Self {
        let mut bench = Self { printer: Printer::new(config, Moment::ZERO), now: Moment::ZERO };
        bench.printer.advance(Moment::ZERO);
        assert_eq!(bench.heard(), "start\n");
        bench
    }

    /// With no chance in it: parts let go at 32 °C as the report shows it.
    fn plain() -> Self {
        Self::new(plain_config())
    }

    fn heard(&mut self) -> String {
        self.printer.poll_output().map(|bytes| String::from_utf8(bytes).expect("text")).unwrap_or_default()
    }

    /// Sends a line and gives back what is answered at once.
    fn say(&mut self, line: &str) -> String {
        self.printer.handle_bytes(self.now, format!("{line}\n").as_bytes());
        self.heard()
    }

    /// Sends a line with number and checksum.
    fn number(&mut self, number: u32, command: &str) -> String {
        let text = format!("N{number} {command}");
        self.say(&format!("{text}*{}", xor_checksum(text.as_bytes())))
    }

    /// Lets time pass and gives back all that is said meanwhile.
    fn wait(&mut self, seconds: f64) -> String {
        self.now = self.now + Duration::from_secs_f64(seconds);
        self.printer.advance(self.now);
        self.heard()
    }

    /// Sends a line and waits for its `ok` as long as it takes; gives back everything that was said, and how long it took.
    fn done(&mut self, line: &str) -> (String, Duration) {
        let start = self.now;
        let mut heard = self.say(line);
        while !heard.lines().any(|line| line.starts_with("ok")) {
            let next = self.printer.deadline().unwrap_or_else(|| panic!("{line} is never done, heard {heard:?}"));
            self.now = next.max(self.now);
            self.printer.advance(self.now);
            heard += &self.heard();
        }
        (heard, self.now.since(start))
    }

    fn all(&mut self, lines: &[&str]) {
        for line in lines {
            self.done(line);
        }
    }

    fn truth(&self) -> Truth {
        self.printer.truth()
    }
}

fn plain_config() -> SimConfig {
    let mut config = SimConfig::default();
    config.release.spread_k = 0.0;
    config
}
