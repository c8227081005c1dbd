//! What becomes of each whole file: a job, a rejection with its letter, or another try later.

use std::collections::HashMap;
use std::fmt::Display;
use std::io;
use std::path::{Path, PathBuf};

use super::name::shown;
use super::reject::{self, Rejection};
use super::settle::{Observed, Taken};
use super::source::{self, Look, SourceKey};
use super::taking::{Source, Stop, Taker, blocking, file_name};
use crate::foreman::Command;
use crate::job::JobId;

/// Deals with one file after the other, and remembers what was said, so that it is said once.
#[derive(Debug)]
pub(super) struct Dealer {
    pub(super) taker: Taker,
    said: HashMap<PathBuf, String>,
    noted: HashMap<PathBuf, Noted>,
}

/// What the journal and a letter say of a file that is still in the folder.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Noted {
    seen: Observed,
    reason: String,
    /// Where the file would lie beside its letter.
    place: PathBuf,
}

impl Dealer {
    pub(super) fn new(taker: Taker) -> Self {
        Self { taker, said: HashMap::new(), noted: HashMap::new() }
    }

    /// Takes or rejects a file.
    pub(super) async fn deal(&mut self, source: &Source) -> Taken {
        let taken = match self.taker.take(source).await {
            Ok(()) => Taken::Gone,
            Err(Stop::Changed) => Taken::Again,
            Err(Stop::Unreadable(why)) => self.leave_unreadable(source, &why).await,
            Err(Stop::Rejected(rejection)) => self.reject(source, &rejection).await,
            Err(Stop::NotNow(why)) => self.put_off(source, why).await,
            Err(Stop::Stays(why)) => {
                self.say(source, format!("it is a job now, but cannot be removed from the folder: {why}"));
                Taken::UntilChanged
            }
        };
        if taken == Taken::Gone {
            self.said.remove(&source.path);
            if let Some(noted) = self.noted.remove(&source.path) {
                // A letter of a file that was rejected stays: the file lies beside it.
                drop(
                    blocking(move || {
                        reject::take_back_letter(&noted.place);
                        Ok(())
                    })
                    .await,
                );
            }
        }
        taken
    }

    /// Ends what a crash left: for each job with a source key, removes the source if it is still there, and says that it is
    /// gone. Answers those that must wait, since their folder is not there.
    pub(super) async fn settle_left(&mut self, left: Vec<(JobId, String)>) -> Vec<(JobId, String)> {
        let mut waiting = Vec::new();
        for (job, text) in left {
            let (dir, parsed) = (self.taker.config.dir.clone(), SourceKey::parse(&text));
            let found = blocking(move || Ok(parsed.map_or(Left::Gone, |key| remove_left(&dir, &key)))).await;
            let told = match found {
                Ok(Left::Gone) => self.taker.note_gone(job).await,
                Ok(Left::FolderMissing) => Err(Stop::NotNow("its folder is not there".to_owned())),
                Ok(Left::Stays(why)) => Err(Stop::Stays(why)),
                Err(stop) => Err(stop),
            };
            match told {
                Ok(()) => {}
                // Taking the file again will find the same job.
                Err(Stop::Stays(why)) => {
                    tracing::warn!(%job, %why, "the file of a job cannot be removed from the infeed folder")
                }
                Err(_) => waiting.push((job, text)),
            }
        }
        waiting
    }

    async fn reject(&mut self, source: &Source, rejection: &Rejection) -> Taken {
        let letter = rejection.letter(&file_name(&source.path));
        let place = match self.note(source, rejection.to_string(), letter).await {
            Ok(place) => place,
            Err(put_off) => return put_off,
        };
        let Source { path, seen } = source.clone();
        let moved = blocking(move || Ok(reject::move_to(&place, &path, &seen))).await;
        match moved {
            Ok(Ok(true)) => {
                tracing::info!(file = file_name(&source.path), reason = %rejection, "rejected a file");
                Taken::Gone
            }
            Ok(Ok(false)) => Taken::Again,
            Ok(Err(why)) => {
                self.say(source, format!("it was rejected, but cannot be moved out of the folder: {why}"));
                Taken::UntilChanged
            }
            Err(_) => Taken::Again,
        }
    }

    async fn leave_unreadable(&mut self, source: &Source, why: &io::Error) -> Taken {
        let letter = reject::unreadable_letter(&file_name(&source.path), why);
        let reason = format!("it cannot be read: {why}; it was left where it is, give this user the right to read it");
        match self.note(source, reason, letter).await {
            Ok(_) => Taken::UntilChanged,
            Err(put_off) => put_off,
        }
    }

    /// Writes the letter and the journal, unless they say this already. Answers the file's place beside the letter.
    async fn note(&mut self, source: &Source, reason: String, letter: String) -> Result<PathBuf, Taken> {
        let noted = self.noted.get(&source.path).filter(|noted| (noted.seen, &noted.reason) == (source.seen, &reason));
        if let Some(noted) = noted {
            return Ok(noted.place.clone());
        }
        let (rejected, path) = (self.taker.config.rejected.clone(), source.path.clone());
        let work = move || Ok(reject::write_letter(&rejected, path.file_name().unwrap_or_default(), &letter));
        let place = match blocking(work).await {
            Ok(Ok(place)) => place,
            Ok(Err(why)) => {
                let why = format!("its reason cannot be written to {}: {why}", self.taker.config.rejected.display());
                return Err(self.put_off(source, why).await);
            }
            Err(_) => return Err(Taken::Again),
        };
        let name = shown(&file_name(&source.path));
        if let Err(refused) = self.taker.ask(Command::NoteRejection { name, reason: reason.clone() }).await {
            return Err(self.put_off(source, refused.text).await);
        }
        let noted = Noted { seen: source.seen, reason, place: place.clone() };
        self.noted.insert(source.path.clone(), noted);
        Ok(place)
    }

    async fn put_off(&mut self, source: &Source, why: String) -> Taken {
        let reason = format!("{why}; it is left in the folder and tried again");
        if self.say(source, &reason) {
            let name = shown(&file_name(&source.path));
            // The same trouble may keep the journal from being written; the log has it already.
            drop(self.taker.ask(Command::NoteDelay { name, reason }).await);
        }
        Taken::After(self.taker.config.rescan)
    }

    /// Says something about a file, once. Whether it was said now.
    fn say(&mut self, source: &Source, what: impl Display) -> bool {
        let what = what.to_string();
        let is_new = self.said.get(&source.path) != Some(&what);
        if is_new {
            tracing::warn!(file = file_name(&source.path), "a file is not taken: {what}");
            self.said.insert(source.path.clone(), what);
        }
        is_new
    }
}

/// What is left of a job's source.
#[derive(Debug)]
enum Left {
    /// Nothing (any more); what may lie under its name is another file.
    Gone,
    /// Its folder is not there: it may come back with the file in it.
    FolderMissing,
    /// It cannot be read or removed.
    Stays(io::Error),
}

/// Blocks.
fn remove_left(dir: &Path, key: &SourceKey) -> Left {
    let path = dir.join(&key.path);
    let folder = path.parent().unwrap_or(dir);
    if !folder.is_dir() {
        return Left::FolderMissing;
    }
    let removed = match (key.is_at(&path), source::look(&path)) {
        (Ok(true), Ok(Look::File(seen))) => source::remove(&path, &seen).map(drop),
        (Ok(_), Ok(_)) => Ok(()),
        (Err(why), _) | (_, Err(why)) => Err(why),
    };
    removed.map_or_else(Left::Stays, |()| Left::Gone)
}

#[cfg(test)]
mod tests;
