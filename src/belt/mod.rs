//! The belt in numbers: where a part lies on it, how far it must run, and how the printer is told to run it.
//!
//! Knows millimetres, motors and the words that move them; knows no job, no phase and no connection.

mod advance;
mod calibrate;
mod drive;
mod frame;
mod ledger;
mod length;
mod place;
mod roller;
mod tilt;
mod wear;

pub use advance::{Advance, Move, Stretch};
pub use calibrate::{CalibrationError, calibrated};
pub use drive::{Drive, DriveBy, Piece, Restore, steps_per_mm};
pub use frame::{Direction, Extent, Frame};
pub use ledger::{Clearances, FlawNow, Ledger, LoopChange, MarkError, Marks, PartNow};
pub use length::{Lay, belt_length};
pub use place::{NoRoom, Placement, Span};
pub use roller::{feed_per_turn, pitch_diameter, turns_ratio};
pub use tilt::{Lean, Tilt, TiltedPrint};
