//! What a sliced file says: its words, the moves they make, and what a survey of them finds.
//!
//! Owns the dialect of G-code. Refuses to know files, paths, printers and the wire: bytes come in as slices or through any
//! `BufRead`, findings go out as values.

mod arc;
mod asked;
mod bounds;
mod commands;
mod comments;
pub mod fate;
mod feed_time;
mod findings;
mod heat;
mod laid;
mod lanes;
mod layers;
pub mod lex;
mod looks;
mod modes;
mod motion;
mod moves;
mod number;
pub mod picture;
mod pieces;
mod reach;
mod run;
pub mod survey;
mod surveyor;
pub mod walk;

pub use arc::{Arc, ArcFault, Plane, TOLERANCE_INCH_IN_MM, TOLERANCE_MM, Turn};
pub use comments::COMPOSED;
pub use fate::{Fate, NUMBERING_BYTES, Policy, Progress, Reason, Sifted, fate_of, sift};
pub use lex::{Checksum, Code, Line, Oddity, Word, lex_line, xor_checksum};
pub use modes::{Dialect, Distance, Units};
pub use motion::PrintTime;
pub use moves::{Axes, Move, Path};
pub use number::{Parsed, parse_number};
pub use picture::{Painter, Scene, picture};
pub use run::{Scan, Scanner};
pub use survey::{Reading, Rules};
pub use surveyor::{ContentHash, Surveyor, survey};
pub use walk::{Walked, Walker};
