//! Pictures of sliced files, kept so that each is made once. A cache: removing its folder loses nothing. Everything here blocks.

use std::fs::{self, Permissions};
use std::io::{self, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use super::error::StoreError;

/// A handle on the kept pictures.
#[derive(Clone, Debug)]
pub struct PictureStore {
    dir: PathBuf,
}

impl PictureStore {
    /// The pictures in a data folder. Nothing is made there before the first one is kept.
    #[must_use]
    pub fn in_dir(data_dir: &Path) -> Self {
        Self { dir: data_dir.join("pictures") }
    }

    /// A picture that was kept under this name, made of 0-9, a-f and `-`; `None` if there is none.
    ///
    /// # Errors
    /// [`StoreError::BadHash`], or [`StoreError::Io`] where it is there and cannot be read.
    pub fn read(&self, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let path = self.path(name)?;
        match fs::read(&path) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(StoreError::io("read", &path, e)),
        }
    }

    /// Keeps a picture: whole under its name, or not at all. It need not survive a power cut, so nothing is synced.
    ///
    /// # Errors
    /// [`StoreError::BadHash`], [`StoreError::DiskFull`] or [`StoreError::Io`].
    pub fn keep(&self, name: &str, png: &[u8]) -> Result<(), StoreError> {
        let path = self.path(name)?;
        let fault = |e| StoreError::io("write", &path, e);
        fs::create_dir_all(&self.dir).map_err(fault)?;
        let mut builder = tempfile::Builder::new();
        let mut file = builder.permissions(Permissions::from_mode(0o666)).tempfile_in(&self.dir).map_err(fault)?;
        file.write_all(png).map_err(fault)?;
        file.persist(&path).map_err(|e| fault(e.error))?;
        Ok(())
    }

    fn path(&self, name: &str) -> Result<PathBuf, StoreError> {
        let good = !name.is_empty() && name.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f' | b'-'));
        if good { Ok(self.dir.join(format!("{name}.png"))) } else { Err(StoreError::BadHash { name: name.to_owned() }) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_read_as_it_was_kept_and_one_cut_short_is_replaced() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let pictures = PictureStore::in_dir(dir.path());
        assert_eq!(pictures.read("0f-1").expect("readable"), None);
        pictures.keep("0f-1", b"first").expect("kept");
        pictures.keep("0f-1", b"second").expect("kept");
        assert_eq!(pictures.read("0f-1").expect("readable").as_deref(), Some(&b"second"[..]));
        assert_eq!(fs::read_dir(dir.path().join("pictures")).expect("a folder").count(), 1);
    }

    #[test]
    fn a_folder_that_was_removed_is_made_anew() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let pictures = PictureStore::in_dir(dir.path());
        pictures.keep("0f-1", b"first").expect("kept");
        fs::remove_dir_all(dir.path().join("pictures")).expect("removed");
        assert_eq!(pictures.read("0f-1").expect("readable"), None);
        pictures.keep("0f-1", b"first").expect("kept");
    }

    #[test]
    fn a_name_that_leads_elsewhere_goes_nowhere() {
        let pictures = PictureStore::in_dir(Path::new("/nowhere"));
        for name in ["", "../a", "a/b", "A", "a.png"] {
            assert!(matches!(pictures.read(name), Err(StoreError::BadHash { .. })), "{name}");
        }
    }
}
