//! The way in that the folder and the HTTP interface share: bytes become a surveyed file in the store, and a job.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use futures_util::{Stream, StreamExt};
use tokio::sync::mpsc;
use tokio_util::bytes::Bytes;
use tokio_util::io::ReaderStream;

use super::name::{COPIES_MAX, read_name, shown};
use super::pour::{Inspectors, Pour, PourFault};
use super::proofs::Shelf;
use super::reject::Rejection;
use crate::clock::Clock;
use crate::foreman::{Answer, Arrival, Command, Handle, Once, Refused, RefusedCode};
use crate::job::{Job, LineName, Survey};
use crate::store::{FileStore, Incoming, StoreError};

/// Pieces of a body that may wait for the disk.
const WAITING_MAX: usize = 4;
/// Bytes that are read at once from a file of the file store.
const PIECE: usize = 256 * 1024;
/// Waits between two attempts at a busy foreman.
const BUSY_WAITS: [Duration; 4] =
    [Duration::from_millis(20), Duration::from_millis(100), Duration::from_millis(500), Duration::from_secs(2)];

/// Temperature at which a part lets go, °C, by the first of several materials that is known.
pub type Releases = Arc<dyn Fn(&[Option<&str>]) -> f64 + Send + Sync>;

/// The way in; clones share it.
#[derive(Clone)]
pub struct Intake {
    pub(super) files: FileStore,
    pub(super) inspectors: Inspectors,
    pub(super) handle: Handle,
    pub(super) proofs: Arc<Shelf>,
    releases: Option<Releases>,
}

/// What may be asked for with a file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TakeOptions {
    /// Copies; without it, those of the name, or one.
    pub copies: Option<u32>,
    /// The line that it is for.
    pub line: Option<LineName>,
    /// Material keyword, lower case.
    pub material: Option<String>,
    /// Release temperature, °C.
    pub release_c: Option<f64>,
    /// Whether the job comes in held.
    pub hold: bool,
}

/// Why a file did not become a job. Nothing of it is left behind.
#[derive(Debug, thiserror::Error)]
pub enum TakeError {
    /// It cannot be printed; the journal says so too.
    #[error("{0}")]
    Rejected(Rejection),
    /// It is longer than allowed.
    #[error(
        "the file is longer than {limit} bytes, the most that is taken; slice it smaller or raise the limit in the config"
    )]
    TooLarge {
        /// The limit, bytes.
        limit: u64,
    },
    /// It ended early or broke on its way.
    #[error("the file broke off after {bytes} bytes ({why}); send it again")]
    Broken {
        /// Bytes that had come.
        bytes: u64,
        /// What happened.
        why: String,
    },
    /// The disk is full, or the file store fails otherwise.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The foreman did not make it a job.
    #[error(transparent)]
    Refused(#[from] Refused),
}

/// What goes from the body to the disk.
enum Piece {
    Bytes(Bytes),
    /// The body is whole. Without this it broke off.
    End,
}

impl fmt::Debug for Intake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Intake").field("files", &self.files).finish_non_exhaustive()
    }
}

impl From<PourFault> for TakeError {
    fn from(fault: PourFault) -> Self {
        match fault {
            PourFault::Store(error) => Self::Store(error),
            PourFault::SurveyFailed => Self::Rejected(Rejection::SurveyFailed),
        }
    }
}

impl Intake {
    /// A way into this file store and to this foreman.
    #[must_use]
    pub fn new(files: FileStore, inspectors: Inspectors, handle: Handle) -> Self {
        let proofs = Arc::new(Shelf::new(Clock::real()));
        Self { files, inspectors, handle, proofs, releases: None }
    }

    /// Can tell where parts let go.
    #[must_use]
    pub fn with_releases(mut self, releases: Releases) -> Self {
        self.releases = Some(releases);
        self
    }

    /// Temperature at which a part lets go, °C, by the first of these materials that is known; `None` if nobody can tell.
    #[must_use]
    pub fn release_c(&self, materials: &[Option<&str>]) -> Option<f64> {
        self.releases.as_ref().map(|releases| releases(materials))
    }

