//! Below the bar: the JSON interface under `/api/v1`, the events, and the page.
//!
//! It reads the store and the foreman's view of the lines, and asks the foreman for every change; it writes nothing itself and
//! decides nothing about machines. Each resource has a file with its own router; `error.rs` alone knows status codes.

mod access;
mod belt;
mod commission;
mod curve;
mod desk;
mod error;
mod events;
mod forecast;
mod forms;
mod guide;
mod jobs;
mod jog;
mod journal;
mod key;
mod lines;
mod pages;
mod picture;
mod plot;
mod serve;
mod statics;
mod upload;
mod views;
mod words;

pub use desk::Desk;
pub use serve::{router, serve};
