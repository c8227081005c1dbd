//! The file store: sliced files under their content hash, each whole and synced or not there at all. Everything here blocks.

use std::collections::HashSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{Builder, JoinHandle};

use super::error::StoreError;

/// After so many bytes the disk begins with what has come, while more comes: there is less to wait for at the end.
const SYNC_EVERY: u64 = 32 << 20;

/// A handle on the file store; clones share it.
#[derive(Clone, Debug)]
pub struct FileStore {
    dir: PathBuf,
    incoming: PathBuf,
    next: Arc<AtomicU64>,
    /// Every write goes here instead, for tests of a full disk.
    #[cfg(test)]
    device: Option<PathBuf>,
}

/// A file on its way in. Dropped before it is kept, it leaves nothing behind.
#[derive(Debug)]
pub struct Incoming {
    file: File,
    path: PathBuf,
    store: PathBuf,
    bytes: u64,
    /// Where the bytes end that the disk has been told to begin with.
    sync_end: u64,
    syncing: Option<JoinHandle<io::Result<()>>>,
}

/// Whether a kept file was new.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kept {
    /// It is the first with this content.
    New,
    /// The same content was there already.
    Known,
}

impl FileStore {
    /// Opens the store in the data folder and removes what a crash left half-way in.
    ///
    /// The caller holds the folder's [`DataLock`](super::DataLock).
    ///
    /// # Errors
    /// [`StoreError::Io`] or [`StoreError::DiskFull`] where its folders cannot be made or read.
    pub fn open_in(data_dir: &Path) -> Result<Self, StoreError> {
        let dir = data_dir.join("files");
        let incoming = dir.join("incoming");
        fs::create_dir_all(&incoming).map_err(|e| StoreError::io("make", &incoming, e))?;
        sync_dir(data_dir)?;
        sync_dir(&dir)?;
        for path in list(&incoming)? {
            fs::remove_file(&path).map_err(|e| StoreError::io("remove", &path, e))?;
        }
        Ok(Self {
            dir,
            incoming,
            next: Arc::default(),
            #[cfg(test)]
            device: None,
        })
    }

    /// The data folder that it is in.
    #[must_use]
    pub fn data_dir(&self) -> &Path {
        self.dir.parent().unwrap_or(&self.dir)
    }

    /// Starts to take a file in.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`] or [`StoreError::Io`] where nothing can be written.
    pub fn begin(&self) -> Result<Incoming, StoreError> {
        let path = self.incoming.join(self.next.fetch_add(1, Ordering::Relaxed).to_string());
        let made = OpenOptions::new().write(true).create_new(true).open(&path);
        let file = made.map_err(|e| StoreError::io("make", &path, e))?;
        #[cfg(test)]
        let file = match &self.device {
            Some(device) => OpenOptions::new().write(true).open(device).expect("the device can be opened"),
            None => file,
        };
        Ok(Incoming { file, path, store: self.dir.clone(), bytes: 0, sync_end: 0, syncing: None })
    }

    /// Where the file with this content lies.
    ///
    /// # Errors
    /// [`StoreError::BadHash`] for anything but 64 lower-case hexadecimal digits.
    pub fn path(&self, sha256: &str) -> Result<PathBuf, StoreError> {
        path_in(&self.dir, sha256)
    }

    /// Opens the file with this content for reading.
    ///
    /// # Errors
    /// [`StoreError::BadHash`], or [`StoreError::Io`] where it is not there or cannot be read.
    pub fn open(&self, sha256: &str) -> Result<File, StoreError> {
        let path = self.path(sha256)?;
        File::open(&path).map_err(|e| StoreError::io("open", &path, e))
    }

    /// Removes files that no job ever used: what a crash left between the file and its job, and what the foreman refused.
    /// Only for a moment when nothing comes in. Answers how many there were.
    ///
    /// # Errors
    /// [`StoreError::Io`] where the folder cannot be read or changed.
    pub fn sweep(&self, known: &HashSet<String>) -> Result<usize, StoreError> {
        let unknown = self.unknown(known)?;
        for hash in &unknown {
            let path = self.path(hash)?;
            fs::remove_file(&path).map_err(|e| StoreError::io("remove", &path, e))?;
        }
        Ok(unknown.len())
    }

