//! Whose turn it is, and why the others wait.
//!
//! Pure decisions over jobs and lines as they stand; knows no cycle's inside, no connection and no clock.

mod correction;
mod fit;
mod forecast;
mod plan;
mod room;
mod span;

pub use correction::{Correction, RATIO_MAX, RATIO_MIN};
pub use fit::{Misfit, fits};
pub use forecast::{
    Bed, COPIES_FORESEEN, COPIES_PLACED, COPIES_SPELLED, CopyForecast, Doing, Forecast, JobForecast, LineForecast,
    LineNow, Making, PhaseForecast, Placing, Then, Times, Unforeseen, forecast,
};
pub use plan::{Berth, BerthState, Candidate, Plan, Start, Wait, plan};
pub use room::BeltNow;
pub use span::{Lasting, PhaseTimes, Span, Spread};
