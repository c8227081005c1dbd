//! The foreman's office: events go in, errands come out in the order in which they must be run. No waiting in here.
//!
//! **Order of effects.** Persist, then tell the printers, then publish. Nothing of an event comes out before its writes are known
//! to be kept, but for an emergency stop; and no other event is decided about meanwhile.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::oneshot;

use super::books::Books;
use super::command::{Answer, Command, LineCommand, Refused, RefusedCode};
use super::decide::{Decider, Event};
use super::effects::{Decided, Effects};
use super::keys::KeyBook;
use super::prints::Prints;
use super::recover;
use super::stand::Stand;
use crate::clock::Clock;
use crate::config::Config;
use crate::job::{CycleId, Job, LineName};
use crate::line::{Line, StepId, Verdict};
use crate::printer::{Order, Report, Task, TaskResult};
use crate::store::{Entry, Snapshot, StoreError, Write};
use crate::units::Moment;

/// How often a failed store is tried again.
const STORE_AGAIN: Duration = Duration::from_secs(5);

/// Something that is to be done, in the order in which it comes.
#[derive(Debug)]
pub enum Errand {
    /// Give a line's driver this order.
    Tell(usize, Order),
    /// Keep all of this or nothing, and say how it went by [`Office::handle_kept`]: nothing else comes out before.
    Keep(Vec<Write>),
    /// Run the clear-check program of a line for this cycle.
    Check(usize, CycleId),
    /// Show what has changed, beside the lines as they are.
    Publish {
        /// Jobs that changed.
        jobs: Vec<Arc<Job>>,
        /// Entries of the journal.
        entries: Vec<Arc<Entry>>,
    },
    /// Answer a request. Comes after what it has changed was published.
    Answer(oneshot::Sender<Decided>, Decided),
}

/// The foreman without the waiting.
pub struct Office {
    pub(super) decider: Decider,
    /// What has happened and was not decided about yet.
    events: VecDeque<Event>,
    errands: VecDeque<Errand>,
    keeping: Keeping,
}

/// What is being kept.
#[derive(Default)]
enum Keeping {
    #[default]
    Nothing,
    /// These effects wait until their writes are kept.
    Effects(Effects),
    /// The store has failed.
    Failing(Box<Failing>),
}

/// What waits for a store that fails. Nothing else happens meanwhile but that the printers cool down.
struct Failing {
    refused: Refused,
    /// All that is to be kept.
    writes: Vec<Write>,
    /// When that is tried again; `None` while it is being tried.
    again_at: Option<Moment>,
    /// What was decided before it failed, without its writes.
    decided: Effects,
    /// What was decided because it failed.
    stopped: Effects,
    /// What has happened since.
    waiting: Vec<Event>,
}

impl Office {
    /// Opens the books as the store's `snapshot` has them, and decides what a restart means. `files` says where a sliced file is.
    #[must_use]
    pub fn open(
        config: &Config,
        snapshot: Snapshot,
        files: impl Fn(&str) -> PathBuf + Send + 'static,
        clock: Clock,
    ) -> Self {
        let (kept, print_runs) = (snapshot.lines.clone(), snapshot.print_runs.clone());
        let keys = KeyBook::open(snapshot.keys.clone());
        let mut books = Books::open(snapshot);
        let now = (clock.now(), clock.wall());
        let lines: Vec<LineName> = config.lines.iter().map(|l| l.name.clone()).collect();
        let orphans = recover::settle_cycles(&mut books, now.1, &lines);
        let stands = config.lines.iter().map(|line_config| {
            let row = kept.iter().find(|row| row.name == line_config.name);
            let orphan = orphans.iter().find(|(name, _)| *name == line_config.name).map(|(_, cycle)| *cycle);
            let line = recover::line(&mut books, now, line_config, row, orphan);
            let mut stand = Stand::new(line_config.clone(), line, row.cloned());
            let own = print_runs.iter().filter(|run| run.line == line_config.name);
            stand.prints = Prints::new(own.cloned().collect());
            stand
        });
        let stands: Vec<Stand> = stands.collect();
        let decider = Decider {
            clock,
            books,
            keys,
            stands,
            materials: config.materials.clone(),
            files: Box::new(files),
            effects: Effects::default(),
            planned_for: Vec::new(),
        };
        Self {
            decider,
            // What the restart decided is kept before anything else.
            events: VecDeque::from([Event::Time]),
            errands: VecDeque::new(),
            keeping: Keeping::Nothing,
        }
    }

