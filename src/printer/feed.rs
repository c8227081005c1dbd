//! A sliced file, one sendable command after another.

use std::io;
use std::path::Path;

use tokio::fs::File;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, BufReader};

use crate::gcode::{Fate, Policy, Reason, Word, fate_of, lex_line};

/// Most of a line that is held at once. The survey refuses commands longer than the firmware takes; comments may be long.
const LINE_MAX: u64 = 64 * 1024;
/// Of a longer line this much is looked at: what stands behind it can only be comment.
const SEEN: usize = 4096;
const BUFFER: usize = 64 * 1024;

/// Reads a file command by command, leaving out what must not be sent.
#[derive(Debug)]
pub(super) struct Feed {
    reader: BufReader<File>,
    policy: Policy,
    line: Vec<u8>,
    words: Vec<Word>,
    command: Vec<u8>,
    number: u64,
    read: u64,
    length: u64,
    dropped: u64,
}

/// Why a file cannot be sent on.
#[derive(Debug, thiserror::Error)]
pub(super) enum FeedError {
    #[error("the file cannot be read: {0}")]
    Unreadable(#[from] io::Error),
    #[error("line {line} may not be sent: it {text}")]
    Refused { line: u64, text: String },
    #[error("line {line} is longer than 4096 bytes without a comment")]
    TooLong { line: u64 },
}

impl Feed {
    pub(super) async fn open(path: &Path, policy: Policy) -> io::Result<Self> {
        let file = File::open(path).await?;
        let length = file.metadata().await?.len();
        Ok(Self {
            reader: BufReader::with_capacity(BUFFER, file),
            policy,
            line: Vec::new(),
            words: Vec::new(),
            command: Vec::new(),
            number: 0,
            read: 0,
            length,
            dropped: 0,
        })
    }

    /// The next command; `None` at the end of the file.
    pub(super) async fn next(&mut self) -> Result<Option<&[u8]>, FeedError> {
        loop {
            if !self.read_line().await? {
                return Ok(None);
            }
            self.words.clear();
            let line = lex_line(self.line.trim_ascii_end(), &mut self.words);
            match fate_of(&line, &self.words, &self.policy) {
                Fate::Drop => self.dropped += 1,
                // Law L10: the survey refused such files; should one slip through, it stops here.
                Fate::Refuse(Reason { text, .. }) => {
                    return Err(FeedError::Refused { line: self.number, text: text.into_owned() });
                }
                Fate::Blank => {}
                Fate::Pass | Fate::Concern(_) => {
                    self.command.clear();
                    line.sendable(&mut self.command);
                    if !self.command.is_empty() {
                        break;
                    }
                }
            }
        }
        Ok(Some(&self.command))
    }

    /// Reads the next line; of a comment beyond all measure only the beginning. Says whether there was one.
    async fn read_line(&mut self) -> Result<bool, FeedError> {
        self.line.clear();
        let mut n = self.read_piece().await?;
        if n == 0 {
            return Ok(false);
        }
        self.number += 1;
        let whole = |line: &[u8], n: u64| n < LINE_MAX || line.ends_with(b"\n");
        while !whole(&self.line, n) {
            if !self.line[..SEEN].contains(&b';') {
                return Err(FeedError::TooLong { line: self.number });
            }
            self.line.truncate(SEEN);
            n = self.read_piece().await?;
        }
        Ok(true)
    }

    /// Appends bytes up to a line's end, or [`LINE_MAX`] of them.
    async fn read_piece(&mut self) -> io::Result<u64> {
        let n = (&mut self.reader).take(LINE_MAX).read_until(b'\n', &mut self.line).await? as u64;
        self.read += n;
        Ok(n)
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

    async fn fed(text: &[u8]) -> Result<Vec<String>, FeedError> {
        let file = tempfile::NamedTempFile::new()?;
        std::fs::write(file.path(), text)?;
        let mut feed = Feed::open(file.path(), Policy::default()).await?;
        let mut commands = Vec::new();
        while let Some(command) = feed.next().await? {
            commands.push(String::from_utf8_lossy(command).into_owned());
        }
        assert_eq!(feed.progress(), (text.len() as u64, text.len() as u64));
        Ok(commands)
    }

    #[tokio::test]
    async fn comments_numbers_checksums_and_dropped_commands_are_not_sent() {
        let text = b"; head\r\nN1 G28*18\r\n\r\ng1 x1.50 ; over\r\nM84\r\n(aside) G1 Y2\nM117 Half way; there\nG1 E1";
        let commands = fed(text).await.expect("a good file");
        assert_eq!(commands, ["G28", "G1 X1.50", "G1 Y2", "M117 Half way", "G1 E1"]);
    }

    #[tokio::test]
    async fn a_comment_beyond_all_measure_is_passed_over() {
        let mut text = b"G28 ;".to_vec();
        text.extend(std::iter::repeat_n(b'x', 300_000));
        text.extend(b"\nG1 X1\n");
        assert_eq!(fed(&text).await.expect("a good file"), ["G28", "G1 X1"]);
    }

    #[tokio::test]
    async fn what_must_not_be_sent_stops_the_feed_with_its_line() {
        let why = fed(b"G28\n\nM502\n").await.expect_err("a refused command").to_string();
        assert!(why.starts_with("line 3 may not be sent: it "), "{why}");
        let long = [b"G28\n".as_slice(), &[b'G'; 100_000]].concat();
        assert!(matches!(fed(&long).await, Err(FeedError::TooLong { line: 2 })));
    }
}
