//! What the firmware remembers between commands, and the moves that commands ask for. A reset forgets all of it.

use super::arc::{Plane, Turn};
use super::config::{BeltDrive, MotionConfig};
use crate::gcode::Word;

/// The firmware's registers and modes.
#[derive(Clone, Debug)]
pub(super) struct Modal {
    unit_mm: f64,
    absolute: bool,
    e_absolute: bool,
    g91_governs_e: bool,
    plane: Plane,
    /// mm/min.
    feed: f64,
    /// M220, as a share.
    pub(super) feed_share: f64,
    pub(super) tool: usize,
    /// M221 by tool, as a share.
    pub(super) flow: Vec<f64>,
    /// Nozzle temperature below which no extruder turns, °C.
    pub(super) cold_below_c: f64,
    pub(super) cold_allowed: bool,
    /// Where the head is believed to be at the end of all moves read.
    at: [f64; 3],
    /// True place less believed place.
    origin: [f64; 3],
    /// One register for all tools, as in firmware family M; in the unit that E words have.
    e: f64,
    /// Area of the filament, mm², while E words count volume (M200); else 1.
    filament_mm2: f64,
    free_axis: f64,
}

/// How the next command will be taken.
#[derive(Clone, Debug, PartialEq)]
pub struct Registers {
    /// The tool in use.
    pub tool: usize,
    /// Whether X, Y, Z are relative.
    pub relative: bool,
    /// Whether E is relative.
    pub relative_e: bool,
    /// Whether lengths are in inches.
    pub inches: bool,
    /// The E register.
    pub e: f64,
    /// Area of the filament, mm², while E words count volume; else 1.
    pub filament_mm2: f64,
    /// mm/min.
    pub feed: f64,
    /// M220, as a share.
    pub feed_share: f64,
    /// M221 by tool, as a share.
    pub flow: Vec<f64>,
    /// Nozzle temperature below which no extruder turns, °C; `None` while any may.
    pub cold_guard_c: Option<f64>,
    /// Where the head is believed to be, mm.
    pub at: [f64; 3],
}

/// A move that a command asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Request {
    /// True start and end, mm.
    pub(super) from: [f64; 3],
    pub(super) to: [f64; 3],
    pub(super) plane: Plane,
    pub(super) turn: Option<Turn>,
    /// Travel of the tool's extruder, mm of filament before flow.
    pub(super) e: f64,
    /// Travel of the free axis.
    pub(super) free_axis: f64,
    /// mm/s.
    pub(super) feed: f64,
}

const AXES: [u8; 3] = *b"XYZ";

/// A kilometre: whatever arrives on the wire, sums and times stay finite.
const LENGTH_MAX: f64 = 1e6;
/// Slowest feed, mm/min, for the same reason.
const FEED_MIN: f64 = 1e-3;

/// The value of a letter among words, where it has one.
pub(super) fn value(words: &[Word], letter: u8) -> Option<f64> {
    words.iter().find(|word| word.letter == letter && word.has_value).map(|word| word.value)
}

/// Whether a letter is among words, with or without a value.
pub(super) fn has(words: &[Word], letter: u8) -> bool {
    words.iter().any(|word| word.letter == letter)
}

impl Modal {
    /// The state after boot; the head truly is at `head`, and the firmware believes it to be at zero.
    pub(super) fn new(config: &MotionConfig, head: [f64; 3]) -> Self {
        Self {
            unit_mm: 1.0,
            absolute: true,
            e_absolute: true,
            g91_governs_e: config.g91_governs_e,
            plane: Plane::Xy,
            feed: config.first_feed,
            feed_share: 1.0,
            tool: 0,
            flow: vec![1.0; config.tools],
            cold_below_c: config.cold_below_c,
            cold_allowed: false,
            at: [0.0; 3],
            origin: head,
            e: 0.0,
            filament_mm2: 1.0,
            free_axis: 0.0,
        }
    }

