//! The dialogue with one printer: which line leaves when, and what each answer means.
//!
//! Every line has a number, and the printer takes number after number. So any line may be sent again at any time: it
//! is taken only if it is the one that is wanted, and refused with the number of that one otherwise. All repair rests on this.
//! What counts as an acknowledgement is `ok` and nothing else: a printer that says how far it is has received the lines before,
//! but need not have carried them out. An `ok` that got lost is made up for by that of a question (M105) sent behind.

mod arrive;
mod event;
mod handshake;
mod leave;
mod patience;
mod refusal;
mod repair;
mod tally;
mod window;

use std::collections::VecDeque;
use std::time::Duration;

pub use event::{DialogueConfig, DialogueEvent, SubmitError, Ticket, Whereabouts};
use handshake::{FIRST, Handshake, Progress, Purpose, QUESTION_BYTES_MAX};
use patience::{Load, Patience};
use refusal::Refusal;
use repair::Repair;
use tally::Tally;
use window::Window;

use super::{EMERGENCY_STOP, ReplyLines, check_command};
use crate::units::Moment;

/// A dialogue. Feed it what arrives and what time it is; poll until nothing comes out; wait for input or [`deadline`](Self::deadline).
#[derive(Debug)]
pub struct Dialogue {
    config: DialogueConfig,
    phase: Phase,
    now: Moment,
    replies: ReplyLines,
    refusal: Refusal,
    patience: Patience,
    window: Window,
    waiting: VecDeque<(Ticket, Vec<u8>)>,
    next_ticket: u64,
    repair: Repair,
    /// A question is to be sent, whatever the window says.
    question: Option<Question>,
    /// A line that was asked for and that we do not have. Once may be damage on the way, twice is not.
    strange: Option<u32>,
    tally: Tally,
    events: VecDeque<DialogueEvent>,
}

#[derive(Debug)]
enum Phase {
    Ended,
    Handshake(Handshake),
    Talking,
}

/// The beginning of a reply that is older has lost its end: glued to what comes now it would pass for a new reply. A guess, longer
/// than a network stands still.
const PIECE_AGE_MAX: Duration = Duration::from_secs(1);

/// Ways to make the printer say how far it is.
#[derive(Clone, Copy, Debug)]
enum Question {
    /// The next line: its `ok` also makes up for one that got lost.
    Next,
    /// A line that is refused for its number. Asks without adding a line to those under way.
    Refused,
}

impl Dialogue {
    /// A dialogue that has not begun.
    #[must_use]
    pub fn new(config: DialogueConfig) -> Self {
        Self {
            phase: Phase::Ended,
            now: Moment::ZERO,
            replies: ReplyLines::default(),
            refusal: Refusal::default(),
            patience: Patience::new(&config),
            window: Window::new(FIRST),
            waiting: VecDeque::new(),
            next_ticket: 0,
            repair: Repair::default(),
            question: None,
            strange: None,
            tally: Tally::default(),
            events: VecDeque::new(),
            config,
        }
    }

    /// Begins, or begins anew: forgets every command and agrees with the printer on line numbers.
    pub fn start(&mut self, now: Moment) {
        *self =
            Self { next_ticket: self.next_ticket, events: std::mem::take(&mut self.events), ..Self::new(self.config) };
        self.begin_handshake(now, Purpose::Opening);
    }

    /// Whether a command would be sent as soon as the bytes in flight leave room for it. Submit while this says so, and no
    /// command ever waits here for more than that.
    #[must_use]
    pub fn room(&self) -> bool {
        matches!(self.phase, Phase::Talking)
            && self.waiting.is_empty()
            && self.repair.alone().is_none()
            && !self.window.repeats()
            && !self.window.only_own_in_flight()
            && self.window.in_flight() < self.config.window_lines
    }

    /// Takes a command. Without [`room`](Self::room) it waits its turn behind those that wait already.
    ///
    /// # Errors
    /// [`SubmitError::Command`] when it cannot be put on a line, [`SubmitError::Ended`] when no dialogue is under way.
    pub fn submit(&mut self, now: Moment, command: &[u8]) -> Result<Ticket, SubmitError> {
        if matches!(self.phase, Phase::Ended) {
            return Err(SubmitError::Ended);
        }
        check_command(command, self.config.line_bytes_max)?;
        self.now = now;
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        self.waiting.push_back((ticket, command.to_vec()));
        Ok(ticket)
    }

    /// Takes bytes from the printer, in whatever pieces.
    pub fn handle_bytes(&mut self, now: Moment, bytes: &[u8]) {
        self.now = now;
        if bytes.is_empty() {
            return;
        }
        if now.since(self.patience.last_heard()) >= PIECE_AGE_MAX {
            self.replies.clear();
        }
        self.patience.heard(now);
        let mut rest = bytes;
        while let Some(reply) = self.replies.next(&mut rest) {
            self.handle_reply(now, reply);
        }
    }

    /// Tells the dialogue that a [`deadline`](Self::deadline) may have passed.
    pub fn handle_timeout(&mut self, now: Moment) {
        self.now = now;
        self.refusal.handle_timeout(now);
        self.repair.handle_timeout(now);
        match &mut self.phase {
            Phase::Ended => {}
            Phase::Handshake(_) if now >= self.patience.give_up_handshake_at() => self.give_up(),
            Phase::Handshake(handshake) => {
                let progress = handshake.handle_timeout(now);
                self.handle_progress(progress);
            }
            Phase::Talking if self.window.in_flight() > 0 && now >= self.patience.give_up_at() => self.give_up(),
            Phase::Talking => {
                if self.ask_at().is_some_and(|at| now >= at) {
                    self.ask();
                }
            }
        }
    }

