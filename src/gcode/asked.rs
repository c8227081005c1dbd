//! What the words of one line ask for, before the modal state gives them their meaning.

use super::arc::{Plane, Turn};
use super::lex::{Code, Word};
use super::modes::{Distance, Units};
use super::moves::Axes;

/// How the head is to move: modal group 1 of NISTIR 6556, Table 4, as far as printers know it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Motion {
    /// `G0`
    Rapid,
    /// `G1`
    Feed,
    /// `G2`, `G3`
    Arc(Turn),
}

/// The words of one line, sorted.
pub(crate) struct Asked<'a> {
    words: &'a [Word],
    /// The first `G`, `M` or `T` word.
    pub(crate) command: Option<Code>,
    pub(crate) axis: [Option<f64>; 3],
    /// Axes named with or without a number.
    pub(crate) touched: Axes,
    pub(crate) e: Option<f64>,
    pub(crate) centre: [Option<f64>; 3],
    pub(crate) radius: Option<f64>,
    pub(crate) feed: Option<f64>,
    pub(crate) motion: Option<Motion>,
    pub(crate) units: Option<Units>,
    pub(crate) plane: Option<Plane>,
    pub(crate) distance: Option<Distance>,
    pub(crate) e_distance: Option<Distance>,
    pub(crate) tool: Option<u32>,
    pub(crate) firmware_retract: Option<bool>,
    /// `G92` with its digit behind the point.
    pub(crate) set_position: Option<u32>,
    pub(crate) home: bool,
    pub(crate) in_machine_coordinates: bool,
    /// A `G` word that ends the motion mode (`G80`) or starts a cycle that printers do not know.
    pub(crate) ends_motion: bool,
    /// A `G` word to which the axis words belong, so that they are not a move.
    takes_axes: bool,
}

impl<'a> Asked<'a> {
    pub(crate) fn of(words: &'a [Word]) -> Self {
        let mut asked = Self {
            words,
            command: None,
            axis: [None; 3],
            touched: Axes::NONE,
            e: None,
            centre: [None; 3],
            radius: None,
            feed: None,
            motion: None,
            units: None,
            plane: None,
            distance: None,
            e_distance: None,
            tool: None,
            firmware_retract: None,
            set_position: None,
            home: false,
            in_machine_coordinates: false,
            ends_motion: false,
            takes_axes: false,
        };
        for word in words {
            asked.take(word);
        }
        asked
    }

    /// The number behind a letter, if there is one.
    pub(crate) fn value(&self, letter: u8) -> Option<f64> {
        self.words.iter().find(|word| word.letter == letter && word.has_value).map(|word| word.value)
    }

    /// Axes named with a number.
    pub(crate) fn named(&self) -> Axes {
        let mut named = Axes::NONE;
        for (axis, value) in self.axis.iter().enumerate() {
            if value.is_some() {
                named.add(axis);
            }
        }
        named
    }

    /// Whether the line moves the head, given the motion in force. A line without a motion word of its own does so only where
    /// its axis words can belong to nothing else: `M205 X30` moves nothing.
    pub(crate) fn may_move(&self, in_force: Option<Motion>) -> bool {
        let own = self.motion.is_some();
        let modal = !self.takes_axes && self.command.is_none_or(|(letter, _, _)| letter == b'G');
        let way = self.axis.iter().any(Option::is_some) || self.e.is_some();
        let circle = matches!(in_force, Some(Motion::Arc(_))) && self.centre.iter().any(Option::is_some);
        (own || modal) && !self.home && self.set_position.is_none() && (way || circle)
    }

    /// `G4`: P milliseconds, S seconds and S goes first where both stand (RepRap wiki, `G4`).
    pub(crate) fn dwell_s(&self) -> f64 {
        if self.command != Some((b'G', 4, 0)) {
            return 0.0;
        }
        let wait = self.value(b'S').or_else(|| self.value(b'P').map(|milliseconds| milliseconds / 1000.0));
        wait.unwrap_or(0.0).max(0.0)
    }

    fn take(&mut self, word: &Word) {
        let value = word.has_value.then_some(word.value);
        match word.letter {
            b'X' => self.take_axis(0, value),
            b'Y' => self.take_axis(1, value),
            b'Z' => self.take_axis(2, value),
            b'E' => self.e = value,
            b'F' => self.feed = value,
            b'I' => self.centre[0] = value,
            b'J' => self.centre[1] = value,
            b'K' => self.centre[2] = value,
            b'R' => self.radius = value,
            b'G' | b'M' | b'T' => self.take_command(word),
            _ => {}
        }
    }

    fn take_axis(&mut self, axis: usize, value: Option<f64>) {
        self.axis[axis] = value;
        self.touched.add(axis);
    }

    fn take_command(&mut self, word: &Word) {
        let Some(code) = word.code() else {
            return;
        };
        let first = self.command.is_none();
        if first {
            self.command = Some(code);
        }
        match code {
            (b'G', number, sub) => self.take_g(number, sub),
            // Behind another command a T word is that command's argument, as in `M104 S0 T1`.
            (b'T', number, _) if first => self.tool = Some(number),
            (b'M', 82, 0) => self.e_distance = Some(Distance::Absolute),
            (b'M', 83, 0) => self.e_distance = Some(Distance::Relative),
            _ => {}
        }
    }

    fn take_g(&mut self, number: u32, sub: u32) {
        match (number, sub) {
            (0, 0) => self.motion = Some(Motion::Rapid),
            (1, 0) => self.motion = Some(Motion::Feed),
            (2, 0) => self.motion = Some(Motion::Arc(Turn::Clockwise)),
            (3, 0) => self.motion = Some(Motion::Arc(Turn::Counterclockwise)),
            (10 | 11, 0) => self.take_firmware_retract(number == 10),
            (17, 0) => self.plane = Some(Plane::Xy),
            (18, 0) => self.plane = Some(Plane::Zx),
            (19, 0) => self.plane = Some(Plane::Yz),
            (20, 0) => self.units = Some(Units::Inch),
            (21, 0) => self.units = Some(Units::Millimetre),
            (28, 0) => self.home = true,
            (53, 0) => self.in_machine_coordinates = true,
            (80..=89, 0) | (38, _) => self.ends_motion = true,
            (90, 0) => self.distance = Some(Distance::Absolute),
            (91, 0) => self.distance = Some(Distance::Relative),
            (92, _) => self.set_position = Some(sub),
            (40 | 49 | 54..=59 | 64 | 93 | 94 | 98 | 99, _) => {}
            _ => self.takes_axes = true,
        }
    }

    /// `G10` with arguments sets offsets or temperatures instead.
    fn take_firmware_retract(&mut self, retract: bool) {
        let has_arguments = self.words.iter().any(|word| matches!(word.letter, b'P' | b'L' | b'X' | b'Y' | b'Z'));
        if has_arguments {
            self.takes_axes = true;
        } else {
            self.firmware_retract = Some(retract);
        }
    }
}

/// A small whole number from a word's value; out of every range if it is none.
pub(crate) fn index(value: f64) -> usize {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked")]
    if (0.0..1000.0).contains(&value) { value as usize } else { usize::MAX }
}
