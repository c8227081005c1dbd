//! From the bytes of one line to its words: RepRap dialect (RepRap wiki, page "G-code") on the grammar of NISTIR 6556, §3.3.

use super::number::{is_blank, parse_number, skip_blanks};

/// A letter and its number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Word {
    /// The letter, upper case.
    pub letter: u8,
    /// The number, finite; 0 if there is none.
    pub value: f64,
    /// Whether the letter has a number, as the `X` of `G28 X` has not.
    pub has_value: bool,
}

impl Word {
    /// The word as a command or mode: letter, number, digit after the point, so that `G92.1` is `('G', 92, 1)`.
    /// `None` without a number, below zero, or with more than one digit after the point.
    #[must_use]
    pub fn code(&self) -> Option<Code> {
        if !self.has_value || !(0.0..1e5).contains(&self.value) {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 10^5 by the check above")]
        let whole = self.value as u32;
        if self.value == f64::from(whole) {
            return Some((self.letter, whole, 0));
        }
        let tenths = self.value * 10.0;
        // "Close to an integer" is within 0.0001 (NISTIR 6556, §3.3.2.1).
        let nearest = tenths.round();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 10^6 by the check above")]
        let nearest_tenths = nearest as u32;
        ((tenths - nearest).abs() <= 0.001).then_some((self.letter, nearest_tenths / 10, nearest_tenths % 10))
    }
}

/// Letter, number, digit after the point.
pub type Code = (u8, u32, u32);

/// What a line holds beside its words.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line<'a> {
    /// The `N` number, if the line has one.
    pub number: Option<i64>,
    /// The checksum behind `*`, if the line has one.
    pub checksum: Option<Checksum>,
    /// The bytes behind the number and before checksum or `;`: what [`Line::sendable`] is made of.
    pub body: &'a [u8],
    /// The text behind `;`, or else inside the last `( … )`.
    pub comment: Option<&'a [u8]>,
    /// The argument of a command that takes the rest of the line as text, such as `M117`; blanks around it cut off.
    pub text: Option<&'a [u8]>,
    /// Whether a text in quotation marks stands behind a word.
    pub is_quoting: bool,
    /// Whether the line begins with `/` (NISTIR 6556, §3.3.1: it may be skipped).
    pub block_delete: bool,
    /// The first thing on the line that is neither word nor comment; what stands behind it was not read as words.
    pub oddity: Option<Oddity>,
}

/// A checksum as stated and as the bytes give it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Checksum {
    /// The number behind `*`; `None` if there is none that fits.
    pub stated: Option<u32>,
    /// XOR of every byte before the `*`, see [`xor_checksum`].
    pub computed: u8,
}

impl Checksum {
    /// Whether both agree.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.stated == Some(u32::from(self.computed))
    }
}

/// Something that is neither word nor comment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Oddity {
    /// A parameter or an expression (`#3`, `[1+2]`, `{…}`, `=`).
    Expression,
    /// A letter whose number breaks off, as `X-` and `X.`.
    BrokenNumber(u8),
    /// A byte that has no meaning where it stands.
    Stray(u8),
    /// A `(` that is never closed.
    OpenComment,
}

/// XOR of all bytes: the checksum of the RepRap wiki, "G-code", section on checking.
#[must_use]
pub fn xor_checksum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

/// Reads one line, with or without its ending, into `words`, which is cleared first. `N` and `*` are not among the words.
///
/// Allocates nothing once `words` has grown.
pub fn lex_line<'a>(line: &'a [u8], words: &mut Vec<Word>) -> Line<'a> {
    words.clear();
    let mut lexer = Lexer::new(line);
    while lexer.at < line.len() {
        lexer.step(words);
    }
    lexer.out.body = &line[lexer.body_start..lexer.body_end.max(lexer.body_start)];
    lexer.out
}

struct Lexer<'a> {
    line: &'a [u8],
    at: usize,
    body_start: usize,
    body_end: usize,
    out: Line<'a>,
}

impl<'a> Lexer<'a> {
    fn new(line: &'a [u8]) -> Self {
        // A byte order mark means nothing in a sliced file.
        let start = if line.starts_with(b"\xEF\xBB\xBF") { 3 } else { 0 };
        let out = Line {
            number: None,
            checksum: None,
            body: &[],
            comment: None,
            text: None,
            is_quoting: false,
            block_delete: false,
            oddity: None,
        };
        Self { line, at: start, body_start: start, body_end: line.len(), out }
    }

