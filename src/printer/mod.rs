//! Below the bar: moves bytes between the wire and a machine.
//!
//! A [`Link`] only moves bytes; what they mean is [`crate::wire`]'s business. The driver joins the two.

mod link;

pub use link::{Connect, Link, LinkFuture};
