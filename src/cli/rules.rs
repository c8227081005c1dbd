//! What files are surveyed by, and what may be sent: made from the config.

use std::sync::Arc;

use crate::belt::{Direction, DriveBy};
use crate::config::{Config, LineConfig};
use crate::gcode::picture::SIZE_MIN_PX;
use crate::gcode::{Dialect, Policy, Progress, Rules, Scene};
use crate::infeed::{Backdrop, Releases};
use crate::job::Limits;
use crate::printer::check_cool_lines;
use crate::thermal::release_temperature;

/// What a file is surveyed by when any of these lines may take it; each line's own limits are looked at afterwards.
#[must_use]
pub fn survey_rules(config: &Config) -> Rules {
    let limits = config.lines.iter().map(|line| line.limits).reduce(Limits::union).unwrap_or_default();
    let first = config.lines.first();
    let (belt_tool, belt_axis) = first.map_or((None, None), belt_words);
    let shared = config.lines.iter().all(|line| belt_words(line) == (belt_tool, belt_axis));
    Rules {
        limits,
        // One time is kept with the file; what a line learns of its own prints corrects it for that line.
        motion: first.map(|line| line.motion).unwrap_or_default(),
        dialect: first.map_or_else(Dialect::default, dialect),
        // Where the lines differ, what moves one belt may be a print tool elsewhere: each line looks again when it sends.
        belt_tool: belt_tool.filter(|_| shared),
        belt_axis: belt_axis.filter(|_| shared),
        materials: config.materials.clone(),
        material: first.filter(|_| config.lines.len() == 1).and_then(|line| line.material.clone()),
        ..Rules::default()
    }
}

/// Where parts of the materials that are known let go.
pub(super) fn releases(config: &Config) -> Releases {
    let materials = config.materials.clone();
    Arc::new(move |names| release_temperature(None, names, &materials).0)
}

/// Whether the line's own lines for cooling may be sent to its printer.
pub(super) fn check_cooling(line: &LineConfig) -> Result<(), String> {
    let lines: Vec<String> = line.cool_begin_lines.iter().chain(&line.cool_end_lines).cloned().collect();
    check_cool_lines(&lines, &policy(line))
        .map_err(|why| format!("line {}: heat.cool_begin_lines or heat.cool_end_lines: {why}", line.name))
}

/// What may be sent to this line's printer.
pub(super) fn policy(line: &LineConfig) -> Policy {
    let (belt_tool, belt_axis) = belt_words(line);
    Policy { limits: line.limits, progress: Progress::default(), belt_tool, belt_axis }
}

pub(super) fn dialect(line: &LineConfig) -> Dialect {
    Dialect { e_follows_g91: line.e_follows_g91, m203_per_minute: line.m203_per_minute, ..Dialect::default() }
}

/// What a picture of a part on this line's belt is made of beside the file.
pub(super) fn scene(line: &LineConfig, size_px: u32) -> Scene {
    let toward_nose = match line.frame.toward_nose {
        Direction::PlusX => (1.0, 0.0),
        Direction::MinusX => (-1.0, 0.0),
        Direction::PlusY => (0.0, 1.0),
        Direction::MinusY => (0.0, -1.0),
    };
    Scene { bed: line.frame.bed, toward_nose, nose_mm: line.frame.nose.0, size_px }
}

/// A line's belt in the pictures that the page shows, which ask for sizes of their own.
pub(super) fn backdrop(line: &LineConfig) -> Backdrop {
    Backdrop { line: line.name.clone(), scene: scene(line, SIZE_MIN_PX), dialect: dialect(line) }
}

/// The tool number or the axis letter that moves the belt.
fn belt_words(line: &LineConfig) -> (Option<u32>, Option<u8>) {
    match line.settings.drive.by {
        DriveBy::Extruder(tool) => (Some(tool), None),
        DriveBy::Axis(letter) => (None, u8::try_from(letter).ok()),
        DriveBy::Lines(_) => (None, None),
    }
}