    fn step(&mut self, words: &mut Vec<Word>) {
        let byte = self.line[self.at];
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' => self.word(byte.to_ascii_uppercase(), words),
            _ if is_blank(byte) => self.at += 1,
            b';' => self.end_comment(),
            b'(' => self.bracket_comment(),
            b'*' => self.checksum(self.at),
            // A line that begins with % marks the ends of a tape (NISTIR 6556, §3.1).
            b'%' if words.is_empty() => self.end_comment(),
            b'"' if !words.is_empty() => self.quoted(),
            b'/' if words.is_empty() && !self.out.block_delete => {
                self.out.block_delete = true;
                self.at += 1;
                self.body_start = self.at;
            }
            b'#' | b'[' | b'{' | b'=' => self.give_up(Oddity::Expression),
            _ => self.give_up(Oddity::Stray(byte)),
        }
    }

    fn word(&mut self, letter: u8, words: &mut Vec<Word>) {
        let first = words.is_empty();
        if first && letter == b'M' && self.text_command(words) {
            return;
        }
        let number = parse_number(self.line, self.at + 1);
        if !number.has_digits && number.has_sign_or_point {
            self.at += 1;
            words.push(Word { letter, value: 0.0, has_value: false });
            self.give_up(Oddity::BrokenNumber(letter));
            return;
        }
        self.at = if number.has_digits { number.end } else { self.at + 1 };
        if letter == b'N' && first && number.has_digits && self.out.number.is_none() {
            #[expect(clippy::cast_possible_truncation, reason = "at most 10^18; a fraction means nothing here")]
            let value = number.value as i64;
            self.out.number = Some(value);
            self.body_start = self.at;
            return;
        }
        words.push(Word { letter, value: number.value, has_value: number.has_digits });
    }

    /// Takes a command whose argument is text, if one stands here. Its number ends at the first blank, for `M117 3 left`
    /// is not `M1173`.
    fn text_command(&mut self, words: &mut Vec<Word>) -> bool {
        let start = skip_blanks(self.line, self.at + 1);
        let digits = self.line[start..].iter().take(4).take_while(|byte| byte.is_ascii_digit()).count();
        let end = start + digits;
        let number = self.line[start..end].iter().fold(0_u32, |sum, byte| sum * 10 + u32::from(byte - b'0'));
        if digits == 0
            || !takes_text(number)
            || self.line.get(end).is_some_and(|byte| matches!(byte, b'.' | b'0'..=b'9'))
        {
            return false;
        }
        words.push(Word { letter: b'M', value: f64::from(number), has_value: true });
        self.at = end;
        let rest = &self.line[end..];
        let mut stop = rest.iter().position(|byte| *byte == b';').map_or(self.line.len(), |semicolon| end + semicolon);
        if self.out.number.is_some()
            && let Some(star) = self.line[end..stop].iter().rposition(|byte| *byte == b'*')
        {
            let comment_start = stop;
            stop = end + star;
            self.checksum(stop);
            self.at = self.at.max(comment_start);
        } else {
            self.at = stop;
            self.body_end = stop;
        }
        self.out.text = Some(self.line[end..stop].trim_ascii());
        true
    }

    fn end_comment(&mut self) {
        self.out.comment = Some(&self.line[self.at + 1..]);
        self.body_end = self.body_end.min(self.at);
        self.at = self.line.len();
    }

    fn bracket_comment(&mut self) {
        let inside = self.at + 1;
        if let Some(length) = self.line[inside..].iter().position(|byte| *byte == b')') {
            self.out.comment = Some(&self.line[inside..inside + length]);
            self.at = inside + length + 1;
        } else {
            self.out.comment = Some(&self.line[inside..]);
            self.out.oddity = Some(Oddity::OpenComment);
            self.body_end = self.body_end.min(self.at);
            self.at = self.line.len();
        }
    }

    /// Reads the checksum at the `*` that stands at `star`; nothing but a comment may follow it.
    fn checksum(&mut self, star: usize) {
        let start = skip_blanks(self.line, star + 1);
        let digits = self.line[start..].iter().take_while(|byte| byte.is_ascii_digit()).count();
        let stated = std::str::from_utf8(&self.line[start..start + digits]).ok().and_then(|text| text.parse().ok());
        self.out.checksum = Some(Checksum { stated, computed: xor_checksum(&self.line[..star]) });
        self.body_end = star;
        self.at = skip_blanks(self.line, start + digits);
        while self.line.get(self.at) == Some(&b'(') {
            self.bracket_comment();
            self.at = skip_blanks(self.line, self.at);
        }
        // A word here would be reckoned with, and not be sent.
        if let Some(&byte) = self.line.get(self.at).filter(|byte| **byte != b';') {
            self.give_up(Oddity::Stray(byte));
        }
    }

    /// A text in quotation marks behind a letter, such as the name in `M486 A"clip"`.
    fn quoted(&mut self) {
        self.out.is_quoting = true;
        let inside = self.at + 1;
        match self.line[inside..].iter().position(|byte| *byte == b'"') {
            Some(length) => self.at = inside + length + 1,
            None => self.give_up(Oddity::Stray(b'"')),
        }
    }

    /// Nothing behind this place is read as words; a comment at the end is still found.
    fn give_up(&mut self, oddity: Oddity) {
        self.out.oddity = Some(oddity);
        match self.line[self.at..].iter().position(|byte| *byte == b';') {
            Some(length) => self.at += length,
            None => self.at = self.line.len(),
        }
    }
}

