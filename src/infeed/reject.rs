//! Files that are not taken: the reason, a letter about it, and the way into the folder for rejected files.

use std::ffi::{OsStr, OsString};
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

use super::name::{COPIES_MAX, NameFault, shown};
use super::settle::Observed;
use super::source;
use crate::foreman::Refused;
use crate::job::{Finding, LineName};
use crate::store::sync_dir;

/// Findings that a letter tells in full.
const FINDINGS_MAX: usize = 20;
/// Longest file name that common file systems take, bytes.
const FILE_NAME_MAX: usize = 255;
const LETTER_ENDING: &str = ".reason.txt";

/// Why a file is not taken. Its text is one sentence.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Rejection {
    /// The survey found what cannot be printed.
    #[error("{}", first_of(.0))]
    Survey(Vec<Finding>),
    /// Its name asks for copies that cannot be.
    #[error(transparent)]
    Name(#[from] NameFault),
    /// The request asks for copies that cannot be.
    #[error("{0} copies were asked for; ask for 1 to {COPIES_MAX}")]
    Copies(u32),
    /// It lies in a folder that belongs to no line.
    #[error("there is no line {:?}; {}", shown(found), lines_there_are(lines))]
    NoSuchLine {
        /// The folder's name.
        found: String,
        /// The lines there are.
        lines: Vec<LineName>,
    },
    /// The foreman does not want it, such as when it does not fit the line.
    #[error("{0}")]
    NotWanted(Refused),
    /// The survey broke down.
    #[error("the survey of this file failed, which is a fault of this program; please report it and keep the file")]
    SurveyFailed,
}

impl Rejection {
    /// What the survey found, if that is the reason.
    #[must_use]
    pub fn findings(&self) -> &[Finding] {
        match self {
            Self::Survey(findings) => findings,
            _ => &[],
        }
    }

    fn advice(&self) -> &'static str {
        match self {
            Self::Survey(_) => {
                "Put this right in the slicer, or copy the file again if it was damaged, and drop it into the infeed folder."
            }
            Self::Name(_) => "Rename the file and drop it into the infeed folder again.",
            Self::Copies(_) => "Ask again with another number of copies.",
            Self::NoSuchLine { .. } => {
                "Drop the file into the folder of one of these lines, or into the infeed folder itself for any line."
            }
            Self::NotWanted(_) => "Put that right, then drop the file into the infeed folder again.",
            Self::SurveyFailed => "The other files are taken as usual.",
        }
    }

    /// The letter that lies beside the rejected file.
    #[must_use]
    pub fn letter(&self, file_name: &str) -> String {
        let mut letter = format!("{:?} was not taken: {self}.\n", shown(file_name));
        let findings = self.findings();
        if findings.len() > 1 {
            letter.push_str("\nEverything that was found:\n");
            for finding in findings.iter().take(FINDINGS_MAX) {
                letter.push_str(&format!("  - {}\n", place_and_text(finding)));
            }
            if let Some(more) = findings.len().checked_sub(FINDINGS_MAX).filter(|more| *more > 0) {
                letter.push_str(&format!("  - and {more} more\n"));
            }
        }
        letter.push_str(&format!("\nWhat to do: {}\n", self.advice()));
        letter
    }
}

/// The letter about a file that stays where it is because it cannot be read.
pub(super) fn unreadable_letter(file_name: &str, why: &io::Error) -> String {
    format!(
        "{:?} cannot be read: {why}.\n\nIt was left where it is, in the infeed folder.\n\n\
         What to do: give the user that this program runs as the right to read it; it is then taken by itself.\n",
        shown(file_name)
    )
}

/// Writes a letter and names the place beside it where its file belongs. Both names are free, or only an old letter is there.
pub(super) fn write_letter(rejected: &Path, file_name: &OsStr, text: &str) -> io::Result<PathBuf> {
    fs::create_dir_all(rejected)?;
    let mut number = 1;
    let place = loop {
        let place = rejected.join(numbered(file_name, number));
        match fs::symlink_metadata(&place) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => break place,
            Err(e) => return Err(e),
            Ok(_) => number += 1,
        }
    };
    let letter = letter_of(&place);
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).open(&letter)?;
    let written = file.write_all(text.as_bytes()).and_then(|()| file.sync_all());
    if let Err(e) = written {
        // Half a letter helps nobody.
        drop(fs::remove_file(&letter));
        return Err(e);
    }
    Ok(place)
}

/// Takes back the letter about a file that has been taken after all.
pub(super) fn take_back_letter(place: &Path) {
    if fs::symlink_metadata(place).is_err() {
        // A letter that stays is a nuisance, no harm.
        drop(fs::remove_file(letter_of(place)));
    }
}

/// Moves a file that a look saw to its place beside the letter; `false` if something else is there now.
pub(super) fn move_to(place: &Path, from: &Path, seen: &Observed) -> io::Result<bool> {
    match source::look(from)? {
        source::Look::File(now) if now.is_same_content(seen) => {}
        _ => return Ok(false),
    }
    match fs::rename(from, place) {
        Err(e) if e.kind() == io::ErrorKind::CrossesDevices => {
            let Some(mut file) = source::open(from, seen)? else { return Ok(false) };
            let mut copy = OpenOptions::new().write(true).create_new(true).open(place)?;
            let copied = io::copy(&mut file, &mut copy).and_then(|_| copy.sync_all());
            if let Err(e) = copied {
                drop(fs::remove_file(place));
                return Err(e);
            }
            fs::remove_file(from)?;
        }
        moved => moved?,
    }
    for dir in [place.parent(), from.parent()].into_iter().flatten() {
        sync_dir(dir).map_err(io::Error::other)?;
    }
    Ok(true)
}

