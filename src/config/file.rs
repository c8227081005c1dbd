//! The config as it is written: keys, units and defaults.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::belt::Direction;
use crate::job::MotionLimits;

/// The sentence that a person must write to run a line that nothing checks. It says what is risked.
pub const STANDING_WORD: &str =
    "Nothing checks this belt: a print may be laid over a part that is still there, and I answer for it.";

/// The whole file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConfigFile {
    /// The program itself.
    #[serde(default)]
    pub daemon: DaemonSection,
    /// Materials by keyword, in place of or beside the built-in ones.
    #[serde(default)]
    pub materials: BTreeMap<String, MaterialSection>,
    /// The lines; at least one.
    #[serde(default)]
    pub line: Vec<LineSection>,
}

/// `[daemon]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DaemonSection {
    /// Where the page listens.
    pub listen: SocketAddr,
    /// PEM file of the certificate for TLS, its issuers' after it; relative to the config file. Absent: no TLS.
    pub tls_certificate: Option<PathBuf>,
    /// PEM file of the certificate's private key; relative to the config file.
    pub tls_key: Option<PathBuf>,
    /// The name that the page has in the network, without its `.local`; empty: none is announced.
    pub mdns_name: String,
    /// Folder of the database and the file store; relative to the config file.
    pub data: PathBuf,
    /// The watched folder; relative to the config file.
    pub infeed: PathBuf,
    /// A file whose size and time stood still for so long is whole, s.
    pub settle_s: f64,
    /// The folder is read anew this often, since network shares send no events, s.
    pub rescan_s: f64,
    /// Largest upload, MiB.
    pub upload_max_mib: u64,
    /// The longest that the end of the daemon may wait for heaters to be off and belts to stand, s.
    pub stop_limit_s: f64,
}

impl Default for DaemonSection {
    fn default() -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 8017)),
            tls_certificate: None,
            tls_key: None,
            mdns_name: "nosebar".to_owned(),
            data: "data".into(),
            infeed: "infeed".into(),
            settle_s: 3.0,
            rescan_s: 20.0,
            upload_max_mib: 1024,
            stop_limit_s: 10.0,
        }
    }
}

impl DaemonSection {
    /// The files of the certificate and of its key, where there are any.
    #[must_use]
    pub fn tls_files(&self) -> Option<(&Path, &Path)> {
        self.tls_certificate.as_deref().zip(self.tls_key.as_deref())
    }

    /// The name to announce, such as `nosebar.local`; `None` where there is none, or nobody else could reach it.
    #[must_use]
    pub fn host_name(&self, listen: SocketAddr) -> Option<String> {
        let wanted = !self.mdns_name.is_empty() && !listen.ip().is_loopback();
        wanted.then(|| format!("{}.local", self.mdns_name.to_ascii_lowercase()))
    }
}

/// `[materials.NAME]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MaterialSection {
    /// Density, g/cm³.
    pub density_g_cm3: f64,
    /// Bed temperature at which a part lets go, °C.
    pub release_c: f64,
}

/// `[[line]]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineSection {
    /// Its name: also its subfolder of the infeed folder.
    pub name: String,
    /// Material loaded, by keyword; absent: takes any job.
    pub material: Option<String>,
    /// Connection.
    #[serde(default)]
    pub printer: PrinterSection,
    /// What the machine reaches.
    #[serde(default)]
    pub bed: BedSection,
    /// The belt.
    #[serde(default)]
    pub belt: BeltSection,
    /// Heat.
    #[serde(default)]
    pub heat: HeatSection,
    /// Speeds and accelerations, for print times.
    #[serde(default)]
    pub motion: MotionLimits,
    /// Clear check.
    pub check: CheckSection,
}

/// Kinds of links.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names say it all")]
pub enum LinkKind {
    Simulated,
    Serial,
    Tcp,
}

