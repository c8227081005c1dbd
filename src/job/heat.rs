//! What a bed did when it warmed up or cooled down: the line's own experience.

use serde::{Deserialize, Serialize};

use super::id::{CycleId, LineName};
use super::keyword::keywords;
use crate::units::UnixMillis;

keywords! {
    /// Which way the heat went.
    HeatWay {
        /// The bed was heated.
        Warm = "warm",
        /// The bed was left to cool.
        Cool = "cool",
    }
}

/// One warm-up or cool-down, fitted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeatRun {
    /// Its number, counted by the foreman.
    pub id: i64,
    /// Which line's bed.
    pub line: LineName,
    /// Which way the heat went.
    pub way: HeatWay,
    /// In which cycle.
    pub cycle: Option<CycleId>,
    /// When it ended.
    pub at: UnixMillis,
    /// Material of the part, by keyword, where it is known.
    pub material: Option<String>,
    /// What blew meanwhile: `on` where the line has lines of its own for cooling.
    pub fan: Option<String>,
    /// Mass of the part, g, where it is known.
    pub mass_g: Option<f64>,
    /// Bed temperature at its beginning, °C, as fitted.
    pub start_c: f64,
    /// Last bed temperature, °C.
    pub end_c: f64,
    /// Where it would have ended, °C: the surroundings' temperature, or for a warm-up what full power would reach.
    pub ambient_c: f64,
    /// Time constant, s; above zero.
    pub tau_s: f64,
    /// Root mean square of what the readings are off the curve, K.
    pub rms_k: f64,
    /// How many readings there were; above zero.
    pub samples: u32,
}
