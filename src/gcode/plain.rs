//! The short way for what nearly every line of a sliced file is: `G0` or `G1`, and plain numbers behind X, Y, Z, E and F.

use super::moves::Axes;
use super::number::read_digits;

/// A straight move as its line asks for it, before the modal state gives the numbers their meaning.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PlainMove {
    /// `G0`
    pub(crate) rapid: bool,
    /// The numbers behind X, Y and Z; 0 where there is none.
    pub(crate) axis: [f64; 3],
    /// Which of them there are.
    pub(crate) named: Axes,
    pub(crate) e: Option<f64>,
    pub(crate) feed: Option<f64>,
}

impl PlainMove {
    /// Whether it moves anything: `G1 F1800` does not.
    #[inline]
    pub(crate) const fn moves(&self) -> bool {
        !self.named.is_empty() || self.e.is_some()
    }
}

/// Reads the line at the head of `bytes` if it is a plain move of at most `room` bytes beside its comment and ends within
/// `bytes`; says where the next line begins. `None` for whatever is not plain at first sight: the lexer reads that.
///
/// Plain is: the command first, then upper-case letters in the order in which slicers write them, F before or behind the
/// others, one blank before each and a number of at most 17 digits right behind.
#[inline(always)]
pub(crate) fn read_plain(bytes: &[u8], room: usize) -> Option<(PlainMove, usize)> {
    let &[b'G', digit @ (b'0' | b'1'), b' ', ..] = bytes else { return None };
    let mut words = Words { bytes, at: 3 };
    let first_feed = words.number_behind(b'F')?;
    let x = words.number_behind(b'X')?;
    let y = words.number_behind(b'Y')?;
    let z = words.number_behind(b'Z')?;
    let e = words.number_behind(b'E')?;
    let feed = if first_feed.is_some() { first_feed } else { words.number_behind(b'F')? };
    let end = words.end(room)?;
    let bits = u8::from(x.is_some()) | u8::from(y.is_some()) << 1 | u8::from(z.is_some()) << 2;
    let axis = [x.unwrap_or(0.0), y.unwrap_or(0.0), z.unwrap_or(0.0)];
    Some((PlainMove { rapid: digit == b'0', axis, named: Axes::from_bits(bits), e, feed }, end))
}

