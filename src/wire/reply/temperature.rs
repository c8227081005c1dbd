//! Temperature reports.

use super::pairs::{Pair, leading_number};
use crate::units::Celsius;

/// Readings below this come from a sensor that is missing or broken (RepRap wiki, G-code page).
const LEAST: f64 = -273.0;

/// What a reading belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Heater {
    /// The hot end in use (`T`).
    Active,
    /// The hot end with this number (`T0`, `T1`…).
    Tool(u8),
    /// The bed (`B`).
    Bed,
    /// The chamber (`C`).
    Chamber,
    /// The probe (`P`).
    Probe,
    /// The air around (`A`).
    Ambient,
}

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The temperature; nothing when the sensor is missing.
    pub current: Option<Celsius>,
    /// What it is set to, where the report says.
    pub target: Option<Celsius>,
}

/// A temperature report: as many readings as the printer cared to give.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Temperatures {
    /// In the order of the report.
    pub readings: Vec<(Heater, Reading)>,
    /// Power of the heaters, in the firmware's own scale.
    pub powers: Vec<(Heater, f64)>,
}

impl Temperatures {
    /// The reading of one heater, if the report has it.
    #[must_use]
    pub fn of(&self, heater: Heater) -> Option<Reading> {
        self.readings.iter().find(|(which, _)| *which == heater).map(|(_, reading)| *reading)
    }

    /// The hot end of `tool`: its own reading, or else that of the one in use.
    #[must_use]
    pub fn nozzle(&self, tool: u8) -> Option<Reading> {
        self.of(Heater::Tool(tool)).or_else(|| self.of(Heater::Active))
    }

    /// The bed.
    #[must_use]
    pub fn bed(&self) -> Option<Reading> {
        self.of(Heater::Bed)
    }

    /// Takes one word of a report; words of other kinds are passed over.
    pub(super) fn take(&mut self, pair: &Pair<'_>) {
        let Some(value) = pair.value else { return };
        if let Some(heater) = heater(pair.key) {
            let current = (value >= LEAST).then_some(Celsius(value));
            self.readings.push((heater, Reading { current, target: pair.target.map(Celsius) }));
        } else if let Some(heater) = powered(pair.key) {
            self.powers.push((heater, value));
        }
    }
}

/// `T`, `T0`…, `B`, `C`, `P`, `A`.
pub(super) fn heater(key: &[u8]) -> Option<Heater> {
    match key {
        b"T" => Some(Heater::Active),
        b"B" => Some(Heater::Bed),
        b"C" => Some(Heater::Chamber),
        b"P" => Some(Heater::Probe),
        b"A" => Some(Heater::Ambient),
        [b'T', number @ ..] => tool(number),
        _ => None,
    }
}

/// `@`, `@0`…, `B@`, `C@`.
fn powered(key: &[u8]) -> Option<Heater> {
    match key {
        b"@" => Some(Heater::Active),
        [b'@', number @ ..] => tool(number),
        [which @ .., b'@'] => heater(which),
        _ => None,
    }
}

fn tool(number: &[u8]) -> Option<Heater> {
    let (number, rest) = leading_number(number)?;
    rest.is_empty().then(|| u8::try_from(number).ok().map(Heater::Tool))?
}
