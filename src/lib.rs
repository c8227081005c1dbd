//! Nosebar runs filament printers with a conveyor-belt bed as production lines.
//!
//! A job walks through the rooms in this order: [`infeed`] takes a sliced file when it is whole, [`gcode`] surveys it in one
//! pass, [`store`] keeps it, [`schedule`] says whose turn it is, [`line`](mod@line) works the copy through its cycle
//! (warm → print → cool → advance → check) with the moves of [`belt`] and the waits of [`thermal`], [`printer`] says the
//! [`wording`] of each step over the [`wire`] to the machine, which may be the one of [`sim`]. [`foreman`] owns the lines and
//! every write; [`http`] reads, and sends the foreman commands.
//!
//! Imports point one way: `main → foreman → {line, schedule} → {belt, thermal} → {job, units}`, `foreman → printer →
//! {wire, wording, sim}`, `foreman → {store, infeed}`, `http → {foreman's handle, store's reads}`. The rooms in the first block below
//! know no tokio, sqlx, axum, notify, no files and no clock: time and bytes come in as arguments, effects go out as values.
//!
//! **Loop law.** One input, then poll until nothing comes out, then wait for the earlier of an input and the deadline.
//! **Order of effects.** Persist, then tell the printer, then publish. What was not persisted was never sent.

pub mod belt;
pub mod gcode;
pub mod job;
pub mod line;
pub mod schedule;
pub mod sim;
pub mod thermal;
pub mod units;
pub mod wire;
pub mod wording;

pub mod cli;
pub mod clock;
pub mod config;
pub mod foreman;
pub mod http;
pub mod infeed;
pub mod printer;
pub mod store;
