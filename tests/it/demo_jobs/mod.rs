//! The demo jobs: a tiny slicer of our own that makes `demo-jobs/*.gcode`, and an independent reader that checks them.
//!
//! The slicer knows convex outlines with convex holes, extruded straight up. It uses no operation whose last bit depends on
//! the platform (square roots and multiples of pi only), so that the files come out the same everywhere.
//! `NOSEBAR_WRITE_DEMO_JOBS=1 cargo test --test it demo_jobs` writes the files anew.

mod claims;
mod outline;
mod parts;
mod reader;
mod slicer;
mod writer;
