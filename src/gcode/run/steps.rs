//! The moves of a run, once the modal state has given their numbers a meaning.

use super::read::{LINES, Run, named};
use crate::gcode::bounds::Bounds;
use crate::gcode::lanes::{at_full_width, extremes};
use crate::gcode::moves::{Axes, Move, Path};

/// Nanometres below this are exact in an `f64`, and so are their sums over a run.
const EXACT_NM: f64 = 1e15;

/// Where a run begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Start {
    /// Position, nm.
    position: [f64; 3],
    /// E register, nm.
    register: f64,
    /// Whether E words are ways.
    e_is_relative: bool,
}

impl Start {
    /// `None` if a position is no whole number of nanometres: then a run would not come to the same figures.
    pub(crate) fn new(machine_mm: [f64; 3], register_nm: i64, e_is_relative: bool) -> Option<Self> {
        let position = machine_mm.map(|mm| (mm * 1e6).round());
        let is_whole = (0..3).all(|axis| position[axis] / 1e6 == machine_mm[axis] && position[axis].abs() < EXACT_NM);
        #[expect(clippy::cast_precision_loss, reason = "what is beyond is refused")]
        let register = register_nm as f64;
        (is_whole && register.abs() < EXACT_NM).then_some(Self { position, register, e_is_relative })
    }
}

/// Moves side by side. Lengths are nanometres in whole numbers, which `f64` holds exactly.
#[derive(Debug)]
pub(crate) struct Steps {
    /// The lines that they were read from.
    pub(crate) run: Box<Run>,
    /// X, Y and Z before the first move, and behind each.
    pub(crate) position: [[f64; LINES + 1]; 3],
    /// Filament moved.
    pub(crate) filament: [f64; LINES],
    /// The head's way.
    pub(crate) length: [f64; LINES],
    /// What the feed governs: the head's way, or the filament's where the head stands still.
    pub(crate) fed: [f64; LINES],
    /// Whether no move leaves the height at which the run begins.
    is_level: bool,
    /// The E register behind each move.
    register: [f64; LINES],
}

impl Default for Steps {
    fn default() -> Self {
        Self {
            run: Box::default(),
            position: [[0.0; LINES + 1]; 3],
            filament: [0.0; LINES],
            length: [0.0; LINES],
            fed: [0.0; LINES],
            is_level: true,
            register: [0.0; LINES],
        }
    }
}

impl Steps {
    /// How many moves there are.
    #[inline]
    pub(crate) const fn count(&self) -> usize {
        self.run.moves
    }

    /// Works out the moves of the run that was read.
    pub(crate) fn place(&mut self, start: &Start) {
        let count = self.count();
        let Self { run, position: [x, y, z], register, .. } = self;
        run.numbers(behind_first(x), behind_first(y), register);
        (x[0], y[0], z[0]) = (start.position[0], start.position[1], start.position[2]);
        let moves = run.named[..count].iter().enumerate();
        for (at, _) in moves.clone().take_while(|(_, named)| **named & named::X == 0) {
            x[at + 1] = x[0];
        }
        for (at, _) in moves.clone().take_while(|(_, named)| **named & named::Y == 0) {
            y[at + 1] = y[0];
        }
        self.is_level = run.named[..count].iter().fold(0, |all, named| all | named) & named::Z == 0;
        if self.is_level {
            z[1..=count].fill(start.position[2]);
        } else {
            for (at, named) in moves {
                z[at + 1] = if named & named::Z == 0 { z[at] } else { run.z[at] };
            }
            self.is_level = z[1..=count].iter().all(|height| *height == z[0]);
        }
        self.place_filament(start);
        at_full_width(
            #[inline(always)]
            || self.measure(),
        );
    }

    fn place_filament(&mut self, start: &Start) {
        let count = self.count();
        let Self { run, filament, register, .. } = self;
        if start.e_is_relative {
            let mut sum = start.register;
            for at in 0..count {
                filament[at] = if run.named[at] & named::E == 0 { 0.0 } else { register[at] };
                sum += filament[at];
                register[at] = sum;
            }
            return;
        }
        for (at, _) in run.named[..count].iter().enumerate().take_while(|(_, named)| **named & named::E == 0) {
            register[at] = start.register;
        }
        let mut before = start.register;
        for (filament, register) in filament.iter_mut().zip(&register[..count]) {
            *filament = register - before;
            before = *register;
        }
    }

    #[inline(always)]
    fn measure(&mut self) {
        let count = self.count();
        let [x, y, z] = self.position.each_ref().map(|axis| &axis[..=count]);
        let (length, fed, filament) = (&mut self.length[..count], &mut self.fed[..count], &self.filament[..count]);
        for at in 0..count {
            let way = [x[at + 1] - x[at], y[at + 1] - y[at], z[at + 1] - z[at]];
            length[at] = (way[0] * way[0] + way[1] * way[1] + way[2] * way[2]).sqrt();
            fed[at] = if length[at] > 0.0 { length[at] } else { filament[at].abs() };
        }
    }

    /// Position behind the last move, mm.
    pub(crate) fn end_mm(&self) -> [f64; 3] {
        self.position.each_ref().map(|axis| axis[self.count()] / 1e6)
    }

    /// E register behind the last move, nm.
    pub(crate) fn register_nm(&self) -> Option<i64> {
        #[expect(clippy::cast_possible_truncation, reason = "a whole number far below 2^63")]
        self.count().checked_sub(1).map(|last| self.register[last] as i64)
    }

    /// One of the moves by itself.
    pub(crate) fn motion(&self, at: usize) -> Move {
        let mm = |at: usize| self.position.each_ref().map(|axis| axis[at] / 1e6);
        #[expect(clippy::cast_possible_truncation, reason = "a whole number far below 2^63")]
        let extrusion_nm = self.filament[at] as i64;
        Move {
            rapid: false,
            path: Path::Line,
            start: mm(at),
            end: mm(at + 1),
            named: Axes::from_bits(self.run.named[at]),
            known: Axes::ALL,
            extrusion_nm,
            feed_mm_min: Some(self.run.feeds[at]),
        }
    }

    /// Whether all moves stay at the height at which the run begins; that height, mm.
    pub(crate) fn level_mm(&self) -> Option<f64> {
        self.is_level.then_some(self.position[2][0] / 1e6)
    }

    /// The box of all positions, mm.
    pub(crate) fn bounds(&self) -> Bounds {
        let mut bounds = Bounds::default();
        for (axis, all) in self.position.iter().enumerate() {
            let count = if axis == 2 && self.is_level { 0 } else { self.count() };
            let (least, greatest) = extremes(&all[..=count]);
            (bounds.least[axis], bounds.greatest[axis]) = (least / 1e6, greatest / 1e6);
        }
        bounds
    }
}

/// The places behind the first.
fn behind_first(all: &mut [f64; LINES + 1]) -> &mut [f64; LINES] {
    all.last_chunk_mut().expect("one fewer than all")
}