    /// Takes a file that comes as a stream of at most `limit` bytes, and makes it a job. `name` is what the sender calls it.
    ///
    /// # Errors
    /// [`TakeError`]; whatever it is, and also if this is given up half-way, nothing of the file is left behind.
    pub async fn take_stream<S, E>(
        &self,
        name: &str,
        body: S,
        options: TakeOptions,
        limit: u64,
    ) -> Result<Answer, TakeError>
    where
        S: Stream<Item = Result<Bytes, E>> + Send + Unpin,
        E: fmt::Display,
    {
        let taken = self.take(name, body, options, limit).await;
        self.note_rejection(name, taken).await
    }

    /// Has the journal say that a file was turned away, where that is for good.
    pub(super) async fn note_rejection<T>(&self, name: &str, taken: Result<T, TakeError>) -> Result<T, TakeError> {
        let reason = match &taken {
            Err(TakeError::Rejected(rejection)) => rejection.to_string(),
            Err(TakeError::Refused(refused)) if is_final(refused.code) => refused.text.clone(),
            _ => return taken,
        };
        // The sender learns the reason in any case.
        if let Err(refused) = self.handle.ask(Command::NoteRejection { name: shown(name), reason }).await {
            tracing::warn!(name = shown(name), %refused, "the journal does not know of a rejected upload");
        }
        taken
    }

    /// A file of the file store whose job is not known any more, or only by name (`of`), becomes a held job: a person says
    /// whether it is wanted.
    ///
    /// # Errors
    /// [`TakeError`].
    pub async fn take_found(&self, sha256: &str, of: Option<&Job>) -> Result<Answer, TakeError> {
        let file = tokio::fs::File::from_std(self.files.open(sha256)?);
        let body = ReaderStream::with_capacity(file, PIECE);
        let name = of.map_or_else(|| format!("found-{}.gcode", &sha256[..8]), |job| format!("{}.gcode", job.name));
        let options = TakeOptions {
            copies: of.map(|job| job.copies.saturating_sub(job.completed + job.scrapped).max(1)),
            line: of.and_then(|job| job.line.clone()),
            material: of.and_then(|job| job.material.as_deref().map(str::to_owned)),
            release_c: of.and_then(|job| job.release_c),
            hold: true,
        };
        self.take_stream(&name, body, options, u64::MAX).await
    }

    async fn take<S, E>(&self, name: &str, body: S, options: TakeOptions, limit: u64) -> Result<Answer, TakeError>
    where
        S: Stream<Item = Result<Bytes, E>> + Send + Unpin,
        E: fmt::Display,
    {
        let copies = copies(name, options.copies).map_err(TakeError::Rejected)?;
        let (incoming, survey) = self.pour_stream(body, limit).await?;
        let keeping = tokio::task::spawn_blocking(move || keep(incoming, &survey).map(|()| survey));
        let survey = keeping.await.unwrap_or(Err(PourFault::SurveyFailed))?;
        let arrival = Arrival {
            file_name: shown(name),
            survey,
            copies,
            line: options.line,
            material: options.material,
            release_c: options.release_c,
            hold: options.hold,
            reviewed: false,
            source_key: None,
            source: None,
        };
        let once = once(&arrival);
        Ok(self.handle.ask_once(Command::Admit(Box::new(arrival)), once).await?)
    }

    /// Brings a body half-way into the file store and surveys it.
    pub(super) async fn pour_stream<S, E>(&self, body: S, limit: u64) -> Result<(Incoming, Survey), TakeError>
    where
        S: Stream<Item = Result<Bytes, E>> + Send + Unpin,
        E: fmt::Display,
    {
        let (pieces, on_disk) = mpsc::channel(WAITING_MAX);
        let (files, inspectors) = (self.files.clone(), self.inspectors.clone());
        let pouring = tokio::task::spawn_blocking(move || pour_pieces(&files, &inspectors, on_disk));
        let sent = send_pieces(body, pieces, limit).await;
        // Waited for in any case: when the sender gets its answer, nothing is left of what went wrong.
        let poured = pouring.await.unwrap_or(Err(PourFault::SurveyFailed));
        sent?;
        let never = || TakeError::Broken { bytes: 0, why: "it never ended".to_owned() };
        let (incoming, survey) = poured?.ok_or_else(never)?;
        if survey.refusals.is_empty() {
            Ok((incoming, survey))
        } else {
            Err(TakeError::Rejected(Rejection::Survey(survey.refusals)))
        }
    }

