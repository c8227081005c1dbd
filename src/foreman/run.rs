//! The foreman's day: choose one event, decide, persist, tell, publish.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, watch};
use tokio::time::Sleep;
use tokio_util::sync::CancellationToken;

use super::command::{Answer, Command, JobCommand, Refused, RefusedCode};
use super::commission::{Commissioned, Measured, commission};
use super::curve::Thermographs;
use super::decide::{Decider, Event};
use super::foresee::Outlook;
use super::handle::{Handle, News, Request};
use super::keys::Keyring;
use super::office::{Errand, Office};
use super::once::Once;
use super::present::present;
use super::program;
use super::recall::recall;
use super::refusal::conflict;
use super::stand::Stand;
use super::trying::standing;
use super::view::Live;
use crate::clock::{Busy, Clock};
use crate::config::Config;
use crate::job::{CycleId, Job, LineName};
use crate::line::Verdict;
use crate::printer::{Mail, Order, Report};
use crate::store::{Entry, FileStore, Snapshot, Store, StoreError, Write};
use crate::units::Moment;

const DESK: usize = 256;
const NEWS: usize = 1024;

/// A line's driver seen from here: where its orders go.
pub type Orders = mpsc::Sender<Mail<Order>>;
/// Where all drivers' reports come from.
pub type Reports = mpsc::Receiver<(usize, Mail<Report>)>;

/// The foreman: sole owner of the lines and of every write.
pub struct Foreman {
    office: Office,
    orders: Vec<Orders>,
    store: Store,
    clock: Clock,
    requests: mpsc::Receiver<Request>,
    /// Requests that came while the store was being written.
    waiting: VecDeque<Request>,
    reports: Reports,
    checked: (mpsc::Sender<Mail<Checked>>, mpsc::Receiver<Mail<Checked>>),
    live: watch::Sender<Arc<Live>>,
    news: broadcast::Sender<News>,
    keys: watch::Sender<Arc<Keyring>>,
    outlook: Outlook,
    thermographs: Thermographs,
    config_path: PathBuf,
    /// The longest that a shutdown may take.
    stop_limit: Duration,
}

struct Checked {
    line: usize,
    cycle: CycleId,
    verdict: Verdict,
    note: String,
}

impl Foreman {
    /// Opens the books as the store's `snapshot` has them. `orders` has a sender for each line of the config, in its order.
    ///
    /// # Errors
    /// If the store cannot be read or written.
    pub async fn open(
        config: &Config,
        mut store: Store,
        snapshot: Snapshot,
        files: FileStore,
        clock: Clock,
        orders: Vec<Orders>,
        reports: Reports,
    ) -> Result<(Self, Handle), StoreError> {
        let mut office =
            Office::open(config, snapshot, move |hash| files.path(hash).unwrap_or_default(), clock.clone());
        // What the restart decided is kept before anybody is served.
        while let Some(errand) = office.poll() {
            if let Errand::Keep(writes) = errand {
                store.commit(&writes).await?;
                office.handle_kept(Ok(()));
            }
        }
        let (requests_in, requests) = mpsc::channel(DESK);
        let (live, live_out) = watch::channel(Arc::new(Live::default()));
        let (news, _) = broadcast::channel(NEWS);
        let (outlook, outlook_out) = Outlook::new();
        let (keys, keys_out) = watch::channel(office.decider.keys.ring());
        let (thermographs, curves_out) = Thermographs::new(config.lines.len());
        let handle = Handle::new(requests_in, live_out, news.clone());
        let handle = handle.with_forecast(outlook_out).with_keys(keys_out).with_curves(curves_out);
        let checked = mpsc::channel(DESK);
        let mut foreman = Self {
            office,
            orders,
            store,
            clock,
            requests,
            waiting: VecDeque::new(),
            reports,
            checked,
            live,
            news,
            keys,
            outlook,
            thermographs,
            config_path: config.path.clone(),
            stop_limit: Duration::try_from_secs_f64(config.daemon.stop_limit_s).unwrap_or(Duration::MAX),
        };
        foreman.publish(Vec::new(), Vec::new());
        Ok((foreman, handle))
    }

    /// Works until `closing` is cancelled; then has the heaters of every line with a copy under way put off, and ends.
    ///
    /// # Errors
    /// If the store cannot be closed.
    pub async fn run(mut self, closing: CancellationToken) -> Result<(), StoreError> {
        let mut patience = None;
        let mut busy: Option<Busy> = Some(self.clock.busy());
        loop {
            self.run_errands().await;
            if patience.is_some() && !self.office.is_moving() {
                break;
            }
            let deadline = self.deadline();
            let clock = self.clock.clone();
            tokio::select! {
                biased;
                () = closing.cancelled(), if patience.is_none() => {
                    patience = Some(Box::pin(tokio::time::sleep(self.stop_limit)));
                    busy = Some(self.clock.busy());
                    self.office.shut_down();
                }
                () = run_out(&mut patience) => break,
                Some(request) = next_request(&mut self.waiting, &mut self.requests) => {
                    busy = Some(self.clock.busy());
                    let event = self.prepare(request).await;
                    self.office.handle(event);
                }
                Some((index, mail)) = self.reports.recv() => {
                    busy = Some(mail.busy);
                    self.office.handle_report(index, mail.body);
                }
                Some(mail) = self.checked.1.recv() => {
                    busy = Some(mail.busy);
                    let Checked { line, cycle, verdict, note } = mail.body;
                    self.office.handle_checked(line, cycle, verdict, note);
                }
                token = clock.sleep_until_some(deadline) => {
                    busy = Some(token);
                    self.office.handle_timeout();
                }
                () = Busy::give_back(&mut busy) => {}
            }
        }
        self.store.close().await
    }

