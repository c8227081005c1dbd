//! The serial input of limited size: bytes become lines, and what finds no room is lost.

use std::collections::VecDeque;

use super::config::InputConfig;

/// The serial input. Room is taken by unfinished bytes, by waiting lines, and by the line that is being worked on.
#[derive(Clone, Debug)]
pub(super) struct Input {
    config: InputConfig,
    partial: Vec<u8>,
    /// Bytes of the unfinished line, those beyond the longest line too.
    partial_size: usize,
    waiting: VecDeque<Vec<u8>>,
    /// Room taken by waiting lines and the line at work, line ends included.
    taken: usize,
    at_work: Option<usize>,
    /// Raw bytes that arrived while the firmware did not look.
    unseen: Vec<u8>,
    lost: u64,
}

impl Input {
    pub(super) fn new(config: InputConfig) -> Self {
        Self {
            config,
            partial: Vec::new(),
            partial_size: 0,
            waiting: VecDeque::new(),
            taken: 0,
            at_work: None,
            unseen: Vec::new(),
            lost: 0,
        }
    }

    /// Takes a byte; gives a line back when it is whole, without its end.
    pub(super) fn take(&mut self, byte: u8) -> Option<Vec<u8>> {
        if !self.has_room() {
            self.lost += 1;
            return None;
        }
        if byte == b'\n' {
            self.partial_size = 0;
            let mut line = std::mem::take(&mut self.partial);
            if line.last() == Some(&b'\r') {
                line.pop();
            }
            return Some(line);
        }
        self.partial_size += 1;
        // Room for a carriage return, which is no part of the line.
        if self.partial.len() > self.config.line_bytes
            || (self.partial.len() == self.config.line_bytes && byte != b'\r')
        {
            self.lost += 1;
        } else {
            self.partial.push(byte);
        }
        None
    }

    /// The firmware does not look: bytes lie where they arrived as long as there is room.
    pub(super) fn leave_unseen(&mut self, bytes: &[u8]) {
        let room = self.config.bytes.saturating_sub(self.taken + self.partial_size + self.unseen.len());
        let kept = bytes.len().min(room);
        self.unseen.extend_from_slice(&bytes[..kept]);
        self.lost += (bytes.len() - kept) as u64;
    }

    /// Gives the bytes back that arrived while the firmware did not look.
    pub(super) fn take_unseen(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.unseen)
    }

    /// A line was accepted and waits its turn.
    pub(super) fn keep(&mut self, line: Vec<u8>) {
        self.taken += line.len() + 1;
        self.waiting.push_back(line);
    }

    /// The next line to work on.
    pub(super) fn next(&mut self) -> Option<Vec<u8>> {
        let line = self.waiting.pop_front()?;
        self.at_work = Some(line.len() + 1);
        Some(line)
    }

    /// The line that was worked on is done: its room is free.
    pub(super) fn done(&mut self) {
        self.taken -= self.at_work.take().unwrap_or(0);
    }

    /// Throws away the unfinished line.
    pub(super) fn drop_partial(&mut self) {
        self.partial.clear();
        self.partial_size = 0;
    }

    /// Bytes lost since this was last asked.
    pub(super) fn take_lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }

    fn has_room(&self) -> bool {
        let lines = self.waiting.len() + usize::from(self.at_work.is_some());
        lines < self.config.lines && self.taken + self.partial_size < self.config.bytes
    }
}

/// Sees commands that must not wait their turn, in the raw bytes as they arrive, whatever room there is.
#[derive(Clone, Debug, Default)]
pub(super) struct Emergency {
    line: Vec<u8>,
}

/// A command that acts at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Urgent {
    /// M108: leave the wait under way.
    EndWait,
    /// M112: heaters and motors off, nothing more until a reset.
    Stop,
    /// M410: stop the moves.
    StopMoves,
}

/// Longest head of a line that is looked at: number, blank, command.
const HEAD_MAX: usize = 24;

impl Emergency {
    /// Takes a byte; tells when a line that ends here is urgent.
    pub(super) fn take(&mut self, byte: u8) -> Option<Urgent> {
        if byte == b'\n' {
            let urgent = urgent(&self.line);
            self.line.clear();
            return urgent;
        }
        if self.line.len() < HEAD_MAX {
            self.line.push(byte);
        }
        None
    }
}

fn urgent(head: &[u8]) -> Option<Urgent> {
    let head = head.trim_ascii_start();
    let head = match head.strip_prefix(b"N") {
        Some(numbered) => &numbered[numbered.iter().take_while(|byte| byte.is_ascii_digit()).count()..],
        None => head,
    };
    let command = head.trim_ascii_start();
    let length = command.iter().take_while(|byte| byte.is_ascii_alphanumeric()).count();
    match &command[..length] {
        b"M108" => Some(Urgent::EndWait),
        b"M112" => Some(Urgent::Stop),
        b"M410" => Some(Urgent::StopMoves),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input() -> Input {
        Input::new(InputConfig::default())
    }

    fn feed(input: &mut Input, text: &str) -> Vec<String> {
        let mut lines = Vec::new();
        for byte in text.bytes() {
            if let Some(line) = input.take(byte) {
                lines.push(String::from_utf8(line.clone()).expect("text"));
                input.keep(line);
            }
        }
        lines
    }

    #[test]
    fn the_fifth_line_is_lost_until_one_is_done() {
        let mut input = input();
        assert_eq!(feed(&mut input, "A\r\nB\nC\nD\nE\n"), ["A", "B", "C", "D"]);
        assert_eq!(input.take_lost(), 2);
        assert_eq!(input.next().as_deref(), Some(&b"A"[..]));
        assert!(feed(&mut input, "F\n").is_empty(), "the line at work takes its place until it is done");
        input.done();
        assert_eq!(feed(&mut input, "G\n"), ["G"]);
    }

    #[test]
    fn bytes_beyond_the_room_are_lost() {
        let mut input = input();
        let long = "X".repeat(60);
        assert_eq!(feed(&mut input, &format!("{long}\n{long}\nabcdefgh\n")).len(), 2);
        // 122 bytes were taken: five more fit, their line's end does not.
        assert_eq!(input.take_lost(), 4);
        assert_eq!(input.next().map(|line| line.len()), Some(60));
        input.done();
        assert_eq!(feed(&mut input, "i\n"), ["abcdei"], "what is left of two lines makes one that nobody sent");
    }

    #[test]
    fn a_line_keeps_only_its_greatest_length() {
        let mut input = input();
        assert_eq!(feed(&mut input, &format!("{}yz\r\n", "x".repeat(96))), ["x".repeat(96)]);
        assert_eq!(input.take_lost(), 2);
    }

    #[test]
    fn urgent_commands_are_seen_with_number_and_without() {
        let mut emergency = Emergency::default();
        let mut see = |line: &str| line.bytes().filter_map(|byte| emergency.take(byte)).collect::<Vec<_>>();
        assert_eq!(see("M112\n"), [Urgent::Stop]);
        assert_eq!(see("N123 M112*35\n"), [Urgent::Stop]);
        assert_eq!(see("N7 M108 *1\r\nM410;now\n"), [Urgent::EndWait, Urgent::StopMoves]);
        assert_eq!(see("M1120\nM117 M112\nG1 X1 ; M112\n"), []);
    }
}