fn letter_of(place: &Path) -> PathBuf {
    let mut name = place.file_name().unwrap_or_default().to_owned();
    name.push(LETTER_ENDING);
    place.with_file_name(name)
}

/// `clip-2.gcode`; shortened so that its letter's name is not too long for the file system.
fn numbered(file_name: &OsStr, number: u32) -> OsString {
    let name = Path::new(file_name);
    let mut tail = if number > 1 { OsString::from(format!("-{number}")) } else { OsString::new() };
    if let Some(ending) = name.extension().filter(|ending| ending.len() <= 20) {
        tail.push(".");
        tail.push(ending);
    }
    let short_ending = name.extension().is_some_and(|ending| ending.len() <= 20);
    let stem = if short_ending { name.file_stem().unwrap_or_default() } else { file_name };
    let room = FILE_NAME_MAX - LETTER_ENDING.len() - tail.len();
    let mut numbered = cut(stem, room);
    numbered.push(tail);
    numbered
}

fn cut(name: &OsStr, bytes: usize) -> OsString {
    match name.to_str() {
        Some(text) => text[..text.floor_char_boundary(bytes)].into(),
        None => OsString::from_vec(name.as_bytes().iter().copied().take(bytes).collect()),
    }
}

fn place_and_text(finding: &Finding) -> String {
    if finding.line == 0 { finding.text.clone() } else { format!("line {}: {}", finding.line, finding.text) }
}

fn first_of(findings: &[Finding]) -> String {
    let Some(first) = findings.first() else { return "the survey refused it".to_owned() };
    match findings.len() - 1 {
        0 => place_and_text(first),
        more => format!("{} (and {more} more)", place_and_text(first)),
    }
}

fn lines_there_are(lines: &[LineName]) -> String {
    let names: Vec<_> = lines.iter().map(LineName::as_str).collect();
    match names[..] {
        [] => "there are no lines at all".to_owned(),
        [only] => format!("the only one is {only}"),
        _ => format!("there are {}", names.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(line: u64) -> Finding {
        Finding { code: "too-hot".to_owned(), line, text: format!("the bed is asked for 500 °C ({line})") }
    }

    #[test]
    fn the_reason_is_one_sentence_with_its_place() {
        assert_eq!(Rejection::Survey(vec![finding(0)]).to_string(), "the bed is asked for 500 °C (0)");
        let two = Rejection::Survey(vec![finding(7), finding(9)]).to_string();
        assert_eq!(two, "line 7: the bed is asked for 500 °C (7) (and 1 more)");
        let lines = vec![LineName::new("east").expect("a name"), LineName::new("west").expect("a name")];
        let nowhere = Rejection::NoSuchLine { found: "north".to_owned(), lines };
        assert_eq!(nowhere.to_string(), "there is no line \"north\"; there are east, west");
    }

    #[test]
    fn the_letter_tells_every_finding_up_to_a_limit_and_what_to_do() {
        let letter = Rejection::Survey((1..=25).map(finding).collect()).letter("clip\u{202e}.gcode");
        assert!(letter.starts_with("\"clip.gcode\" was not taken: line 1: "), "{letter}");
        assert_eq!(letter.lines().filter(|line| line.starts_with("  - line ")).count(), 20);
        assert!(letter.contains("  - and 5 more\n"), "{letter}");
        assert!(letter.contains("What to do: Put this right in the slicer"), "{letter}");
    }

    #[test]
    fn places_are_free_and_letters_of_files_that_stayed_are_written_anew() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let rejected = dir.path().join("rejected");
        let name = OsStr::new("clip.gcode");
        let first = write_letter(&rejected, name, "one").expect("written");
        assert_eq!(write_letter(&rejected, name, "one, again").expect("written"), first);
        fs::write(&first, "G28").expect("written");
        let second = write_letter(&rejected, name, "two").expect("written");
        assert_eq!(second, rejected.join("clip-2.gcode"));
        assert_eq!(fs::read_to_string(rejected.join("clip.gcode.reason.txt")).expect("there"), "one, again");
        take_back_letter(&first);
        take_back_letter(&second);
        assert!(rejected.join("clip.gcode.reason.txt").exists(), "its file is there");
        assert!(!rejected.join("clip-2.gcode.reason.txt").exists());
    }

    #[test]
    fn the_longest_names_still_find_a_place() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let names: [OsString; 4] = [
            format!("{}.gcode", "x".repeat(249)).into(),
            "ü".repeat(127).into(),
            format!("a.{}", "y".repeat(253)).into(),
            OsString::from_vec([b"\xff".repeat(249), b".gcode".to_vec()].concat()),
        ];
        for name in names {
            for _ in 0..2 {
                let place = write_letter(dir.path(), &name, "why").expect("written");
                fs::write(&place, "G28").expect("the place can be used");
            }
        }
        assert_eq!(fs::read_dir(dir.path()).expect("readable").count(), 16);
    }
}
