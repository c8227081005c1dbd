//! Runs: what nearly every line of a sliced file is (`G0` or `G1`, and plain numbers behind X, Y, Z, E and F), many lines at once.
//!
//! Owns the short way from bytes to positions: figures lie side by side in arrays, so that the same is done to many at a time.
//! Refuses whatever is not plain at first sight; the lexer and the walker read that, and come to the same figures.
//!
//! What is done for each line is `#[inline(always)]`: called functions would keep in memory what registers can hold. Branches
//! that few lines take are told so (`cold_path`), which leaves the way of most lines straight.

mod digits;
mod read;
mod scan;
mod steps;
#[cfg(test)]
mod tests;

pub(crate) use read::{LINES, Run};
pub use scan::{Scan, Scanner};
pub(crate) use steps::{Start, Steps};
