//! What a driver is told once.

use crate::belt::Drive;
use crate::gcode::{Dialect, Policy};
use crate::units::Millimetres;
use crate::wire::DialogueConfig;

/// A driver's settings.
#[derive(Clone, Debug)]
pub struct DriverSettings {
    /// How the belt is moved.
    pub drive: Drive,
    /// The firmware's dialect.
    pub dialect: Dialect,
    /// What may be sent.
    pub policy: Policy,
    /// The wire.
    pub dialogue: DialogueConfig,
    /// Name of the switch in the endstop report, lower case.
    pub switch_input: Option<String>,
    /// Lines of the user's own when a wait for cooling begins: a fan on.
    pub cool_begin: Vec<String>,
    /// Lines of the user's own when it is over, however it ended: the fan off.
    pub cool_end: Vec<String>,
    /// Greatest Z that the head may go to.
    pub z_max: Millimetres,
}
