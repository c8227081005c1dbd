//! Proofs: files that have come in and been surveyed, and wait for a person's word before they become jobs.
//!
//! A proof's bytes stay half-way into the file store, under a name of their own. Queued, they are kept under their content
//! hash like any file that comes in; thrown away, they go with the proof. So whatever becomes of one proof takes nothing from
//! another, from a job, or from what the folder brings, even where the content is the same; and what a crash leaves goes at
//! the next start with everything else that is half-way in.

use std::collections::VecDeque;
use std::collections::hash_map::RandomState;
use std::fmt;
use std::fs::File;
use std::hash::BuildHasher;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use futures_util::Stream;
use tokio_util::bytes::Bytes;

use super::intake::{Intake, TakeError, TakeOptions, copies, keep};
use super::name::{read_name, shown};
use super::pour::PourFault;
use super::reject::Rejection;
use crate::clock::Clock;
use crate::foreman::{Answer, Arrival, Command};
use crate::job::Survey;
use crate::store::{Incoming, StoreError};
use crate::units::{Moment, UnixMillis};

/// Proofs that wait at once; when one more comes the oldest goes. A guess: each may hold the disk as long as a file can be.
const PROOFS_MAX: usize = 32;
/// How long a proof waits for a person. A guess: a look, a walk to the machine and back.
const LIFE: Duration = Duration::from_secs(3600);

/// A file that is not a job yet.
pub struct Proof {
    /// Nobody can guess it, and no other one bears it, after a restart neither.
    pub id: String,
    /// What the sender calls the file, as it may be shown.
    pub file_name: String,
    /// What its job would be called.
    pub name: String,
    /// Copies of its job: as asked for with the file, else by its name, else one.
    pub copies: u32,
    /// What was asked for with the file.
    pub asked: TakeOptions,
    /// What was found in it; without refusals.
    pub survey: Survey,
    /// When it came in.
    pub at: UnixMillis,
    /// When it is thrown away by itself.
    pub expires: UnixMillis,
    /// Both counted by the shelf.
    number: u64,
    until: Moment,
    /// Removed from the disk when it is dropped.
    lies: Incoming,
    /// Whether it has been queued or thrown away. Held by whoever does so.
    gone: tokio::sync::Mutex<bool>,
}

impl fmt::Debug for Proof {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Proof").field("id", &self.id).field("file_name", &self.file_name).finish_non_exhaustive()
    }
}

impl Proof {
    /// Opens the file for reading.
    ///
    /// # Errors
    /// [`StoreError::Io`] where it cannot be read.
    pub fn open(&self) -> Result<File, StoreError> {
        self.lies.open()
    }
}

/// How a proof becomes a job.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wish {
    /// The job's name, if not the file's.
    pub name: Option<String>,
    /// The rest; copies as the proof has them unless they are named here.
    pub options: TakeOptions,
    /// Whether a person has read the concerns and agreed.
    pub reviewed: bool,
}

/// Where the proofs lie, the oldest first.
pub(super) struct Shelf {
    clock: Clock,
    /// Its keys are made at random for each shelf: the ids are told by them.
    ids: RandomState,
    lying: Mutex<Lying>,
}

#[derive(Default)]
struct Lying {
    proofs: VecDeque<Arc<Proof>>,
    count: u64,
}

impl Shelf {
    pub(super) fn new(clock: Clock) -> Self {
        Self { clock, ids: RandomState::new(), lying: Mutex::default() }
    }

    /// Whoever panicked with the lock changed a queue that is whole before and after each change.
    fn lock(&self) -> MutexGuard<'_, Lying> {
        self.lying.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Works on what still lies there. What is over goes first, and is removed from the disk without the lock.
    fn with<T>(&self, work: impl FnOnce(&mut Lying) -> T) -> T {
        let now = self.clock.now();
        let mut over = Vec::new();
        let mut lying = self.lock();
        while lying.proofs.front().is_some_and(|proof| proof.until <= now) {
            over.extend(lying.proofs.pop_front());
        }
        let done = work(&mut lying);
        drop(lying);
        drop(over);
        done
    }

    fn put(&self, make: impl FnOnce(u64, String) -> Proof) -> Arc<Proof> {
        let (proof, oldest) = self.with(|lying| {
            lying.count += 1;
            let words = [(lying.count, "first"), (lying.count, "second")].map(|word| self.ids.hash_one(word));
            let proof = Arc::new(make(lying.count, format!("{:016x}{:016x}", words[0], words[1])));
            lying.proofs.push_back(Arc::clone(&proof));
            let full = lying.proofs.len() > PROOFS_MAX;
            (proof, if full { lying.proofs.pop_front() } else { None })
        });
        drop(oldest);
        proof
    }

