//! What a machine can take, and what is known of materials.

use serde::{Deserialize, Serialize};

/// What a machine can take: a file outside of this is refused for it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Least X that a move may reach, mm, in the file's coordinates.
    pub x_min_mm: f64,
    /// Greatest X, mm.
    pub x_max_mm: f64,
    /// Least Y, mm.
    pub y_min_mm: f64,
    /// Greatest Y, mm.
    pub y_max_mm: f64,
    /// Least Z, mm; a little below zero where files probe.
    pub z_min_mm: f64,
    /// Greatest Z, mm.
    pub z_max_mm: f64,
    /// Greatest bed temperature, °C.
    pub bed_max_c: f64,
    /// Greatest nozzle temperature, °C.
    pub nozzle_max_c: f64,
    /// Number of tools: a file may use tool numbers below it.
    pub tools: u32,
    /// Longest line that the firmware takes, bytes, with number and checksum.
    pub line_bytes_max: u32,
}

impl Limits {
    /// The limits that admit whatever one of the two admits. A file outside the union fits neither.
    #[must_use]
    pub fn union(self, other: Self) -> Self {
        Self {
            x_min_mm: self.x_min_mm.min(other.x_min_mm),
            x_max_mm: self.x_max_mm.max(other.x_max_mm),
            y_min_mm: self.y_min_mm.min(other.y_min_mm),
            y_max_mm: self.y_max_mm.max(other.y_max_mm),
            z_min_mm: self.z_min_mm.min(other.z_min_mm),
            z_max_mm: self.z_max_mm.max(other.z_max_mm),
            bed_max_c: self.bed_max_c.max(other.bed_max_c),
            nozzle_max_c: self.nozzle_max_c.max(other.nozzle_max_c),
            tools: self.tools.max(other.tools),
            line_bytes_max: self.line_bytes_max.max(other.line_bytes_max),
        }
    }
}

impl Default for Limits {
    /// A common small machine: 220 × 220 × 250 mm, origin in the corner. Common practice, no source.
    fn default() -> Self {
        Self {
            x_min_mm: -5.0,
            x_max_mm: 225.0,
            y_min_mm: -5.0,
            y_max_mm: 225.0,
            z_min_mm: -1.0,
            z_max_mm: 250.0,
            bed_max_c: 110.0,
            nozzle_max_c: 275.0,
            tools: 1,
            line_bytes_max: 96,
        }
    }
}

/// What is known of a material, for mass and release.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Material {
    /// Keyword, lower case (`pla`).
    pub name: String,
    /// Density, g/cm³.
    pub density_g_cm3: f64,
    /// Bed temperature at which a part lets go, °C.
    pub release_c: f64,
}
