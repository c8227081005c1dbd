//! The picture of a part: how it lies on the belt, and where it will leave.
//!
//! Seen from above the nose, in parallel: the belt comes toward the reader and turns under at the lower edge. Height alone
//! chooses how light the part is, in one hue; neither what a move is for nor how fast it goes has a colour. Memory depends on
//! the picture's size and not on the file's.

mod belt;
mod cut;
mod paint;
mod relief;
mod scene;
mod shade;
#[cfg(test)]
mod tests;
mod view;

pub use paint::{Painter, picture};
pub use scene::{SIZE_MAX_PX, SIZE_MIN_PX, Scene};
