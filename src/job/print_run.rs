//! How long a print took against what was worked out for it.

use super::id::{CycleId, LineName};
use crate::units::UnixMillis;

/// A print that went from its first byte to its end without a hold in between.
#[derive(Clone, Debug, PartialEq)]
pub struct PrintRun {
    /// The copy.
    pub cycle: CycleId,
    /// The line that made it.
    pub line: LineName,
    /// When it ended.
    pub at: UnixMillis,
    /// What was worked out for it before any correction, above zero, s.
    pub planned_s: f64,
    /// What it took, above zero, s.
    pub actual_s: f64,
}
