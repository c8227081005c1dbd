//! The foreman's day: choose one event, decide, persist, tell, publish.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, watch};
use tokio::time::Sleep;
use tokio_util::sync::CancellationToken;

use super::command::{Answer, Command, JobCommand, LineCommand, Refused, RefusedCode};
use super::commission::{Commissioned, Measured, commission};
use super::decide::{Decider, Event};
use super::effects::Effects;
use super::foresee::Outlook;
use super::handle::{Handle, News, Request};
use super::present::present;
use super::prints::Prints;
use super::stand::Stand;
use super::trying::standing;
use super::view::Live;
use super::{books::Books, program, recover};
use crate::clock::{Busy, Clock};
use crate::config::Config;
use crate::job::{CycleId, LineName};
use crate::line::Verdict;
use crate::printer::{Mail, Order, Report, TaskResult};
use crate::store::{FileStore, Snapshot, Store, StoreError, Write};
use crate::units::Moment;

const DESK: usize = 256;
const NEWS: usize = 1024;
/// How often a failed store is tried again.
const STORE_AGAIN: Duration = Duration::from_secs(5);

/// The longest that a shutdown may take.
const SHUTDOWN_LIMIT: Duration = Duration::from_secs(10);

/// A line's driver seen from here: where its orders go.
pub type Orders = mpsc::Sender<Mail<Order>>;
/// Where all drivers' reports come from.
pub type Reports = mpsc::Receiver<(usize, Mail<Report>)>;

