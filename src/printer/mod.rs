//! Below the bar: moves bytes between the wire and a machine.
//!
//! A [`Link`] only moves bytes; what they mean is [`crate::wire`]'s business. The [`Driver`] joins the two: it turns tasks into
//! commands, reads files as it goes, and reports what became of them. Knows no job and no line.

mod attendant;
mod driver;
mod feed;
#[cfg(test)]
mod leftovers;
mod link;
mod own_lines;
mod script;
mod serial;
mod session;
mod settings;
mod simulated;
mod task;
mod tcp;

pub use attendant::{Attendant, Chore};
pub use driver::Driver;
pub use link::{Connect, Link, LinkFuture};
pub use own_lines::check_cool_lines;
pub use serial::SerialConnect;
pub use settings::DriverSettings;
pub use simulated::{SimulatedConnect, SimulatedHandle};
pub use task::{Looks, Mail, Order, Report, Task, TaskId, TaskResult};
pub use tcp::TcpConnect;
