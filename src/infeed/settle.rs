//! Decides when a file is whole. Pure: it is told what was seen and what happened, and asks to look again.
//!
//! A file is whole at once when its last writer closed it or it was renamed into place, and two looks a moment apart see the
//! same; without such word (network shares send none) when it has not changed for the settle time. Word from one writer does
//! not count while another has the file open, or may have had it open before we came: then the settle time decides too. So it
//! does for an empty file, which many programs make first and fill later.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::units::Moment;

/// A file as a look at it saw it. Two equal ones with time between them: nobody wrote.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Observed {
    /// Length in bytes.
    pub(super) bytes: u64,
    /// When its content was last changed, in nanoseconds since 1970.
    pub(super) modified_ns: i128,
    /// When anything about it was last changed, its rights too, in nanoseconds since 1970.
    pub(super) status_ns: i128,
    /// Number of the file on its file system.
    pub(super) inode: u64,
}

impl Observed {
    /// Whether it is the same file with the same content, whatever became of its rights.
    #[must_use]
    pub(super) fn is_same_content(&self, other: &Self) -> bool {
        (self.bytes, self.modified_ns, self.inode) == (other.bytes, other.modified_ns, other.inode)
    }
}

/// Word from the file system about one file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Event {
    /// It was made.
    Created,
    /// Somebody opened it, for reading or writing.
    Opened,
    /// Somebody wrote.
    Modified,
    /// A writer closed it.
    Closed,
    /// It was renamed to this name.
    RenamedInto,
    /// It was removed or renamed away.
    Gone,
}

/// What became of a file that was offered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Taken {
    /// It was taken, or is not there any more.
    Gone,
    /// It must stand still once more before it is offered again.
    Again,
    /// It cannot be taken as it is: not offered again until it changes.
    UntilChanged,
    /// It could not be taken now: offered again after this time.
    After(Duration),
}

/// Every file that is waited for.
#[derive(Debug)]
pub(super) struct Settle {
    settle: Duration,
    debounce: Duration,
    files: BTreeMap<PathBuf, Candidate>,
}

#[derive(Debug)]
struct Candidate {
    seen: Option<Observed>,
    /// Since when it is as `seen`, and nobody wrote.
    still_since: Moment,
    /// The last word of a writer was that it is whole.
    said_whole: bool,
    /// Whether it was seen from its first moment, so that `open` counts everybody.
    born_here: bool,
    /// How much more often it was opened than closed by a writer: somebody may be writing.
    open: u32,
    /// Not offered before.
    not_before: Moment,
    /// Not offered as long as it looks like this.
    shelved: Option<Observed>,
    /// Something happened to it while it was being taken.
    heard: bool,
    stage: Stage,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// The next look is due then.
    Look(Moment),
    /// Whole, and waits to be taken.
    Whole,
    /// Being taken.
    Offered,
    /// Not to be offered as it is.
    Shelved,
}

impl Settle {
    /// `settle`: how long a file must stand still without a word; `debounce`: how long with one, at most `settle`.
    #[must_use]
    pub(super) fn new(settle: Duration, debounce: Duration) -> Self {
        Self { settle, debounce: debounce.min(settle), files: BTreeMap::new() }
    }

    /// Takes in word about a file. Nothing becomes whole by word alone: a look follows.
    pub(super) fn handle_event(&mut self, now: Moment, path: &Path, event: Event) {
        if event == Event::Gone {
            return self.handle_missing(now, path);
        }
        // Opening shows nothing new: folders are opened too, by our own looks among others.
        if event == Event::Opened && !self.files.contains_key(path) {
            return;
        }
        let file = self.files.entry(path.to_owned()).or_insert_with(|| Candidate::new(now));
        file.hear(now, event);
        if file.stage != Stage::Offered {
            let wait = if event == Event::Modified { self.settle } else { Duration::ZERO };
            file.stage = Stage::Look(now + wait);
        }
    }

    /// Takes in what a look saw that began at `now`.
    pub(super) fn handle_seen(&mut self, now: Moment, path: &Path, seen: Observed) {
        let (settle, debounce) = (self.settle, self.debounce);
        let file = self.files.entry(path.to_owned()).or_insert_with(|| Candidate::new(now));
        if file.stage == Stage::Offered {
            return;
        }
        if file.seen.replace(seen) != Some(seen) {
            file.still_since = file.still_since.max(now);
        }
        if file.shelved == Some(seen) {
            file.stage = Stage::Shelved;
            return;
        }
        file.shelved = None;
        let word = file.said_whole && file.born_here && file.open == 0 && seen.bytes > 0;
        let due = (file.still_since + if word { debounce } else { settle }).max(file.not_before);
        file.stage = if due <= now { Stage::Whole } else { Stage::Look(due) };
    }