    /// Content hashes of the files that are not among `known`.
    ///
    /// # Errors
    /// [`StoreError::Io`] where the folder cannot be read.
    pub fn unknown(&self, known: &HashSet<String>) -> Result<Vec<String>, StoreError> {
        let mut unknown = Vec::new();
        for path in list(&self.dir)? {
            let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
            let ours = path_in(&self.dir, stem).is_ok_and(|own| own == path);
            if ours && !known.contains(stem) {
                unknown.push(stem.to_owned());
            }
        }
        Ok(unknown)
    }

    #[cfg(test)]
    pub(crate) fn on_device(mut self, device: &Path) -> Self {
        self.device = Some(device.to_owned());
        self
    }
}

impl Incoming {
    /// Adds bytes at the end.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`] or [`StoreError::Io`].
    pub fn write(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        self.file.write_all(bytes).map_err(|e| StoreError::io("write", &self.path, e))?;
        self.bytes += bytes.len() as u64;
        if self.bytes - self.sync_end >= SYNC_EVERY {
            self.sync_ahead()?;
        }
        Ok(())
    }

    /// Has the disk begin with what has come, unless it is still busy with what came before.
    fn sync_ahead(&mut self) -> Result<(), StoreError> {
        if self.syncing.as_ref().is_some_and(|syncing| !syncing.is_finished()) {
            return Ok(());
        }
        self.end_sync()?;
        let file = self.file.try_clone().map_err(|e| StoreError::io("sync", &self.path, e))?;
        self.sync_end = self.bytes;
        // Where there is no thread to be had everything is left to the end.
        self.syncing = Builder::new().name("sync".to_owned()).spawn(move || file.sync_data()).ok();
        Ok(())
    }

    /// Waits until the disk is done with what it was told to begin with. Its faults are told to the first who asks, which was
    /// that: whoever keeps the file by another name ([`Self::twin`]) would not hear of them.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`] or [`StoreError::Io`]; the file is not to be kept then.
    pub fn end_sync(&mut self) -> Result<(), StoreError> {
        let ended = self.syncing.take().map_or(Ok(()), |syncing| syncing.join().unwrap_or(Ok(())));
        ended.map_err(|e| StoreError::io("sync", &self.path, e))
    }

    /// Bytes written so far.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Opens what has been written so far for reading.
    ///
    /// # Errors
    /// [`StoreError::Io`] where it cannot be read.
    pub fn open(&self) -> Result<File, StoreError> {
        File::open(&self.path).map_err(|e| StoreError::io("open", &self.path, e))
    }

    /// The same file once more, to be kept while this one stays on its way. There is one twin at a time.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`] or [`StoreError::Io`]; nothing is left behind then.
    pub fn twin(&self) -> Result<Self, StoreError> {
        let path = self.path.with_extension("twin");
        // Not every file system lets a file have two names.
        let made = fs::hard_link(&self.path, &path).or_else(|_| fs::copy(&self.path, &path).map(drop));
        let opened = made.and_then(|()| OpenOptions::new().append(true).open(&path));
        match opened {
            Ok(file) => {
                let (store, bytes) = (self.store.clone(), self.bytes);
                Ok(Self { file, path, store, bytes, sync_end: bytes, syncing: None })
            }
            Err(e) => {
                // Half a copy.
                drop(fs::remove_file(&path));
                Err(StoreError::io("copy", &self.path, e))
            }
        }
    }

    /// Puts the file under its content hash. When this returns, file and name are on the disk.
    ///
    /// # Errors
    /// [`StoreError::BadHash`], [`StoreError::DiskFull`] or [`StoreError::Io`]; nothing is left behind then.
    pub fn keep(mut self, sha256: &str) -> Result<Kept, StoreError> {
        let target = path_in(&self.store, sha256)?;
        self.end_sync()?;
        self.file.sync_all().map_err(|e| StoreError::io("sync", &self.path, e))?;
        let there = fs::symlink_metadata(&target).ok();
        // One of another length was damaged from outside: the new one, just written and hashed, is put in its place.
        let kept = match there {
            Some(there) if there.is_file() && there.len() == self.bytes => Kept::Known,
            _ => {
                fs::rename(&self.path, &target).map_err(|e| StoreError::io("rename", &self.path, e))?;
                Kept::New
            }
        };
        // Also for a known one: a crash may have come between its name and the folder's sync.
        sync_dir(&self.store)?;
        Ok(kept)
    }

