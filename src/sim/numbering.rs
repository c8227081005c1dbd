//! Line numbers and checksums (RepRap wiki, G-code page, section on checking).

use thiserror::Error;

use crate::gcode::{Line, Word};

/// The number of the last line that was accepted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Numbering {
    last: i64,
}

/// Why a line is asked for again. The texts are those of the page; that for a missing number is from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub(super) enum LineError {
    #[error("checksum mismatch")]
    Checksum,
    #[error("No Checksum with line number")]
    NoChecksum,
    #[error("No Line Number with checksum")]
    NoNumber,
    #[error("Line Number is not Last Line Number+1")]
    Number,
}

impl Numbering {
    pub(super) fn last(self) -> i64 {
        self.last
    }

    /// Checks a line and counts it if it is accepted. A line with neither number nor checksum is accepted uncounted; M110
    /// may have any number, and sets it.
    pub(super) fn accept(&mut self, line: &Line<'_>, words: &[Word]) -> Result<(), LineError> {
        let set = words.first().and_then(Word::code) == Some((b'M', 110, 0));
        let wanted = words.iter().skip(1).find(|word| word.letter == b'N' && word.has_value);
        #[expect(clippy::cast_possible_truncation, reason = "line numbers are whole and small")]
        let wanted = wanted.map(|word| word.value as i64);
        match (line.number, line.checksum) {
            (_, Some(sum)) if !sum.holds() => return Err(LineError::Checksum),
            (Some(_), None) => return Err(LineError::NoChecksum),
            (None, Some(_)) if !(set && wanted.is_some()) => return Err(LineError::NoNumber),
            (Some(number), Some(_)) if number != self.last + 1 && !set => return Err(LineError::Number),
            (number, _) if set => self.last = wanted.or(number).unwrap_or(self.last),
            (Some(number), _) => self.last = number,
            (None, _) => {}
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gcode::lex_line;

    fn accept(numbering: &mut Numbering, line: &str) -> Result<(), LineError> {
        let mut words = Vec::new();
        let lexed = lex_line(line.as_bytes(), &mut words);
        numbering.accept(&lexed, &words)
    }

    /// Checksums published on the RepRap wiki, G-code page, and in logs of the same dialect.
    #[test]
    fn published_lines_are_accepted_in_their_order() {
        let mut numbering = Numbering { last: 2 };
        for line in [
            "N3 T0*57",
            "N4 G92 E0*67",
            "N5 G28*22",
            "N6 G1 F1500.0*82",
            "N7 G1 X2.0 Y2.0 F3000.0*85",
            "N8 G1 X3.0 Y3.0*33",
        ] {
            assert_eq!(accept(&mut numbering, line), Ok(()), "{line}");
        }
        numbering.last = 200;
        for line in ["N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50", "N202 G1 X89.53 Y113.80 E2.1998 *69"] {
            assert_eq!(accept(&mut numbering, line), Ok(()), "the blank before the star counts: {line}");
        }
    }

    #[test]
    fn numbers_rise_by_one() {
        let mut numbering = Numbering { last: 4 };
        assert_eq!(accept(&mut numbering, "N7 M105*32"), Err(LineError::Number));
        assert_eq!(accept(&mut numbering, "N5 M105*35"), Err(LineError::Checksum));
        assert_eq!(accept(&mut numbering, "N5 M105"), Err(LineError::NoChecksum));
        assert_eq!(accept(&mut numbering, "M105*47"), Err(LineError::Checksum));
        assert_eq!(accept(&mut numbering, "M105*121"), Err(LineError::NoNumber));
        assert_eq!(accept(&mut numbering, "M105"), Ok(()));
        assert_eq!(numbering.last(), 4);
    }

    #[test]
    fn m110_sets_the_number_in_each_spelling() {
        for (line, last) in [
            ("N0 M110 N0*125", 0),
            ("N123 M110 N123*125", 123),
            ("N1 M110 N0*124", 0),
            ("N-0 M110*14", 0),
            ("M110 N0*35", 0),
            ("M110 N7", 7),
        ] {
            let mut numbering = Numbering { last: 50 };
            assert_eq!(accept(&mut numbering, line), Ok(()), "{line}");
            assert_eq!(numbering.last(), last, "{line}");
        }
        // RepRap wiki: after M110 N123 the next accepted line is N124.
        let mut numbering = Numbering { last: 123 };
        assert_eq!(accept(&mut numbering, "N124 M105*32"), Ok(()));
    }
}
