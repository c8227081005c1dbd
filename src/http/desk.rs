//! What every handler holds: the foreman's handle, the store's reader and the way in for files; and the few questions that
//! several of them ask.

use std::ops::Deref;
use std::sync::Arc;

use tokio_util::sync::CancellationToken;

use super::door::Door;
use super::error::HttpError;
use super::jobs::job_id;
use super::tls::Seal;
use crate::clock::Clock;
use crate::foreman::{Answer, Command, Handle, JobCommand, LineCommand, LineView, Once, Refused};
use crate::infeed::{Intake, Pictures};
use crate::job::{Cycle, Job, JobId, JobState, LineName, Survey};
use crate::store::{Entry, JobFilter, JobKey, JobSet, JournalFilter, Reader, StoreError};
use crate::units::UnixMillis;

/// The longest file that is taken unless the config says otherwise: 1 GiB.
const UPLOAD_MAX: u64 = 1 << 30;
/// Rows on a page unless asked otherwise, and at most.
const PAGE_USUAL: u32 = 50;
const PAGE_MAX: u32 = 500;

/// What the HTTP room is given by those who start it; clones share it, since every layer and every request has one.
#[derive(Clone, Debug)]
pub struct Desk(Arc<Given>);

/// What is on the desk.
#[derive(Clone, Debug)]
pub struct Given {
    pub(super) handle: Handle,
    pub(super) reader: Reader,
    pub(super) intake: Intake,
    /// Where pictures of the files come from; `None` shows none.
    pub(super) pictures: Option<Pictures>,
    pub(super) upload_max: u64,
    pub(super) host_names: Vec<String>,
    /// What is asked of those who come.
    pub(super) door: Door,
    /// Cancelled when the daemon shuts down: streams without an end must end then.
    pub(super) closing: CancellationToken,
}

impl Deref for Desk {
    type Target = Given;

    fn deref(&self) -> &Given {
        &self.0
    }
}

impl Desk {
    /// A desk with an upload limit of 1 GiB that answers to addresses and localhost alone.
    #[must_use]
    pub fn new(handle: Handle, reader: Reader, intake: Intake) -> Self {
        let closing = CancellationToken::new();
        Self(Arc::new(Given {
            handle,
            reader,
            intake,
            pictures: None,
            upload_max: UPLOAD_MAX,
            host_names: Vec::new(),
            door: Door::open(),
            closing,
        }))
    }

    /// For whoever sets it up; nobody shares it then.
    fn set(&mut self) -> &mut Given {
        Arc::make_mut(&mut self.0)
    }

    /// Takes files up to `bytes` long.
    #[must_use]
    pub fn with_upload_max(mut self, bytes: u64) -> Self {
        self.set().upload_max = bytes;
        self
    }

    /// Shows pictures of the files.
    #[must_use]
    pub fn with_pictures(mut self, pictures: Pictures) -> Self {
        self.set().pictures = Some(pictures);
        self
    }

    /// Answers to these host names too, such as `nosebar.local`.
    #[must_use]
    pub fn with_host_names(mut self, names: Vec<String>) -> Self {
        self.set().host_names = names;
        self
    }

    /// Lets nobody in without a key of the foreman's that allows what is asked; without this, everybody may do everything.
    #[must_use]
    pub fn with_keys(mut self) -> Self {
        self.set().door.asks = true;
        self
    }

    /// Is reached by TLS alone: cookies are for sealed connections, and addresses begin with `https`.
    #[must_use]
    pub fn with_tls(mut self) -> Self {
        self.set().door.tls = true;
        self
    }

    /// Is reached by TLS with this certificate, whose names are ours too: a browser lets nobody else have them.
    #[must_use]
    pub fn with_seal(mut self, seal: Seal) -> Self {
        self.set().door.seal = Some(seal);
        self.with_tls()
    }

    /// Sends other devices here, such as `http://192.168.0.20:8017`, where whoever asks has come by an address that only this
    /// machine can use.
    #[must_use]
    pub fn with_base(mut self, base: String) -> Self {
        self.set().door.base = Some(base);
        self
    }

    /// Tells the hours by this clock.
    #[must_use]
    pub fn with_clock(mut self, clock: Clock) -> Self {
        self.set().door.clock = clock;
        self
    }

    /// The line of an address, as it is now.
    pub(super) fn line(&self, name: &str) -> Result<LineView, HttpError> {
        let live = self.handle.live();
        let line = live.lines.iter().find(|line| line.name.as_str() == name);
        line.cloned().ok_or_else(|| HttpError::NoSuch { what: format!("line {:?}", shorten(name)) })
    }