    fn deadline(&self) -> Option<Moment> {
        // While the store fails nothing new is foretold.
        let foretelling = self.outlook.deadline().filter(|_| !self.office.is_failing());
        self.office.deadline().into_iter().chain(foretelling).min()
    }

    /// Does all that the office has decided on, in its order.
    async fn run_errands(&mut self) {
        while let Some(errand) = self.office.poll() {
            match errand {
                Errand::Tell(index, order) => tell(&self.orders, &self.clock, index, order),
                Errand::Keep(writes) => {
                    let kept = self.keep(&writes).await;
                    self.office.handle_kept(kept);
                }
                Errand::Check(index, cycle) => self.run_check(index, cycle),
                Errand::Publish { jobs, entries } => self.publish(jobs, entries),
                // Whoever asked may have gone; the decision stands.
                Errand::Answer(answer, decided) => drop(answer.send(decided)),
            }
        }
    }

    /// Commits. A disk may be slow; an emergency stop that is asked for meanwhile goes out at once, and is decided about later.
    async fn keep(&mut self, writes: &[Write]) -> Result<(), StoreError> {
        let Self { store, requests, waiting, office, orders, clock, .. } = self;
        let committing = store.commit(writes);
        tokio::pin!(committing);
        loop {
            tokio::select! {
                biased;
                kept = &mut committing => return kept,
                Some(request) = requests.recv(), if waiting.len() < DESK => {
                    if let Some((index, order)) = office.stop_at_once(&request.command) {
                        tell(orders, clock, index, order);
                    }
                    waiting.push_back(request);
                }
            }
        }
    }

    /// The lines as they are come first: whoever hears the news finds them up to date.
    fn publish(&mut self, jobs: Vec<Arc<Job>>, entries: Vec<Arc<Entry>>) {
        let Decider { stands, books, clock, .. } = &mut self.office.decider;
        let mut changed = Vec::new();
        let mut views = Vec::with_capacity(stands.len());
        for stand in stands {
            let view = present(stand, books, clock);
            if stand.shown.as_ref() != Some(&view) {
                changed.push(view.clone());
                stand.shown = Some(view.clone());
            }
            views.push(view);
        }
        let seq = books.last_seq();
        self.thermographs.refresh(&self.office.decider);
        if !changed.is_empty() || self.live.borrow().seq != seq {
            self.live.send_replace(Arc::new(Live { lines: views, seq }));
        }
        let jobs_changed = !jobs.is_empty();
        let entries = entries.into_iter().inspect(|entry| {
            tracing::info!(line = entry.line.as_ref().map(LineName::as_str), kind = entry.kind, "{}", entry.text);
        });
        let news = entries.map(News::Journal);
        let news = news.chain(jobs.into_iter().map(News::Job));
        for each in news.chain(changed.into_iter().map(|view| News::Line(Arc::new(view)))) {
            // Nobody may be listening; that is fine.
            drop(self.news.send(each));
        }
        let ring = self.office.decider.keys.ring();
        let changed = |shown: &mut Arc<Keyring>| !Arc::ptr_eq(&std::mem::replace(shown, Arc::clone(&ring)), &ring);
        self.keys.send_if_modified(changed);
        self.outlook.refresh(&self.office.decider, jobs_changed);
    }

    fn run_check(&self, line: usize, cycle: CycleId) {
        let stand = &self.office.decider.stands[line];
        let facts = self.facts(stand, cycle);
        let (program, limit) = (stand.config.program.clone(), stand.config.settings.command_limit);
        let answers = self.checked.0.clone();
        // Line time stands still while the program runs: it lives in the real world.
        let busy = self.clock.busy();
        tokio::spawn(async move {
            let (verdict, note) = program::run(&program, &facts, limit).await;
            drop(answers.send(Mail { body: Checked { line, cycle, verdict, note }, busy }).await);
        });
    }

    fn facts(&self, stand: &Stand, cycle: CycleId) -> Vec<(&'static str, String)> {
        let mut facts = vec![
            ("NOSEBAR_LINE", stand.config.name.to_string()),
            ("NOSEBAR_CYCLE", cycle.to_string()),
            ("NOSEBAR_BED_C", stand.line.readings().0.bed.map_or_else(String::new, |c| format!("{:.1}", c.0))),
        ];
        if let Some(work) = stand.line.in_work() {
            facts.push(("NOSEBAR_JOB", work.work.job.to_string()));
            facts.push(("NOSEBAR_COPY", work.work.copy.to_string()));
            facts.push(("NOSEBAR_ADVANCE_MM", format!("{:.3}", work.work.advance.total().to_millimetres().0)));
            facts.push(("NOSEBAR_RELEASE_C", format!("{:.1}", work.work.release.0)));
            if let Some(job) = self.office.decider.books.job(work.work.job) {
                facts.push(("NOSEBAR_JOB_NAME", job.name.clone()));
            }
        }
        facts
    }