/// `[line.printer]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PrinterSection {
    /// How it is connected.
    pub link: LinkKind,
    /// Serial device.
    pub port: Option<PathBuf>,
    /// Serial speed, baud.
    pub baud: u32,
    /// `host:port` of a serial server.
    pub address: Option<String>,
    /// How many times faster than real time a simulated printer runs, at most.
    pub speed: f64,
    /// Commands in flight at once.
    pub window_lines: usize,
    /// Bytes in flight at once: the printer's input buffer.
    pub window_bytes: usize,
    /// The printer's longest line with number and checksum, bytes.
    pub line_bytes_max: u32,
    /// Silence after which the printer is asked again, s.
    pub silence_s: f64,
    /// Whether `G90`/`G91` govern E as well (they do in one family of firmware, and not in the other).
    pub e_follows_g91: bool,
    /// Whether a file's `M203` counts in mm/min (in one family of firmware) or in mm/s (in the other).
    pub m203_per_minute: bool,
    /// Whether `M190 R` waits for a bed that has to cool (it does in one family of firmware); matters to composed files alone.
    pub m190_waits_for_cooling: bool,
}

impl Default for PrinterSection {
    fn default() -> Self {
        Self {
            link: LinkKind::Simulated,
            port: None,
            baud: 115_200,
            address: None,
            speed: 1.0,
            window_lines: 4,
            window_bytes: 127,
            line_bytes_max: 96,
            silence_s: 10.0,
            e_follows_g91: true,
            m203_per_minute: false,
            m190_waits_for_cooling: true,
        }
    }
}

/// `[line.bed]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BedSection {
    /// Bed edges in the sliced file's coordinates, mm.
    pub x_min_mm: f64,
    #[expect(missing_docs, reason = "see above")]
    pub x_max_mm: f64,
    #[expect(missing_docs, reason = "see above")]
    pub y_min_mm: f64,
    #[expect(missing_docs, reason = "see above")]
    pub y_max_mm: f64,
    /// Greatest Z, mm.
    pub z_max_mm: f64,
    /// How far moves may go beyond the bed's edges, mm.
    pub margin_mm: f64,
    /// Hottest bed, °C.
    pub bed_max_c: f64,
    /// Hottest nozzle, °C.
    pub nozzle_max_c: f64,
    /// Number of print tools.
    pub tools: u32,
}

impl Default for BedSection {
    fn default() -> Self {
        Self {
            x_min_mm: 0.0,
            x_max_mm: 220.0,
            y_min_mm: 0.0,
            y_max_mm: 220.0,
            z_max_mm: 250.0,
            margin_mm: 5.0,
            bed_max_c: 110.0,
            nozzle_max_c: 275.0,
            tools: 1,
        }
    }
}

/// Kinds of belt drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names say it all")]
pub enum DriveKind {
    Extruder,
    Axis,
    Lines,
}

/// `[line.belt]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BeltSection {
    /// The way toward the nose: `+x`, `-x`, `+y` or `-y`.
    pub toward_nose: Direction,
    /// Distance from the file's origin to the nose, along that way, mm; absent: the bed's edge on that side.
    pub nose_mm: Option<f64>,
    /// How far the belt runs on after the part's tail has reached the nose, mm.
    pub overrun_mm: f64,
    /// What the belt hangs on.
    pub drive: DriveKind,
    /// Tool number of the extruder driver, for `drive = "extruder"`.
    pub extruder: u32,
    /// Letter of the axis, for `drive = "axis"`.
    pub axis: char,
    /// Lines to send, for `drive = "lines"`, with `{mm}` and `{feed}`.
    pub lines: Vec<String>,
    /// Printer units for each millimetre of belt.
    pub units_per_mm: f64,
    /// Whether positive units run away from the nose.
    pub inverted: bool,
    /// Longest move in one command, mm.
    pub piece_mm: f64,
    /// Longest move between two looks at a switch, mm.
    pub look_every_mm: f64,
    /// Feed of approach and overrun, mm/min.
    pub travel_mm_min: f64,
    /// Feed while the part bends off the nose, mm/min.
    pub peel_mm_min: f64,
    /// The firmware's guard against cold extrusion, restored after belt moves by an extruder, °C.
    pub cold_guard_c: f64,
    /// How far above the part the head must be when the belt moves, mm.
    pub head_clearance_mm: f64,
    /// Length of the whole loop, mm; absent: not known, so no splice, no flaws and no wear.
    pub loop_mm: Option<f64>,
    /// Length of the splice along the belt, mm.
    pub splice_width_mm: f64,
    /// What is kept free at both ends of splice, flaws and parts, mm.
    pub keep_out_margin_mm: f64,
    /// How much farther than needed the belt may run to a less worn place, mm.
    pub wear_slack_mm: f64,
}

