//! How the simulated machine is built.

use std::time::Duration;

use super::script::Script;

/// How the simulated machine is built. Start from [`SimConfig::default`] and change what matters.
#[derive(Clone, Debug, PartialEq)]
pub struct SimConfig {
    /// The bed's heater.
    pub bed: HeaterConfig,
    /// The nozzle's heater; all tools share it.
    pub nozzle: HeaterConfig,
    /// How temperatures are reported.
    pub report: ReportForm,
    /// Noise of the thermometers, standard deviation, K.
    pub noise_k: f64,
    /// Where that noise starts.
    pub noise_seed: u64,
    /// What the serial input holds.
    pub input: InputConfig,
    /// How moves are made.
    pub motion: MotionConfig,
    /// How the belt is driven.
    pub belt: BeltConfig,
    /// Where the bed and the nose are.
    pub frame: FrameConfig,
    /// When a part lets go.
    pub release: ReleaseConfig,
    /// Length of the belt's loop, µm; `None`: it never comes round.
    pub loop_um: Option<i64>,
    /// Stretches of belt that no plastic may touch, from and to: along-belt coordinates at the start, µm.
    pub keep_outs: Vec<[i64; 2]>,
    /// Name of the nose switch in the endstop report.
    pub switch_name: String,
    /// Time from a reset to `start`.
    pub boot: Duration,
    /// A heater that is on, gives no heat and is noticed stops the machine after this time; `None`: never.
    pub heater_protection: Option<Duration>,
    /// How many executed commands are remembered.
    pub commands_kept: usize,
    /// What goes wrong, and when, counted from the machine's first moment.
    pub faults: Script,
}

/// A heater and what it heats: `dT/dt = (ambient + rise × power − T) / tau`, power 0…1, held exactly at its target once there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeaterConfig {
    /// Temperature of its surroundings, °C; also where it starts.
    pub ambient_c: f64,
    /// Time constant, s.
    pub tau_s: f64,
    /// How far above ambient it would end up at full power, K.
    pub rise_k: f64,
}

/// The spellings of a temperature report, after the examples of the RepRap wiki, G-code page, M105.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReportForm {
    /// `T:201 B:117`
    Whole,
    /// `T:201 /202 B:117 /120`
    WholeWithTargets,
    /// `T:20.20 /0.00 B:19.10 /0.00 T0:20.20 /0.00 @:0 B@:0`
    Decimals,
    /// `T0:27.8/0 B:21.6/0 @0:0 B@:0`
    Tight,
    /// `T:23.61 /0 @:0 T0:23.61 /0 @0:0 RAW0:3922 B:22.00 /0 B@:0`
    Raw,
}

/// What the serial input holds, and how it is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InputConfig {
    /// Whole lines that may wait, the one being worked on included.
    pub lines: usize,
    /// Bytes that may wait, line ends included, of whole lines and the unfinished one.
    pub bytes: usize,
    /// Longest line, without its end; what is beyond is lost.
    pub line_bytes: usize,
    /// Whether a refused line makes it throw away what arrived together with it.
    pub flush_on_error: bool,
    /// Whether `M108`, `M112` and `M410` act on arrival, ahead of everything that waits.
    pub emergency: bool,
    /// Delay of every reply: link and processing together.
    pub reply_delay: Duration,
}

/// How moves are made: at constant feed, `time = length / feed`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionConfig {
    /// Moves that may wait, the one under way included.
    pub planner_moves: usize,
    /// Greatest feed of X, Y, Z, mm/s.
    pub max_feed_xyz: [f64; 3],
    /// Greatest feed of an extruder or a free axis, units/s.
    pub max_feed_e: f64,
    /// Feed before the first `F` word, mm/min.
    pub first_feed: f64,
    /// Feed of homing, mm/s.
    pub homing_feed: f64,
    /// Number of tools.
    pub tools: usize,
    /// Below this nozzle temperature no extruder turns, °C, unless cold extrusion is allowed.
    pub cold_below_c: f64,
    /// Longest move of an extruder, mm; a longer one is refused.
    pub longest_extrusion_mm: f64,
    /// Whether G90 and G91 govern the extruder too.
    pub g91_governs_e: bool,
}

/// What moves the belt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BeltDrive {
    /// The extruder with this index.
    Extruder(usize),
    /// A free axis with this letter, one of `A` `B` `C` `U` `V` `W`.
    Axis(u8),
}

/// How the belt is driven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeltConfig {
    /// What moves it.
    pub drive: BeltDrive,
    /// Commanded units for a millimetre of belt.
    pub units_per_mm: f64,
    /// Whether positive units move it away from the nose.
    pub inverted: bool,
}

/// The bed's axis that points to the nose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names say it all")]
pub enum TowardNose {
    PlusX,
    MinusX,
    PlusY,
    MinusY,
}

/// Where the bed and the nose are, in the sliced file's coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameConfig {
    /// Which way the nose lies.
    pub toward_nose: TowardNose,
    /// Where the nose is, along that way, mm.
    pub nose_mm: f64,
    /// The bed: least and greatest X, mm.
    pub x_mm: [f64; 2],
    /// The bed: least and greatest Y, mm.
    pub y_mm: [f64; 2],
}

