//! Below the bar: the sole owner of the lines and of every write.
//!
//! It chooses one event at a time, decides in plain code, then persists, tells, publishes. It moves no bytes itself and knows
//! no command text; drivers do that.

mod belt;
mod belt_times;
#[cfg(test)]
mod bench;
mod books;
mod command;
mod commission;
mod curve;
mod decide;
mod effects;
mod foresee;
mod foretold;
mod handle;
mod heat_book;
mod keys;
mod office;
mod once;
mod patch;
mod present;
mod prints;
mod program;
mod progress;
mod recall;
mod recover;
mod refusal;
mod run;
mod stand;
mod times;
mod trying;
mod view;
mod waits;

pub use belt::{BeltPartView, BeltView, FlawView, WearView, WornView};
pub use command::{Answer, Arrival, Command, JobCommand, JobPatch, LineCommand, Refused, RefusedCode};
pub use commission::{Commissioned, Measured, WriteWord};
pub use curve::{TemperatureCurve, TimedTemperature};
pub use foretold::{CopyForecastView, ForecastView, JobForecastView, LineForecastView, PhaseForecastView, TimeView};
pub use handle::{Handle, News, Request};
pub use keys::{KeyBook, KeyCommand, Keyring, hour_of, key_facts};
pub use office::{Errand, Office};
pub use once::{Once, OnceKey};
pub use run::{Foreman, Orders, Reports};
pub use view::{AlarmView, HeatRunView, LineView, Live, PhaseEnds, Question, TemperatureView, TrialView, WorkView};

/// What of the config and of the guide the front desk hands on.
pub use crate::config::Change;
pub use crate::line::{Figure, Input, Jog, JogWhile, Leg, Needs, Topic, Toward, Values, guide, leg};
