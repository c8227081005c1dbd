//! The modes that commands switch, and what differs between firmware families.

/// What differs between firmware families and machines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dialect {
    /// Whether `G91` makes E relative too (firmware family M) or leaves it alone (firmware family R).
    pub e_follows_g91: bool,
    /// Whether `M203` counts in mm/min (firmware family R) or in mm/s (firmware family M).
    pub m203_per_minute: bool,
    /// Whether `G90` ends `M83`, as such firmware does. A survey reads a file as its author means it, and there it does not; who
    /// follows a machine's registers wants to know what they are.
    pub g90_ends_m83: bool,
    /// Where homing leaves the head, mm.
    pub home_mm: [f64; 3],
}

impl Default for Dialect {
    fn default() -> Self {
        Self { e_follows_g91: true, m203_per_minute: false, g90_ends_m83: false, home_mm: [0.0; 3] }
    }
}

/// Absolute or relative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Distance {
    /// Positions (`G90`, `M82`).
    #[default]
    Absolute,
    /// Ways (`G91`, `M83`).
    Relative,
}

/// Unit of lengths.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Units {
    /// `G21`
    #[default]
    Millimetre,
    /// `G20`
    Inch,
}

impl Units {
    pub(crate) const fn in_mm(self) -> f64 {
        match self {
            Self::Millimetre => 1.0,
            Self::Inch => 25.4,
        }
    }
}

/// Which command governs E.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum EMode {
    /// Neither `M82` nor `M83` since the start, or `G91` since `M82`.
    Follows,
    /// `M82`; a later `G91` takes over where E follows it.
    Absolute,
    /// `M83`; stays in force through `G90`, as the authors of such files mean it.
    Relative,
}
