//! One daemon to a data folder.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

use super::error::StoreError;

/// The right to work in a data folder; given back when dropped or when the process ends, however it ends.
#[derive(Debug)]
pub struct DataLock {
    _file: File,
}

impl DataLock {
    /// Takes the folder, and makes it if it is not there.
    ///
    /// # Errors
    /// [`StoreError::InUse`] while another process has it; [`StoreError::Io`] if it cannot be made or written.
    pub fn take(dir: &Path) -> Result<Self, StoreError> {
        std::fs::create_dir_all(dir).map_err(|e| StoreError::io("make", dir, e))?;
        let path = dir.join("lock");
        let mut options = OpenOptions::new();
        let opened = options.read(true).write(true).create(true).truncate(false).open(&path);
        let mut file = opened.map_err(|e| StoreError::io("open", &path, e))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::InUse { dir: dir.to_owned(), process: holder(&mut file) });
            }
            Err(TryLockError::Error(e)) => return Err(StoreError::io("lock", &path, e)),
        }
        // The number only serves the message above: a full disk shall not keep the daemon from starting.
        drop(write_holder(&mut file));
        Ok(Self { _file: file })
    }
}

fn write_holder(file: &mut File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(format!("{}\n", std::process::id()).as_bytes())
}

fn holder(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.take(32).read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_daemon_is_refused_by_name_until_the_first_has_gone() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let data = dir.path().join("new/data");
        let first = DataLock::take(&data).expect("the first takes it");
        let error = DataLock::take(&data).expect_err("the second is refused");
        let StoreError::InUse { process, .. } = &error else { panic!("{error:?}") };
        assert_eq!(*process, Some(std::process::id()));
        assert!(error.to_string().contains("stop it first"), "{error}");
        drop(first);
        DataLock::take(&data).expect("free again");
    }
}
