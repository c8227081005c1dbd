//! What can go wrong with the database and the file store.

use std::io;
use std::path::{Path, PathBuf};

/// Why the store could not do it. Each message ends with what to do next.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No room for another byte.
    #[error("no space is left for {}; free some on that disk, nothing was changed", path.display())]
    DiskFull {
        /// What was being written.
        path: PathBuf,
    },
    /// Somebody else has the database open for writing.
    #[error("{} is locked by another program; close that program (a database browser, a backup) and try again", path.display())]
    Locked {
        /// The database.
        path: PathBuf,
    },
    /// Another daemon works in this folder.
    #[error("another nosebar{} is at work in {}; stop it first, or give this one its own data folder",
            process.map(|id| format!(" (process {id})")).unwrap_or_default(), dir.display())]
    InUse {
        /// The data folder.
        dir: PathBuf,
        /// The other daemon's process number, where it could be read.
        process: Option<u32>,
    },
    /// The database is not a database, or damaged, or holds what this version never writes.
    #[error("{} is damaged: {what}; put it aside with its -wal and -shm files, and restore a copy or start anew", path.display())]
    Corrupt {
        /// The database or file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// The database was written by a later version.
    #[error("{} was written by a later version (it has change {found}, this one knows up to {known}); run that version or a newer one",
            path.display())]
    NewerSchema {
        /// The database.
        path: PathBuf,
        /// Greatest change that it has had.
        found: i64,
        /// Greatest change that this version knows.
        known: i64,
    },
    /// A database or a file cannot be opened, read or written.
    #[error("cannot {doing} {}: {source}; check that the folder is there and that this user may write in it", path.display())]
    Io {
        /// What was tried: `open`, `write`, `rename` …
        doing: &'static str,
        /// With what.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A change breaks a rule of the database. This is a fault of the program; nothing was changed.
    #[error("the database refused a change: {what}; nothing was changed, please report this as a fault of the program")]
    Refused {
        /// What the database said.
        what: String,
    },
    /// A name that is not a content hash.
    #[error("{name:?} is not a content hash: expected 64 characters of 0-9 and a-f")]
    BadHash {
        /// What was given.
        name: String,
    },
    /// Anything else that the database said.
    #[error("the database {} failed: {what}; try again, and look at the disk if it happens again", path.display())]
    Other {
        /// The database.
        path: PathBuf,
        /// What it said.
        what: String,
    },
}

impl StoreError {
    /// Sorts what the system said about a file.
    pub(crate) fn io(doing: &'static str, path: &Path, source: io::Error) -> Self {
        let path = path.to_owned();
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::DiskFull { path },
            _ => Self::Io { doing, path, source },
        }
    }

    /// Sorts what the database said.
    pub(super) fn database(path: &Path, error: sqlx::Error) -> Self {
        let path = path.to_owned();
        let what = error.to_string();
        let database = match error {
            sqlx::Error::Database(database) => database,
            sqlx::Error::Encode(_) => return Self::Refused { what },
            sqlx::Error::Io(source) => return Self::io("open", &path, source),
            sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_) => return Self::Corrupt { path, what },
            _ => return Self::Other { path, what },
        };
        let what = database.message().to_owned();
        let code = database.code().and_then(|code| code.parse::<u32>().ok()).unwrap_or_default();
        // Primary result codes are the low byte: https://www.sqlite.org/rescode.html
        match code & 0xff {
            5 | 6 => Self::Locked { path },
            11 | 26 => Self::Corrupt { path, what },
            13 => Self::DiskFull { path },
            8 => Self::Io { doing: "write", path, source: io::Error::new(io::ErrorKind::PermissionDenied, what) },
            10 => Self::Io { doing: "read or write", path, source: io::Error::other(what) },
            14 => Self::Io { doing: "open", path, source: io::Error::other(what) },
            19 => Self::Refused { what },
            _ => Self::Other { path, what },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_disk_is_told_from_other_faults() {
        let full = StoreError::io("write", Path::new("a"), io::Error::from_raw_os_error(28));
        assert!(matches!(full, StoreError::DiskFull { .. }), "{full:?}");
        let denied = StoreError::io("write", Path::new("a"), io::Error::from_raw_os_error(13));
        assert!(matches!(denied, StoreError::Io { doing: "write", .. }), "{denied:?}");
    }
}