    /// Modes set by G17–G21, G90, G91, M82, M83; `false` if the command is none of these.
    pub(super) fn set_mode(&mut self, letter: u8, number: u32) -> bool {
        match (letter, number) {
            (b'G', 17) => self.plane = Plane::Xy,
            (b'G', 18) => self.plane = Plane::Zx,
            (b'G', 19) => self.plane = Plane::Yz,
            (b'G', 20) => self.unit_mm = 25.4,
            (b'G', 21) => self.unit_mm = 1.0,
            (b'G', 90 | 91) => {
                self.absolute = number == 90;
                if self.g91_governs_e {
                    self.e_absolute = self.absolute;
                }
            }
            (b'M', 82 | 83) => self.e_absolute = number == 82,
            _ => return false,
        }
        true
    }

    /// G0 to G3: takes the words in and says which move they ask for.
    pub(super) fn request_move(&mut self, words: &[Word], number: u32, drive: BeltDrive) -> Request {
        if let Some(feed) = self.length(words, b'F').filter(|feed| *feed > 0.0) {
            self.feed = feed.max(FEED_MIN);
        }
        let from = self.true_place();
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(length) = self.length(words, letter) {
                self.at[axis] = step(self.at[axis], length, self.absolute).0;
            }
        }
        let e = self.length(words, b'E').map_or((self.e, 0.0), |length| step(self.e, length, self.e_absolute));
        self.e = e.0;
        let axis_length = match drive {
            BeltDrive::Axis(letter) => self.length(words, letter),
            BeltDrive::Extruder(_) => None,
        };
        let axis = axis_length.map_or((self.free_axis, 0.0), |length| step(self.free_axis, length, self.absolute));
        self.free_axis = axis.0;
        let turn = (number >= 2).then(|| self.turn(words, number == 2));
        let feed = self.feed / 60.0 * self.feed_share;
        Request {
            from,
            to: self.true_place(),
            plane: self.plane,
            turn,
            e: e.1 / self.filament_mm2,
            free_axis: axis.1,
            feed,
        }
    }

    /// M200: with D above zero E words count volume of filament of this diameter, with D0 or S0 its length (RepRap wiki, M200).
    /// For all tools at once: the one that moves the belt is no exception.
    pub(super) fn set_volumetric(&mut self, words: &[Word]) {
        if let Some(diameter) = self.length(words, b'D') {
            self.filament_mm2 = if diameter > 0.0 { std::f64::consts::PI * diameter * diameter / 4.0 } else { 1.0 };
        }
        if value(words, b'S') == Some(0.0) {
            self.filament_mm2 = 1.0;
        }
    }

    /// G92: the head is from now on believed to be where the words say; without words, at zero. Nothing moves.
    pub(super) fn set_position(&mut self, words: &[Word], drive: BeltDrive) {
        let bare =
            !words.iter().any(|word| matches!(word.letter, b'X' | b'Y' | b'Z' | b'E' | b'A'..=b'C' | b'U'..=b'W'));
        let place = |letter| self.length(words, letter).or_else(|| bare.then_some(0.0));
        let [x, y, z] = AXES.map(place);
        let e = place(b'E');
        let free = if let BeltDrive::Axis(letter) = drive { place(letter) } else { None };
        for (axis, believed) in [x, y, z].into_iter().enumerate() {
            if let Some(believed) = believed {
                self.origin[axis] += self.at[axis] - believed;
                self.at[axis] = believed;
            }
        }
        self.e = e.unwrap_or(self.e);
        self.free_axis = free.unwrap_or(self.free_axis);
    }

    /// The head was homed, or stopped in mid-move: it truly is at `head`. Homed axes are believed rightly from now on.
    pub(super) fn found_at(&mut self, head: [f64; 3], homed: [bool; 3]) {
        for axis in 0..3 {
            if homed[axis] {
                self.origin[axis] = 0.0;
            }
            self.at[axis] = head[axis] - self.origin[axis];
        }
    }

    pub(super) fn registers(&self) -> Registers {
        Registers {
            tool: self.tool,
            relative: !self.absolute,
            relative_e: !self.e_absolute,
            inches: self.unit_mm != 1.0,
            e: self.e,
            filament_mm2: self.filament_mm2,
            feed: self.feed,
            feed_share: self.feed_share,
            flow: self.flow.clone(),
            cold_guard_c: (!self.cold_allowed).then_some(self.cold_below_c),
            at: self.at,
        }
    }

    /// Where the head is believed to be, mm, and the extruder's register.
    pub(super) fn believed(&self) -> ([f64; 3], f64) {
        (self.at, self.e)
    }

    fn true_place(&self) -> [f64; 3] {
        std::array::from_fn(|axis| self.at[axis] + self.origin[axis])
    }

    fn turn(&self, words: &[Word], clockwise: bool) -> Turn {
        let offsets = [b'I', b'J', b'K'].map(|letter| self.length(words, letter));
        let offset = offsets.iter().any(Option::is_some).then(|| offsets.map(|length| length.unwrap_or(0.0)));
        Turn { clockwise, offset, radius: self.length(words, b'R') }
    }

    /// A length among words, mm, no longer than any machine.
    fn length(&self, words: &[Word], letter: u8) -> Option<f64> {
        value(words, letter).map(|length| (length * self.unit_mm).clamp(-LENGTH_MAX, LENGTH_MAX))
    }
}

