//! Whether a file can be made on a machine at all.

use crate::job::{Limits, Survey};

/// Why a file cannot be made on a machine.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Misfit {
    /// A move leaves the bed.
    #[error("it moves to {axis} {value_mm} mm, and the line reaches {min_mm} to {max_mm} mm")]
    Outside {
        /// The axis.
        axis: char,
        /// The worst value.
        value_mm: f64,
        /// The least that the line reaches.
        min_mm: f64,
        /// The greatest that the line reaches.
        max_mm: f64,
    },
    /// Too hot.
    #[error("it asks for {asked_c} °C at the {heater}, and the line allows {allowed_c} °C")]
    TooHot {
        /// Which heater.
        heater: &'static str,
        /// What the file asks for.
        asked_c: f64,
        /// What the line allows.
        allowed_c: f64,
    },
    /// A tool that the line lacks.
    #[error("it uses tool {tool}, and the line has tools 0 to {last}")]
    NoTool {
        /// The tool.
        tool: u32,
        /// The line's last tool.
        last: u32,
    },
}

/// Whether the file that this survey describes stays within the limits.
///
/// # Errors
/// The first [`Misfit`] found.
pub fn fits(survey: &Survey, limits: &Limits) -> Result<(), Misfit> {
    if let Some(reach) = survey.reach {
        let axes = [
            ('X', reach.x_min_mm, reach.x_max_mm, limits.x_min_mm, limits.x_max_mm),
            ('Y', reach.y_min_mm, reach.y_max_mm, limits.y_min_mm, limits.y_max_mm),
            ('Z', reach.z_min_mm, reach.z_max_mm, limits.z_min_mm, limits.z_max_mm),
        ];
        for (axis, low, high, min_mm, max_mm) in axes {
            for value_mm in [low, high] {
                if !(min_mm..=max_mm).contains(&value_mm) {
                    return Err(Misfit::Outside { axis, value_mm, min_mm, max_mm });
                }
            }
        }
    }
    let asked = &survey.temperatures;
    let heaters = [("bed", asked.bed_max_c, limits.bed_max_c), ("nozzle", asked.nozzle_max_c, limits.nozzle_max_c)];
    for (heater, asked_c, allowed_c) in heaters {
        if let Some(asked_c) = asked_c.filter(|&c| c > allowed_c) {
            return Err(Misfit::TooHot { heater, asked_c, allowed_c });
        }
    }
    match survey.filament.iter().map(|f| f.tool).max().filter(|&tool| tool >= limits.tools) {
        Some(tool) => Err(Misfit::NoTool { tool, last: limits.tools.saturating_sub(1) }),
        None => Ok(()),
    }
}
