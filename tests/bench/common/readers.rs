//! Other ways to go through the same file: bounds that no survey can pass, and readers that do less than one.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use super::pieces;
use async_gcode::{Error, GCode, Parser};
use futures_util::{FutureExt, stream};
use gcode::core::{
    BlockVisitor, CommandVisitor, ControlFlow, Diagnostics, HasDiagnostics, Number, ProgramVisitor, Span, Value,
};

/// Reads in pieces and counts line feeds.
pub(crate) fn count_lines(path: &Path) -> u64 {
    let mut lines = 0;
    pieces::in_pieces(path, |piece| lines += memchr::memchr_iter(b'\n', piece).count() as u64);
    lines
}

/// Reads line by line into one string.
pub(crate) fn read_lines(path: &Path) -> u64 {
    let mut reader = BufReader::with_capacity(pieces::PIECE_BYTES, File::open(path).expect("the sample can be opened"));
    let (mut line, mut lines) = (String::new(), 0);
    while reader.read_line(&mut line).expect("the sample is text") > 0 {
        lines += 1;
        line.clear();
    }
    lines
}

/// What one would write by hand in five minutes: lines, words, numbers, and nothing done with them. The text is in memory.
pub(crate) fn parse_by_hand(text: &str) -> u64 {
    let (mut words, mut sum) = (0, 0.0);
    for line in text.lines() {
        for word in line.split_ascii_whitespace().take_while(|word| !word.starts_with(';')) {
            let value = word.get(1..).and_then(|number| number.parse::<f64>().ok());
            words += u64::from(value.is_some());
            sum += value.unwrap_or(0.0);
        }
    }
    words + u64::from(sum == 0.5)
}

/// The words that crate `gcode` finds in a text in memory.
pub(crate) fn parse_with_gcode(text: &str) -> u64 {
    let mut words = Words(0);
    gcode::core::parse(text, &mut words);
    words.0
}

/// The words that crate `async-gcode` finds in a text in memory. It reads no comments without the feature for them; a line
/// with one is given up at its semicolon.
pub(crate) fn parse_with_async_gcode(text: &str) -> u64 {
    let parsing = async {
        let mut parser = Parser::new(stream::iter(text.bytes().map(Ok::<_, Error>)));
        let mut words = 0;
        while let Some(found) = parser.next().await {
            words += u64::from(matches!(found, Ok(GCode::Word(..))));
        }
        words
    };
    parsing.now_or_never().expect("a text in memory keeps nobody waiting")
}

/// Counts the words of crate `gcode`.
struct Words(u64);

impl Diagnostics for Words {}

impl ProgramVisitor for Words {
    fn start_block(&mut self) -> ControlFlow<impl BlockVisitor + '_> {
        ControlFlow::Continue(WordsOfBlock(self))
    }
}

struct WordsOfBlock<'a>(&'a mut Words);

impl WordsOfBlock<'_> {
    fn command(&mut self) -> ControlFlow<&mut Words> {
        self.0.0 += 1;
        ControlFlow::Continue(self.0)
    }
}

impl HasDiagnostics for WordsOfBlock<'_> {
    fn diagnostics(&mut self) -> &mut dyn Diagnostics {
        self.0
    }
}

impl BlockVisitor for WordsOfBlock<'_> {
    fn word_address(&mut self, _: char, _: Value<'_>, _: Span) {
        self.0.0 += 1;
    }
    fn start_general_code(&mut self, _: Number) -> ControlFlow<impl CommandVisitor + '_> {
        self.command().map_continue(WordsOfCommand)
    }
    fn start_miscellaneous_code(&mut self, _: Number) -> ControlFlow<impl CommandVisitor + '_> {
        self.command().map_continue(WordsOfCommand)
    }
    fn start_tool_change_code(&mut self, _: Number) -> ControlFlow<impl CommandVisitor + '_> {
        self.command().map_continue(WordsOfCommand)
    }
}

struct WordsOfCommand<'a>(&'a mut Words);

impl HasDiagnostics for WordsOfCommand<'_> {
    fn diagnostics(&mut self) -> &mut dyn Diagnostics {
        self.0
    }
}

impl CommandVisitor for WordsOfCommand<'_> {
    fn argument(&mut self, _: char, _: Value<'_>, _: Span) {
        self.0.0 += 1;
    }
}
