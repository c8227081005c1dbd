//! The simulated printer: a machine of firmware family M on a serial line, with heat, motion, a belt and parts that stick.
//!
//! Owns the physical truth that tests and the demo compare with. Sans-IO: bytes and time are arguments, replies are polled for.
//! Refuses to know the program's own idea of the machine: nothing of `belt`, `thermal`, `line` or `wire` is used here, so that
//! neither can hide the other's mistakes. Of `gcode` it takes the words of a line, nothing more.

mod answer;
mod arc;
mod arrive;
mod belt;
mod body;
mod config;
mod execute;
mod fault;
mod firmware;
mod heater;
mod input;
mod keep_out;
mod modal;
mod numbering;
mod output;
mod parts;
mod path;
mod printer;
mod script;
#[cfg(test)]
mod tests;
mod thermometer;
mod truth;

pub use body::HeaterName;
pub use config::{
    BeltConfig, BeltDrive, FrameConfig, HeaterConfig, InputConfig, MotionConfig, ReleaseConfig, ReleaseStep,
    ReportForm, SimConfig, TowardNose,
};
pub use fault::{Fault, LineFault, Mishap, SwitchCondition};
pub use heater::Condition;
pub use modal::Registers;
pub use printer::Printer;
pub use script::{Script, ScriptError};
pub use thermometer::Thermometer;
pub use truth::{Happening, Note, PartTruth, Truth};
