//! What arrives: each reply, and what it means for the lines under way.

use super::handshake::{FIRST, Purpose};
use super::refusal::{OkMeans, Refusal};
use super::repair::Verdict;
use super::tally::Heard;
use super::{Dialogue, DialogueEvent, Phase};
use crate::units::Moment;
use crate::wire::Reply;

impl Dialogue {
    pub(super) fn handle_reply(&mut self, now: Moment, reply: Reply) {
        match reply {
            Reply::Ok { line, reports } => {
                let temperatures = reports.iter().any(|report| matches!(report, Reply::Temperatures(_)));
                self.events.extend(reports.into_iter().map(DialogueEvent::Reply));
                match self.refusal.hear_ok(temperatures) {
                    OkMeans::Taken => self.handle_ok(now, Heard { line, temperatures }),
                    OkMeans::EndOfRefusal => {}
                    OkMeans::Refusal(wanted) => self.handle_refusal(now, wanted),
                }
            }
            Reply::Resend { line } => {
                let wanted = self.refusal.hear_resend(now, line);
                self.handle_refusal(now, wanted);
            }
            Reply::Complaint { line, .. } => {
                self.refusal.hear_complaint(line);
                self.patience.suspect(now);
            }
            Reply::Start => self.handle_start(now),
            Reply::Fault { text } => self.end_with(DialogueEvent::Fault { text }),
            Reply::Wait => {
                if self.window.in_flight() > 0 {
                    self.patience.suspect(now);
                }
            }
            report => {
                match &report {
                    Reply::Busy { .. } => self.patience.answered(now),
                    Reply::Temperatures(_) => self.handle_temperatures(now),
                    _ => {}
                }
                self.events.push_back(DialogueEvent::Reply(report));
            }
        }
    }

    fn handle_temperatures(&mut self, now: Moment) {
        self.patience.sign(now);
        if let Phase::Handshake(handshake) = &mut self.phase {
            handshake.hear_temperatures();
        }
    }

    fn handle_start(&mut self, now: Moment) {
        match &mut self.phase {
            Phase::Ended => {}
            Phase::Handshake(handshake) if handshake.purpose() == Purpose::Opening => {
                self.patience.answered(now);
                self.refusal = Refusal::default();
                handshake.hear_start(now);
            }
            Phase::Handshake(_) | Phase::Talking => self.end_with(DialogueEvent::Reset),
        }
    }

    fn handle_ok(&mut self, now: Moment, heard: Heard) {
        self.patience.answered(now);
        match &mut self.phase {
            Phase::Ended => {}
            Phase::Handshake(handshake) => {
                let progress = handshake.hear_ok(now, heard.temperatures);
                self.handle_progress(progress);
            }
            Phase::Talking => {
                self.strange = None;
                if let Some(through) = self.tally.answered_line(&self.window, heard, self.config.window_lines) {
                    self.acknowledge(through);
                }
                self.repair.hear_through(now, self.window.oldest());
                self.expect_more(now);
            }
        }
    }

    /// Tells of every command up to line `through` that has not been told of.
    fn acknowledge(&mut self, through: u32) {
        while self.window.oldest() <= through && self.window.in_flight() > 0 {
            if let Some(ticket) = self.window.acknowledge() {
                self.patience.acknowledged(ticket);
                self.events.push_back(DialogueEvent::Acknowledged { ticket });
            }
        }
    }

    /// Sets the clocks after an `ok`. The next should come soon when the line that goes alone is under way, when nothing but
    /// questions is, and when this one came promptly after a question, so that the printer seems to have nothing else to do.
    fn expect_more(&mut self, now: Moment) {
        if !self.window.own_in_flight() && self.repair.alone().is_none() {
            return;
        }
        if self.repair.alone().is_some() || self.window.only_own_in_flight() || self.patience.is_prompt(now) {
            self.patience.suspect(now);
        } else {
            self.patience.answered_slowly(now);
        }
    }

    fn handle_refusal(&mut self, now: Moment, wanted: Option<u32>) {
        self.patience.answered(now);
        match &mut self.phase {
            Phase::Ended => {}
            Phase::Handshake(handshake) => {
                let progress = handshake.hear_refusal(now, wanted);
                self.handle_progress(progress);
            }
            Phase::Talking => match wanted {
                Some(line) if line == self.window.next() => self.have_received_all(now),
                Some(line) if self.window.holds(line) => self.have_refused(now, line),
                Some(line) if self.strange == Some(line) => self.end_out_of_step(line),
                _ => {
                    self.strange = wanted;
                    self.repair.hear_other_refusal();
                    self.patience.suspect(now);
                }
            },
        }
    }

    fn have_received_all(&mut self, now: Moment) {
        self.strange = None;
        self.repair.hear_other_refusal();
        self.repair.hear_through(now, self.window.next());
        self.window.received_all();
        if self.window.in_flight() > 0 {
            self.patience.suspect(now);
        }
    }

    fn have_refused(&mut self, now: Moment, line: u32) {
        self.strange = None;
        match self.repair.hear_refusal(line, self.window.cursor()) {
            Verdict::Repeat => {
                let count = self.window.next() - line;
                self.question = None;
                self.window.go_back(line);
                self.events.push_back(DialogueEvent::Resent { line, count });
            }
            Verdict::Echo => self.patience.suspect(now),
            Verdict::Settled => {}
            Verdict::Stuck { times } => self.end_with(DialogueEvent::Stuck { line, times }),
        }
    }

    /// No command has line 1, and the line that had it was answered: only a printer that counts from 0 again asks for it.
    fn end_out_of_step(&mut self, wanted: u32) {
        self.end_with(if wanted < FIRST {
            DialogueEvent::Reset
        } else {
            DialogueEvent::Desync { wanted, oldest: self.window.first(), next: self.window.next() }
        });
    }
}
