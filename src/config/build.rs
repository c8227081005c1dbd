//! From the config's sections to the settings of the rooms.

use std::path::PathBuf;
use std::time::Duration;

use super::file::{
    BedSection, BeltSection, CheckKind, CheckSection, DriveKind, HeatSection, LineSection, LinkKind, STANDING_WORD,
};
use super::load::above_zero;
use crate::belt::{Clearances, Direction, Drive, DriveBy, Frame, Span};
use crate::job::{Footprint, Limits, LineName, MotionLimits};
use crate::line::{BeltSettings, Check, JOG_LEASE, LineSettings};
use crate::thermal::Cooling;
use crate::units::{Celsius, Millimetres, MillimetresPerMinute};

/// One line, as the rooms need it.
#[derive(Clone, Debug, PartialEq)]
pub struct LineConfig {
    /// Its name.
    pub name: LineName,
    /// Material loaded.
    pub material: Option<String>,
    /// Its cycle's settings.
    pub settings: LineSettings,
    /// Where the belt lies.
    pub frame: Frame,
    /// Run on after the tail.
    pub overrun: Millimetres,
    /// How far above the part the head must be when the belt moves.
    pub head_clearance: Millimetres,
    /// What it can make.
    pub limits: Limits,
    /// How fast it moves.
    pub motion: MotionLimits,
    /// The connection.
    pub link: LinkConfig,
    /// Whether `G90`/`G91` govern E.
    pub e_follows_g91: bool,
    /// Whether `M203` counts in mm/min.
    pub m203_per_minute: bool,
    /// Whether `M190 R` waits for a bed that has to cool.
    pub m190_waits_for_cooling: bool,
    /// Commands in flight.
    pub window_lines: usize,
    /// Bytes in flight.
    pub window_bytes: usize,
    /// Silence after which the printer is asked again.
    pub silence: Duration,
    /// Name of the switch's input.
    pub switch_input: Option<String>,
    /// Lines to send when the wait for cooling begins.
    pub cool_begin_lines: Vec<String>,
    /// Lines to send when it is over.
    pub cool_end_lines: Vec<String>,
    /// The clear-check program.
    pub program: Vec<String>,
    /// The standing word of a line that nothing checks.
    pub standing_word: Option<String>,
}

/// Where the printer is.
#[derive(Clone, Debug, PartialEq)]
pub enum LinkConfig {
    /// Inside this program.
    Simulated {
        /// Speed at most.
        speed: f64,
    },
    /// A serial port.
    Serial {
        /// The device.
        port: PathBuf,
        /// Its speed.
        baud: u32,
    },
    /// A raw socket.
    Tcp {
        /// `host:port`.
        address: String,
    },
}

impl LineConfig {
    /// Checks a section and makes the settings.
    pub(super) fn build(section: LineSection) -> Result<Self, String> {
        let name = LineName::new(&section.name).map_err(|e| e.to_string())?;
        let inside = |what: String| format!("line {name}: {what}");
        let link = link_of(&section).map_err(inside)?;
        let drive = drive_of(&section.belt).map_err(inside)?;
        check_of(&section.check).map_err(inside)?;
        let mut settings = settings_of(&section.check, &section.heat, drive, &section.bed).map_err(inside)?;
        let (bed, margin) = (&section.bed, section.bed.margin_mm);
        let edges = Footprint {
            x_min_mm: bed.x_min_mm,
            x_max_mm: bed.x_max_mm,
            y_min_mm: bed.y_min_mm,
            y_max_mm: bed.y_max_mm,
        };
        if edges.x_min_mm >= edges.x_max_mm || edges.y_min_mm >= edges.y_max_mm || bed.z_max_mm <= 0.0 {
            return Err(inside("the bed has no area or no height; each _max_mm must be above its _min_mm".to_owned()));
        }
        let limits = Limits {
            x_min_mm: edges.x_min_mm - margin,
            x_max_mm: edges.x_max_mm + margin,
            y_min_mm: edges.y_min_mm - margin,
            y_max_mm: edges.y_max_mm + margin,
            z_min_mm: -1.0,
            z_max_mm: bed.z_max_mm,
            bed_max_c: bed.bed_max_c,
            nozzle_max_c: bed.nozzle_max_c,
            tools: bed.tools.max(1),
            line_bytes_max: section.printer.line_bytes_max,
        };
        let toward_nose = section.belt.toward_nose;
        let nose = Millimetres(section.belt.nose_mm.unwrap_or_else(|| edge(toward_nose, &edges)));
        settings.belt = belt_of(&section.belt, nose, bed_along(toward_nose, &edges)).map_err(inside)?;
        settings.jog_lease = jog_lease(&link);
        Ok(Self {
            settings,
            frame: Frame { toward_nose, nose, bed: edges },
            overrun: Millimetres(section.belt.overrun_mm),
            head_clearance: Millimetres(section.belt.head_clearance_mm),
            limits,
            motion: motion_of(&section.motion).map_err(inside)?,
            link,
            e_follows_g91: section.printer.e_follows_g91,
            m203_per_minute: section.printer.m203_per_minute,
            m190_waits_for_cooling: section.printer.m190_waits_for_cooling,
            window_lines: section.printer.window_lines.max(1),
            window_bytes: section.printer.window_bytes,
            silence: span("printer.silence_s", section.printer.silence_s).map_err(inside)?,
            switch_input: section.check.input.map(|input| input.to_ascii_lowercase()),
            cool_begin_lines: section.heat.cool_begin_lines,
            cool_end_lines: section.heat.cool_end_lines,
            program: section.check.program,
            standing_word: section.check.standing_word,
            material: section.material.map(|m| m.to_ascii_lowercase()),
            name,
        })
    }
}

