//! Reports: what stands behind an `ok`, or on a line of its own.

use super::pairs::{Pair, leading_number, pairs};
use super::temperature::{self, Temperatures};
use super::{Reply, decode, strip_prefix};
use crate::units::Millimetres;

/// A position report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Position {
    /// Axis letters and where they are, in the order of the report.
    pub axes: Vec<(char, Millimetres)>,
    /// Axis letters and motor steps, where the firmware counts them.
    pub steps: Vec<(char, f64)>,
}

impl Position {
    /// Where an axis (or `E`) is.
    #[must_use]
    pub fn axis(&self, letter: char) -> Option<Millimetres> {
        self.axes.iter().find(|(axis, _)| *axis == letter).map(|(_, at)| *at)
    }
}

/// What the firmware says of itself, raw.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Firmware {
    /// Keys and values in the order of the report: `FIRMWARE_NAME`, `MACHINE_TYPE`…
    pub fields: Vec<(String, String)>,
}

impl Firmware {
    /// The value of a key.
    #[must_use]
    pub fn field(&self, key: &str) -> Option<&str> {
        self.fields.iter().find(|(name, _)| name == key).map(|(_, value)| value.as_str())
    }
}

/// State of a switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EndstopState {
    /// Not pressed.
    Open,
    /// Pressed.
    Triggered,
}

/// One switch of an end-stop report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Endstop {
    /// Its name in lower case, blanks as `_`: `x_min`, `filament`, `z_probe`.
    pub name: String,
    /// Its state.
    pub state: EndstopState,
}

/// All reports in `text`; none when it is something else.
pub(super) fn parse_reports(text: &[u8]) -> Vec<Reply> {
    if text.is_empty() {
        return Vec::new();
    }
    if let Some(reply) = parse_capability(text).or_else(|| parse_firmware(text)).or_else(|| parse_endstops(text)) {
        return vec![reply];
    }
    parse_readings(text)
}

/// Temperatures, then a position block; either may be missing. `C:` opens the position block when an axis follows it,
/// and is the chamber when a number does.
fn parse_readings(text: &[u8]) -> Vec<Reply> {
    let mut words = pairs(text).peekable();
    let mut temperatures = Temperatures::default();
    let opens_temperatures = |pair: &Pair<'_>| pair.value.is_some() && temperature::heater(pair.key).is_some();
    if words.peek().is_some_and(opens_temperatures) {
        while let Some(pair) = words.next_if(|pair| !opens_position(pair)) {
            temperatures.take(&pair);
        }
    }
    if words.peek().is_some_and(|pair| pair.key == b"C") {
        words.next();
    }
    let mut replies = Vec::new();
    if !temperatures.readings.is_empty() {
        replies.push(Reply::Temperatures(temperatures));
    }
    if words.peek().is_some_and(|pair| pair.key == b"X" && pair.value.is_some()) {
        replies.push(Reply::Position(read_position(words)));
    }
    replies
}

fn opens_position(pair: &Pair<'_>) -> bool {
    pair.key == b"X" || (pair.key == b"C" && pair.value.is_none())
}

fn read_position<'a>(words: impl Iterator<Item = Pair<'a>>) -> Position {
    let mut position = Position::default();
    let mut counting = false;
    for pair in words {
        match (pair.key, pair.value) {
            ([letter], Some(value)) if letter.is_ascii_uppercase() => {
                let axis = char::from(*letter);
                if counting {
                    position.steps.push((axis, value));
                } else {
                    position.axes.push((axis, Millimetres(value)));
                }
            }
            (b"Count", None) => counting = true,
            _ => break,
        }
    }
    position
}

/// `Cap:AUTOREPORT_TEMP:1`.
fn parse_capability(text: &[u8]) -> Option<Reply> {
    let words = strip_prefix(text, b"Cap:")?;
    let colon = words.iter().position(|byte| *byte == b':')?;
    let (present, _) = leading_number(words[colon + 1..].trim_ascii_start())?;
    Some(Reply::Capability { name: decode(&words[..colon]), present: present != 0 })
}

/// `KEY:value KEY:value`; values may have blanks, keys are capitals and underscores, at least three.
fn parse_firmware(text: &[u8]) -> Option<Reply> {
    let line = decode(text);
    if !line.contains("FIRMWARE_NAME:") {
        return None;
    }
    let mut fields: Vec<(String, String)> = Vec::new();
    for word in line.split_ascii_whitespace() {
        match word.split_once(':').filter(|(key, _)| is_field_name(key)) {
            Some((key, value)) => fields.push((key.to_owned(), value.to_owned())),
            None => {
                if let Some((_, value)) = fields.last_mut() {
                    if !value.is_empty() {
                        value.push(' ');
                    }
                    value.push_str(word);
                }
            }
        }
    }
    Some(Reply::Firmware(Firmware { fields }))
}

fn is_field_name(key: &str) -> bool {
    key.len() >= 3 && key.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'_')
}

/// `x_min: open` and `z_probe:TRIGGERED`; `Endstops - X: not stopped, Y: at min stop` (family R). Both from memory.
fn parse_endstops(text: &[u8]) -> Option<Reply> {
    let text = std::str::from_utf8(text).ok()?.to_ascii_lowercase();
    let list = text.strip_prefix("endstops - ").unwrap_or(&text);
    let endstops = list.split(',').map(parse_endstop).collect::<Option<Vec<_>>>()?;
    Some(Reply::Endstops(endstops))
}

fn parse_endstop(word: &str) -> Option<Endstop> {
    let (name, state) = word.split_once(':')?;
    let state = match state.trim() {
        "open" | "not stopped" => EndstopState::Open,
        "triggered" | "at min stop" | "at max stop" | "at stop" => EndstopState::Triggered,
        _ => return None,
    };
    let name = name.trim().replace(' ', "_");
    (!name.is_empty()).then_some(Endstop { name, state })
}