/// A line being read; `at` is where a letter is expected.
struct Words<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Words<'_> {
    /// The number behind this letter, `Some(None)` if another stands here, `None` if it is not plain.
    #[inline(always)]
    fn number_behind(&mut self, letter: u8) -> Option<Option<f64>> {
        let rest = self.bytes.get(self.at..)?;
        if *rest.first()? != letter {
            return Some(None);
        }
        let is_negative = rest.get(1) == Some(&b'-');
        let (value, end) = read_digits(self.bytes, self.at + 1 + usize::from(is_negative))?;
        let is_followed = *self.bytes.get(end)? == b' ';
        self.at = end + usize::from(is_followed);
        Some(Some(if is_negative { -value } else { value }))
    }

    /// Where the next line begins, if nothing but a comment is left of this one.
    #[inline(always)]
    fn end(&self, room: usize) -> Option<usize> {
        if self.at > room {
            return None;
        }
        match *self.bytes.get(self.at)? {
            b'\n' => Some(self.at + 1),
            b'\r' if self.at < room && self.bytes.get(self.at + 1) == Some(&b'\n') => Some(self.at + 2),
            b';' => memchr::memchr(b'\n', &self.bytes[self.at..]).map(|length| self.at + length + 1),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::gcode::lex::lex_line;
    use crate::gcode::survey::{Reading, Rules};
    use crate::job::Survey;

    use super::*;

    const ROOM: usize = 81;

    /// The short way for whatever is plain: all lines are whole.
    fn read_whole(text: &str, rules: &Rules) -> Survey {
        let mut reading = Reading::new(rules);
        reading.handle_bytes(text.as_bytes());
        reading.finish(String::new())
    }

    /// The long way for every line: each comes in two pieces.
    fn read_in_pieces(text: &str, rules: &Rules) -> Survey {
        let mut reading = Reading::new(rules);
        for line in text.split_inclusive('\n') {
            let (first, rest) = line.as_bytes().split_at(1);
            reading.handle_bytes(first);
            reading.handle_bytes(rest);
        }
        reading.finish(String::new())
    }

    #[test]
    fn what_slicers_write_is_plain() {
        for line in [
            "G1 X73.302 Y-73.296 E0.03941\n",
            "G0 F3600 X1 Y2 Z.3\r\n",
            "G1 X1. Y2 F1800 ; wall (outer)\n",
            "G1 F9000\n",
        ] {
            let (_, end) = read_plain(line.as_bytes(), ROOM).expect("plain");
            assert_eq!(end, line.len(), "{line:?}");
        }
    }

    #[test]
    fn what_is_not_plain_goes_the_long_way() {
        for line in [
            "G2 X1 I1\n",
            "G1 X1 X2\n",
            "G1 X\n",
            "G1 X-\n",
            "G1 X1 2\n",
            "G10 X1\n",
            "G1 A1\n",
            "G1 X1 Y2",
            "G1  X1\n",
            "G1 X1*7\n",
            "G1 X1(a)\n",
            "g1 X1\n",
            "G1 X1 G92 E0\n",
            "G1 X1.2.3\n",
            "G1 X123456789012345678\n",
        ] {
            assert_eq!(read_plain(line.as_bytes(), ROOM), None, "{line:?}");
        }
        assert_eq!(read_plain(b"G1 X1.000 Y2\n", 11), None);
        assert!(read_plain(b"G1 X1.000 Y2\n", 12).is_some());
    }

    /// Lines that are plain, nearly plain, or change what a plain one means.
    fn program() -> impl Strategy<Value = String> {
        let number = "-?[0-9]{0,4}\\.?[0-9]{0,6}";
        let word = ("[XYZEFxA]", number).prop_map(|(letter, number)| format!("{letter}{number}"));
        let moves = ("[Gg][0-3]", proptest::collection::vec(word, 0..6), " {0,2}(;[ -~]{0,9})?\r?")
            .prop_map(|(command, words, tail)| format!("{command} {}{tail}", words.join(" ")));
        let plain = ((0..3_u32), (0..300_u32), (0..300_u32), (0..40_u32), (0..4_u32)).prop_map(|(kind, x, y, e, f)| {
            let feed = if f == 0 { " F1200" } else { "" };
            if kind == 0 { format!("G0{feed} X{x} Y{y}") } else { format!("G1 X{x}.{y} Y{y}.{x} E{e}.{f}") }
        });
        let modes = proptest::sample::select(vec![
            "G90",
            "G91",
            "M82",
            "M83",
            "G92 E0",
            "G92 X1",
            "G20",
            "G21",
            "G28",
            "T0",
            "T1",
            "T1 G1 X5",
            "M204 S500",
            "M200 D1.75",
            "M28 a",
            "M29",
            "G4 P100",
            "G10",
            "G11",
            "",
            ";LAYER:1",
            "M117 G1 X5",
            "G1 Z0.4 F600",
            "G1 Z0.6",
        ])
        .prop_map(str::to_owned);
        proptest::collection::vec(prop_oneof![2 => moves, 6 => plain, 2 => modes], 0..40)
            .prop_map(|lines| lines.join("\n") + "\n")
    }

    proptest! {
        #[test]
        fn the_short_way_finds_what_the_long_way_finds(program in program(), belt in proptest::option::of(proptest::sample::select(&b"EB"[..]))) {
            let rules = Rules { belt_axis: belt, ..Rules::default() };
            prop_assert_eq!(read_whole(&program, &rules), read_in_pieces(&program, &rules));
        }

        #[test]
        fn the_words_are_those_of_the_lexer(line in "G[01] ([XYZEF]-?[0-9]{0,7}\\.?[0-9]{0,9} ?){0,5}(;[ -~]{0,9})?") {
            let text = format!("{line}\n");
            let mut words = Vec::new();
            let lexed = lex_line(text.as_bytes(), &mut words);
            if let Some((plain, end)) = read_plain(text.as_bytes(), ROOM) {
                prop_assert_eq!(end, text.len());
                prop_assert!(lexed.oddity.is_none() && words[0].code() == Some((b'G', u32::from(!plain.rapid), 0)));
                let value = |letter| words.iter().find(|word| word.letter == letter).map(|word| word.value);
                for (axis, letter) in [b'X', b'Y', b'Z'].into_iter().enumerate() {
                    prop_assert_eq!(plain.named.has(axis).then_some(plain.axis[axis]), value(letter));
                }
                prop_assert_eq!((plain.e, plain.feed), (value(b'E'), value(b'F')));
            }
        }
    }
}