    /// As if the process had died here: the temporary file stays.
    #[cfg(test)]
    pub(crate) fn abandon(self) {
        std::mem::forget(self);
    }
}

impl Drop for Incoming {
    fn drop(&mut self) {
        // It is gone already when it was kept; if it cannot be removed, the next start does it.
        drop(fs::remove_file(&self.path));
    }
}

/// Makes the names in a folder durable.
pub(crate) fn sync_dir(dir: &Path) -> Result<(), StoreError> {
    let synced = File::open(dir).and_then(|folder| folder.sync_all());
    match synced {
        // Some network file systems cannot sync a folder, and need not.
        Err(e) if matches!(e.kind(), io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported) => Ok(()),
        other => other.map_err(|e| StoreError::io("sync", dir, e)),
    }
}

fn path_in(dir: &Path, sha256: &str) -> Result<PathBuf, StoreError> {
    let good = sha256.len() == 64 && sha256.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if good { Ok(dir.join(format!("{sha256}.gcode"))) } else { Err(StoreError::BadHash { name: sha256.to_owned() }) }
}

/// The plain files in a folder.
fn list(dir: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let fault = |e| StoreError::io("read", dir, e);
    let mut files = Vec::new();
    for entry in fs::read_dir(dir).map_err(fault)? {
        let entry = entry.map_err(fault)?;
        if entry.file_type().map_err(fault)?.is_file() {
            files.push(entry.path());
        }
    }
    Ok(files)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HASH: &str = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef";

    fn store() -> (tempfile::TempDir, FileStore) {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = FileStore::open_in(dir.path()).expect("a file store");
        (dir, store)
    }

    fn keep(store: &FileStore, bytes: &[u8]) -> Result<Kept, StoreError> {
        let mut incoming = store.begin()?;
        incoming.write(bytes)?;
        incoming.keep(HASH)
    }

    fn names(dir: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(dir)
            .expect("readable")
            .map(|e| e.expect("an entry").file_name().into_string().expect("text"))
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_kept_file_lies_under_its_hash_and_nothing_else_remains() {
        let (dir, store) = store();
        assert_eq!(keep(&store, b"G28\n").expect("kept"), Kept::New);
        assert_eq!(names(&dir.path().join("files")), [format!("{HASH}.gcode"), "incoming".to_owned()]);
        assert!(names(&dir.path().join("files/incoming")).is_empty());
        assert_eq!(io::read_to_string(store.open(HASH).expect("there")).expect("text"), "G28\n");
    }

    #[test]
    fn a_twin_is_kept_and_what_it_came_from_still_goes_when_it_is_dropped() {
        let (dir, store) = store();
        let mut incoming = store.begin().expect("begun");
        incoming.write(b"G28\n").expect("written");
        for kept in [Kept::New, Kept::Known] {
            assert_eq!(incoming.twin().expect("made").keep(HASH).expect("kept"), kept);
            assert_eq!(names(&dir.path().join("files/incoming")).len(), 1);
            assert_eq!(io::read_to_string(incoming.open().expect("there")).expect("text"), "G28\n");
        }
        drop(incoming.twin().expect("made"));
        drop(incoming);
        assert_eq!(names(&dir.path().join("files")), [format!("{HASH}.gcode"), "incoming".to_owned()]);
        assert!(names(&dir.path().join("files/incoming")).is_empty());
        assert_eq!(io::read_to_string(store.open(HASH).expect("there")).expect("text"), "G28\n");
    }

    #[test]
    fn the_same_content_is_kept_once() {
        let (dir, store) = store();
        keep(&store, b"G28\n").expect("kept");
        let inode =
            std::os::unix::fs::MetadataExt::ino(&fs::metadata(store.path(HASH).expect("a path")).expect("there"));
        assert_eq!(keep(&store, b"G28\n").expect("kept"), Kept::Known);
        let again =
            std::os::unix::fs::MetadataExt::ino(&fs::metadata(store.path(HASH).expect("a path")).expect("there"));
        assert_eq!(inode, again);
        assert!(names(&dir.path().join("files/incoming")).is_empty());
    }

    #[test]
    fn a_file_cut_short_behind_our_back_is_replaced() {
        let (_dir, store) = store();
        keep(&store, b"G28\n").expect("kept");
        fs::write(store.path(HASH).expect("a path"), b"G2").expect("damaged");
        assert_eq!(keep(&store, b"G28\n").expect("kept"), Kept::New);
        assert_eq!(fs::read(store.path(HASH).expect("a path")).expect("there"), b"G28\n");
    }

    #[test]
    fn what_is_dropped_half_way_leaves_nothing_and_what_a_crash_left_goes_at_the_next_start() {
        let (dir, store) = store();
        let mut incoming = store.begin().expect("begun");
        incoming.write(b"half").expect("written");
        drop(incoming);
        assert!(names(&dir.path().join("files/incoming")).is_empty());
        let mut incoming = store.begin().expect("begun");
        incoming.write(b"half").expect("written");
        incoming.abandon();
        assert_eq!(names(&dir.path().join("files/incoming")).len(), 1);
        FileStore::open_in(dir.path()).expect("opened again");
        assert!(names(&dir.path().join("files/incoming")).is_empty());
    }

    #[test]
    fn a_full_disk_is_said_so_and_leaves_nothing() {
        let (dir, store) = store();
        let error = keep(&store.on_device(Path::new("/dev/full")), b"G28\n").expect_err("no space");
        assert!(matches!(error, StoreError::DiskFull { .. }), "{error:?}");
        assert_eq!(names(&dir.path().join("files")), ["incoming"]);
        assert!(names(&dir.path().join("files/incoming")).is_empty());
    }

    #[test]
    fn a_name_that_is_no_hash_goes_nowhere() {
        let (_dir, store) = store();
        for name in ["", "../../etc/passwd", &HASH.to_uppercase(), &HASH[1..]] {
            assert!(matches!(store.path(name), Err(StoreError::BadHash { .. })), "{name}");
        }
    }

    #[test]
    fn a_fault_of_the_disk_while_more_comes_is_not_lost() {
        let (_dir, store) = store();
        // It takes every byte, and cannot be synced.
        let mut incoming = store.on_device(Path::new("/dev/null")).begin().expect("begun");
        incoming.write(&vec![b'G'; 33 << 20]).expect("taken");
        assert!(matches!(incoming.end_sync(), Err(StoreError::Io { .. })));
    }

    #[test]
    fn the_disk_begins_with_a_long_file_while_more_of_it_comes() {
        let (_dir, store) = store();
        let mut incoming = store.begin().expect("begun");
        let piece = vec![b'G'; 1 << 20];
        for _ in 0..40 {
            incoming.write(&piece).expect("room");
        }
        assert_eq!(incoming.sync_end, SYNC_EVERY);
        assert!(incoming.syncing.is_some());
        assert_eq!(incoming.keep(HASH).expect("kept"), Kept::New);
        assert_eq!(store.open(HASH).map(|file| file.metadata().expect("there").len()).expect("there"), 40 << 20);
    }

    #[test]
    fn a_sweep_removes_what_no_job_uses_and_nothing_else() {
        let (dir, store) = store();
        keep(&store, b"G28\n").expect("kept");
        fs::write(dir.path().join("files/notes.txt"), b"a person's").expect("written");
        assert_eq!(store.sweep(&HashSet::from([HASH.to_owned()])).expect("swept"), 0);
        assert_eq!(store.sweep(&HashSet::new()).expect("swept"), 1);
        assert_eq!(names(&dir.path().join("files")), ["incoming", "notes.txt"]);
    }
}