    /// A line, by its place in the config.
    #[must_use]
    pub fn line(&self, index: usize) -> &Line {
        &self.decider.stands[index].line
    }

    /// Somebody asks for something.
    pub fn handle_request(&mut self, command: Command, answer: oneshot::Sender<Decided>) {
        self.handle(Event::Request(command, None, answer));
    }

    /// A driver reports.
    pub fn handle_report(&mut self, index: usize, report: Report) {
        self.handle(Event::Report(index, report));
    }

    /// A clear-check program has answered.
    pub fn handle_checked(&mut self, index: usize, cycle: CycleId, verdict: Verdict, note: String) {
        self.handle(Event::Checked(index, cycle, verdict, note));
    }

    /// A deadline may have come.
    pub fn handle_timeout(&mut self) {
        self.handle(Event::Time);
    }

    /// The daemon is to end: heaters of lines at work go off.
    pub fn shut_down(&mut self) {
        self.handle(Event::ShutDown);
    }

    pub(super) fn handle(&mut self, event: Event) {
        match &self.keeping {
            Keeping::Failing(_) => self.stand_by(event),
            Keeping::Nothing | Keeping::Effects(_) => self.events.push_back(event),
        }
    }

    /// Whether requests are refused, since the store fails.
    #[must_use]
    pub fn is_failing(&self) -> bool {
        matches!(self.keeping, Keeping::Failing(_))
    }

