//! Agreeing on line numbers: `M110` sets the count to 0, and line 1, a request for temperatures, proves that it did. An `ok`
//! of something sent before our time is no proof, but temperatures behind an `ok` are: so line 1 is known to be done before
//! anybody's command is sent, and a printer that asks for it later has restarted.

use std::time::Duration;

use crate::units::Moment;
use crate::wire::{FRAME_BYTES_MAX, numbered};

/// Refusals after which the printer will not be convinced; a bad cable causes some. A guess.
const REFUSALS_MAX: u32 = 20;
/// The wait for an answer is doubled so many times at most.
const DOUBLINGS_MAX: u32 = 4;

/// Number of the line that proves the count; commands start with the next.
const PROOF: u32 = 1;
/// Number of the first line after a handshake.
pub(super) const FIRST: u32 = PROOF + 1;
/// The request for temperatures, the dialogue's own question.
pub(super) const QUESTION: &[u8] = b"M105";
/// Number of a line that no printer ever waits for: it is refused, and the refusal tells which one is.
pub(super) const NEVER: u32 = 0;
/// Longest line that asks it, line break included.
pub(super) const QUESTION_BYTES_MAX: usize = QUESTION.len() + FRAME_BYTES_MAX + 1;

/// What the handshake is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// A dialogue begins; the printer may be booting.
    Opening,
    /// Line numbers have become large.
    Renumbering {
        /// Number of the next line.
        next: u32,
    },
}

/// Where the handshake stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Progress {
    /// Under way.
    Going,
    /// The numbers are agreed on.
    Done,
    /// The printer insists on another line.
    Failed {
        /// The line that it wants.
        wanted: u32,
    },
}

#[derive(Debug)]
enum Step {
    Set,
    Prove { temperatures: bool, ok: bool },
    Settle,
}

/// A handshake under way.
#[derive(Debug)]
pub(super) struct Handshake {
    purpose: Purpose,
    step: Step,
    /// Number of the last M110.
    number: u32,
    retry: Duration,
    tries: u32,
    refusals: u32,
    /// Lines that left, less the answers: those still to come must not be taken for answers to commands.
    unanswered: u32,
    next_at: Moment,
    transmit: Option<Vec<u8>>,
}

impl Handshake {
    pub(super) fn new(now: Moment, purpose: Purpose, retry: Duration) -> Self {
        // Some firmware checks the number of M110 too; in mid-conversation we know the one it wants.
        let number = match purpose {
            Purpose::Opening => 0,
            Purpose::Renumbering { next } => next,
        };
        let mut handshake = Self {
            purpose,
            step: Step::Set,
            number,
            retry,
            tries: 0,
            refusals: 0,
            unanswered: 0,
            next_at: now,
            transmit: None,
        };
        handshake.set(now, number);
        handshake
    }

    pub(super) fn purpose(&self) -> Purpose {
        self.purpose
    }

    /// The next line to be sent.
    pub(super) fn poll_transmit(&mut self) -> Option<Vec<u8>> {
        let line = self.transmit.take()?;
        self.unanswered += 1;
        Some(line)
    }

    /// When to try again, or to stop waiting for late answers.
    pub(super) fn deadline(&self) -> Moment {
        self.next_at
    }

    /// The printer boots: what was sent is lost.
    pub(super) fn hear_start(&mut self, now: Moment) {
        (self.tries, self.refusals, self.unanswered) = (0, 0, 0);
        self.set(now, 0);
    }

    pub(super) fn hear_temperatures(&mut self) {
        if let Step::Prove { temperatures, .. } = &mut self.step {
            *temperatures = true;
        }
    }

    pub(super) fn hear_ok(&mut self, now: Moment, with_temperatures: bool) -> Progress {
        self.unanswered = self.unanswered.saturating_sub(1);
        let settled = self.is_settled();
        match &mut self.step {
            Step::Set => self.prove(now),
            Step::Prove { temperatures, .. } if with_temperatures || *temperatures => return self.settle(now),
            Step::Prove { ok, .. } => *ok = true,
            Step::Settle if settled => return Progress::Done,
            Step::Settle => {}
        }
        Progress::Going
    }

    /// A line was refused and another is wanted, where that is known.
    pub(super) fn hear_refusal(&mut self, now: Moment, wanted: Option<u32>) -> Progress {
        self.unanswered = self.unanswered.saturating_sub(1);
        self.refusals += 1;
        match (&self.step, wanted) {
            (_, Some(wanted)) if self.refusals > REFUSALS_MAX => return Progress::Failed { wanted },
            (Step::Settle, _) => {}
            (Step::Prove { .. }, Some(PROOF)) => self.prove(now),
            // Some firmware takes the number of M110 as the new count instead: try both in turn.
            (_, Some(wanted)) if self.number != wanted => self.set(now, wanted),
            _ => self.set(now, 0),
        }
        Progress::Going
    }

    pub(super) fn handle_timeout(&mut self, now: Moment) -> Progress {
        if now < self.next_at {
            return Progress::Going;
        }
        match self.step {
            Step::Settle => return Progress::Done,
            // Odd, but it takes numbered lines: some machines have no temperatures to report.
            Step::Prove { ok: true, .. } => return self.settle(now),
            Step::Prove { .. } => {
                self.tries += 1;
                self.prove(now);
            }
            Step::Set => {
                self.tries += 1;
                self.set(now, 0);
            }
        }
        Progress::Going
    }

    fn set(&mut self, now: Moment, number: u32) {
        self.step = Step::Set;
        self.number = number;
        self.send(now, numbered(number, b"M110 N0"));
    }

    fn prove(&mut self, now: Moment) {
        self.step = Step::Prove { temperatures: false, ok: false };
        self.send(now, numbered(PROOF, QUESTION));
    }

    fn settle(&mut self, now: Moment) -> Progress {
        if self.is_settled() {
            return Progress::Done;
        }
        self.step = Step::Settle;
        self.next_at = now + self.retry;
        Progress::Going
    }

    /// Damage can make two lines of one, or one of two; then nobody knows how many answers are still to come.
    fn is_settled(&self) -> bool {
        self.unanswered == 0 && self.refusals == 0
    }

    fn send(&mut self, now: Moment, line: Vec<u8>) {
        self.transmit = Some(line);
        self.next_at = now + self.retry * 2u32.pow(self.tries.min(DOUBLINGS_MAX));
    }
}
