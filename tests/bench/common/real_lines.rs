//! Lines as a printer gets them all day: moves of a real sliced file that take 28 to 41 bytes with number and checksum.

use std::fs;
use std::io::Write;
use std::ops::RangeInclusive;

use nosebar::wire::numbered;

use super::sample;

/// Bytes of a line on the wire, with number, checksum and line break.
const WIRE_BYTES: RangeInclusive<usize> = 28..=41;

/// So many commands, the file's own over and over.
pub(crate) fn commands(count: usize) -> Vec<String> {
    let text = fs::read_to_string(sample::rustlogo()).expect("the sample is text");
    let moves = text.lines().map(|line| line.split(';').next().unwrap_or_default().trim());
    let moves = moves.filter(|line| line.starts_with("G1 ") && WIRE_BYTES.contains(&on_the_wire(line)));
    let moves: Vec<&str> = moves.collect();
    moves.iter().copied().cycle().take(count).map(str::to_owned).collect()
}

/// Bytes of a command with a number of five digits.
fn on_the_wire(command: &str) -> usize {
    numbered(12_345, command.as_bytes()).len()
}

/// A file of these commands.
pub(crate) fn file_of(commands: &[String]) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().expect("there is room for a temporary file");
    file.write_all((commands.join("\n") + "\n").as_bytes()).expect("it can be written");
    file
}