    fn find(&self, id: &str) -> Option<Arc<Proof>> {
        self.with(|lying| lying.proofs.iter().find(|proof| proof.id == id).cloned())
    }

    fn remove(&self, proof: &Proof) {
        let removed = self.with(|lying| {
            let at = lying.proofs.iter().position(|other| other.number == proof.number)?;
            lying.proofs.remove(at)
        });
        drop(removed);
    }
}

impl Intake {
    /// Takes a file that comes as a stream of at most `limit` bytes, and surveys it, but makes no job of it yet.
    ///
    /// # Errors
    /// [`TakeError`]; whatever it is, and also if this is given up half-way, nothing of the file is left behind.
    pub async fn take_proof<S, E>(
        &self,
        name: &str,
        body: S,
        asked: TakeOptions,
        limit: u64,
    ) -> Result<Arc<Proof>, TakeError>
    where
        S: Stream<Item = Result<Bytes, E>> + Send + Unpin,
        E: fmt::Display,
    {
        let taken = async {
            let copies = copies(name, asked.copies).map_err(TakeError::Rejected)?;
            let (lies, survey) = self.pour_stream(body, limit).await?;
            Ok(self.lay_down(name, copies, asked, lies, survey))
        };
        self.note_rejection(name, taken.await).await
    }

    fn lay_down(&self, name: &str, copies: u32, asked: TakeOptions, lies: Incoming, survey: Survey) -> Arc<Proof> {
        let file_name = shown(name);
        // With copies asked for, those of the name may be nonsense.
        let job_name = read_name(name).map_or_else(|_| file_name.clone(), |named| named.name);
        let clock = &self.proofs.clock;
        let (at, until) = (clock.wall(), clock.now() + LIFE);
        let expires = UnixMillis(at.0.saturating_add(LIFE.as_millis().try_into().unwrap_or(i64::MAX)));
        let gone = tokio::sync::Mutex::new(false);
        self.proofs.put(|number, id| Proof {
            id,
            file_name,
            name: job_name,
            copies,
            asked,
            survey,
            at,
            expires,
            number,
            until,
            lies,
            gone,
        })
    }

    /// The proofs that wait, the newest first.
    #[must_use]
    pub fn proofs(&self) -> Vec<Arc<Proof>> {
        self.proofs.with(|lying| lying.proofs.iter().rev().cloned().collect())
    }

    /// A proof by its id, if it still waits.
    #[must_use]
    pub fn proof(&self, id: &str) -> Option<Arc<Proof>> {
        self.proofs.find(id)
    }

    /// Makes a proof a job; `None` if it does not wait any more. It is seen through even if nobody waits for the answer.
    ///
    /// # Errors
    /// [`TakeError`]; the proof waits on then.
    pub async fn queue_proof(&self, id: &str, wish: Wish) -> Result<Option<Answer>, TakeError> {
        let Some(proof) = self.proofs.find(id) else { return Ok(None) };
        let intake = self.clone();
        let queueing = tokio::spawn(async move {
            let mut gone = proof.gone.lock().await;
            if *gone {
                return Ok(None);
            }
            let answer = intake.admit_proof(&proof, wish).await?;
            *gone = true;
            intake.proofs.remove(&proof);
            Ok(Some(answer))
        });
        queueing.await.unwrap_or(Err(TakeError::Rejected(Rejection::SurveyFailed)))
    }

    /// Throws a proof away; `false` if it does not wait any more. One that is being queued meanwhile is not thrown away.
    pub async fn discard_proof(&self, id: &str) -> bool {
        let Some(proof) = self.proofs.find(id) else { return false };
        let mut gone = proof.gone.lock().await;
        let waited = !std::mem::replace(&mut *gone, true);
        self.proofs.remove(&proof);
        waited
    }

    async fn admit_proof(&self, proof: &Arc<Proof>, wish: Wish) -> Result<Answer, TakeError> {
        let asked = wish.options.copies.unwrap_or(proof.copies);
        let arrival = Arrival {
            copies: copies(&proof.file_name, Some(asked)).map_err(TakeError::Rejected)?,
            file_name: wish.name.map_or_else(|| proof.file_name.clone(), |name| shown(&name)),
            survey: proof.survey.clone(),
            line: wish.options.line,
            material: wish.options.material,
            release_c: wish.options.release_c,
            hold: wish.options.hold,
            reviewed: wish.reviewed,
            source_key: None,
            source: None,
        };
        let kept = Arc::clone(proof);
        let keeping = tokio::task::spawn_blocking(move || {
            let twin = kept.lies.twin().map_err(PourFault::Store)?;
            keep(twin, &kept.survey)
        });
        keeping.await.unwrap_or(Err(PourFault::SurveyFailed))?;
        Ok(self.handle.ask(Command::Admit(Box::new(arrival))).await?)
    }
}

#[cfg(test)]
mod tests;