    /// What needs a file or the store to be read, or a file to be written, is worked out before anything is decided about it.
    async fn prepare(&mut self, request: Request) -> Event {
        let Request { command, once, answer } = request;
        if self.office.is_failing() {
            return Event::Request(command, once, answer);
        }
        if let Some(once) = &once {
            match self.done_before(once, &command).await {
                Ok(None) => {}
                Ok(Some(done)) => return Event::Decided(Ok(done), answer),
                Err(refused) => return Event::Decided(Err(refused), answer),
            }
        }
        if let Err(refused) = self.recall(&command).await {
            return Event::Decided(Err(refused), answer);
        }
        let Command::Commission { line, measured } = command else {
            return Event::Request(command, once, answer);
        };
        match self.commission(&line, &measured).await {
            Ok((index, commissioned)) => Event::Commissioned(index, *measured, commissioned, once, answer),
            Err(refused) => Event::Decided(Err(refused), answer),
        }
    }

    /// If the request was done before: what it is about, as that is now.
    async fn done_before(&mut self, once: &Once, command: &Command) -> Result<Option<Answer>, Refused> {
        let reader = self.store.reader();
        let Some(done) = reader.done_request(&once.key, self.clock.wall()).await.map_err(store_fault)? else {
            return Ok(None);
        };
        if done.print != once.print {
            let text =
                "another request was done with this key before; make up a new key for each new request".to_owned();
            return Err(Refused { code: RefusedCode::KeyUsed, text });
        }
        if let Command::Commission { line, measured } = command {
            // Worked out again, and not written again.
            let (_, again) = self.commission(line, &Measured { write: None, ..(**measured).clone() }).await?;
            return Ok(Some(Answer::Commissioned(Box::new(Commissioned {
                written: measured.write.is_some(),
                ..again
            }))));
        }
        if let Some(id) = done.job {
            let job = reader.job(id).await.map_err(store_fault)?;
            return Ok(job.map(|job| Answer::Job(Box::new(job))).or(Some(Answer::Done)));
        }
        let Decider { stands, books, clock, .. } = &self.office.decider;
        let stand = stands.iter().find(|stand| Some(&stand.config.name) == done.line.as_ref());
        Ok(Some(stand.map_or(Answer::Done, |stand| Answer::Line(Box::new(present(stand, books, clock))))))
    }

    async fn commission(&mut self, line: &LineName, measured: &Measured) -> Result<(usize, Commissioned), Refused> {
        let index = self.office.decider.index_of(line)?;
        let standing = standing(&self.office.decider.stands[index]);
        let today = jiff::Timestamp::from_millisecond(self.clock.wall().0).unwrap_or_default();
        let today = today.strftime("%Y-%m-%d").to_string();
        let (path, line, measured) = (self.config_path.clone(), line.clone(), measured.clone());
        let work = tokio::task::spawn_blocking(move || commission(&path, &line, &standing, &measured, &today));
        let broken = |_| Refused { code: RefusedCode::Busy, text: "it could not be worked out; try again".to_owned() };
        Ok((index, work.await.map_err(broken)??))
    }

    /// What has ended and is asked about comes back into the books for one command.
    async fn recall(&mut self, command: &Command) -> Result<(), Refused> {
        let books = &mut self.office.decider.books;
        if let Some(past) = recall(&self.store.reader(), books, command).await.map_err(store_fault)? {
            books.recall(past);
        }
        if let Command::Job { id, what: JobCommand::Restore, .. } = command
            && let Some(job) = self.office.decider.books.job(*id)
        {
            let file = (self.office.decider.files)(&job.sha256);
            if !tokio::fs::try_exists(&file).await.unwrap_or(false) {
                return Err(conflict(format!("the file of job {id} is gone; send it again as a new job")));
            }
        }
        Ok(())
    }
}

fn store_fault(error: StoreError) -> Refused {
    Refused { code: RefusedCode::Store, text: error.to_string() }
}

/// Requests that had to wait come first.
async fn next_request(waiting: &mut VecDeque<Request>, requests: &mut mpsc::Receiver<Request>) -> Option<Request> {
    match waiting.pop_front() {
        Some(request) => Some(request),
        None => requests.recv().await,
    }
}

/// Sends an order; a driver that does not take it has gone, and says so by its reports.
fn tell(orders: &[Orders], clock: &Clock, index: usize, body: Order) {
    if orders[index].try_send(Mail { body, busy: clock.busy() }).is_err() {
        tracing::error!(line = index, "the driver takes no orders");
    }
}

/// Ready when the printers have had their time to come to rest.
async fn run_out(patience: &mut Option<Pin<Box<Sleep>>>) {
    match patience {
        Some(sleep) => sleep.await,
        None => std::future::pending().await,
    }
}
