//! Above the bar: what is said to a printer for each task, as lines, and the file for a printer that is fed from its card.
//!
//! It puts words together and follows, by what was said, how the printer stands. It refuses to know how lines get to a printer,
//! what comes back, and whose job it is.

mod composer;
mod ending;
mod task;
#[cfg(test)]
mod tests;

pub use composer::{Composer, Refused};
pub use ending::{CoolBy, Ending, Recipe};
pub use task::{LIFT, PRELUDE, Stand, cool_down, go_back, heat, in_millimetres, lift_to, restore_of, stand};
