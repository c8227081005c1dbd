//! Below the bar: the SQLite database and the file store. All SQL is here; the foreman alone writes.
//!
//! The database keeps jobs, cycles, lines and the journal, and holds every writer to its rules; the file store keeps the sliced
//! files under their content hash. This room knows nothing of when or why something is written.

mod commit;
mod error;
mod files;
mod heat_runs;
mod journal;
mod keys;
mod list;
mod load;
mod lock;
mod open;
mod pictures;
mod read;
mod requests;
mod rescue;
mod rows;
mod totals;
mod write;

pub use error::StoreError;
pub(crate) use files::sync_dir;
pub use files::{FileStore, Incoming, Kept};
pub use journal::JournalFilter;
pub use list::{JobFilter, JobKey, JobSet};
pub use lock::DataLock;
pub use open::Store;
pub use pictures::PictureStore;
pub use read::{PartSize, Reader};
pub use rescue::Rescue;
pub use totals::{JobTotals, LineTotals};
pub use write::{DoneRequest, Entry, PRINT_RUNS, Snapshot, Write};