/// Commands that take the rest of the line as text: messages and names of files (RepRap wiki, "G-code").
const fn takes_text(number: u32) -> bool {
    matches!(number, 0 | 1 | 16 | 23 | 28 | 30 | 32 | 33 | 36 | 38 | 70 | 117 | 118 | 928)
}

impl Line<'_> {
    /// Appends the line as it is to be sent: no comment, no number, no checksum, upper-case letters, one blank before each
    /// word and none inside. Text and quoted names keep their bytes. Appends nothing for a line without a command.
    pub fn sendable(&self, out: &mut Vec<u8>) {
        if let Some(text) = self.text {
            return self.send_text_command(text, out);
        }
        let begin = out.len();
        let mut at = 0;
        while let Some(&byte) = self.body.get(at) {
            match byte {
                b'(' => at += distance(&self.body[at..], b')'),
                b'"' => {
                    let length = 1 + distance(&self.body[at + 1..], b'"');
                    out.extend_from_slice(&self.body[at..self.body.len().min(at + length + 1)]);
                    at += length;
                }
                b'A'..=b'Z' | b'a'..=b'z' => {
                    if out.len() > begin {
                        out.push(b' ');
                    }
                    out.push(byte.to_ascii_uppercase());
                }
                _ if is_blank(byte) => {}
                _ => out.push(byte),
            }
            at += 1;
        }
    }

    fn send_text_command(&self, text: &[u8], out: &mut Vec<u8>) {
        let digits =
            self.body.iter().skip_while(|byte| !byte.is_ascii_digit()).take_while(|byte| byte.is_ascii_digit());
        out.push(b'M');
        out.extend(digits);
        if !text.is_empty() {
            out.push(b' ');
            out.extend_from_slice(text);
        }
    }
}

