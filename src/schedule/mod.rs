//! Whose turn it is, and why the others wait.
//!
//! Pure decisions over jobs and lines as they stand; knows no cycle's inside, no connection and no clock.

mod fit;
mod plan;

pub use fit::{Misfit, fits};
pub use plan::{Berth, BerthState, Candidate, Plan, Start, Wait, plan};
