//! What a file's name says, and which names are nobody's business.

use std::ffi::OsStr;

/// More copies than this are a slip of the finger, not an order. A guess: a line makes some twenty parts a day.
pub const COPIES_MAX: u32 = 10_000;
/// Longest name of a job, in characters; more does not fit a page. A guess.
const NAME_MAX: usize = 120;
/// Longest name of a file, in characters; common file systems take no more.
const FILE_NAME_MAX: usize = 255;
/// Endings of sliced files; they are not part of a job's name.
const ENDINGS: &[&str] = &["gcode", "gco", "g", "gc", "nc", "ngc"];
/// Endings that programs give to files which they still write.
const TEMPORARY: &[&str] =
    &["tmp", "temp", "part", "partial", "crdownload", "download", "filepart", "swp", "swx", "swo"];
/// Files that desktops strew about.
const STREWN: &[&str] = &["desktop.ini", "thumbs.db"];

/// What a file's name says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    /// The job's name: without ending and `.Noff`, and without anything that could harm a page, a log or a path.
    pub name: String,
    /// Copies asked for by `.Noff`.
    pub copies: Option<u32>,
}

/// A number of copies that cannot be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NameFault {
    /// `.0off`.
    #[error("the name asks for no copies ({found:?}); ask for at least 1, as in \"clip.1off.gcode\"")]
    NoCopies {
        /// The part of the name.
        found: String,
    },
    /// A number too large to be meant.
    #[error("the name asks for too many copies ({found:?}); at most {COPIES_MAX} can be asked for at once")]
    TooMany {
        /// The part of the name, shortened.
        found: String,
    },
    /// Two numbers.
    #[error("the name asks for copies twice ({first:?} and {second:?}); leave one of them")]
    Twice {
        /// The first part.
        first: String,
        /// The second part.
        second: String,
    },
}

/// Reads a file's name; of a path, only what is behind the last separator.
///
/// # Errors
/// [`NameFault`] when a number of copies is asked for that cannot be.
pub fn read_name(file_name: &str) -> Result<Named, NameFault> {
    let mut parts: Vec<&str> = last_part(file_name).split('.').collect();
    let is_ending = |part: &&str| ENDINGS.iter().any(|ending| part.eq_ignore_ascii_case(ending));
    if parts.len() > 1 && parts.last().is_some_and(is_ending) {
        parts.pop();
    }
    // The first part is the name itself, whatever it looks like.
    let asked: Vec<usize> = (1..parts.len()).filter(|at| off_digits(parts[*at]).is_some()).collect();
    let copies = match asked[..] {
        [] => None,
        [at] => Some(read_copies(parts.remove(at))?),
        [first, second, ..] => {
            return Err(NameFault::Twice { first: shorten(parts[first], 20), second: shorten(parts[second], 20) });
        }
    };
    let name = printable(&parts.join("."));
    let name = if name.is_empty() { "unnamed".to_owned() } else { shorten(&name, NAME_MAX) };
    Ok(Named { name, copies })
}

/// Whether the infeed leaves a file with this name alone: hidden, temporary, or strewn about by a desktop.
#[must_use]
pub(super) fn is_left_alone(file_name: &OsStr) -> bool {
    let name = file_name.to_string_lossy().to_lowercase();
    let ending = name.rsplit_once('.').map_or("", |(_, ending)| ending);
    name.starts_with(['.', '~'])
        || name.ends_with('~')
        || (name.starts_with('#') && name.ends_with('#'))
        || TEMPORARY.contains(&ending)
        || STREWN.contains(&name.as_str())
}

/// A file's name as it may be shown: one line without folders, nothing invisible, nothing that turns the writing direction.
#[must_use]
pub(super) fn shown(file_name: &str) -> String {
    shorten(&printable(last_part(file_name)), FILE_NAME_MAX)
}

fn last_part(file_name: &str) -> &str {
    file_name.rsplit(['/', '\\']).next().unwrap_or_default()
}

/// The digits of `12off`, in any case.
fn off_digits(part: &str) -> Option<&str> {
    let at = part.len().checked_sub(3)?;
    let (digits, off) = (part.get(..at)?, part.get(at..)?);
    let good = !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()) && off.eq_ignore_ascii_case("off");
    good.then_some(digits)
}

