//! A small strict printer.

use std::collections::VecDeque;
use std::time::Duration;

use nosebar::units::Moment;
use nosebar::wire::checksum;

/// How a model printer behaves.
#[derive(Clone, Debug)]
pub(super) struct Style {
    /// Lines that it reads ahead of the one it carries out. The rest stays in its input buffer.
    pub(super) reads_ahead: usize,
    /// Bytes that its input buffer holds; what comes on top is lost.
    pub(super) buffer: usize,
    /// Throws its input buffer away when it refuses a line.
    pub(super) flushes: bool,
    /// Ends a resend request with `ok`.
    pub(super) ok_after_resend: bool,
    /// Says `Error:…` before it asks for a line.
    pub(super) complains: bool,
    /// Puts `ok` and temperatures on one line.
    pub(super) inline: bool,
    /// Says which line an `ok` answers.
    pub(super) numbered_ok: bool,
    /// Says `busy` every two seconds while it works.
    pub(super) says_busy: bool,
    /// Says `wait` every second while it has nothing to do.
    pub(super) says_wait: bool,
    /// Checks the number of M110 too.
    pub(super) strict_m110: bool,
    /// Boots for a second first; what comes meanwhile is lost.
    pub(super) boots: bool,
}

impl Style {
    /// A printer without peculiarities.
    pub(super) fn plain() -> Self {
        Self {
            reads_ahead: 3,
            buffer: 127,
            flushes: false,
            ok_after_resend: true,
            complains: true,
            inline: true,
            numbered_ok: false,
            says_busy: false,
            says_wait: false,
            strict_m110: false,
            boots: false,
        }
    }
}

/// A line that the printer has taken.
#[derive(Debug)]
struct Taken {
    number: u32,
    command: String,
    bytes: usize,
}

/// The printer.
#[derive(Debug)]
pub(super) struct Printer {
    style: Style,
    input: Vec<u8>,
    taken: VecDeque<Taken>,
    done_at: Moment,
    last_line: u32,
    says_at: Moment,
    /// Commands, in order.
    pub(super) carried_out: Vec<String>,
    /// Bytes that came when the input buffer was full.
    pub(super) overflowed: usize,
    /// What it says, without line breaks, until taken.
    pub(super) replies: Vec<String>,
}

impl Printer {
    pub(super) fn new(style: Style) -> Self {
        let boot = if style.boots { Moment::ZERO + Duration::from_secs(1) } else { Moment::ZERO };
        // A count from an earlier conversation, unless it has just booted.
        let last_line = if style.boots { 0 } else { 711 };
        Self {
            style,
            input: Vec::new(),
            taken: VecDeque::new(),
            done_at: Moment::ZERO,
            last_line,
            says_at: boot,
            carried_out: Vec::new(),
            overflowed: 0,
            replies: Vec::new(),
        }
    }

    pub(super) fn next_at(&self) -> Option<Moment> {
        let done = (!self.taken.is_empty()).then_some(self.done_at);
        let says = if self.taken.is_empty() { self.style.says_wait } else { self.style.says_busy };
        done.into_iter().chain((says || self.booting()).then_some(self.says_at)).min()
    }

    fn booting(&self) -> bool {
        self.style.boots
    }

    fn say(&mut self, reply: impl Into<String>) {
        self.replies.push(reply.into());
    }

    pub(super) fn handle(&mut self, now: Moment, bytes: &[u8]) {
        if self.booting() {
            if now >= self.says_at {
                self.style.boots = false;
                self.say("start");
                self.says_at = now + Duration::from_secs(1);
            }
            return;
        }
        let space = self.style.buffer.saturating_sub(self.input.len());
        self.input.extend(bytes.iter().take(space));
        if self.input.contains(&b'\n') {
            self.overflowed += bytes.len().saturating_sub(space);
        } else if self.input.len() == self.style.buffer {
            // A line that never ends is cut short, and refused when it ends.
            self.input.truncate(1);
        }
        loop {
            let before = (self.taken.len(), self.input.len());
            if !self.taken.is_empty() && now >= self.done_at {
                self.finish(now);
            }
            self.read(now);
            if before == (self.taken.len(), self.input.len()) {
                break;
            }
        }
        self.speak(now);
    }