/// A thumb lives in the real world, also where a simulated printer runs faster or slower than life.
fn jog_lease(link: &LinkConfig) -> Duration {
    match link {
        LinkConfig::Simulated { speed } => {
            Duration::try_from_secs_f64(JOG_LEASE.as_secs_f64() * speed).unwrap_or(Duration::MAX)
        }
        LinkConfig::Serial { .. } | LinkConfig::Tcp { .. } => JOG_LEASE,
    }
}

/// The nose, where the config names none: the bed's edge on that side.
fn edge(toward_nose: Direction, bed: &Footprint) -> f64 {
    match toward_nose {
        Direction::PlusX => bed.x_max_mm,
        Direction::MinusX => -bed.x_min_mm,
        Direction::PlusY => bed.y_max_mm,
        Direction::MinusY => -bed.y_min_mm,
    }
}

/// Where the bed is along the belt.
fn bed_along(toward_nose: Direction, bed: &Footprint) -> Span {
    let lead = edge(toward_nose, bed);
    let length = match toward_nose {
        Direction::PlusX | Direction::MinusX => bed.x_max_mm - bed.x_min_mm,
        Direction::PlusY | Direction::MinusY => bed.y_max_mm - bed.y_min_mm,
    };
    Span { tail: Millimetres(lead - length).to_micrometres(), lead: Millimetres(lead).to_micrometres() }
}

fn link_of(section: &LineSection) -> Result<LinkConfig, String> {
    let printer = &section.printer;
    match printer.link {
        LinkKind::Simulated => {
            above_zero("printer.speed", printer.speed)?;
            Ok(LinkConfig::Simulated { speed: printer.speed })
        }
        LinkKind::Serial => match &printer.port {
            Some(port) => Ok(LinkConfig::Serial { port: port.clone(), baud: printer.baud }),
            None => {
                Err("printer.link is \"serial\" and printer.port is missing; name the device, such as \"/dev/ttyUSB0\""
                    .to_owned())
            }
        },
        LinkKind::Tcp => match &printer.address {
            Some(address) => Ok(LinkConfig::Tcp { address: address.clone() }),
            None => Err("printer.link is \"tcp\" and printer.address is missing; give it as \"host:port\"".to_owned()),
        },
    }
}

fn motion_of(motion: &MotionLimits) -> Result<MotionLimits, String> {
    for (key, each) in [
        ("max_feed_mm_s", motion.max_feed_mm_s),
        ("max_acceleration_mm_s2", motion.max_acceleration_mm_s2),
        ("jerk_mm_s", motion.jerk_mm_s),
    ] {
        for (axis, value) in ["X", "Y", "Z", "E"].iter().zip(each) {
            above_zero(&format!("motion.{key} for {axis}"), value)?;
        }
    }
    for (key, value) in [
        ("print_acceleration_mm_s2", motion.print_acceleration_mm_s2),
        ("travel_acceleration_mm_s2", motion.travel_acceleration_mm_s2),
        ("retract_acceleration_mm_s2", motion.retract_acceleration_mm_s2),
        ("junction_deviation_mm", motion.junction_deviation_mm.unwrap_or(1.0)),
        ("retract_mm", motion.retract_mm),
        ("retract_mm_s", motion.retract_mm_s),
        ("recover_mm_s", motion.recover_mm_s),
    ] {
        above_zero(&format!("motion.{key}"), value)?;
    }
    Ok(*motion)
}

fn drive_of(belt: &BeltSection) -> Result<Drive, String> {
    for (key, value) in [
        ("belt.units_per_mm", belt.units_per_mm),
        ("belt.piece_mm", belt.piece_mm),
        ("belt.look_every_mm", belt.look_every_mm),
        ("belt.travel_mm_min", belt.travel_mm_min),
        ("belt.peel_mm_min", belt.peel_mm_min),
    ] {
        above_zero(key, value)?;
    }
    if !(belt.overrun_mm.is_finite() && belt.overrun_mm >= 0.0) {
        return Err(format!("belt.overrun_mm is {}; it must be zero or more", belt.overrun_mm));
    }
    let by = match belt.drive {
        DriveKind::Extruder => DriveBy::Extruder(belt.extruder),
        DriveKind::Axis if belt.axis.is_ascii_uppercase() && !"XYZEFNGMT".contains(belt.axis) => {
            DriveBy::Axis(belt.axis)
        }
        DriveKind::Axis => {
            return Err(format!("belt.axis is '{}'; it must be a free axis letter, such as 'A'", belt.axis));
        }
        DriveKind::Lines if belt.lines.iter().any(|line| line.contains("{mm}")) => DriveBy::Lines(belt.lines.clone()),
        DriveKind::Lines => return Err("belt.drive is \"lines\" and no line of belt.lines has {mm} in it".to_owned()),
    };
    Ok(Drive {
        by,
        units_per_mm: belt.units_per_mm,
        inverted: belt.inverted,
        piece_max: Millimetres(belt.piece_mm),
        sampled_piece_max: Millimetres(belt.look_every_mm),
        travel_feed: MillimetresPerMinute(belt.travel_mm_min),
        peel_feed: MillimetresPerMinute(belt.peel_mm_min),
        cold_guard_c: belt.cold_guard_c,
    })
}

