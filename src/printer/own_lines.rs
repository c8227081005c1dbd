//! Lines of a person's own for the wait for cooling: checked before any is sent.

use crate::gcode::{Fate, Policy, Word, fate_of, lex_line};

/// Says what is wrong with lines that are to be sent while a part cools, if anything is.
///
/// They may switch fans and outputs, wait a little, and move the parked head in X and Y. They may not heat, home, change tools
/// or modes, lower the head, or do what no sliced file may.
///
/// # Errors
/// The line, what it would do, and what may be written instead.
pub fn check_cool_lines(lines: &[String], policy: &Policy) -> Result<(), String> {
    let mut words = Vec::new();
    for text in lines {
        let line = lex_line(text.as_bytes(), &mut words);
        let why = match fate_of(&line, &words, policy) {
            Fate::Refuse(reason) | Fate::Concern(reason) => Some(reason.text.into_owned()),
            Fate::Drop => Some("is never sent".to_owned()),
            Fate::Blank => Some("says nothing".to_owned()),
            Fate::Pass => beyond_cooling(&words).map(str::to_owned),
        };
        if let Some(why) = why {
            return Err(format!(
                "\"{text}\" {why}; lines for cooling may switch fans and outputs, such as M106 S255 and M107, and move the \
                 parked head in X and Y, such as G0 X10 Y200"
            ));
        }
    }
    Ok(())
}

/// What a line that a file may hold would do, that lines for cooling may not.
fn beyond_cooling(words: &[Word]) -> Option<&'static str> {
    let first = words.first()?;
    let whole = |word: &Word, letter: u8, numbers: &[f64]| word.letter == letter && numbers.contains(&word.value);
    // Common practice for the numbers: nozzle, bed, chamber.
    if whole(first, b'M', &[104.0, 109.0, 140.0, 190.0, 141.0, 191.0]) || whole(first, b'M', &[568.0, 303.0]) {
        return Some("sets a heater, and the bed is to cool");
    }
    if whole(first, b'G', &[0.0, 1.0]) {
        let beside = words[1..].iter().any(|word| !matches!(word.letter, b'X' | b'Y' | b'F') || !word.has_value);
        return beside.then_some("moves more than X and Y, and the head is to stay above the part");
    }
    if whole(first, b'M', &[82.0, 83.0, 92.0, 201.0, 203.0, 204.0, 205.0, 220.0, 221.0]) {
        return Some("changes what later commands mean");
    }
    match first.letter {
        b'M' => None,
        b'G' if first.value == 4.0 => None,
        b'G' => Some("moves the head, or changes what later moves mean"),
        _ => Some("is neither a G nor an M command"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Limits;

    fn fault(line: &str) -> Option<String> {
        let policy = Policy { limits: Limits::default(), ..Policy::default() };
        check_cool_lines(&[line.to_owned()], &policy).err()
    }

    #[test]
    fn fans_outputs_and_moves_of_the_parked_head_are_taken() {
        for good in ["M106 S255", "M107", "M106 P2 S128", "G0 X10 Y200 F6000", "G4 P500", "M42 P4 S255"] {
            assert_eq!(fault(good), None, "{good}");
        }
    }

    #[test]
    fn what_heats_lowers_the_head_or_no_file_may_hold_is_refused_with_the_line_itself() {
        for bad in [
            "M140 S60",
            "M104 S200",
            "G1 Z0",
            "G0 X1 Z5",
            "G1 X5 E3",
            "G28",
            "G91",
            "G92 X0",
            "T1",
            "M112",
            "M500",
            "M84",
            "M83",
            "",
        ] {
            let fault = fault(bad).unwrap_or_else(|| panic!("{bad} was taken"));
            assert!(fault.starts_with(&format!("\"{bad}\" ")) && fault.contains("M106 S255"), "{fault}");
        }
    }
}
