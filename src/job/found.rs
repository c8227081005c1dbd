//! What a survey finds in a sliced file.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What the survey of a sliced file found. Its serialised form is the report of `nosebar inspect --json`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Survey {
    /// The file itself.
    pub file: FileFacts,
    /// The rectangle that plastic touches while the nozzle moves in X or Y; `None` if nothing is laid.
    pub footprint: Option<Footprint>,
    /// The footprint of the first layer alone.
    pub first_layer: Option<Footprint>,
    /// Box of all moves, travels too; `None` if nothing moves.
    pub reach: Option<Reach>,
    /// Greatest Z at which plastic is laid, mm.
    pub height_mm: f64,
    /// Number of layers.
    pub layers: u32,
    /// Z of each layer, mm, rising; for a print that climbs without pause, by its nominal step.
    pub layer_z_mm: Vec<f64>,
    /// Filament by tool.
    pub filament: Vec<Filament>,
    /// Time at the commanded feed, without acceleration, s.
    pub feed_time_s: f64,
    /// Time with acceleration, s; 0 in surveys from before it was worked out.
    #[serde(default)]
    pub time_s: f64,
    /// How much time has passed after so many bytes, rising in both; thinned to a few hundred marks.
    #[serde(default)]
    pub timetable: Vec<TimeMark>,
    /// Plastic pushed out standing still.
    pub purges: Vec<Purge>,
    /// Temperatures that the file asks for.
    pub temperatures: Temperatures,
    /// Material keyword named in the file's own comments, lower case.
    pub material: Option<String>,
    /// Filament diameter used for volume and mass, mm.
    pub filament_diameter_mm: f64,
    /// Z at the end of the file, mm, if known.
    pub end_z_mm: Option<f64>,
    /// Things that a person should know before it is printed.
    pub concerns: Vec<Finding>,
    /// Reasons why it cannot be printed.
    pub refusals: Vec<Finding>,
    /// Commands that will be left out when it is sent, with how often they occur.
    pub dropped: Vec<Dropped>,
}

/// The file itself.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FileFacts {
    /// Length in bytes.
    pub bytes: u64,
    /// Lines, an unterminated last one included.
    pub lines: u64,
    /// SHA-256 of the bytes, lower-case hex.
    pub sha256: String,
}

/// A rectangle on the bed, mm, in the file's own coordinates.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[expect(missing_docs, reason = "the names say it all")]
pub struct Footprint {
    pub x_min_mm: f64,
    pub x_max_mm: f64,
    pub y_min_mm: f64,
    pub y_max_mm: f64,
}

/// A box around moves, mm, in the file's own coordinates.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[expect(missing_docs, reason = "the names say it all")]
pub struct Reach {
    pub x_min_mm: f64,
    pub x_max_mm: f64,
    pub y_min_mm: f64,
    pub y_max_mm: f64,
    pub z_min_mm: f64,
    pub z_max_mm: f64,
}

/// A line of the timetable of a print.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TimeMark {
    /// Bytes of the file up to the end of a line.
    pub bytes: u64,
    /// Time until the moves of these lines are done, s.
    pub time_s: f64,
}

/// Filament pushed out for good by one tool (greatest value of the running E sum; an un-retract is not counted twice).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Filament {
    /// The tool's number.
    pub tool: u32,
    /// Length, mm.
    pub length_mm: f64,
    /// Volume, cm³.
    pub volume_cm3: f64,
    /// Mass, g; `None` if the material is not known.
    pub mass_g: Option<f64>,
}

/// Plastic pushed out standing still.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[expect(missing_docs, reason = "the names say it all")]
pub struct Purge {
    pub line: u64,
    pub x_mm: f64,
    pub y_mm: f64,
    pub z_mm: f64,
    pub length_mm: f64,
}

/// First and greatest temperatures that a file asks for, °C; `None` where it never does. Zero (off) is not a request.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[expect(missing_docs, reason = "the names say it all")]
pub struct Temperatures {
    pub bed_first_c: Option<f64>,
    pub bed_max_c: Option<f64>,
    pub nozzle_first_c: Option<f64>,
    pub nozzle_max_c: Option<f64>,
}

/// Something found in a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Finding {
    /// Stable kebab-case keyword, such as `outside-bed`.
    pub code: String,
    /// Line number, from 1; 0 when it concerns the whole file.
    pub line: u64,
    /// One sentence: what was found, what was expected.
    pub text: String,
}

/// A command that is left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Dropped {
    /// The command word, such as `M84`.
    pub command: String,
    /// How often it occurs.
    pub count: u64,
}