fn read_copies(part: &str) -> Result<u32, NameFault> {
    let found = shorten(part, 20);
    match off_digits(part).and_then(|digits| digits.parse::<u32>().ok()) {
        Some(0) => Err(NameFault::NoCopies { found }),
        Some(copies) if copies <= COPIES_MAX => Ok(copies),
        Some(_) | None => Err(NameFault::TooMany { found }),
    }
}

fn printable(text: &str) -> String {
    let visible = text.chars().filter(|c| !is_invisible(*c));
    let tame: String = visible.map(|c| if c.is_control() || c.is_whitespace() { ' ' } else { c }).collect();
    tame.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

/// Marks of writing direction, joiners and other characters without a shape (Unicode general category Cf, from memory).
fn is_invisible(c: char) -> bool {
    matches!(c, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

fn shorten(text: &str, limit: usize) -> String {
    match text.char_indices().nth(limit) {
        None => text.to_owned(),
        Some(_) => text.chars().take(limit - 1).chain(['…']).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(file_name: &str) -> (String, Option<u32>) {
        let named = read_name(file_name).expect("a good name");
        (named.name, named.copies)
    }

    #[test]
    fn twelve_off_asks_for_twelve_copies() {
        assert_eq!(read("clip.12off.gcode"), ("clip".to_owned(), Some(12)));
        assert_eq!(read("clip.12OFF.GCODE"), ("clip".to_owned(), Some(12)));
        assert_eq!(read("tray clip v1.2.3off.small.gco"), ("tray clip v1.2.small".to_owned(), Some(3)));
        assert_eq!(read("clip.10000off.nc"), ("clip".to_owned(), Some(10_000)));
        assert_eq!(read("clip.007off"), ("clip".to_owned(), Some(7)));
    }

    #[test]
    fn what_only_looks_like_copies_is_part_of_the_name() {
        for (file_name, name) in [
            ("12off.gcode", "12off"),
            ("clip.gcode", "clip"),
            ("clip", "clip"),
            ("clip.off.gcode", "clip.off"),
            ("clip.-3off.gcode", "clip.-3off"),
            ("clip.3 off.gcode", "clip.3 off"),
            ("clip.٣off.gcode", "clip.٣off"),
            ("clip.3offs.gcode", "clip.3offs"),
            ("clip.gcode.txt", "clip.gcode.txt"),
            ("g", "g"),
        ] {
            assert_eq!(read(file_name), (name.to_owned(), None));
        }
    }

    #[test]
    fn copies_that_cannot_be_are_refused_with_their_words() {
        let fault = |name: &str| read_name(name).expect_err(name);
        assert_eq!(fault("clip.0off.gcode"), NameFault::NoCopies { found: "0off".to_owned() });
        assert_eq!(fault("clip.10001off.gcode"), NameFault::TooMany { found: "10001off".to_owned() });
        let many = format!("clip.{}off.gcode", "9".repeat(4000));
        assert!(matches!(fault(&many), NameFault::TooMany { found } if found.chars().count() == 20));
        let twice = fault("clip.2off.3off.gcode").to_string();
        assert!(twice.contains("\"2off\" and \"3off\""), "{twice}");
    }

    #[test]
    fn hostile_names_become_harmless() {
        assert_eq!(read("../../etc/passwd.2off.gcode"), ("passwd".to_owned(), Some(2)));
        assert_eq!(read("C:\\parts\\clip.gcode"), ("clip".to_owned(), None));
        assert_eq!(read("a\0b\r\n\tc.gcode"), ("a b c".to_owned(), None));
        assert_eq!(read("clip\u{202e}edocg.gcode"), ("clipedocg".to_owned(), None));
        for empty in ["", "..", "/", ".gcode", "\u{200f}.gcode", "\0"] {
            let (name, _) = read(empty);
            assert!(!name.is_empty() && !name.contains('/'), "{empty:?} became {name:?}");
        }
        let (long, copies) = read(&format!("{}.5off.gcode", "ü".repeat(4000)));
        assert_eq!((long.chars().count(), copies), (120, Some(5)));
        assert!(long.ends_with('…'));
    }

    #[test]
    fn hidden_and_temporary_names_are_left_alone() {
        let left =
            [".clip.gcode", "clip.gcode~", "~clip.gcode", "#clip#", "clip.gcode.part", "a.TMP", ".", "b.crdownload"];
        for name in left {
            assert!(is_left_alone(OsStr::new(name)), "{name}");
        }
        for name in ["clip.gcode", "part", "clip.stl", "a#b", "tmp.gcode", "clip"] {
            assert!(!is_left_alone(OsStr::new(name)), "{name}");
        }
    }
}