/// The foreman: sole owner of the lines and of every write.
pub struct Foreman {
    decider: Decider,
    store: Store,
    clock: Clock,
    requests: mpsc::Receiver<Request>,
    /// Requests that came while the store was being written.
    waiting: VecDeque<Request>,
    reports: Reports,
    checked: (mpsc::Sender<Mail<Checked>>, mpsc::Receiver<Mail<Checked>>),
    live: watch::Sender<Arc<Live>>,
    news: broadcast::Sender<News>,
    outlook: Outlook,
    closing: CancellationToken,
    config_path: PathBuf,
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
        let (kept, print_runs) = (snapshot.lines.clone(), snapshot.print_runs.clone());
        let mut books = Books::open(snapshot);
        let now = (clock.now(), clock.wall());
        let lines: Vec<LineName> = config.lines.iter().map(|l| l.name.clone()).collect();
        let orphans = recover::settle_cycles(&mut books, now.1, &lines);
        let stands = config.lines.iter().zip(orders).map(|(line_config, orders)| {
            let row = kept.iter().find(|row| row.name == line_config.name);
            let orphan = orphans.iter().find(|(name, _)| *name == line_config.name).map(|(_, cycle)| *cycle);
            let line = recover::line(&mut books, now, line_config, row, orphan);
            let mut stand = Stand::new(line_config.clone(), line, row.cloned(), orders);
            let own = print_runs.iter().filter(|run| run.line == line_config.name);
            stand.prints = Prints::new(own.cloned().collect());
            stand
        });
        let stands: Vec<Stand> = stands.collect();
        let mut decider = Decider {
            clock: clock.clone(),
            books,
            stands,
            materials: config.materials.clone(),
            files: Box::new(move |hash| files.path(hash).unwrap_or_default()),
            effects: Effects::default(),
            planned_for: Vec::new(),
        };
        // What the restart decided is kept before anybody is served.
        let effects = decider.apply(Event::Time);
        store.commit(&effects.writes).await?;
        let (requests_in, requests) = mpsc::channel(DESK);
        let (live, live_out) = watch::channel(Arc::new(Live::default()));
        let (news, _) = broadcast::channel(NEWS);
        let (outlook, outlook_out) = Outlook::new();
        let handle = Handle::new(requests_in, live_out, news.clone()).with_forecast(outlook_out);
        let checked = mpsc::channel(DESK);
        let mut foreman = Self {
            decider,
            store,
            clock,
            requests,
            waiting: VecDeque::new(),
            reports,
            checked,
            live,
            news,
            outlook,
            closing: CancellationToken::new(),
            config_path: config.path.clone(),
        };
        foreman.publish(Effects::default());
        Ok((foreman, handle))
    }

    /// Works until `closing` is cancelled; then has the heaters of every line with a copy under way put off, and ends.
    ///
    /// # Errors
    /// If the store cannot be closed.
    pub async fn run(mut self, closing: CancellationToken) -> Result<(), StoreError> {
        self.closing = closing.clone();
        let mut patience = None;
        let mut busy: Option<Busy> = Some(self.clock.busy());
        loop {
            let deadline = self.deadline();
            let clock = self.clock.clone();
            let event = tokio::select! {
                biased;
                () = closing.cancelled(), if patience.is_none() => {
                    patience = Some(Box::pin(tokio::time::sleep(SHUTDOWN_LIMIT)));
                    busy = Some(self.clock.busy());
                    Event::ShutDown
                }
                () = run_out(&mut patience) => break,
                Some(request) = next_request(&mut self.waiting, &mut self.requests) => {
                    busy = Some(self.clock.busy());
                    self.recall(&request.command).await;
                    self.prepare(request).await
                }
                Some((index, mail)) = self.reports.recv() => {
                    busy = Some(mail.busy);
                    Event::Report(index, mail.body)
                }
                Some(mail) = self.checked.1.recv() => {
                    busy = Some(mail.busy);
                    let Checked { line, cycle, verdict, note } = mail.body;
                    Event::Checked(line, cycle, verdict, note)
                }
                token = clock.sleep_until_some(deadline) => {
                    busy = Some(token);
                    Event::Time
                }
                () = Busy::give_back(&mut busy) => continue,
            };
            let mut events = VecDeque::from([event]);
            while let Some(event) = events.pop_front() {
                let effects = self.decider.apply(event);
                events.extend(self.carry_out(effects).await);
            }
            if patience.is_some() && !self.decider.stands.iter().any(|s| s.line.is_moving()) {
                break;
            }
        }
        self.store.close().await
    }

    fn deadline(&self) -> Option<Moment> {
        let lines = self.decider.stands.iter().filter_map(|s| s.line.deadline());
        lines.chain(self.outlook.deadline()).min()
    }

    /// Persist, tell, publish. Returns what happened while the store could not be written.
    async fn carry_out(&mut self, mut effects: Effects) -> Vec<Event> {
        for (index, order) in effects.urgent.drain(..) {
            self.decider.stands[index].tell(&self.clock, order);
        }
        if let Err(error) = self.keep(&effects.writes).await {
            return self.on_store_failed(effects, &error).await;
        }
        self.decider.books.forget_ended();
        for (index, order) in effects.tells.drain(..) {
            self.decider.stands[index].tell(&self.clock, order);
        }
        for (index, cycle) in effects.checks.drain(..) {
            self.run_check(index, cycle);
        }
        let answers = std::mem::take(&mut effects.answers);
        self.publish(effects);
        // After the lines were published: whoever has the answer finds them as it says.
        for (answer, decided) in answers {
            // Whoever asked may have gone; the decision stands.
            drop(answer.send(decided));
        }
        Vec::new()
    }

    /// Commits. A disk may be slow; an emergency stop that is asked for meanwhile goes out at once, and is decided about later.
    async fn keep(&mut self, writes: &[Write]) -> Result<(), StoreError> {
        if writes.is_empty() {
            return Ok(());
        }
        let Self { store, requests, waiting, decider, clock, .. } = self;
        let committing = store.commit(writes);
        tokio::pin!(committing);
        loop {
            tokio::select! {
                biased;
                kept = &mut committing => return kept,
                Some(request) = requests.recv(), if waiting.len() < DESK => {
                    send_stop(&decider.stands, clock, &request.command);
                    waiting.push_back(request);
                }
            }
        }
    }

    /// What could not be kept is not told to any printer: heaters go off, and the same writes are tried until they are kept.
    /// Nothing else happens meanwhile but that the printers cool down.
    async fn on_store_failed(&mut self, effects: Effects, error: &StoreError) -> Vec<Event> {
        tracing::error!(%error, "the journal cannot be written; every line is stopped");
        let refused = Refused { code: RefusedCode::Store, text: error.to_string() };
        for stand in &self.decider.stands {
            stand.tell(&self.clock, Order::Do(0, crate::printer::Task::Quiet { lift: true }));
            stand.tell(&self.clock, Order::StopBelt);
        }
        let stopped = self.decider.apply(Event::StoreFailed(error.to_string()));
        // Nothing of this is kept yet, but a person must see at once that the lines stand, and why.
        self.publish(Effects::default());
        let mut writes = effects.writes;
        writes.extend(stopped.writes);
        let mut waiting: Vec<Event> = effects.tells.into_iter().filter_map(never_told).collect();
        while let Err(error) = self.keep(&writes).await {
            tracing::error!(%error, "the journal still cannot be written");
            self.stand_by(&refused, &mut waiting).await;
            if self.closing.is_cancelled() {
                // As a power cut: heaters are off, and the next start finds what was kept and asks.
                return waiting;
            }
        }
        // What was decided stands, and whoever asked for it learns so now: a no would have it done twice.
        for (answer, decided) in effects.answers {
            drop(answer.send(decided));
        }
        self.decider.books.forget_ended();
        for (index, order) in stopped.tells {
            self.decider.stands[index].tell(&self.clock, order);
        }
        self.publish(Effects { jobs: effects.jobs, entries: effects.entries, ..Effects::default() });
        self.publish(Effects { jobs: stopped.jobs, entries: stopped.entries, ..Effects::default() });
        waiting
    }

    /// Waits a while with a store that fails: an emergency stop still goes through, everything else is refused, and what
    /// became of the belts is remembered.
    async fn stand_by(&mut self, refused: &Refused, waiting: &mut Vec<Event>) {
        let until = tokio::time::sleep(STORE_AGAIN);
        let closing = self.closing.clone();
        tokio::pin!(until);
        loop {
            tokio::select! {
                () = &mut until => return,
                () = closing.cancelled() => return,
                Some(request) = next_request(&mut self.waiting, &mut self.requests) => {
                    let sent = send_stop(&self.decider.stands, &self.clock, &request.command);
                    drop(request.answer.send(if sent { Ok(Answer::Done) } else { Err(refused.clone()) }));
                }
                Some((index, mail)) = self.reports.recv() => {
                    if !matches!(mail.body, Report::Temperatures { .. } | Report::Progress { .. } | Report::Note { .. }) {
                        waiting.push(Event::Report(index, mail.body));
                    }
                }
            }
        }
    }

    /// The lines as they are come first: whoever hears the news finds them up to date.
    fn publish(&mut self, effects: Effects) {
        let Decider { stands, books, clock, .. } = &mut self.decider;
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
        if !changed.is_empty() || self.live.borrow().seq != seq {
            self.live.send_replace(Arc::new(Live { lines: views, seq }));
        }
        let jobs_changed = !effects.jobs.is_empty();
        let entries = effects.entries.into_iter().inspect(|entry| {
            tracing::info!(line = entry.line.as_ref().map(LineName::as_str), kind = entry.kind, "{}", entry.text);
        });
        let news = entries.map(|entry| News::Journal(Arc::new(entry)));
        let news = news.chain(effects.jobs.into_iter().map(|job| News::Job(Arc::new(job))));
        for each in news.chain(changed.into_iter().map(|view| News::Line(Arc::new(view)))) {
            // Nobody may be listening; that is fine.
            drop(self.news.send(each));
        }
        self.outlook.refresh(&self.decider, jobs_changed);
    }

    fn run_check(&self, line: usize, cycle: CycleId) {
        let stand = &self.decider.stands[line];
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
            if let Some(job) = self.decider.books.job(work.work.job) {
                facts.push(("NOSEBAR_JOB_NAME", job.name.clone()));
            }
        }
        facts
    }

    /// What needs a file to be read or written is worked out before anything is decided about it.
    async fn prepare(&mut self, request: Request) -> Event {
        let Command::Commission { line, measured } = request.command else {
            return Event::Request(request.command, request.answer);
        };
        match self.commission(&line, &measured).await {
            Ok((index, commissioned)) => Event::Commissioned(index, *measured, commissioned, request.answer),
            Err(refused) => Event::Refused(refused, request.answer),
        }
    }

    async fn commission(&mut self, line: &LineName, measured: &Measured) -> Result<(usize, Commissioned), Refused> {
        let index = self.decider.index_of(line)?;
        let standing = standing(&self.decider.stands[index]);
        let today = jiff::Timestamp::from_millisecond(self.clock.wall().0).unwrap_or_default();
        let today = today.strftime("%Y-%m-%d").to_string();
        let (path, line, measured) = (self.config_path.clone(), line.clone(), measured.clone());
        let work = tokio::task::spawn_blocking(move || commission(&path, &line, &standing, &measured, &today));
        let broken = |_| Refused { code: RefusedCode::Busy, text: "it could not be worked out; try again".to_owned() };
        Ok((index, work.await.map_err(broken)??))
    }

    /// Ended jobs are not in the books; one that is asked about is fetched.
    async fn recall(&mut self, command: &Command) {
        let (Command::Job { id, .. } | Command::SourceGone(id)) = command else { return };
        let reader = self.store.reader();
        if matches!(command, Command::Job { what: JobCommand::MakeRest, .. })
            && let Ok(Some(successor)) = reader.successor_of(*id).await
        {
            self.decider.books.note_successor(*id, successor);
        }
        if self.decider.books.job(*id).is_some() {
            return;
        }
        let Ok(Some(job)) = reader.job(*id).await else { return };
        let survey = match command {
            Command::Job { what: JobCommand::MakeRest, .. } => reader.survey(&job.sha256).await.ok().flatten(),
            _ => None,
        };
        self.decider.books.recall(job, survey);
    }
}

/// A step that no printer was told of has ended without having moved anything.
fn never_told((index, order): (usize, Order)) -> Option<Event> {
    let Order::Do(task, _) = order else { return None };
    Some(Event::Report(index, Report::Done { task, result: TaskResult::default() }))
}

/// Requests that had to wait come first.
async fn next_request(waiting: &mut VecDeque<Request>, requests: &mut mpsc::Receiver<Request>) -> Option<Request> {
    match waiting.pop_front() {
        Some(request) => Some(request),
        None => requests.recv().await,
    }
}

/// An emergency stop waits for nothing; the foreman's books follow. Says whether the command was one.
fn send_stop(stands: &[Stand], clock: &Clock, command: &Command) -> bool {
    let Command::Line { name, what: LineCommand::EmergencyStop } = command else { return false };
    let stand = stands.iter().find(|stand| stand.config.name == *name);
    stand.inspect(|stand| stand.tell(clock, Order::EmergencyStop)).is_some()
}

/// Ready when the printers have had their time to come to rest.
async fn run_out(patience: &mut Option<Pin<Box<Sleep>>>) {
    match patience {
        Some(sleep) => sleep.await,
        None => std::future::pending().await,
    }
}