    /// Takes in that a look found no file there.
    pub(super) fn handle_missing(&mut self, now: Moment, path: &Path) {
        match self.files.get_mut(path) {
            // Removing it is part of taking it; what comes after is another file.
            Some(file) if file.stage == Stage::Offered => {
                *file = Candidate { stage: Stage::Offered, ..Candidate::new(now) }
            }
            Some(_) => drop(self.files.remove(path)),
            None => {}
        }
    }

    /// Takes in that a file was not seen where it should be: asks for a look of its own.
    pub(super) fn handle_overlooked(&mut self, now: Moment, path: &Path) {
        if let Some(file) = self.files.get_mut(path).filter(|file| file.stage != Stage::Offered) {
            file.stage = Stage::Look(now);
        }
    }

    /// Takes in what became of an offered file.
    pub(super) fn handle_taken(&mut self, now: Moment, path: &Path, taken: Taken) {
        let Some(file) = self.files.get_mut(path) else { return };
        match taken {
            Taken::Gone if file.heard => {
                file.seen = None;
                file.stage = Stage::Look(now);
            }
            Taken::Gone => drop(self.files.remove(path)),
            Taken::Again => {
                file.said_whole = false;
                file.still_since = now;
                file.stage = Stage::Look(now + self.settle);
            }
            Taken::UntilChanged => {
                file.shelved = file.seen;
                file.stage = Stage::Look(now);
            }
            Taken::After(wait) => {
                file.not_before = now + wait;
                file.stage = Stage::Look(now + wait);
            }
        }
    }

    /// The files to look at now.
    pub(super) fn poll_looks(&mut self, now: Moment) -> Vec<PathBuf> {
        let mut looks = Vec::new();
        for (path, file) in &mut self.files {
            if matches!(file.stage, Stage::Look(due) if due <= now) {
                // What the look sees decides; if it never comes back, look again.
                file.stage = Stage::Look(now + self.settle);
                looks.push(path.clone());
            }
        }
        looks
    }

    /// A whole file to be taken, if there is one; of several, the one that was changed first.
    pub(super) fn poll_ready(&mut self) -> Option<(PathBuf, Observed)> {
        let whole = self.files.iter_mut().filter(|(_, file)| file.stage == Stage::Whole);
        let seen = whole.filter_map(|(path, file)| Some((file.seen?, path, file)));
        let (seen, path, file) = seen.min_by(|a, b| (a.0.modified_ns, a.1).cmp(&(b.0.modified_ns, b.1)))?;
        file.stage = Stage::Offered;
        file.heard = false;
        Some((path.clone(), seen))
    }

    /// When [`Settle::poll_looks`] will next have something to say.
    #[must_use]
    pub(super) fn deadline(&self) -> Option<Moment> {
        let dues = self.files.values().filter_map(|file| match file.stage {
            Stage::Look(due) => Some(due),
            Stage::Whole | Stage::Offered | Stage::Shelved => None,
        });
        dues.min()
    }

    /// Every file that is known.
    pub(super) fn paths(&self) -> impl Iterator<Item = &Path> {
        self.files.keys().map(PathBuf::as_path)
    }
}

impl Candidate {
    fn new(now: Moment) -> Self {
        Self {
            seen: None,
            still_since: now,
            said_whole: false,
            born_here: false,
            open: 0,
            not_before: Moment::ZERO,
            shelved: None,
            heard: false,
            stage: Stage::Look(now),
        }
    }

    fn hear(&mut self, now: Moment, event: Event) {
        self.heard = true;
        match event {
            Event::Opened => self.open = self.open.saturating_add(1),
            Event::Closed => {
                self.open = self.open.saturating_sub(1);
                self.said_whole = true;
            }
            Event::Modified => {
                self.said_whole = false;
                self.still_since = now;
            }
            Event::Created => *self = Self { born_here: true, heard: true, stage: self.stage, ..Self::new(now) },
            Event::RenamedInto => {
                *self = Self { born_here: true, said_whole: true, heard: true, stage: self.stage, ..Self::new(now) };
            }
            Event::Gone => {}
        }
    }
}

#[cfg(test)]
mod tests;
