//! A line of a sliced file, from its bytes to the command that is sent.

use nosebar::gcode::{Line, Policy, Sifted, Word, lex_line, sift};
use nosebar::wire::check_command;

/// Reads any bytes as one line.
///
/// # Panics
/// If the lexer says what cannot be, or lets a command through that cannot be put on a numbered line.
pub fn check(data: &[u8]) {
    let mut words = Vec::new();
    let line = lex_line(data, &mut words);
    check_parts(data, &line, &words);
    check_sendable(&line, &words);
    check_sifted(&line, &words);
}

fn check_parts(data: &[u8], line: &Line<'_>, words: &[Word]) {
    let whole = data.as_ptr_range();
    for part in [Some(line.body), line.comment, line.text].into_iter().flatten() {
        let part = part.as_ptr_range();
        let inside = whole.start <= part.start && part.end <= whole.end;
        assert!(inside || part.is_empty(), "a part lies outside of the line");
    }
    assert!(words.len() <= data.len(), "more words than bytes");
    for word in words {
        assert!(word.letter.is_ascii_uppercase() && word.value.is_finite(), "{word:?}");
        assert!(word.has_value || word.value == 0.0, "{word:?}");
        if let Some((letter, number, digit)) = word.code() {
            assert!(letter == word.letter && number <= 100_000 && digit < 10, "{word:?}");
        }
    }
}

/// What is sent of a line that was wholly understood has the same words, and is sent as it is.
fn check_sendable(line: &Line<'_>, words: &[Word]) {
    let mut sent = Vec::new();
    line.sendable(&mut sent);
    // A second line number is a word here; `fate` refuses the line.
    let is_numbered_twice = words.first().is_some_and(|word| word.letter == b'N');
    if line.oddity.is_some() || line.text.is_some() || is_numbered_twice {
        return;
    }
    let mut again = Vec::new();
    let second = lex_line(&sent, &mut again);
    // `M11 7 x` is a word and its arguments here, and a message where it arrives: both are judged, and no harm.
    if second.text.is_some() {
        return;
    }
    assert_eq!(words, again, "{:?} has other words", String::from_utf8_lossy(&sent));
    let mut resent = Vec::new();
    second.sendable(&mut resent);
    assert_eq!(sent, resent);
}

/// Whatever passes can be numbered: a line that the wire refuses would end a print half-way.
fn check_sifted(line: &Line<'_>, words: &[Word]) {
    for belt_axis in [None, Some(b'B'), Some(b'X')] {
        let policy = Policy { belt_axis, ..Policy::default() };
        let mut command = Vec::new();
        if sift(line, words, &policy, &mut command) == Sifted::Send {
            let checked = check_command(&command, policy.limits.line_bytes_max as usize);
            assert_eq!(checked, Ok(()), "{:?}", String::from_utf8_lossy(&command));
        }
    }
}