    fn speak(&mut self, now: Moment) {
        if now < self.says_at {
            return;
        }
        if self.taken.is_empty() {
            if self.style.says_wait {
                self.say("wait");
            }
            self.says_at = now + Duration::from_secs(1);
        } else {
            if self.style.says_busy {
                self.say("echo:busy: processing");
            }
            self.says_at = now + Duration::from_secs(2);
        }
    }

    fn finish(&mut self, now: Moment) {
        let Some(Taken { number, command, .. }) = self.taken.pop_front() else { return };
        let mut ok = if self.style.numbered_ok { format!("ok N{number} P15 B3") } else { "ok".to_owned() };
        if command.starts_with("M105") {
            if self.style.inline {
                ok.push_str(" T:20.0 /0.0 B:20.0 /0.0");
            } else {
                self.say("T:20.0 /0.0 B:20.0 /0.0");
            }
        }
        self.say(ok);
        self.carried_out.push(command);
        self.begin(now);
    }

    fn begin(&mut self, now: Moment) {
        if let Some(Taken { command, .. }) = self.taken.front() {
            let millis = command.split_once('P').and_then(|(_, wait)| wait.parse().ok()).unwrap_or(0);
            self.done_at = now + Duration::from_millis(millis);
            self.says_at = now + Duration::from_secs(2);
        }
    }

    fn read(&mut self, now: Moment) {
        if self.taken.len() > self.style.reads_ahead {
            return;
        }
        let Some(end) = self.input.iter().position(|byte| *byte == b'\n') else { return };
        let line: Vec<u8> = self.input.drain(..=end).take(end).collect();
        match self.understand(&line) {
            Ok((number, command)) => {
                self.last_line = number;
                self.taken.push_back(Taken { number, command, bytes: line.len() + 1 });
                if self.taken.len() == 1 {
                    self.begin(now);
                }
            }
            Err(why) => self.refuse(why),
        }
    }

    /// The new line count and the command, or why the line is refused.
    fn understand(&self, line: &[u8]) -> Result<(u32, String), &'static str> {
        let star = line.iter().position(|byte| *byte == b'*').ok_or("No Checksum with line number")?;
        let sum = std::str::from_utf8(&line[star + 1..]).ok().and_then(|sum| sum.parse::<u8>().ok());
        let body = std::str::from_utf8(&line[..star]).map_err(|_| "checksum mismatch")?;
        let (number, command) = body.strip_prefix('N').and_then(|rest| rest.split_once(' ')).ok_or("No Line Number")?;
        let number: u32 = number.parse().map_err(|_| "Line Number is not Last Line Number+1")?;
        if sum != Some(checksum(&line[..star])) {
            return Err("checksum mismatch");
        }
        let sets = command.strip_prefix("M110 N");
        if number != self.last_line + 1 && (sets.is_none() || self.style.strict_m110) {
            return Err("Line Number is not Last Line Number+1");
        }
        Ok((sets.map_or(number, |count| count.parse().expect("the checksum held")), command.to_owned()))
    }

    fn refuse(&mut self, why: &str) {
        if self.style.complains {
            self.say(format!("Error:{why} checksum, Last Line: {}", self.last_line));
        }
        self.say(format!("Resend: {}", self.last_line + 1));
        if self.style.ok_after_resend {
            self.say("ok");
        }
        if self.style.flushes {
            self.input.clear();
        }
    }

    /// Commands that the printer holds, their bytes, and questions of the dialogue's own beside them.
    pub(super) fn held(&self) -> [usize; 3] {
        let taken = self.taken.iter().map(|taken| (taken.command == "M105", taken.bytes));
        let lines = self.input.split_inclusive(|byte| *byte == b'\n');
        let waiting = lines.map(|line| (line.windows(6).any(|word| word == b" M105*"), line.len()));
        taken.chain(waiting).fold([0; 3], |[commands, bytes, questions], (question, length)| {
            if question { [commands, bytes, questions + 1] } else { [commands + 1, bytes + length, questions] }
        })
    }

    pub(super) fn idle(&self) -> bool {
        self.taken.is_empty() && !self.booting()
    }
}