/// Register and travel after a word: where it ends up, and by how much it moved.
fn step(register: f64, length: f64, absolute: bool) -> (f64, f64) {
    if absolute { (length, length - register) } else { (register + length, length) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gcode::lex_line;

    fn modal() -> Modal {
        Modal::new(&crate::sim::SimConfig::default().motion, [0.0; 3])
    }

    fn words(line: &str) -> Vec<Word> {
        let mut words = Vec::new();
        lex_line(line.as_bytes(), &mut words);
        words
    }

    fn go(modal: &mut Modal, line: &str) -> Request {
        modal.request_move(&words(line), 1, BeltDrive::Axis(b'A'))
    }

    #[test]
    fn g91_makes_the_extruder_relative_too() {
        // RepRap wiki, G-code page: so in firmware family M, not in family R.
        let mut modal = modal();
        go(&mut modal, "G1 E3172 X5");
        modal.set_mode(b'G', 91);
        assert_eq!(go(&mut modal, "G1 E-1 F300").e, -1.0);
        modal.g91_governs_e = false;
        modal.set_mode(b'M', 82);
        modal.set_mode(b'G', 91);
        assert_eq!(go(&mut modal, "G1 E-1").e, -3172.0);
    }

    #[test]
    fn g92_sets_registers_and_moves_nothing() {
        let mut modal = modal();
        go(&mut modal, "G1 X10 Y20 E5 A3");
        modal.set_position(&words("G92 X0 E0"), BeltDrive::Axis(b'A'));
        let request = go(&mut modal, "G1 X1 E0.5 A4");
        assert_eq!((request.from, request.to), ([10.0, 20.0, 0.0], [11.0, 20.0, 0.0]));
        assert_eq!((request.e, request.free_axis), (0.5, 1.0));
        modal.set_position(&words("G92"), BeltDrive::Axis(b'A'));
        assert_eq!(modal.believed(), ([0.0; 3], 0.0));
    }

    #[test]
    fn inches_count_for_lengths_and_feeds() {
        let mut modal = modal();
        modal.set_mode(b'G', 20);
        let request = go(&mut modal, "G1 X1 F60");
        assert_eq!((request.to[0], request.feed), (25.4, 25.4));
    }

    #[test]
    fn homing_makes_the_belief_true() {
        let mut modal = Modal::new(&crate::sim::SimConfig::default().motion, [30.0, 40.0, 5.0]);
        assert_eq!(go(&mut modal, "G1 X1").to, [31.0, 40.0, 5.0]);
        modal.found_at([0.0, 0.0, 5.0], [true, true, false]);
        assert_eq!(go(&mut modal, "G1 X1 Z1").to, [1.0, 0.0, 6.0]);
    }
}