fn belt_of(belt: &BeltSection, nose: Millimetres, bed: Span) -> Result<BeltSettings, String> {
    for (key, value) in [
        ("belt.splice_width_mm", belt.splice_width_mm),
        ("belt.keep_out_margin_mm", belt.keep_out_margin_mm),
        ("belt.wear_slack_mm", belt.wear_slack_mm),
    ] {
        if !(value.is_finite() && value >= 0.0) {
            return Err(format!("{key} is {value}; it must be zero or more"));
        }
    }
    if let Some(loop_mm) = belt.loop_mm
        && !(1.0..=1e6).contains(&loop_mm)
    {
        return Err(format!("belt.loop_mm is {loop_mm}; it must be from 1 to 1000000: the length of the whole belt"));
    }
    Ok(BeltSettings {
        loop_length: belt.loop_mm.map(|mm| Millimetres(mm).to_micrometres()),
        nose: nose.to_micrometres(),
        fallen: (nose + Millimetres(belt.overrun_mm)).to_micrometres(),
        bed,
        clearances: Clearances {
            splice_width: Millimetres(belt.splice_width_mm).to_micrometres(),
            margin: Millimetres(belt.keep_out_margin_mm).to_micrometres(),
            wear_slack: Millimetres(belt.wear_slack_mm).to_micrometres(),
        },
    })
}

fn check_of(check: &CheckSection) -> Result<(), String> {
    match check.kind {
        CheckKind::Ask => Ok(()),
        CheckKind::Switch if check.input.is_some() => Ok(()),
        CheckKind::Switch => Err(
            "check.kind is \"switch\" and check.input is missing; name the input as the printer's endstop report does"
                .to_owned(),
        ),
        CheckKind::Command if !check.program.is_empty() => Ok(()),
        CheckKind::Command => Err("check.kind is \"command\" and check.program is empty".to_owned()),
        CheckKind::Trust if check.standing_word.as_deref() == Some(STANDING_WORD) => Ok(()),
        CheckKind::Trust => Err(format!(
            "check.kind is \"trust\": nothing would look whether a part has left. If you take that risk, write check.standing_word = \"{STANDING_WORD}\""
        )),
    }
}

fn settings_of(
    check: &CheckSection,
    heat: &HeatSection,
    drive: Drive,
    bed: &BedSection,
) -> Result<LineSettings, String> {
    if heat.cool_begin_lines.is_empty() != heat.cool_end_lines.is_empty() {
        return Err(
            "heat.cool_begin_lines and heat.cool_end_lines belong together: what is switched on for cooling must be \
                    switched off again"
                .to_owned(),
        );
    }
    let tau = span("heat.cooling_time_constant_s", heat.cooling_time_constant_s)?;
    Ok(LineSettings {
        check: match check.kind {
            CheckKind::Ask => Check::Ask,
            CheckKind::Switch => Check::Switch,
            CheckKind::Command => Check::Command,
            CheckKind::Trust => Check::Trust,
        },
        drive,
        belt: BeltSettings::default(),
        retries: check.retries,
        retry_back: Millimetres(check.retry_back_mm.max(0.0)).to_micrometres(),
        cooling: Cooling::new(Celsius(heat.ambient_c), tau).map_err(|e| format!("heat: {e}"))?,
        fan: (!heat.cool_begin_lines.is_empty()).then(|| "on".to_owned()),
        warm_limit: span("heat.warm_limit_s", heat.warm_limit_s)?,
        cool_limit: span("heat.cool_limit_s", heat.cool_limit_s)?,
        ask_limit: span("check.ask_limit_s", check.ask_limit_s)?,
        command_limit: span("check.program_limit_s", check.program_limit_s)?,
        held_nozzle_off: span("heat.held_nozzle_off_s", heat.held_nozzle_off_s)?,
        held_bed_off: span("heat.held_bed_off_s", heat.held_bed_off_s)?,
        reading_limit: span("heat.reading_limit_s", heat.reading_limit_s)?,
        jog_lease: JOG_LEASE,
        bed_max: Celsius(bed.bed_max_c),
        nozzle_max: Celsius(bed.nozzle_max_c),
    })
}

fn span(key: &str, seconds: f64) -> Result<Duration, String> {
    above_zero(key, seconds)?;
    Duration::try_from_secs_f64(seconds).map_err(|_| format!("{key} is {seconds}; that is too long"))
}
