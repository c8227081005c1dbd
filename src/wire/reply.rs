//! What a printer says, one line at a time. Forms as on the RepRap wiki's G-code page ("Replies from the RepRap machine"),
//! with the spellings of firmware families M and R.

mod lines;
mod pairs;
mod report;
mod temperature;

pub use lines::ReplyLines;
pub use report::{Endstop, EndstopState, Firmware, Position};
pub use temperature::{Heater, Reading, Temperatures};

use pairs::leading_number;

/// One line from the printer.
#[derive(Clone, Debug, PartialEq)]
pub enum Reply {
    /// A command has been taken; the next may be sent.
    Ok {
        /// Number of the line it answers, where the firmware says so (`ok N12 P15 B3`).
        line: Option<u32>,
        /// What stood behind the `ok`: temperatures, position, firmware.
        reports: Vec<Self>,
    },
    /// A line shall be sent again, and all that follow it.
    Resend {
        /// Its number; nothing when it could not be read.
        line: Option<u32>,
    },
    /// A line was refused for its number or checksum: a resend request follows.
    Complaint {
        /// Number of the line that the printer waits for, where the text tells.
        line: Option<u32>,
        /// The printer's words.
        text: String,
    },
    /// Something is wrong with the machine: it has stopped, or must be.
    Fault {
        /// The printer's words.
        text: String,
    },
    /// Something went wrong that concerns one command alone: an unknown command, the memory card.
    Note {
        /// The printer's words.
        text: String,
    },
    /// The printer has just booted: its line count is 0, everything sent before is lost.
    Start,
    /// The printer's buffers are empty.
    Wait,
    /// The printer is at work on something long.
    Busy {
        /// Why: `processing`, `paused for user`…
        reason: String,
    },
    /// Words for a person.
    Comment {
        /// The words.
        text: String,
    },
    /// The printer asks the host to act: `pause`, `resume`, `cancel`…
    Action {
        /// What it asks.
        text: String,
    },
    /// A temperature report.
    Temperatures(Temperatures),
    /// A position report.
    Position(Position),
    /// Name and version of the firmware.
    Firmware(Firmware),
    /// One ability of the firmware.
    Capability {
        /// Its name, as written: `AUTOREPORT_TEMP`.
        name: String,
        /// Whether the firmware has it.
        present: bool,
    },
    /// States of end stops and other switches.
    Endstops(Vec<Endstop>),
    /// Anything else.
    Other {
        /// The line, undecodable bytes replaced.
        text: String,
    },
}

/// Reads one reply line, with or without its line break. Never fails: what is not understood is [`Reply::Other`].
#[must_use]
pub fn parse_reply(line: &[u8]) -> Reply {
    let line = trim_noise(line);
    // Anything but a blank behind it is damage, or another reply glued on.
    if let Some(rest) = strip_prefix(line, b"ok").filter(|rest| rest.first().is_none_or(u8::is_ascii_whitespace)) {
        return parse_ok(rest);
    }
    if let Some(reply) = parse_resend(line) {
        return reply;
    }
    let text = strip_prefix(line, b"echo:").unwrap_or(line).trim_ascii();
    parse_sign(text)
        .or_else(|| parse_trouble(text))
        .or_else(|| report::parse_reports(text).into_iter().next())
        .unwrap_or_else(|| Reply::Other { text: decode(line) })
}

/// The line without blanks, line breaks and the control bytes that a booting serial chip puts around it.
fn trim_noise(line: &[u8]) -> &[u8] {
    let good = |byte: &u8| byte.is_ascii_graphic();
    let first = line.iter().position(good).unwrap_or(line.len());
    let last = line.iter().rposition(|byte| good(byte) || *byte >= 0x80).map_or(first, |at| at + 1);
    line.get(first..last).unwrap_or_default()
}

