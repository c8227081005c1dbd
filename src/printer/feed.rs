//! A sliced file, one sendable command after another. Bytes come in as they are read, in whatever pieces.

use std::io;

use crate::gcode::{Policy, Sifted, Word, lex_line, sift};

/// Most of a line that is held at once. The survey refuses commands longer than the firmware takes; comments may be long.
const LINE_MAX: usize = 64 * 1024;
/// Of a longer line this much is looked at: what stands behind it can only be comment.
const SEEN: usize = 4096;

/// Finds the commands of a file, leaving out what must not be sent.
#[derive(Debug)]
pub(super) struct Feed {
    policy: Policy,
    /// Bytes at hand, of which those before `at` are done with.
    bytes: Vec<u8>,
    at: usize,
    /// Whether the line at hand has been cut down to its beginning; the rest of it is passed over.
    cut: bool,
    whole: bool,
    words: Vec<Word>,
    command: Vec<u8>,
    number: u64,
    read: u64,
    length: u64,
    dropped: u64,
}

/// What the file has to give.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Fed<'a> {
    /// A command.
    Command(&'a [u8]),
    /// More of the file is needed.
    Hungry,
    /// There is no more.
    End,
}

/// Why a file cannot be sent on.
#[derive(Debug, thiserror::Error)]
pub(super) enum FeedError {
    #[error("the file cannot be read: {0}")]
    Unreadable(#[from] io::Error),
    #[error("line {line} may not be sent: it {text}")]
    Refused { line: u64, text: String },
    #[error("line {line} is longer than {SEEN} bytes without a comment")]
    TooLong { line: u64 },
}

impl Feed {
    /// A file of this length, of which nothing has come yet.
    pub(super) fn new(policy: Policy, length: u64) -> Self {
        Self {
            policy,
            bytes: Vec::new(),
            at: 0,
            cut: false,
            whole: false,
            words: Vec::new(),
            command: Vec::new(),
            number: 0,
            read: 0,
            length,
            dropped: 0,
        }
    }

    /// Takes the next bytes of the file; none at all is its end.
    pub(super) fn handle_bytes(&mut self, bytes: &[u8]) {
        self.whole |= bytes.is_empty();
        self.bytes.drain(..self.at);
        self.at = 0;
        self.bytes.extend_from_slice(bytes);
    }

    /// The next command, if the bytes at hand have one.
    pub(super) fn next(&mut self) -> Result<Fed<'_>, FeedError> {
        loop {
            let line = match self.next_line()? {
                Some(line) => line,
                None if self.whole => return Ok(Fed::End),
                None => return Ok(Fed::Hungry),
            };
            let line = lex_line(self.bytes[line].trim_ascii_end(), &mut self.words);
            match sift(&line, &self.words, &self.policy, &mut self.command) {
                Sifted::Send => break,
                Sifted::LeftOut => self.dropped += 1,
                Sifted::Nothing => {}
                // Law L10: the survey refused such files; should one slip through, it stops here.
                Sifted::Refused(reason) => {
                    return Err(FeedError::Refused { line: self.number, text: reason.text.into_owned() });
                }
            }
        }
        Ok(Fed::Command(&self.command))
    }

    /// Where the next line is among the bytes at hand; of a comment beyond all measure only the beginning.
    fn next_line(&mut self) -> Result<Option<std::ops::Range<usize>>, FeedError> {
        let from = self.at;
        let known = if self.cut { SEEN } else { 0 };
        let end =
            self.bytes[from + known..].iter().position(|byte| *byte == b'\n').map(|length| from + known + length + 1);
        let end = end.or_else(|| (self.whole && from < self.bytes.len()).then_some(self.bytes.len()));
        let held = end.unwrap_or(self.bytes.len()) - from;
        if held >= LINE_MAX && !self.cut {
            if !self.bytes[from..from + SEEN].contains(&b';') {
                return Err(FeedError::TooLong { line: self.number + 1 });
            }
            self.cut = true;
        }
        let Some(end) = end else {
            if self.cut {
                self.read += (held - SEEN) as u64;
                self.bytes.truncate(from + SEEN);
            }
            return Ok(None);
        };
        self.number += 1;
        self.read += (end - from) as u64;
        self.at = end;
        let seen = if std::mem::take(&mut self.cut) { from + SEEN } else { end };
        Ok(Some(from..seen))
    }

    /// Bytes read, and how many there are.
    pub(super) fn progress(&self) -> (u64, u64) {
        (self.read, self.length)
    }

    pub(super) fn dropped(&self) -> u64 {
        self.dropped
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What comes out when the file comes in pieces of this size.
    fn fed(text: &[u8], piece: usize) -> Result<Vec<String>, FeedError> {
        let mut feed = Feed::new(Policy::default(), text.len() as u64);
        let mut pieces = text.chunks(piece).chain([&b""[..]]);
        let mut commands = Vec::new();
        loop {
            match feed.next()? {
                Fed::Command(command) => commands.push(String::from_utf8_lossy(command).into_owned()),
                Fed::Hungry => feed.handle_bytes(pieces.next().expect("the end is said once")),
                Fed::End => break,
            }
        }
        assert_eq!(feed.progress(), (text.len() as u64, text.len() as u64));
        Ok(commands)
    }

    #[test]
    fn comments_numbers_checksums_and_dropped_commands_are_not_sent() {
        let text = b"; head\r\nN1 G28*18\r\n\r\ng1 x1.50 ; over\r\nM84\r\n(aside) G1 Y2\nM117 Half way; there\nG1 E1";
        for piece in [1, 7, 1000] {
            let commands = fed(text, piece).expect("a good file");
            assert_eq!(commands, ["G28", "G1 X1.50", "G1 Y2", "M117 Half way", "G1 E1"]);
        }
    }

    #[test]
    fn a_comment_beyond_all_measure_is_passed_over() {
        let mut text = b"G28 ;".to_vec();
        text.extend(std::iter::repeat_n(b'x', 300_000));
        text.extend(b"\nG1 X1\n");
        for piece in [4095, 4097, 65_536, 1_000_000] {
            assert_eq!(fed(&text, piece).expect("a good file"), ["G28", "G1 X1"], "in pieces of {piece}");
        }
    }

    #[test]
    fn what_must_not_be_sent_stops_the_feed_with_its_line() {
        let why = fed(b"G28\n\nM502\n", 3).expect_err("a refused command").to_string();
        assert!(why.starts_with("line 3 may not be sent: it "), "{why}");
        let long = [b"G28\n".as_slice(), &[b'G'; 100_000]].concat();
        assert!(matches!(fed(&long, 5000), Err(FeedError::TooLong { line: 2 })));
    }
}
