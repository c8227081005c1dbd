//! Below the bar: the sole owner of the lines and of every write.
//!
//! It chooses one event at a time, decides in plain code, then persists, tells, publishes.

mod command;
mod handle;
mod view;

pub use command::{Answer, Arrival, Command, JobCommand, JobPatch, LineCommand, Refused, RefusedCode};
pub use handle::{Handle, News, Request};
pub use view::{LineView, Live, Question, TemperatureView, WorkView};