/// When a part lets go.
#[derive(Clone, Debug, PartialEq)]
pub struct ReleaseConfig {
    /// Nominal release temperatures by what the bed was set to when the part was begun: the last step whose `bed_from_c` is
    /// at or below that counts. This is how a machine that knows no materials can have several.
    pub steps: Vec<ReleaseStep>,
    /// A part lets go at the nominal temperature or up to this much above it, K, by chance.
    pub spread_k: f64,
    /// Where chance starts.
    pub seed: u64,
}

/// A nominal release temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReleaseStep {
    /// From this bed target on, °C.
    pub bed_from_c: f64,
    /// Bed temperature at which a part surely lets go, °C.
    pub release_c: f64,
}

/// Room temperature, °C.
const AMBIENT_C: f64 = 22.0;

impl Default for SimConfig {
    /// A small machine whose second extruder drives the belt. Common practice, no source.
    fn default() -> Self {
        Self {
            // Full power would end at 140 °C; 110 °C is reached in 14 minutes.
            bed: HeaterConfig { ambient_c: AMBIENT_C, tau_s: 600.0, rise_k: 118.0 },
            nozzle: HeaterConfig { ambient_c: AMBIENT_C, tau_s: 60.0, rise_k: 378.0 },
            report: ReportForm::Decimals,
            noise_k: 0.0,
            noise_seed: 1,
            input: InputConfig::default(),
            motion: MotionConfig::default(),
            belt: BeltConfig { drive: BeltDrive::Extruder(1), units_per_mm: 1.0, inverted: false },
            frame: FrameConfig {
                toward_nose: TowardNose::PlusY,
                nose_mm: 220.0,
                x_mm: [0.0, 220.0],
                y_mm: [0.0, 220.0],
            },
            release: ReleaseConfig {
                steps: vec![ReleaseStep { bed_from_c: 0.0, release_c: 32.0 }],
                spread_k: 1.5,
                seed: 1,
            },
            loop_um: None,
            keep_outs: Vec::new(),
            switch_name: "nose".to_owned(),
            boot: Duration::ZERO,
            heater_protection: Some(Duration::from_secs(60)),
            commands_kept: 64,
            faults: Script::default(),
        }
    }
}

impl Default for InputConfig {
    fn default() -> Self {
        Self {
            lines: 4,
            bytes: 127,
            line_bytes: 96,
            flush_on_error: false,
            emergency: true,
            reply_delay: Duration::ZERO,
        }
    }
}

impl Default for MotionConfig {
    fn default() -> Self {
        Self {
            planner_moves: 16,
            max_feed_xyz: [300.0, 300.0, 12.0],
            max_feed_e: 60.0,
            first_feed: 1500.0,
            homing_feed: 50.0,
            tools: 2,
            cold_below_c: 170.0,
            longest_extrusion_mm: 200.0,
            g91_governs_e: true,
        }
    }
}

impl ReleaseConfig {
    /// The nominal release temperature of a part begun with the bed set to `bed_target_c`.
    pub(super) fn nominal_c(&self, bed_target_c: f64) -> f64 {
        let step = self.steps.iter().rev().find(|step| step.bed_from_c <= bed_target_c).or_else(|| self.steps.first());
        step.map_or(f64::INFINITY, |step| step.release_c)
    }
}

impl FrameConfig {
    /// Along-belt coordinate of a point of the bed, mm, growing toward the nose.
    pub(super) fn along(&self, x: f64, y: f64) -> f64 {
        match self.toward_nose {
            TowardNose::PlusX => x,
            TowardNose::MinusX => -x,
            TowardNose::PlusY => y,
            TowardNose::MinusY => -y,
        }
    }

    /// Coordinate across the belt, mm.
    pub(super) fn across(&self, x: f64, y: f64) -> f64 {
        match self.toward_nose {
            TowardNose::PlusX | TowardNose::MinusX => y,
            TowardNose::PlusY | TowardNose::MinusY => x,
        }
    }

    /// Where the bed begins, along the belt, mm.
    pub(super) fn begin(&self) -> f64 {
        let [x0, x1] = self.x_mm;
        let [y0, y1] = self.y_mm;
        self.along(x0, y0).min(self.along(x1, y1))
    }

    /// Whether a point lies over the bed.
    pub(super) fn over_bed(&self, x: f64, y: f64) -> bool {
        (self.x_mm[0]..=self.x_mm[1]).contains(&x) && (self.y_mm[0]..=self.y_mm[1]).contains(&y)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_along_belt_coordinate_grows_toward_the_nose() {
        let mut frame = SimConfig::default().frame;
        let seen = [TowardNose::PlusX, TowardNose::MinusX, TowardNose::PlusY, TowardNose::MinusY].map(|way| {
            frame.toward_nose = way;
            (frame.along(3.0, 5.0), frame.begin())
        });
        assert_eq!(seen, [(3.0, 0.0), (-3.0, -220.0), (5.0, 0.0), (-5.0, -220.0)]);
    }

    #[test]
    fn the_nominal_release_follows_the_bed_that_the_part_was_begun_on() {
        let step = |bed_from_c, release_c| ReleaseStep { bed_from_c, release_c };
        let release =
            ReleaseConfig { steps: vec![step(0.0, 32.0), step(70.0, 40.0), step(95.0, 55.0)], spread_k: 0.0, seed: 1 };
        assert_eq!([20.0, 69.9, 70.0, 110.0].map(|bed| release.nominal_c(bed)), [32.0, 32.0, 40.0, 55.0]);
    }
}
