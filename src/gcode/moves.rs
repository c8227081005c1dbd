//! One move: where it starts and ends, how it gets there, what it pushes out.

use super::arc::Arc;

/// A set of the axes X, Y, Z.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Axes(u8);

impl Axes {
    /// None of them.
    pub const NONE: Self = Self(0);
    /// X, Y and Z.
    pub const ALL: Self = Self(7);

    /// The axes whose bits are set: 1 for X, 2 for Y, 4 for Z. Other bits mean nothing.
    pub(crate) const fn from_bits(bits: u8) -> Self {
        Self(bits & Self::ALL.0)
    }

    /// Whether axis `index` (0 = X) is in the set.
    #[must_use]
    pub const fn has(self, index: usize) -> bool {
        self.0 & (1 << index) != 0
    }

    /// Adds axis `index` (0 = X).
    pub const fn add(&mut self, index: usize) {
        self.0 |= 1 << index;
    }

    /// Whether no axis is in the set.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }
}

/// The way from start to end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Path {
    /// A straight line.
    Line,
    /// An arc or a helix.
    Arc(Arc),
}

/// One move of the head. Coordinates are the bed's: what `G92` pretends is taken out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// Whether it is a rapid move (`G0`); printers make no difference.
    pub rapid: bool,
    /// The way.
    pub path: Path,
    /// Start, mm.
    pub start: [f64; 3],
    /// End, mm.
    pub end: [f64; 3],
    /// The axes that the line names.
    pub named: Axes,
    /// The axes on which the end is known: homed, set, or commanded as an absolute position before.
    pub known: Axes,
    /// Filament moved, nanometres, negative when drawn back. Whole numbers, so that a sum of a million of them is exact.
    pub extrusion_nm: i64,
    /// Commanded feed, mm/min, if any was commanded yet.
    pub feed_mm_min: Option<f64>,
}

impl Move {
    /// Filament moved, mm, negative when drawn back.
    #[must_use]
    pub fn extrusion_mm(&self) -> f64 {
        millimetres(self.extrusion_nm)
    }

    /// Length of the head's way, mm.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        let way = self.way();
        match self.path {
            Path::Line => (way[0] * way[0] + way[1] * way[1] + way[2] * way[2]).sqrt(),
            Path::Arc(arc) => arc.length_mm(way[arc.plane.axes().2]),
        }
    }

    /// Time at the commanded feed without acceleration, s: the head's way, or the filament's where the head stands still.
    /// Zero while no feed was ever commanded.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        let fed = self.fed_mm(self.length_mm());
        self.feed_mm_min.filter(|feed| *feed > 0.0).map_or(0.0, |feed| fed / feed * 60.0)
    }

    /// What the commanded feed governs, mm: the head's way, or the filament's where the head stands still. `length` is the
    /// length of the head's way, mm, where it is known already.
    #[inline]
    pub(crate) fn fed_mm(&self, length: f64) -> f64 {
        if length > 0.0 { length } else { self.extrusion_mm().abs() }
    }

    /// Whether the head moves in X or Y.
    #[must_use]
    pub fn is_over_bed(&self) -> bool {
        matches!(self.path, Path::Arc(_)) || self.start[0] != self.end[0] || self.start[1] != self.end[1]
    }

    /// Least and greatest coordinates on the way, both ends included, mm.
    #[must_use]
    pub fn extents(&self) -> ([f64; 3], [f64; 3]) {
        let mut least = [0, 1, 2].map(|axis| self.start[axis].min(self.end[axis]));
        let mut greatest = [0, 1, 2].map(|axis| self.start[axis].max(self.end[axis]));
        if let Path::Arc(arc) = self.path {
            let (a, b, _) = arc.plane.axes();
            let (low, high) = arc.bulges();
            for (axis, low, high) in [(a, low[0], high[0]), (b, low[1], high[1])] {
                least[axis] = least[axis].min(low);
                greatest[axis] = greatest[axis].max(high);
            }
        }
        (least, greatest)
    }

    fn way(&self) -> [f64; 3] {
        [0, 1, 2].map(|axis| self.end[axis] - self.start[axis])
    }
}

/// Nanometres as millimetres.
#[must_use]
pub(crate) fn millimetres(nanometres: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "exact below 9 km of filament")]
    let nanometres = nanometres as f64;
    nanometres / 1e6
}

/// Millimetres as whole nanometres, saturating.
#[must_use]
pub(crate) fn nanometres(millimetres: f64) -> i64 {
    let scaled = millimetres * 1e6;
    #[expect(clippy::cast_possible_truncation, reason = "`as` saturates, which is wanted")]
    let whole = (scaled + 0.5_f64.copysign(scaled)) as i64;
    whole
}
