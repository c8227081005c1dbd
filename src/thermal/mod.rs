//! Heat in numbers: how long a bed takes to cool, and at what temperature a part lets go.
//!
//! Knows degrees and seconds; knows no line and no printer.

mod fit;
mod foretold;
mod history;
mod model;
mod release;
mod samples;
mod spread;
mod stores;
mod trace;
mod tracker;

pub use fit::{Belief, Beliefs, Curve, Deviations, FitError, Fitted, Point, fit};
pub use history::{Likeness, Prior, expected_cooling, expected_warming};
pub use model::{Cooling, CoolingError};
pub use release::{DEFAULT_RELEASE, builtin_materials, material, release_temperature};
pub use spread::Span;
pub use trace::{TRACE_POINTS_MAX, Trace};
pub use tracker::{Outlook, Summary, Tracker};
