//! What leaves: lines that were asked for again before new ones, and both only as the window allows.

use super::handshake::{NEVER, Purpose, QUESTION};
use super::{Dialogue, Phase, Question, Ticket};
use crate::wire::command::is_command;
use crate::wire::numbered;

impl Dialogue {
    /// Appends the next line to `out`, if one may leave.
    pub(super) fn transmit_one(&mut self, out: &mut Vec<u8>) -> bool {
        match &mut self.phase {
            Phase::Ended => false,
            Phase::Handshake(handshake) => handshake.poll_transmit().is_some_and(|line| {
                out.extend_from_slice(&line);
                true
            }),
            Phase::Talking => match self.question.take() {
                Some(Question::Next) => {
                    self.transmit_new(out, numbered(self.window.next(), QUESTION), None, true);
                    true
                }
                Some(Question::Refused) => {
                    out.extend_from_slice(&numbered(NEVER, QUESTION));
                    self.repair.provoke();
                    true
                }
                None if self.window.repeats() => self.transmit_again(out),
                None => self.transmit_waiting(out),
            },
        }
    }

    fn transmit_again(&mut self, out: &mut Vec<u8>) -> bool {
        let Some(line) = self.window.repeat() else { return false };
        let alone = self.repair.alone() == Some(self.window.cursor());
        if !alone && (self.repair.alone().is_some() || !self.admits(line.len())) {
            return false;
        }
        out.extend_from_slice(line);
        self.start_clocks();
        self.window.repeated();
        true
    }

    fn transmit_waiting(&mut self, out: &mut Vec<u8>) -> bool {
        // While nothing but questions is under way, the count can be set right; a command behind them would keep it wrong.
        if self.repair.alone().is_some() || self.window.only_own_in_flight() {
            return false;
        }
        let Some((ticket, command)) = self.waiting.front() else { return false };
        let (ticket, number) = (*ticket, self.window.next());
        if number > self.config.line_number_max {
            // The count may be set back only when nothing is on its way that was counted before.
            let drained = self.window.in_flight() == 0;
            if drained {
                self.begin_handshake(self.now, Purpose::Renumbering { next: number });
            }
            return drained;
        }
        let line = numbered(number, command);
        let admitted = self.admits(line.len());
        if admitted {
            let polls = is_command(command, QUESTION);
            self.waiting.pop_front();
            self.transmit_new(out, line, Some(ticket), polls);
        }
        admitted
    }

    fn transmit_new(&mut self, out: &mut Vec<u8>, line: Vec<u8>, ticket: Option<Ticket>, polls: bool) {
        out.extend_from_slice(&line);
        self.start_clocks();
        self.window.push(line, ticket, polls);
    }

    /// Whether a line of `bytes` may join those in flight. One that is longer than the window goes alone.
    pub(super) fn admits(&self, bytes: usize) -> bool {
        let lines = self.window.in_flight();
        let fits = self.window.bytes_in_flight() + bytes <= self.config.window_bytes;
        lines == 0 || (lines < self.config.window_lines && fits)
    }

    fn start_clocks(&mut self) {
        if self.window.in_flight() == 0 {
            self.patience.start(self.now);
        }
    }
}
