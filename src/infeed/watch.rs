//! The folders: kept in being, watched, and looked through. Everything here blocks.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use notify::{RecommendedWatcher, RecursiveMode, Watcher};

use super::config::InfeedConfig;
use super::name::is_left_alone;
use super::settle::Observed;
use super::source::{Look, look};

/// Watches the infeed folder and the folders in it.
#[derive(Debug)]
pub(super) struct Folders {
    config: Arc<InfeedConfig>,
    /// The daemon's own folder, which is no way in even if the infeed folder is around it.
    data_dir: PathBuf,
    /// `None` where the system gives no watcher: then only looking through finds anything.
    watcher: Option<RecommendedWatcher>,
    watched: BTreeMap<PathBuf, Identity>,
    was_missing: bool,
}

/// A folder that came back under its name is another one. Inode numbers are used again, and not all file systems know when a
/// folder was made: word of a removal counts too.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Identity {
    device: u64,
    inode: u64,
    made: Option<SystemTime>,
}

/// What was found on looking through.
#[derive(Debug)]
pub(super) struct Scan {
    /// Every file that may be taken.
    pub(super) files: Vec<(PathBuf, Observed)>,
    /// The folders that were looked through whole.
    pub(super) folders: Vec<PathBuf>,
    /// Whether the infeed folder is there.
    pub(super) is_there: bool,
}

/// Whether the infeed folder may be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Absent {
    /// Wait for it to come back, as with a share that is not mounted.
    Wait,
    /// Make it, if the folder above is there.
    Make,
}

impl Folders {
    /// `handler` is told what happens, on a thread of the watcher's own.
    pub(super) fn new(config: Arc<InfeedConfig>, data_dir: &Path, handler: impl notify::EventHandler) -> Self {
        let watcher = notify::recommended_watcher(handler);
        if let Err(why) = &watcher {
            let period = config.rescan.as_secs_f64();
            tracing::warn!(%why, "the system gives no word of new files; the infeed folder is looked through every {period} s");
        }
        Self {
            config,
            data_dir: data_dir.to_owned(),
            watcher: watcher.ok(),
            watched: BTreeMap::new(),
            was_missing: false,
        }
    }

    /// Watches these folders anew on the next look through, whether or not they seem to be the same.
    pub(super) fn distrust(&mut self, folders: &[PathBuf]) {
        for folder in folders {
            if let (Some(_), Some(watcher)) = (self.watched.remove(folder), &mut self.watcher) {
                // The watch of a folder that was removed has gone with it.
                drop(watcher.unwatch(folder));
            }
        }
    }

    /// Looks through every folder, after making those that should be there and watching those that are new.
    pub(super) fn scan(&mut self, absent: Absent) -> Scan {
        let mut scan = Scan { files: vec![], folders: vec![], is_there: self.keep_up(absent) };
        if !scan.is_there {
            self.follow(&[]);
            return scan;
        }
        let dir = self.config.dir.clone();
        let mut folders = vec![dir.clone()];
        match list(&dir) {
            Ok(entries) => folders.extend(entries.into_iter().filter(|path| self.is_fed(path))),
            Err(why) => tracing::warn!(%why, "the infeed folder {} cannot be read", dir.display()),
        }
        // Watched first, listed then: what comes in between is seen twice, not never.
        self.follow(&folders);
        for folder in folders {
            match list(&folder) {
                Ok(entries) => {
                    let files = entries.into_iter().filter_map(|path| match look(&path) {
                        Ok(Look::File(seen)) if !is_ignored(&path) => Some((path, seen)),
                        _ => None,
                    });
                    scan.files.extend(files);
                    scan.folders.push(folder);
                }
                Err(why) => tracing::debug!(%why, "the folder {} cannot be read", folder.display()),
            }
        }
        scan
    }

    /// Makes the folders that should be there; whether the infeed folder itself is.
    fn keep_up(&mut self, absent: Absent) -> bool {
        let dir = &self.config.dir;
        if absent == Absent::Make
            && dir.parent().is_none_or(Path::is_dir)
            && !dir.is_dir()
            && let Err(why) = fs::create_dir(dir)
        {
            tracing::warn!(%why, "the infeed folder {} cannot be made", dir.display());
        }
        let is_there = dir.is_dir();
        if self.was_missing == is_there {
            let path = dir.display();
            if is_there {
                tracing::info!("the infeed folder {path} is back");
            } else {
                tracing::warn!("the infeed folder {path} is gone; files are taken again when it is back");
            }
            self.was_missing = !is_there;
        }
        if is_there {
            for folder in
                self.config.lines.iter().map(|line| dir.join(line.as_str())).chain([self.config.rejected.clone()])
            {
                if let Err(why) = fs::create_dir_all(&folder) {
                    tracing::debug!(%why, "the folder {} cannot be made", folder.display());
                }
            }
        }
        is_there
    }

    /// Watches exactly these folders.
    fn follow(&mut self, folders: &[PathBuf]) {
        let found = folders.iter().filter_map(|path| Some((path.clone(), identity(path)?)));
        let now: BTreeMap<PathBuf, Identity> = found.collect();
        let Some(watcher) = &mut self.watcher else {
            self.watched = now;
            return;
        };
        for (path, _) in self.watched.iter().filter(|(path, id)| now.get(*path) != Some(id)) {
            drop(watcher.unwatch(path));
        }
        for (path, id) in &now {
            if self.watched.get(path) != Some(id)
                && let Err(why) = watcher.watch(path, RecursiveMode::NonRecursive)
            {
                tracing::warn!(%why, "the system gives no word of files in {}; it is looked through instead", path.display());
            }
        }
        self.watched = now;
    }

    /// Whether a path is a folder whose files may be taken.
    fn is_fed(&self, path: &Path) -> bool {
        let is_folder = !is_ignored(path) && look(path).is_ok_and(|found| found == Look::Folder);
        let is_ours = |own: &Path| is_same(path, own);
        is_folder && !is_ours(&self.config.rejected) && !self.data_dir.ancestors().any(is_ours)
    }
}

/// Whether two paths lead to the same folder, by whatever links.
pub(super) fn is_same(one: &Path, other: &Path) -> bool {
    identity(one).is_some_and(|id| identity(other) == Some(id))
}

/// Whether files or folders of this name are nobody's business.
pub(super) fn is_ignored(path: &Path) -> bool {
    path.file_name().is_none_or(is_left_alone)
}

fn identity(path: &Path) -> Option<Identity> {
    let found = fs::metadata(path).ok()?;
    Some(Identity { device: found.dev(), inode: found.ino(), made: found.created().ok() })
}

fn list(folder: &Path) -> io::Result<Vec<PathBuf>> {
    fs::read_dir(folder)?.map(|entry| Ok(entry?.path())).collect()
}
