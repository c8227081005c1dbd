//! Taking one file of the folder, in steps that a crash may come between.
//!
//! ```text
//! Found ──pour──► Poured ──keep──► Kept ──admit──► Admitted ──remove──► Removed ──note──► (done)
//! ```
//!
//! Until `Kept` nothing has happened; a crash between `Kept` and `Admitted` leaves a file that no job uses; from `Admitted` on,
//! the job bears the source's key, so that taking the same file again finds the same job.

use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio_util::bytes::Bytes;

use super::config::{Bound, InfeedConfig};
use super::intake::{Intake, copies, is_final, keep};
use super::name::shown;
use super::pour::{Pour, PourFault};
use super::reject::Rejection;
use super::settle::Observed;
use super::source::{self, CHUNK, SourceKey};
use crate::foreman::{Answer, Arrival, Command, Refused};
use crate::job::{JobId, Survey};
use crate::store::{Incoming, StoreError};

/// A whole file of the folder.
#[derive(Clone, Debug)]
pub(super) struct Source {
    pub(super) path: PathBuf,
    pub(super) seen: Observed,
}

/// How far it has come.
#[derive(Debug)]
pub(super) enum Stage {
    Found,
    Poured(Incoming, Box<Survey>),
    Kept(Box<Survey>),
    Admitted(JobId),
    Removed(JobId),
    Done,
}

/// Why it goes no further.
#[derive(Debug)]
pub(super) enum Stop {
    /// It was changed or replaced meanwhile.
    Changed,
    /// It cannot be read.
    Unreadable(io::Error),
    /// It is no job for us.
    Rejected(Rejection),
    /// It can be tried again: the disk is full, the foreman busy, the daemon on its way out.
    NotNow(String),
    /// It is a job, but the source cannot be removed. Its key keeps it from becoming another one.
    Stays(io::Error),
}

/// What taking needs to know; clones share it.
#[derive(Clone, Debug)]
pub(super) struct Taker {
    pub(super) config: Arc<InfeedConfig>,
    pub(super) intake: Intake,
    /// Set when the daemon is on its way out.
    pub(super) closing: Arc<AtomicBool>,
}

impl From<PourFault> for Stop {
    fn from(fault: PourFault) -> Self {
        match fault {
            PourFault::Store(error @ StoreError::BadHash { .. }) => {
                tracing::error!(%error, "a survey named no content hash");
                Self::Rejected(Rejection::SurveyFailed)
            }
            PourFault::Store(error) => Self::NotNow(error.to_string()),
            PourFault::SurveyFailed => Self::Rejected(Rejection::SurveyFailed),
        }
    }
}

impl From<Refused> for Stop {
    fn from(refused: Refused) -> Self {
        if is_final(refused.code) { Self::Rejected(Rejection::NotWanted(refused)) } else { Self::NotNow(refused.text) }
    }
}

impl Taker {
    /// Takes a file as far as it goes.
    pub(super) async fn take(&self, source: &Source) -> Result<(), Stop> {
        let mut stage = Stage::Found;
        while !matches!(stage, Stage::Done) {
            stage = self.step(source, stage).await?;
        }
        Ok(())
    }

    /// Takes a file one step further.
    pub(super) async fn step(&self, source: &Source, stage: Stage) -> Result<Stage, Stop> {
        match stage {
            Stage::Found => {
                let name = file_name(&source.path);
                // Said before the whole file is read for nothing.
                copies(&name, None).map_err(Stop::Rejected)?;
                if let Bound::NoSuchLine(found) = self.config.bound(&source.path) {
                    return Err(Stop::Rejected(Rejection::NoSuchLine { found, lines: self.config.lines.clone() }));
                }
                let (taker, source) = (self.clone(), source.clone());
                let (incoming, survey) = blocking(move || taker.pour(&source)).await?;
                if survey.refusals.is_empty() {
                    Ok(Stage::Poured(incoming, Box::new(survey)))
                } else {
                    Err(Stop::Rejected(Rejection::Survey(survey.refusals)))
                }
            }
            Stage::Poured(incoming, survey) => {
                blocking(move || Ok(keep(incoming, &survey).map(|()| Stage::Kept(survey))?)).await
            }
            Stage::Kept(survey) => self.admit(source, *survey).await.map(Stage::Admitted),
            Stage::Admitted(job) => {
                let Source { path, seen } = source.clone();
                let removed = blocking(move || source::remove(&path, &seen).map_err(Stop::Stays)).await?;
                if !removed {
                    let path = source.path.display();
                    tracing::warn!(%path, %job, "the file was changed after it became a job; it is taken anew");
                }
                Ok(Stage::Removed(job))
            }
            Stage::Removed(job) => self.note_gone(job).await.map(|()| Stage::Done),
            Stage::Done => Ok(Stage::Done),
        }
    }