    /// Tells a line something; answers the line as it is then.
    pub(super) async fn tell_line(&self, name: &str, what: LineCommand) -> Result<LineView, HttpError> {
        self.tell_line_seen(name, what, None).await
    }

    /// The same, from somebody who saw the line as it was since a moment: if it has changed since then, nothing is done.
    pub(super) async fn tell_line_seen(
        &self,
        name: &str,
        what: LineCommand,
        since: Option<i64>,
    ) -> Result<LineView, HttpError> {
        let name = self.line(name)?.name;
        let command = Command::Line { name: name.clone(), what, if_since: since.map(UnixMillis) };
        match self.ask(command).await? {
            Answer::Line(view) => Ok(*view),
            Answer::Job(_) | Answer::Commissioned(_) | Answer::Key(_) | Answer::Done => self.line(name.as_str()),
        }
    }

    /// Asks the foreman for what the request is about; if that bears a key, once.
    pub(super) async fn ask(&self, command: Command) -> Result<Answer, Refused> {
        self.handle.ask_once(command, Once::take(&[])).await
    }

    /// Tells a job something; answers the job as it is then, or the new one.
    pub(super) async fn tell_job(
        &self,
        id: JobId,
        what: JobCommand,
        if_version: Option<i64>,
    ) -> Result<Job, HttpError> {
        match self.ask(Command::Job { id, what, if_version }).await? {
            Answer::Job(job) => Ok(*job),
            Answer::Line(_) | Answer::Commissioned(_) | Answer::Key(_) | Answer::Done => self.known_job(id).await,
        }
    }

    /// The job of an address.
    pub(super) async fn job(&self, id: &str) -> Result<Job, HttpError> {
        self.known_job(job_id(id)?).await
    }

    async fn known_job(&self, id: JobId) -> Result<Job, HttpError> {
        self.find_job(id).await?.ok_or_else(|| HttpError::NoSuch { what: format!("job {id}") })
    }

    pub(super) async fn find_job(&self, id: JobId) -> Result<Option<Job>, HttpError> {
        Ok(self.reader.job(id).await?)
    }

    pub(super) async fn cycles_of(&self, id: JobId) -> Result<Vec<Cycle>, HttpError> {
        Ok(self.reader.cycles_of(id).await?)
    }

    pub(super) async fn survey(&self, job: &Job) -> Result<Option<Survey>, HttpError> {
        Ok(self.reader.survey(&job.sha256).await?)
    }

    pub(super) async fn journal_after(&self, seq: i64, limit: u32) -> Result<Vec<Entry>, HttpError> {
        Ok(self.reader.journal_after(&JournalFilter::All, seq, limit).await?)
    }

    /// The last entries, the newest first.
    pub(super) async fn journal_end(&self, limit: u32) -> Result<Vec<Entry>, HttpError> {
        Ok(self.reader.journal_before(&JournalFilter::All, i64::MAX, limit).await?)
    }

    /// Whether the journal has an entry with this number, or is empty and the number 0.
    pub(super) async fn journal_has(&self, seq: i64) -> Result<bool, HttpError> {
        let found = self.journal_after(seq.saturating_sub(1), 1).await?;
        Ok(seq == 0 || found.first().is_some_and(|entry| entry.seq == seq))
    }

    /// One page of jobs.
    pub(super) async fn list_jobs(&self, which: JobList, after: Option<Cursor>, limit: u32) -> Result<Page, HttpError> {
        // One more than asked for says whether there is a next page.
        let mut jobs = match which {
            JobList::One(set) => self.list_set(set, after.map(|cursor| cursor.key), limit + 1).await?,
            JobList::All => self.list_all(after, limit + 1).await?,
        };
        let more = jobs.len() > limit as usize;
        jobs.truncate(limit as usize);
        let next = if more { jobs.last().map(Cursor::of) } else { None };
        Ok(Page { jobs, next })
    }

    /// How many copies of an ended job were not made well, and are not made by another job either.
    pub(super) async fn lacking(&self, job: &Job) -> Result<u32, HttpError> {
        let lacking = job.copies.saturating_sub(job.completed + job.in_work);
        if lacking == 0 || self.reader.successor_of(job.id).await?.is_some() {
            return Ok(0);
        }
        Ok(lacking.saturating_sub(self.reader.remade_elsewhere(job.id).await?))
    }

