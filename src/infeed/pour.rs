//! Bytes on their way in: written to the file store and surveyed at the same time, each on a thread of its own.

use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle, available_parallelism};

use tokio_util::bytes::Bytes;

use super::shared_survey::SharedSurvey;
use crate::gcode::{ContentHash, Reading, Rules};
use crate::job::Survey;
use crate::store::{FileStore, Incoming, StoreError};

/// Pieces that may wait for the survey: with pieces of 256 KiB, one MiB of memory.
const WAITING_MAX: usize = 4;

/// So many processors must there be for a survey on two threads. They cost more in all than one, and where a file comes in over
/// the network, the receiver and the writer, who hashes too, want a processor each as well.
const SHARED_FROM: usize = 4;

/// Surveys a file piece by piece.
pub trait Inspect: Send {
    /// Takes in the next bytes.
    fn handle_bytes(&mut self, bytes: &Bytes);

    /// What was found. `sha256` is the content hash, worked out beside it.
    fn finish(self: Box<Self>, sha256: String) -> Survey;
}

/// Makes a new survey for each file.
pub type Inspectors = Arc<dyn Fn() -> Box<dyn Inspect> + Send + Sync>;

impl Inspect for Reading {
    fn handle_bytes(&mut self, bytes: &Bytes) {
        Self::handle_bytes(self, bytes);
    }

    fn finish(self: Box<Self>, sha256: String) -> Survey {
        Self::finish(*self, sha256)
    }
}

/// Surveys every file by the same rules, on two threads where there are processors enough and the system gives a second.
#[must_use]
pub fn surveyors(rules: Rules) -> Inspectors {
    let shared = available_parallelism().is_ok_and(|processors| processors.get() >= SHARED_FROM);
    Arc::new(move || match shared.then(|| SharedSurvey::begin(&rules)) {
        Some(Ok(survey)) => Box::new(survey),
        Some(Err(_)) | None => Box::new(Reading::new(&rules)),
    })
}

/// A file being poured in. Dropped half-way, it leaves nothing behind.
#[derive(Debug)]
pub(super) struct Pour {
    incoming: Incoming,
    /// On the thread that writes: reading takes longer than writing and hashing together.
    hash: ContentHash,
    to_survey: SyncSender<Piece>,
    survey: JoinHandle<Option<Survey>>,
}

/// What goes from the writer to the survey.
enum Piece {
    Bytes(Bytes),
    /// That was all. Without this the file was given up half-way.
    End {
        sha256: String,
    },
}

/// Why nothing came of a file poured in.
#[derive(Debug)]
pub(super) enum PourFault {
    Store(StoreError),
    /// The survey panicked, or did not see what was written.
    SurveyFailed,
}

impl Pour {
    /// Blocks.
    pub(super) fn begin(files: &FileStore, inspectors: &Inspectors) -> Result<Self, PourFault> {
        let incoming = files.begin().map_err(PourFault::Store)?;
        let (to_survey, pieces) = sync_channel(WAITING_MAX);
        let mut inspect = inspectors();
        let work = move || {
            for piece in pieces {
                match piece {
                    Piece::Bytes(bytes) => inspect.handle_bytes(&bytes),
                    Piece::End { sha256 } => return Some(inspect.finish(sha256)),
                }
            }
            None
        };
        let spawned = Builder::new().name("survey".to_owned()).spawn(work);
        let survey = spawned.map_err(|_| PourFault::SurveyFailed)?;
        Ok(Self { incoming, hash: ContentHash::default(), to_survey, survey })
    }

    /// Blocks.
    pub(super) fn handle_bytes(&mut self, bytes: Bytes) -> Result<(), PourFault> {
        self.to_survey.send(Piece::Bytes(bytes.clone())).map_err(|_| PourFault::SurveyFailed)?;
        self.hash.handle_bytes(&bytes);
        self.incoming.write(&bytes).map_err(PourFault::Store)
    }

    /// Bytes so far.
    pub(super) fn bytes(&self) -> u64 {
        self.incoming.bytes()
    }

    /// Blocks until the survey has seen everything.
    pub(super) fn finish(mut self) -> Result<(Incoming, Survey), PourFault> {
        // A survey that panicked hears nothing more, and says so when it is joined.
        drop(self.to_survey.send(Piece::End { sha256: self.hash.finish() }));
        let survey = self.survey.join().ok().flatten().ok_or(PourFault::SurveyFailed)?;
        if survey.file.bytes != self.incoming.bytes() {
            return Err(PourFault::SurveyFailed);
        }
        self.incoming.end_sync().map_err(PourFault::Store)?;
        Ok((self.incoming, survey))
    }
}