fn parse_ok(rest: &[u8]) -> Reply {
    let mut line = None;
    let mut rest = rest.trim_ascii();
    // Numbers without a colon: the line, free places in the planner, free places for lines.
    while let [letter @ (b'N' | b'P' | b'B'), tail @ ..] = rest {
        let Some((number, after)) = leading_number(tail) else { break };
        if *letter == b'N' {
            line = Some(number);
        }
        rest = after.trim_ascii_start();
    }
    Reply::Ok { line, reports: report::parse_reports(rest) }
}

/// `Resend: 123`, `Resend: N123`, `Resend:123`, `rs:123`, `rs 123`, `rs N123`.
fn parse_resend(line: &[u8]) -> Option<Reply> {
    let rest = after_word(line, b"resend").or_else(|| after_word(line, b"rs"))?;
    let rest = strip_prefix(rest, b":").unwrap_or(rest).trim_ascii_start();
    let digits = strip_prefix(rest, b"N").unwrap_or(rest);
    Some(Reply::Resend { line: leading_number(digits).map(|(number, _)| number) })
}

/// Lines about the conversation itself.
fn parse_sign(text: &[u8]) -> Option<Reply> {
    if text.eq_ignore_ascii_case(b"start") {
        return Some(Reply::Start);
    }
    if text.eq_ignore_ascii_case(b"wait") {
        return Some(Reply::Wait);
    }
    if let Some(reason) = strip_prefix(text, b"busy:") {
        return Some(Reply::Busy { reason: decode(reason) });
    }
    let words = strip_prefix(text, b"//")?.trim_ascii_start();
    Some(match strip_prefix(words, b"action:") {
        Some(action) => Reply::Action { text: decode(action) },
        None => Reply::Comment { text: decode(words) },
    })
}

/// Faults, and the refusals and notes that look like faults but are none.
fn parse_trouble(text: &[u8]) -> Option<Reply> {
    let error = strip_prefix(text, b"error:");
    let words = error.unwrap_or(text);
    if strip_prefix(words.trim_ascii(), b"unknown command").is_some() {
        return Some(Reply::Note { text: decode(words) });
    }
    if text.starts_with(b"!!") || strip_prefix(text, b"fatal:").is_some() {
        return Some(Reply::Fault { text: decode(text) });
    }
    let said = decode(error?);
    let low = said.to_lowercase();
    let expected = number_after(&low, "expected line ");
    Some(if expected.is_some() || low.contains("checksum") || low.contains("line number") {
        let line = expected.or_else(|| number_after(&low, "last line: ").and_then(|last| last.checked_add(1)));
        Reply::Complaint { line, text: said }
    } else if CARD_TROUBLE.iter().any(|words| low.starts_with(words)) {
        Reply::Note { text: said }
    } else {
        Reply::Fault { text: said }
    })
}

/// How the errors of the memory card begin. The wiki says that they are not fatal; the spellings are from memory.
const CARD_TROUBLE: [&str; 8] = [
    "sd",
    "no sd",
    "card",
    "no media",
    "open failed",
    "error writing to file",
    "workdir open failed",
    "openroot failed",
];

fn number_after(text: &str, words: &str) -> Option<u32> {
    let at = text.find(words)? + words.len();
    leading_number(text.as_bytes()[at..].trim_ascii_start()).map(|(number, _)| number)
}

/// What follows `word`, if the line begins with it and no letter or digit follows.
fn after_word<'a>(line: &'a [u8], word: &[u8]) -> Option<&'a [u8]> {
    strip_prefix(line, word).filter(|rest| !rest.first().is_some_and(u8::is_ascii_alphanumeric))
}

fn strip_prefix<'a>(line: &'a [u8], prefix: &[u8]) -> Option<&'a [u8]> {
    let (head, rest) = line.split_at_checked(prefix.len())?;
    head.eq_ignore_ascii_case(prefix).then_some(rest)
}

fn decode(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes.trim_ascii()).into_owned()
}

#[cfg(test)]
mod tests;
