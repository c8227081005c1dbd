//! A second opinion on the lexer: the `gcode` crate reads the same files.

use std::fs;

use gcode::core::{
    BlockVisitor, CommandVisitor, ControlFlow, Diagnostics, HasDiagnostics, Number, ProgramVisitor, Span, Value,
};
use nosebar::gcode::{Line, Word, lex_line};

use crate::ground;

/// Letters and numbers that the other reader found on a line, in their order.
#[derive(Default)]
struct Heard(Vec<(u8, f64)>);

impl Heard {
    fn read(line: &str) -> Vec<(u8, f64)> {
        let mut heard = Self::default();
        gcode::core::parse(line, &mut heard);
        heard.0
    }

    fn hear(&mut self, letter: char, value: f64) {
        self.0.push((u8::try_from(letter.to_ascii_uppercase()).expect("letters are ASCII"), value));
    }

    fn hear_word(&mut self, letter: char, value: &Value<'_>) {
        if let Value::Literal(number) = value {
            self.hear(letter, f64::from(*number));
        }
    }

    fn command(&mut self, letter: char, number: Number) -> ControlFlow<&mut Self> {
        let minor = number.minor().map_or(0, std::num::NonZeroU32::get);
        self.hear(letter, f64::from(number.major()) + f64::from(minor) / 10.0);
        ControlFlow::Continue(self)
    }
}

impl Diagnostics for Heard {}

impl ProgramVisitor for Heard {
    fn start_block(&mut self) -> ControlFlow<impl BlockVisitor + '_> {
        ControlFlow::Continue(Block(self))
    }
}

struct Block<'a>(&'a mut Heard);

impl HasDiagnostics for Block<'_> {
    fn diagnostics(&mut self) -> &mut dyn Diagnostics {
        self.0
    }
}

impl BlockVisitor for Block<'_> {
    fn program_number(&mut self, number: u32, _: Span) {
        self.0.hear('O', f64::from(number));
    }
    fn word_address(&mut self, letter: char, value: Value<'_>, _: Span) {
        self.0.hear_word(letter, &value);
    }
    fn start_general_code(&mut self, number: Number) -> ControlFlow<impl CommandVisitor + '_> {
        self.0.command('G', number).map_continue(Command)
    }
    fn start_miscellaneous_code(&mut self, number: Number) -> ControlFlow<impl CommandVisitor + '_> {
        self.0.command('M', number).map_continue(Command)
    }
    fn start_tool_change_code(&mut self, number: Number) -> ControlFlow<impl CommandVisitor + '_> {
        self.0.command('T', number).map_continue(Command)
    }
}

struct Command<'a>(&'a mut Heard);

impl HasDiagnostics for Command<'_> {
    fn diagnostics(&mut self) -> &mut dyn Diagnostics {
        self.0
    }
}

impl CommandVisitor for Command<'_> {
    fn argument(&mut self, letter: char, value: Value<'_>, _: Span) {
        self.0.hear_word(letter, &value);
    }
}

/// How the two readings of a line relate.
#[derive(Debug, PartialEq, Eq)]
enum Verdict {
    Same,
    /// Ours stops where the argument of a command is text, such as a message or a file's name.
    StopsAtText,
    /// Ours stops at something that is no word, such as an expression: nothing behind it can be relied on.
    StopsAtOddity,
    Differs,
}

/// The other reader keeps single precision.
fn is_same(ours: &Word, theirs: (u8, f64)) -> bool {
    ours.letter == theirs.0 && (ours.value - theirs.1).abs() <= f64::from(f32::EPSILON) * ours.value.abs()
}

fn compare(line: &Line<'_>, ours: &[Word], theirs: &[(u8, f64)]) -> Verdict {
    // The other reader reports no letter that has no number (`G28 X Y`).
    let ours: Vec<&Word> = ours.iter().filter(|word| word.has_value).collect();
    if ours.len() > theirs.len() || !ours.iter().zip(theirs).all(|(ours, theirs)| is_same(ours, *theirs)) {
        return Verdict::Differs;
    }
    match (ours.len() == theirs.len(), line.text, line.oddity) {
        (true, _, _) => Verdict::Same,
        (false, Some(_), _) => Verdict::StopsAtText,
        (false, None, Some(_)) => Verdict::StopsAtOddity,
        (false, None, None) => Verdict::Differs,
    }
}

#[test]
fn another_reader_finds_the_same_words_in_every_file() {
    let (mut same_lines, mut same_words, mut cut_short) = (0, 0, 0);
    let mut differing = Vec::new();
    let mut words = Vec::new();
    for path in ground::everything() {
        let bytes = fs::read(&path).expect("a readable test file");
        for (index, raw) in bytes.split(|byte| *byte == b'\n').enumerate() {
            let theirs = Heard::read(&String::from_utf8_lossy(raw));
            let line = lex_line(raw, &mut words);
            match compare(&line, &words, &theirs) {
                Verdict::Same => {
                    same_lines += usize::from(!theirs.is_empty());
                    same_words += theirs.len();
                }
                Verdict::StopsAtText | Verdict::StopsAtOddity => cut_short += 1,
                Verdict::Differs => differing.push((path.clone(), index + 1, words.clone(), theirs)),
            }
        }
    }
    assert!(differing.is_empty(), "{differing:#?}");
    // Nearly all of it: 351,000 command lines in the three prints alone.
    assert!(same_lines > 351_000, "{same_lines} lines agree");
    assert!(same_words > 1_400_000, "{same_words} words agree");
    assert!(cut_short < 50, "{cut_short} lines end earlier for us");
}