    /// Tells the foreman that the folder's file of a job is not there any more.
    pub(super) async fn note_gone(&self, job: JobId) -> Result<(), Stop> {
        self.ask(Command::SourceGone(job)).await?;
        Ok(())
    }

    /// Asks the foreman, patiently until the daemon is on its way out.
    pub(super) async fn ask(&self, command: Command) -> Result<Answer, Refused> {
        self.intake.ask_patiently(command, || !self.closing.load(Ordering::Relaxed)).await
    }

    async fn admit(&self, source: &Source, survey: Survey) -> Result<JobId, Stop> {
        let name = file_name(&source.path);
        let inside = source.path.strip_prefix(&self.config.dir).unwrap_or(&source.path);
        let key = SourceKey::new(inside, &source.seen, &survey.file.sha256);
        let line = match self.config.bound(&source.path) {
            Bound::Line(line) => Some(line),
            Bound::AnyLine | Bound::NoSuchLine(_) => None,
        };
        let arrival = Arrival {
            file_name: shown(&name),
            copies: copies(&name, None).map_err(Stop::Rejected)?,
            survey,
            line,
            material: None,
            release_c: None,
            hold: false,
            reviewed: false,
            source_key: Some(key.to_text()),
            source: Some(source.path.clone()),
        };
        match self.ask(Command::Admit(Box::new(arrival))).await? {
            Answer::Job(job) => Ok(job.id),
            Answer::Line(_) | Answer::Commissioned(_) | Answer::Key(_) | Answer::Done => {
                debug_assert!(false, "an arrival is answered with its job");
                Err(Stop::NotNow("the foreman gave no job".to_owned()))
            }
        }
    }

    /// Copies the source into the file store and surveys it. Blocks.
    fn pour(&self, source: &Source) -> Result<(Incoming, Survey), Stop> {
        let opened = source::open(&source.path, &source.seen).map_err(Stop::Unreadable)?;
        let mut file = opened.ok_or(Stop::Changed)?;
        let mut pour = Pour::begin(&self.intake.files, &self.intake.inspectors)?;
        loop {
            let mut chunk = Vec::with_capacity(CHUNK);
            let got = (&mut file).take(CHUNK as u64).read_to_end(&mut chunk).map_err(Stop::Unreadable)?;
            if got == 0 {
                break;
            }
            pour.handle_bytes(Bytes::from(chunk))?;
            // A file that somebody appends to without end must not be followed without end.
            if pour.bytes() > source.seen.bytes {
                return Err(Stop::Changed);
            }
            if self.closing.load(Ordering::Relaxed) {
                return Err(Stop::NotNow("the daemon is shutting down".to_owned()));
            }
        }
        let bytes = pour.bytes();
        let poured = pour.finish()?;
        // As late as can be.
        let unchanged = source::is_as_seen(&file, &source.seen).map_err(Stop::Unreadable)?;
        if unchanged && bytes == source.seen.bytes { Ok(poured) } else { Err(Stop::Changed) }
    }
}

/// A file's name as text, with replacement characters for what is no text.
pub(super) fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Runs work that blocks where it may.
pub(super) async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Stop> + Send + 'static,
) -> Result<T, Stop> {
    let done = tokio::task::spawn_blocking(work).await;
    done.unwrap_or_else(|fault| Err(Stop::NotNow(format!("the work on a file broke down: {fault}"))))
}

#[cfg(test)]
mod tests;