impl Default for BeltSection {
    fn default() -> Self {
        Self {
            toward_nose: Direction::PlusY,
            nose_mm: None,
            overrun_mm: 40.0,
            drive: DriveKind::Extruder,
            extruder: 1,
            axis: 'A',
            lines: Vec::new(),
            units_per_mm: 1.0,
            inverted: false,
            piece_mm: 50.0,
            look_every_mm: 4.0,
            travel_mm_min: 1500.0,
            peel_mm_min: 600.0,
            cold_guard_c: 170.0,
            head_clearance_mm: 10.0,
            loop_mm: None,
            splice_width_mm: 6.0,
            keep_out_margin_mm: 3.0,
            wear_slack_mm: 0.0,
        }
    }
}

/// `[line.heat]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HeatSection {
    /// Usual temperature of the room, °C.
    pub ambient_c: f64,
    /// Time in which the bed loses 63 % of its warmth over the room's, s.
    pub cooling_time_constant_s: f64,
    /// Longest warm-up, s.
    pub warm_limit_s: f64,
    /// Longest cool-down, s, unless the two figures above give a later deadline.
    pub cool_limit_s: f64,
    /// Nozzle off so long after a hold in mid-print, s.
    pub held_nozzle_off_s: f64,
    /// Bed off so long after a hold in mid-print, s.
    pub held_bed_off_s: f64,
    /// Longest silence of the thermometers, s.
    pub reading_limit_s: f64,
    /// Lines to send when the wait for cooling begins, such as a fan on.
    pub cool_begin_lines: Vec<String>,
    /// Lines to send when it is over, before the belt moves, and whenever the line is to be quiet: the fan off.
    pub cool_end_lines: Vec<String>,
}

impl Default for HeatSection {
    fn default() -> Self {
        Self {
            ambient_c: 22.0,
            cooling_time_constant_s: 900.0,
            warm_limit_s: 1800.0,
            cool_limit_s: 10_800.0,
            held_nozzle_off_s: 600.0,
            held_bed_off_s: 3600.0,
            reading_limit_s: 30.0,
            cool_begin_lines: Vec::new(),
            cool_end_lines: Vec::new(),
        }
    }
}

/// Kinds of clear checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names say it all")]
pub enum CheckKind {
    Ask,
    Switch,
    Command,
    Trust,
}

/// `[line.check]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CheckSection {
    /// Which.
    pub kind: CheckKind,
    /// Name of the input in the printer's endstop report, for `switch`.
    #[serde(default)]
    pub input: Option<String>,
    /// Program and arguments, for `command`.
    #[serde(default)]
    pub program: Vec<String>,
    /// Longest run of the program, s.
    #[serde(default = "program_limit")]
    pub program_limit_s: f64,
    /// Longest wait for a person before the line is held, s.
    #[serde(default = "ask_limit")]
    pub ask_limit_s: f64,
    /// [`STANDING_WORD`], for `trust`.
    #[serde(default)]
    pub standing_word: Option<String>,
    /// Tries after the first.
    #[serde(default = "retries")]
    pub retries: u32,
    /// How far the belt goes back for a try, mm.
    #[serde(default = "retry_back")]
    pub retry_back_mm: f64,
}

fn program_limit() -> f64 {
    60.0
}

fn ask_limit() -> f64 {
    12.0 * 3600.0
}

fn retries() -> u32 {
    1
}

fn retry_back() -> f64 {
    10.0
}
