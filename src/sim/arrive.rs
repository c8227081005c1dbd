//! What arrives on the wire: bytes become lines, lines are checked, and some commands act at once.

use super::fault::LineFault;
use super::firmware::{State, Task};
use super::input::Urgent;
use super::numbering::LineError;
use super::printer::Printer;
use crate::gcode::lex_line;

impl Printer {
    /// Takes bytes in until the board stops to listen.
    pub(super) fn receive(&mut self, bytes: &[u8]) {
        for (index, byte) in bytes.iter().enumerate() {
            if self.config.input.emergency
                && let Some(urgent) = self.firmware.emergency.take(*byte)
            {
                self.act_at_once(urgent);
            }
            if let Some(line) = self.firmware.input.take(*byte)
                && self.receive_line(line).is_err()
                && self.config.input.flush_on_error
            {
                self.firmware.input.drop_partial();
                return;
            }
            match self.firmware.state {
                State::Runs => {}
                State::Quiet(_) => return self.firmware.input.leave_unseen(&bytes[index + 1..]),
                State::Boots(_) | State::Halted => return,
            }
        }
    }

    fn receive_line(&mut self, line: Vec<u8>) -> Result<(), LineError> {
        self.lines_arrived += 1;
        for fault in self.script.at_line(self.lines_arrived) {
            self.suffer(fault);
        }
        if self.firmware.state != State::Runs {
            return Ok(());
        }
        let mut line = Some(line);
        let mut again = Ok(());
        while let Some(fault) = self.line_faults.pop_front() {
            line = line.and_then(|line| fault.spoil(line));
            if fault == LineFault::Resend {
                again = Err(LineError::Checksum);
            }
        }
        let Some(line) = line.filter(|line| !line.trim_ascii().is_empty()) else { return Ok(()) };
        let mut words = Vec::new();
        let lexed = lex_line(&line, &mut words);
        let accepted = again.and_then(|()| self.firmware.numbering.accept(&lexed, &words));
        match accepted {
            Err(error) => self.ask_again(error),
            // Neither number nor command: a comment, which gets no answer.
            Ok(()) if words.is_empty() && lexed.number.is_none() && lexed.oddity.is_none() => {}
            Ok(()) => {
                self.firmware.input.keep(line);
                self.work();
            }
        }
        accepted
    }

    fn ask_again(&mut self, error: LineError) {
        let last = self.firmware.numbering.last();
        self.lines_refused += 1;
        self.output.say(self.now, &format!("Error:{error}, Last Line: {last}"));
        self.output.say(self.now, &format!("Resend: {}", last + 1));
        self.output.say_ok(self.now, "ok");
    }

    fn act_at_once(&mut self, urgent: Urgent) {
        match urgent {
            Urgent::Stop => self.halt("emergency stop"),
            Urgent::StopMoves => self.stop_moves(),
            Urgent::EndWait => {
                if let Some(Task::Heat { .. } | Task::Person) = self.firmware.work.as_ref().map(|work| &work.task) {
                    self.finish("ok");
                    self.work();
                }
            }
        }
    }
}
