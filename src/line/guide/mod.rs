//! The guide through commissioning: its steps as data, and what follows from what a person measured.
//!
//! The terminal and the page show the same steps and work out the same findings. Knows a line's figures; knows no file, no page
//! and no printer.

mod leg;
mod legs;
mod setting;
mod work_out;

pub use leg::{Figure, Input, Leg, Needs, Topic};
pub use legs::{guide, leg};
pub use setting::{Setting, SettingValue};
pub use work_out::{Finding, Hint, Standing, Values, work_out};