    async fn list_set(&self, set: JobSet, after: Option<JobKey>, limit: u32) -> Result<Vec<Job>, HttpError> {
        Ok(self.reader.list_jobs(&JobFilter::all(set), after, limit).await?)
    }

    async fn list_all(&self, after: Option<Cursor>, limit: u32) -> Result<Vec<Job>, HttpError> {
        if let Some(Cursor { ended: true, key }) = after {
            return self.list_set(JobSet::Ended, Some(key), limit).await;
        }
        let mut jobs = self.list_set(JobSet::Open, after.map(|cursor| cursor.key), limit).await?;
        let room = limit.saturating_sub(u32::try_from(jobs.len()).unwrap_or(limit));
        if room > 0 {
            jobs.extend(self.list_set(JobSet::Ended, None, room).await?);
        }
        Ok(jobs)
    }
}

/// Which jobs are listed.
#[derive(Clone, Copy, Debug)]
pub(super) enum JobList {
    /// Open ones in the order of the queue, then ended ones, the last one first.
    All,
    /// One set alone.
    One(JobSet),
}

impl JobList {
    /// From `open`, `ended`, or a job state; all when absent.
    pub(super) fn parse(text: Option<&str>) -> Result<Self, HttpError> {
        match text {
            None | Some("") => Ok(Self::All),
            Some("open") => Ok(Self::One(JobSet::Open)),
            Some("ended") => Ok(Self::One(JobSet::Ended)),
            Some(state) => JobState::parse(state).map(|state| Self::One(JobSet::State(state))).ok_or_else(|| {
                let known: Vec<_> = JobState::ALL.iter().map(|state| state.as_str()).collect();
                let (state, known) = (shorten(state), known.join(", "));
                HttpError::Invalid { text: format!("state is {state:?}, expected open, ended, or one of {known}") }
            }),
        }
    }
}

/// Where a page of jobs ended, as the API writes it: `queue.PLACE.ID` or `ended.PLACE.ID`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Cursor {
    ended: bool,
    key: JobKey,
}

impl Cursor {
    fn of(job: &Job) -> Self {
        Self { ended: job.ended_at.is_some(), key: JobKey::of(job) }
    }

    pub(super) fn parse(text: &str) -> Result<Self, HttpError> {
        let mut pieces = text.split('.');
        let ended = match pieces.next() {
            Some("queue") => Some(false),
            Some("ended") => Some(true),
            _ => None,
        };
        let mut number = || pieces.next().and_then(|piece| piece.parse::<i64>().ok());
        match (ended, number(), number(), pieces.next()) {
            (Some(ended), Some(place), Some(id), None) => Ok(Self { ended, key: JobKey { place, id: JobId(id) } }),
            _ => Err(HttpError::Invalid {
                text: format!("after is {:?}, expected the `next` of the page before", shorten(text)),
            }),
        }
    }
}

impl std::fmt::Display for Cursor {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let list = if self.ended { "ended" } else { "queue" };
        write!(f, "{list}.{}.{}", self.key.place, self.key.id)
    }
}

/// Some jobs, and where they ended if there are more.
pub(super) struct Page {
    pub(super) jobs: Vec<Job>,
    pub(super) next: Option<Cursor>,
}

/// How many rows a page may have.
pub(super) fn page_size(asked: Option<u32>) -> Result<u32, HttpError> {
    match asked {
        None => Ok(PAGE_USUAL),
        Some(limit) if (1..=PAGE_MAX).contains(&limit) => Ok(limit),
        Some(limit) => Err(HttpError::Invalid { text: format!("limit is {limit}, expected 1 to {PAGE_MAX}") }),
    }
}

/// A line's name in a request.
pub(super) fn line_name(text: &str) -> Result<LineName, HttpError> {
    LineName::new(text).map_err(|_| HttpError::Invalid { text: format!("there is no line {:?}", shorten(text)) })
}

/// Enough of a stranger's text to know it again in a message.
pub(super) fn shorten(text: &str) -> String {
    text.chars().take(80).collect()
}

impl From<StoreError> for HttpError {
    fn from(error: StoreError) -> Self {
        Self::Store { text: error.to_string() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_comes_back_as_it_went() {
        for text in ["queue.-5.12", "ended.1730000000000.3"] {
            assert_eq!(Cursor::parse(text).expect("a cursor").to_string(), text);
        }
        for text in ["", "queue", "queue.1", "queue.1.2.3", "other.1.2", "queue.x.2"] {
            assert!(Cursor::parse(text).is_err(), "{text}");
        }
    }
}
