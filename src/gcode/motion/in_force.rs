//! The limits in force: the machine's, as changed by the file's own commands so far.

use crate::gcode::lex::Word;
use crate::job::MotionLimits;

/// Letters of the axes, in the order in which limits are held.
const LETTERS: [u8; 4] = *b"XYZE";

/// What a move is for, and so which acceleration it has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// The head moves and filament too.
    Print,
    /// The head alone moves.
    Travel,
    /// Filament alone moves.
    Retract,
}

/// An acceleration, and what times are worked out with: half its inverse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Acceleration {
    pub(super) mm_s2: f64,
    pub(super) half_inverse: f64,
}

impl Acceleration {
    pub(super) fn new(mm_s2: f64) -> Self {
        Self { mm_s2, half_inverse: 0.5 / mm_s2 }
    }
}

/// What limits corners, ready to be multiplied with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Corner {
    /// Inverses of the greatest change of speed, s/mm.
    Jerk([f64; 4]),
    /// mm
    Deviation(f64),
}

/// The limits in force. Limits are inverse, since they are compared with shares of a move's speed.
#[derive(Clone, Copy, Debug)]
pub(super) struct InForce {
    m203_per_minute: bool,
    /// s/mm
    pub(super) feed_inverse: [f64; 4],
    /// s²/mm
    pub(super) acceleration_inverse: [f64; 4],
    accelerations: [Acceleration; 3],
    pub(super) corner: Corner,
    /// `M205 S` and `T`, mm/s.
    least_feed: [f64; 2],
    /// Length of the firmware's own retract, mm, and the feeds back and forward again, mm/s.
    pub(super) retract_mm: f64,
    pub(super) retract_mm_s: f64,
    pub(super) recover_mm_s: f64,
}

impl InForce {
    pub(super) fn new(limits: &MotionLimits, m203_per_minute: bool) -> Self {
        let common = MotionLimits::default();
        let each = |own: [f64; 4], other: [f64; 4]| std::array::from_fn(|i| 1.0 / sane(own[i]).unwrap_or(other[i]));
        let one = |own: f64, other: f64| sane(own).unwrap_or(other);
        let accelerations = [
            (limits.print_acceleration_mm_s2, common.print_acceleration_mm_s2),
            (limits.travel_acceleration_mm_s2, common.travel_acceleration_mm_s2),
            (limits.retract_acceleration_mm_s2, common.retract_acceleration_mm_s2),
        ];
        let deviation = limits.junction_deviation_mm.and_then(sane);
        Self {
            m203_per_minute,
            feed_inverse: each(limits.max_feed_mm_s, common.max_feed_mm_s),
            acceleration_inverse: each(limits.max_acceleration_mm_s2, common.max_acceleration_mm_s2),
            accelerations: accelerations.map(|(own, other)| Acceleration::new(one(own, other))),
            corner: match deviation {
                Some(mm) => Corner::Deviation(mm),
                None => Corner::Jerk(each(limits.jerk_mm_s, common.jerk_mm_s)),
            },
            least_feed: [0.0; 2],
            retract_mm: one(limits.retract_mm, common.retract_mm),
            retract_mm_s: one(limits.retract_mm_s, common.retract_mm_s),
            recover_mm_s: one(limits.recover_mm_s, common.recover_mm_s),
        }
    }

    pub(super) const fn acceleration(&self, purpose: Purpose) -> Acceleration {
        self.accelerations[purpose as usize]
    }

    /// Least feed of moves for this purpose, mm/s.
    pub(super) const fn least_feed(&self, purpose: Purpose) -> f64 {
        self.least_feed[(purpose as usize) & 1]
    }

    /// Takes an `M` command that sets a limit; any other does nothing. Lengths are millimetres, whatever `G20` says.
    pub(super) fn take(&mut self, code: u32, words: &[Word]) {
        let value = |letter: u8| words.iter().find(|w| w.letter == letter && w.has_value).and_then(|w| sane(w.value));
        let axes = || LETTERS.iter().enumerate().filter_map(|(axis, letter)| Some((axis, value(*letter)?)));
        match code {
            201 => axes().for_each(|(axis, limit)| self.acceleration_inverse[axis] = 1.0 / limit),
            203 => {
                let per_second = if self.m203_per_minute { 1.0 / 60.0 } else { 1.0 };
                axes().for_each(|(axis, limit)| self.feed_inverse[axis] = 1.0 / (limit * per_second));
            }
            204 => self.take_accelerations(value),
            // A machine that goes by the deviation knows no jerk, and a file that sets the deviation is made for such a machine.
            205 => {
                if let Corner::Jerk(inverse) = &mut self.corner {
                    axes().for_each(|(axis, jerk)| inverse[axis] = 1.0 / jerk);
                }
                if let Some(deviation) = value(b'J') {
                    self.corner = Corner::Deviation(deviation);
                }
                for (slot, letter) in self.least_feed.iter_mut().zip(*b"ST") {
                    *slot = value(letter).unwrap_or(*slot);
                }
            }
            207 => {
                self.retract_mm = value(b'S').unwrap_or(self.retract_mm);
                self.retract_mm_s = value(b'F').map_or(self.retract_mm_s, |feed| feed / 60.0);
            }
            208 => self.recover_mm_s = value(b'F').map_or(self.recover_mm_s, |feed| feed / 60.0),
            566 => {
                if let Corner::Jerk(inverse) = &mut self.corner {
                    axes().for_each(|(axis, jerk)| inverse[axis] = 60.0 / jerk);
                }
            }
            _ => {}
        }
    }

    /// `M204 P R T`: print, retract, travel. The older `M204 S T` sets all moves of the head by S, and filament alone by T.
    fn take_accelerations(&mut self, value: impl Fn(u8) -> Option<f64>) {
        let both = value(b'S');
        let (travel, retract) = if both.is_some() { (None, value(b'T')) } else { (value(b'T'), None) };
        for (purpose, found) in [
            (Purpose::Print, value(b'P').or(both)),
            (Purpose::Travel, travel.or(both)),
            (Purpose::Retract, value(b'R').or(retract)),
        ] {
            if let Some(found) = found {
                self.accelerations[purpose as usize] = Acceleration::new(found);
            }
        }
    }
}

/// A limit that a machine can have: nothing at or below zero, and no more than what no machine reaches.
fn sane(value: f64) -> Option<f64> {
    (value > 0.0).then(|| value.clamp(1e-3, 1e6))
}
