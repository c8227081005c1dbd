//! Heat in numbers: how long a bed takes to cool, and at what temperature a part lets go.
//!
//! Knows degrees and seconds; knows no line and no printer.

mod fit;
mod model;
mod release;

pub use fit::{Belief, Beliefs, Curve, Deviations, FitError, Fitted, Point, fit};
pub use model::{Cooling, CoolingError};
pub use release::{DEFAULT_RELEASE, builtin_materials, material, release_temperature};
