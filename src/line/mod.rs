//! A line's cycle: warm → print → cool → advance → check, and everything that a person or a fault can do to it.
//!
//! Sans-IO: signals and the time come in, acts come out. Knows phases, readings and belt moves; knows no command text,
//! no connection, no queue and no other line.

mod advance;
mod alarms;
mod check;
mod core;
mod follow;
mod guide;
mod heat;
mod jog;
mod marks;
mod operate;
mod place;
mod print;
mod settings;
mod show;
mod signal;
mod state;
mod timer;
mod trial;

pub use alarms::Alarm;
pub use core::{InWork, Line, Stage};
pub use guide::{
    Figure, Finding, Hint, Input, Leg, Needs, Setting, SettingValue, Standing, Topic, Values, guide, leg, work_out,
};
pub use jog::{JOG_LEASE, JogWhile, Toward};
pub use operate::{Objection, Operator};
pub use settings::{BeltSettings, Check, LineSettings};
pub use signal::{Act, Readings, Signal, Step, StepId, StepResult, Verdict, Watched, Work};
pub use state::may_follow;
pub use timer::{Timer, Timers};
pub use trial::{HEAT_LEAST_C, HeatRun, HeatStage, JOG_MAX, Jog};
