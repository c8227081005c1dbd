//! Lines for the person at the terminal.

use std::fmt::Display;
use std::io::{Write, stdout};

/// Prints a line. A reader that has gone away must not bring down a line at work.
pub(super) fn say(line: impl Display) {
    drop(writeln!(stdout().lock(), "{line}"));
}