    /// Asks the foreman, again and again while it is busy, as long as `go_on` says so.
    pub(super) async fn ask_patiently(&self, command: Command, go_on: impl Fn() -> bool) -> Result<Answer, Refused> {
        let mut waits = BUSY_WAITS.into_iter();
        let mut wait = Duration::ZERO;
        loop {
            match self.handle.ask(command.clone()).await {
                Err(refused) if refused.code == RefusedCode::Busy && go_on() => {
                    wait = waits.next().unwrap_or(wait);
                    tokio::time::sleep(wait).await;
                }
                answer => return answer,
            }
        }
    }
}

/// The key of the request that the file came with: the same file under the same name, with the same wishes, is the same request.
fn once(arrival: &Arrival) -> Option<Once> {
    let Arrival { file_name, survey, copies, line, material, release_c, hold, .. } = arrival;
    let line = line.as_ref().map(LineName::as_str);
    let wishes = format!("{copies} {line:?} {material:?} {release_c:?} {hold}");
    Once::take(&[file_name.as_bytes(), survey.file.sha256.as_bytes(), wishes.as_bytes()])
}

/// Copies asked for by request, else by the name, else one.
pub(super) fn copies(name: &str, asked: Option<u32>) -> Result<u32, Rejection> {
    match asked {
        Some(copies) if (1..=COPIES_MAX).contains(&copies) => Ok(copies),
        Some(copies) => Err(Rejection::Copies(copies)),
        None => Ok(read_name(name)?.copies.unwrap_or(1)),
    }
}

/// Whether asking again would be answered the same.
pub(super) fn is_final(code: RefusedCode) -> bool {
    match code {
        RefusedCode::Busy | RefusedCode::Store => false,
        RefusedCode::NotFound
        | RefusedCode::Conflict
        | RefusedCode::Stale
        | RefusedCode::KeyUsed
        | RefusedCode::Invalid
        | RefusedCode::DoesNotFit => true,
    }
}

async fn send_pieces<S, E>(mut body: S, pieces: mpsc::Sender<Piece>, limit: u64) -> Result<(), TakeError>
where
    S: Stream<Item = Result<Bytes, E>> + Send + Unpin,
    E: fmt::Display,
{
    let mut bytes = 0;
    while let Some(piece) = body.next().await {
        let piece = piece.map_err(|e| TakeError::Broken { bytes, why: e.to_string() })?;
        bytes += piece.len() as u64;
        if bytes > limit {
            return Err(TakeError::TooLarge { limit });
        }
        if pieces.send(Piece::Bytes(piece)).await.is_err() {
            // The other side has given up; it says why.
            return Ok(());
        }
    }
    // Here too.
    drop(pieces.send(Piece::End).await);
    Ok(())
}

/// Writes what comes; `None` if it broke off. Blocks.
fn pour_pieces(
    files: &FileStore,
    inspectors: &Inspectors,
    mut pieces: mpsc::Receiver<Piece>,
) -> Result<Option<(Incoming, Survey)>, PourFault> {
    let mut pour = Pour::begin(files, inspectors)?;
    loop {
        match pieces.blocking_recv() {
            Some(Piece::Bytes(bytes)) => pour.handle_bytes(bytes)?,
            Some(Piece::End) => break,
            None => return Ok(None),
        }
    }
    pour.finish().map(Some)
}

/// Puts a surveyed file under its content hash. Blocks.
pub(super) fn keep(incoming: Incoming, survey: &Survey) -> Result<(), PourFault> {
    incoming.keep(&survey.file.sha256).map_err(PourFault::Store)?;
    Ok(())
}

#[cfg(test)]
mod tests;