/// How far away `wanted` is, or else the end.
fn distance(bytes: &[u8], wanted: u8) -> usize {
    bytes.iter().position(|byte| *byte == wanted).unwrap_or(bytes.len())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn words_of(line: &str) -> String {
        let mut words = Vec::new();
        lex_line(line.as_bytes(), &mut words);
        let shown = words.iter().map(|word| {
            let letter = char::from(word.letter);
            if word.has_value { format!("{letter}{}", word.value) } else { letter.to_string() }
        });
        shown.collect::<Vec<_>>().join(" ")
    }

    fn sent(line: &str) -> String {
        let mut out = Vec::new();
        lex_line(line.as_bytes(), &mut Vec::new()).sendable(&mut out);
        String::from_utf8(out).expect("text")
    }

    fn lexed(line: &[u8]) -> Line<'_> {
        lex_line(line, &mut Vec::new())
    }

    /// NISTIR 6556, §3.3.2: the example of a line with blanks in odd places.
    #[test]
    fn case_and_blanks_do_not_count() {
        assert_eq!(words_of("g0x +0. 12 34y 7"), "G0 X0.1234 Y7");
        assert_eq!(words_of("g0x +0. 12 34y 7"), words_of("g0 x+0.1234 y7"));
        assert_eq!(sent("g0x +0. 12 34y 7"), "G0 X+0.1234 Y7");
        assert_eq!(words_of("\tG1\tX1 \r\n"), "G1 X1");
        assert_eq!((sent("G1 X1\n"), sent("M117 done \r\n")), ("G1 X1".to_owned(), "M117 done".to_owned()));
        assert_eq!(lexed(b"N3 T0*57\n").oddity, None);
    }

    #[test]
    fn a_comment_may_be_glued_to_a_word() {
        assert_eq!(words_of("G91; relative positioning"), "G91");
        assert_eq!(lexed(b"G91; relative positioning").comment, Some(&b" relative positioning"[..]));
        assert_eq!(words_of("G1 X1(one)Y2(two);three (X4)"), "G1 X1 Y2");
        assert_eq!(sent("n7 g1 x1(one)y2 ; three"), "G1 X1 Y2");
    }

    #[test]
    fn comments_may_hold_any_bytes() {
        let line = lexed(b"G1 X1 ; \xFF\xFE \x00 caf\xE9");
        assert_eq!(line.oddity, None);
        assert_eq!(line.comment, Some(&b" \xFF\xFE \x00 caf\xE9"[..]));
    }

    #[test]
    fn text_is_not_read_as_words() {
        assert_eq!(words_of("M117 Printing..."), "M117");
        assert_eq!(lexed(b"M117 Printing...").text, Some(&b"Printing..."[..]));
        assert_eq!(words_of("M117 3 left"), "M117");
        assert_eq!(sent("m117  3 Left (of 12) ; counted"), "M117 3 Left (of 12)");
        assert_eq!(lexed(b"N4 M117 a*b*77").text, Some(&b"a*b"[..]));
        assert_eq!(lexed(b"N4 M117 a*b*77").checksum.and_then(|sum| sum.stated), Some(77));
        assert_eq!(words_of("M1170 P1"), "M1170 P1");
        assert_eq!(words_of("M104 S200"), "M104 S200");
        assert_eq!(words_of("M23 square.gco"), "M23");
    }

    #[test]
    fn numbers_and_checksums_stand_apart_from_the_words() {
        let line = lexed(b"N3 T0*57 ; first tool");
        assert_eq!(line.number, Some(3));
        assert_eq!(line.checksum, Some(Checksum { stated: Some(57), computed: 57 }));
        assert!(line.checksum.is_some_and(|sum| sum.holds()));
        assert_eq!(line.body, b" T0");
        assert_eq!(lexed(b"N-1 M110").number, Some(-1));
        assert_eq!(lexed(b"N1 G28*x").checksum.and_then(|sum| sum.stated), None);
    }

    #[test]
    fn nothing_but_comments_follows_a_checksum() {
        assert_eq!(words_of("G1 X5*23 (a) (b) ; c"), "G1 X5");
        assert_eq!(lexed(b"G1 X5*23 (a) (b) ; c").oddity, None);
        for line in ["G1 X5*23 Y9", "G1 X5*23 (a) Y9", "G1 X5*23 (a)(b) M500"] {
            assert_eq!(words_of(line), "G1 X5");
            assert!(matches!(lexed(line.as_bytes()).oddity, Some(Oddity::Stray(_))), "{line}");
        }
    }

    #[test]
    fn letters_may_stand_without_a_number() {
        assert_eq!(words_of("G28 X Y"), "G28 X Y");
        assert_eq!(words_of("G1 X1 E2"), "G1 X1 E2");
        assert_eq!(words_of("G1 X2E3"), "G1 X2 E3");
    }

    #[test]
    fn what_is_no_word_is_said() {
        assert_eq!(lexed(b"g1 x[1 + 2]").oddity, Some(Oddity::Expression));
        assert_eq!(lexed(b"#3=15").oddity, Some(Oddity::Expression));
        assert_eq!(lexed(b"G1 X-").oddity, Some(Oddity::BrokenNumber(b'X')));
        assert_eq!(lexed(b"G1 X1.2.3").oddity, Some(Oddity::Stray(b'.')));
        assert_eq!(lexed(b"G1 X1 (open").oddity, Some(Oddity::OpenComment));
        assert_eq!(lexed(b"\x89PNG").oddity, Some(Oddity::Stray(0x89)));
        assert_eq!(lexed(b"\xEF\xBB\xBFG28").oddity, None);
        assert_eq!(lexed(b"/N5 G1 X3").number, Some(5));
        assert!(lexed(b"/N5 G1 X3").block_delete);
        assert_eq!(lexed(b"%").oddity, None);
    }

    #[test]
    fn a_quoted_name_is_one_value() {
        assert_eq!(words_of("M486 S1 A\"part G1 X2\""), "M486 S1 A");
        assert_eq!(sent("m486 s1 a\"part G1 X2\""), "M486 S1 A\"part G1 X2\"");
        assert_eq!(sent("M486 A\"open"), "M486 A\"open");
    }

    #[test]
    fn codes_have_at_most_one_digit_behind_the_point() {
        let code = |value| Word { letter: b'G', value, has_value: true }.code();
        assert_eq!(code(92.1), Some((b'G', 92, 1)));
        assert_eq!(code(1.0), Some((b'G', 1, 0)));
        assert_eq!(code(1.25), None);
        assert_eq!(code(-1.0), None);
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(line in proptest::collection::vec(any::<u8>(), 0..200)) {
            let mut words = Vec::new();
            lex_line(&line, &mut words).sendable(&mut Vec::new());
            prop_assert!(words.iter().all(|word| word.letter.is_ascii_uppercase() && word.value.is_finite()));
        }

        #[test]
        fn what_is_sent_has_the_same_words(line in "[GMTXYZEF0-9 .;(+-]{0,40}") {
            let mut words = Vec::new();
            let first = lex_line(line.as_bytes(), &mut words);
            prop_assume!(first.oddity.is_none());
            let mut out = Vec::new();
            first.sendable(&mut out);
            let mut again = Vec::new();
            lex_line(&out, &mut again);
            prop_assert_eq!(words, again);
        }
    }
}
