//! Below the bar: the JSON interface under `/api/v1`, the events, and the page.
//!
//! It reads the store and the foreman's view of the lines, and asks the foreman for every change; it writes nothing itself and
//! decides nothing about machines. Each resource has a file with its own router; `error.rs` alone knows status codes.

mod access;
mod belt;
mod belt_page;
mod body;
mod commission;
mod curve;
mod desk;
mod document;
mod door;
mod error;
mod events;
mod failures;
mod forecast;
mod forms;
mod frame;
mod guard;
mod guide;
mod job_forms;
mod job_page;
mod jobs;
mod jog;
mod journal;
mod key;
mod keys;
mod keys_page;
mod lines;
mod log;
mod once;
mod pages;
mod picture;
mod plot;
mod proof_sight;
mod proofs;
mod qr;
mod secret;
mod seen;
mod serve;
mod statics;
mod strip;
mod tls;
mod upload;
mod views;
mod words;

pub use desk::Desk;
pub use qr::qr_text;
pub use secret::Secret;
pub use serve::{router, serve};
pub use tls::{Seal, TlsError, TlsListener};
