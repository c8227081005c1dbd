//! Below the bar: the SQLite database and the file store. All SQL is here; the foreman alone writes.

mod write;

pub use write::{Entry, Snapshot, Write};
