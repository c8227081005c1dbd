//! The whole product on one clock, without waiting: foreman's decisions, line, driver, wire, a simulated machine, a store in
//! memory and the people around them. Every random choice comes from one seed.

pub(crate) mod cable;
pub(crate) mod chance;
mod driving;
mod fault;
pub(crate) mod files;
mod laws;
mod person;
mod phone;
pub(crate) mod plan;
pub(crate) mod runner;
mod store;
mod suffer;
pub(crate) mod tally;
#[expect(clippy::module_inception, reason = "it is the world")]
pub(crate) mod world;