    /// When to call [`handle_timeout`](Self::handle_timeout) next, if nothing else happens.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        let next = match &self.phase {
            Phase::Ended => return None,
            Phase::Handshake(handshake) => Some(handshake.deadline().min(self.patience.give_up_handshake_at())),
            Phase::Talking => {
                let give_up = (self.window.in_flight() > 0).then(|| self.patience.give_up_at());
                self.ask_at().into_iter().chain(give_up).min()
            }
        };
        next.into_iter().chain(self.refusal.hold_until()).chain(self.repair.hold_until()).min()
    }

    /// Appends to `out` whatever may leave now. Says whether that was anything.
    pub fn poll_transmit(&mut self, out: &mut Vec<u8>) -> bool {
        let before = out.len();
        while self.refusal.hold_until().is_none() && self.repair.hold_until().is_none() && self.transmit_one(out) {}
        out.len() > before
    }

    /// The next thing to tell.
    pub fn poll_event(&mut self) -> Option<DialogueEvent> {
        self.events.pop_front()
    }

    /// Ends the dialogue and gives the bytes of an emergency stop. They must leave at once, before anything that was polled and
    /// has not left yet; that is better thrown away. What was sent may have happened: see [`outstanding`](Self::outstanding).
    #[must_use = "the stop is only a stop when it is sent"]
    pub fn emergency(&mut self) -> &'static [u8] {
        self.end();
        EMERGENCY_STOP
    }

    /// The command of `ticket` takes long: until then, or until it has been acknowledged, the printer may be silent without
    /// being asked or given up. Of several such commands, the last counts.
    pub fn allow_quiet(&mut self, ticket: Ticket, until: Moment) {
        self.patience.allow_quiet(ticket, until);
    }

    /// Lines that were sent and not acknowledged.
    #[must_use]
    pub fn in_flight(&self) -> usize {
        self.window.in_flight()
    }

    /// Commands that were not acknowledged, in order. Still answers when the dialogue has ended, until the next start.
    pub fn outstanding(&self) -> impl Iterator<Item = (Ticket, Whereabouts)> + '_ {
        let sent = self.window.untold().map(|ticket| (ticket, Whereabouts::Sent));
        sent.chain(self.waiting.iter().map(|(ticket, _)| (*ticket, Whereabouts::Waiting)))
    }
}

/// Turns of the conversation.
impl Dialogue {
    fn begin_handshake(&mut self, now: Moment, purpose: Purpose) {
        self.patience.start(now);
        self.phase = Phase::Handshake(Handshake::new(now, purpose, self.config.handshake_retry));
    }

    fn handle_progress(&mut self, progress: Progress) {
        let Phase::Handshake(handshake) = &self.phase else { return };
        match progress {
            Progress::Going => {}
            Progress::Done => {
                if handshake.purpose() == Purpose::Opening {
                    self.events.push_back(DialogueEvent::HandshakeDone);
                }
                self.patience.start(self.now);
                self.window = Window::new(FIRST);
                self.repair = Repair::default();
                self.tally = Tally::default();
                self.phase = Phase::Talking;
            }
            Progress::Failed { wanted } => {
                self.end_with(DialogueEvent::Desync { wanted, oldest: FIRST, next: FIRST });
            }
        }
    }

    fn ask_at(&self) -> Option<Moment> {
        self.patience.ask_at(self.load())
    }

    /// Questions do not count, so that one that got lost does not keep the next back.
    fn load(&self) -> Load {
        let (lines, bytes) = self.window.commands_in_flight();
        let room = lines < self.config.window_lines && bytes + QUESTION_BYTES_MAX <= self.config.window_bytes;
        match self.window.in_flight() {
            0 => Load::Nothing,
            _ if room => Load::Some,
            _ => Load::Full,
        }
    }

    /// Makes the printer say how far it is, with something that does no harm wherever that be.
    fn ask(&mut self) {
        self.patience.asked(self.now);
        self.tally.forget_overtaken();
        if let Some(line) = self.repair.alone() {
            // Before the line has left there is nothing to ask for.
            self.question = (line < self.window.cursor()).then_some(Question::Refused);
        } else if self.window.repeats() {
            self.repair.send_alone(self.window.cursor());
        } else if self.window.only_own_in_flight() {
            // Every command is through, so our questions behind them are: their answers got lost or were counted for commands.
            while self.window.in_flight() > 0 {
                self.window.acknowledge();
            }
        } else {
            self.question = Some(Question::Next);
        }
    }

    fn give_up(&mut self) {
        let since = self.patience.silent_since();
        self.end_with(DialogueEvent::Silent { since });
    }

    fn end_with(&mut self, event: DialogueEvent) {
        self.end();
        self.events.push_back(event);
    }

    fn end(&mut self) {
        self.phase = Phase::Ended;
        self.refusal = Refusal::default();
        self.repair = Repair::default();
    }
}

#[cfg(test)]
mod tests;
