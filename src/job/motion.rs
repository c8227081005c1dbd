//! How fast a machine moves and how soon it gets there: what the time of a print is worked out with.

use serde::{Deserialize, Serialize};

/// Speeds and accelerations of a machine as it is switched on; a file's own commands change them from where they stand.
/// Lists are X, Y, Z, E. In a config it is the section `[line.motion]`.
///
/// A value that is not above zero counts as the default's, and none counts as more than 10⁶ or less than 10⁻³.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MotionLimits {
    /// Greatest feed of each axis, mm/s.
    pub max_feed_mm_s: [f64; 4],
    /// Greatest acceleration of each axis, mm/s².
    pub max_acceleration_mm_s2: [f64; 4],
    /// Acceleration of moves of the head that push or draw filament on their way, mm/s².
    pub print_acceleration_mm_s2: f64,
    /// Acceleration of moves of the head that do not, mm/s².
    pub travel_acceleration_mm_s2: f64,
    /// Acceleration of moves of the filament alone, mm/s².
    pub retract_acceleration_mm_s2: f64,
    /// Greatest sudden change of each axis' speed in a corner, mm/s.
    pub jerk_mm_s: [f64; 4],
    /// How far from the corner an imagined arc passes that is taken at full acceleration, mm. Counts in place of the jerk.
    pub junction_deviation_mm: Option<f64>,
    /// Filament that the firmware's own retract (`G10`) draws back, mm.
    pub retract_mm: f64,
    /// Its speed, mm/s.
    pub retract_mm_s: f64,
    /// Speed at which `G11` pushes it forward again, mm/s.
    pub recover_mm_s: f64,
}

impl Default for MotionLimits {
    /// What the example settings of firmware family M ship with. Common practice, from memory: a machine's own figures are
    /// better.
    fn default() -> Self {
        Self {
            max_feed_mm_s: [300.0, 300.0, 5.0, 25.0],
            max_acceleration_mm_s2: [3000.0, 3000.0, 100.0, 10_000.0],
            print_acceleration_mm_s2: 3000.0,
            travel_acceleration_mm_s2: 3000.0,
            retract_acceleration_mm_s2: 3000.0,
            jerk_mm_s: [10.0, 10.0, 0.4, 5.0],
            junction_deviation_mm: None,
            retract_mm: 3.0,
            retract_mm_s: 45.0,
            recover_mm_s: 8.0,
        }
    }
}