    /// Whether any line still does something that heats or moves.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.decider.stands.iter().any(|stand| stand.line.is_moving())
    }

    /// When the office wants to be told the time.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        match &self.keeping {
            Keeping::Failing(failing) => failing.again_at,
            Keeping::Nothing | Keeping::Effects(_) => {
                self.decider.stands.iter().filter_map(|stand| stand.line.deadline()).min()
            }
        }
    }

    /// An emergency stop waits for nothing, not even for what is being kept; the books follow when it is handled as a request.
    /// The order to be given at once, if the command is one.
    #[must_use]
    pub fn stop_at_once(&self, command: &Command) -> Option<(usize, Order)> {
        let Command::Line { name, what: LineCommand::EmergencyStop, .. } = command else { return None };
        let index = self.decider.stands.iter().position(|stand| stand.config.name == *name)?;
        Some((index, Order::EmergencyStop))
    }

    /// The next thing to do.
    pub fn poll(&mut self) -> Option<Errand> {
        loop {
            if let Some(errand) = self.errands.pop_front() {
                return Some(errand);
            }
            if !matches!(self.keeping, Keeping::Nothing) {
                return None;
            }
            let effects = self.decider.apply(self.events.pop_front()?);
            self.begin(effects);
        }
    }

    fn begin(&mut self, mut effects: Effects) {
        self.tell(effects.urgent.drain(..));
        if effects.writes.is_empty() {
            return self.go_on(effects);
        }
        self.errands.push_back(Errand::Keep(effects.writes.clone()));
        self.keeping = Keeping::Effects(effects);
    }

    /// What was to be kept is kept, or is not.
    pub fn handle_kept(&mut self, kept: Result<(), StoreError>) {
        match (std::mem::take(&mut self.keeping), kept) {
            (Keeping::Nothing, _) => {}
            (Keeping::Effects(effects), Ok(())) => self.go_on(effects),
            (Keeping::Effects(effects), Err(error)) => self.begin_failing(effects, &error),
            (Keeping::Failing(failing), Ok(())) => self.end_failing(*failing),
            (Keeping::Failing(mut failing), Err(error)) => {
                tracing::error!(%error, "the journal still cannot be written");
                failing.again_at = Some(self.decider.clock.now() + STORE_AGAIN);
                self.keeping = Keeping::Failing(failing);
            }
        }
    }

    /// Everything is kept: tell, publish, answer.
    fn go_on(&mut self, effects: Effects) {
        self.decider.books.forget_ended();
        let now = self.decider.clock.now();
        let (late, tells): (Vec<_>, Vec<_>) = effects.tells.into_iter().partition(|(index, order)| match order {
            Order::Do(task, Task::Belt { .. }) => self.line(*index).is_too_late(now, StepId(*task)),
            _ => false,
        });
        self.tell(tells);
        // A slow disk kept them for longer than a thumb may have been there.
        self.events.extend(late.into_iter().filter_map(never_told));
        self.errands.extend(effects.checks.into_iter().map(|(index, cycle)| Errand::Check(index, cycle)));
        self.errands.push_back(Errand::Publish { jobs: effects.jobs, entries: effects.entries });
        self.answer(effects.answers);
    }

    /// What could not be kept is not told to any printer: heaters go off, and the same writes are tried until they are kept.
    fn begin_failing(&mut self, mut effects: Effects, error: &StoreError) {
        tracing::error!(%error, "the journal cannot be written; every line is stopped");
        for index in 0..self.decider.stands.len() {
            self.tell([(index, Order::Do(0, Task::Quiet { lift: true })), (index, Order::StopBelt)]);
        }
        let mut stopped = self.decider.apply(Event::StoreFailed(error.to_string()));
        // Nothing of this is kept yet, but a person must see at once that the lines stand, and why.
        self.errands.push_back(Errand::Publish { jobs: Vec::new(), entries: Vec::new() });
        let mut writes = std::mem::take(&mut effects.writes);
        writes.append(&mut stopped.writes);
        self.errands.push_back(Errand::Keep(writes.clone()));
        let refused = Refused { code: RefusedCode::Store, text: error.to_string() };
        let waiting = effects.tells.drain(..).filter_map(never_told).collect();
        let failing = Failing { refused, writes, again_at: None, decided: effects, stopped, waiting };
        self.keeping = Keeping::Failing(Box::new(failing));
    }

    fn end_failing(&mut self, failing: Failing) {
        let Failing { decided, stopped, waiting, .. } = failing;
        // What was decided stands, and whoever asked for it learns so now: a no would have it done twice.
        self.answer(decided.answers);
        self.decider.books.forget_ended();
        self.tell(stopped.tells);
        for effects in [(decided.jobs, decided.entries), (stopped.jobs, stopped.entries)] {
            self.errands.push_back(Errand::Publish { jobs: effects.0, entries: effects.1 });
        }
        self.events.extend(waiting);
    }

    /// While the store fails an emergency stop still goes through, everything else is refused, and what became of the belts is
    /// remembered.
    fn stand_by(&mut self, event: Event) {
        let now = self.decider.clock.now();
        let Keeping::Failing(failing) = &mut self.keeping else { return };
        match event {
            Event::Time if failing.again_at.is_some_and(|at| at <= now) => {
                failing.again_at = None;
                self.errands.push_back(Errand::Keep(failing.writes.clone()));
            }
            Event::Time => {}
            Event::Request(command, _, answer) => {
                let refused = failing.refused.clone();
                let stop = self.stop_at_once(&command);
                let decided = if stop.is_some() { Ok(Answer::Done) } else { Err(refused) };
                self.tell(stop);
                self.errands.push_back(Errand::Answer(answer, decided));
            }
            Event::Report(_, Report::Temperatures { .. } | Report::Progress { .. } | Report::Note { .. }) => {}
            // As a power cut: heaters are off, and the next start finds what was kept and asks.
            Event::ShutDown => {
                let Keeping::Failing(failing) = std::mem::take(&mut self.keeping) else { return };
                self.events.extend(failing.waiting);
                self.events.push_back(Event::ShutDown);
            }
            other => failing.waiting.push(other),
        }
    }

    fn tell(&mut self, orders: impl IntoIterator<Item = (usize, Order)>) {
        self.errands.extend(orders.into_iter().map(|(index, order)| Errand::Tell(index, order)));
    }

    fn answer(&mut self, answers: Vec<(oneshot::Sender<Decided>, Decided)>) {
        self.errands.extend(answers.into_iter().map(|(answer, decided)| Errand::Answer(answer, decided)));
    }
}

/// A step that no printer was told of has ended without having moved anything.
fn never_told((index, order): (usize, Order)) -> Option<Event> {
    let Order::Do(task, _) = order else { return None };
    Some(Event::Report(index, Report::Done { task, result: TaskResult::default() }))
}
