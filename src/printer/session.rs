//! One connection's life: what is asked of the printer, what is on its way, what has come back. Everything but the waiting.

use std::collections::{BTreeSet, VecDeque};
use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use super::feed::{Fed, Feed, FeedError};
use super::script::{Means, Script};
use super::settings::DriverSettings;
use super::task::{Report, Task, TaskId, TaskResult};
use crate::belt::Restore;
use crate::gcode::{Dialect, Units, Walker, Word, lex_line};
use crate::units::{Millimetres, Moment};
use crate::wire::{Dialogue, DialogueEvent, EndstopState, Reply, SubmitError, Ticket};
use crate::wording::{self, LIFT, Stand};

/// Temperatures are asked for this often.
const POLL_EVERY: Duration = Duration::from_secs(1);
/// Asks for temperatures every second unasked, also while the printer waits for moves to end and answers nothing: a belt that
/// runs is watched by them. A printer that does not know the command says so, and that is all.
const REPORT_BY_ITSELF: &str = "M155 S1";
/// A nozzle this little above the firmware's guard against cold extrusion may be below it when the filament is to go back.
const COLD_MARGIN_K: f64 = 10.0;
/// Lines that were asked for again are told this often at most.
const RESENT_EVERY: Duration = Duration::from_secs(600);
/// Different complaints of the printer that are told in one connection.
const SAID_MAX: usize = 50;

/// What is known of a machine from one connection to the next.
#[derive(Clone)]
pub(super) struct Memory {
    walker: Walker,
    /// What it has still to be told, since a connection went in the middle of an advance.
    owed: Vec<String>,
}

impl Memory {
    /// Of a machine that was never spoken to: an advance of an earlier day may have been cut off in it, and the last file of that
    /// day may have left it counting in inches.
    pub(super) fn unknown(settings: &DriverSettings) -> Self {
        let owed = std::iter::once("G21".to_owned()).chain(settings.drive.calm()).collect();
        Self { walker: walker(settings), owed }
    }
}

/// Follows the machine's own registers, not what authors of files mean.
fn walker(settings: &DriverSettings) -> Walker {
    Walker::new(Dialect { g90_ends_m83: settings.dialect.e_follows_g91, ..settings.dialect })
}

pub(super) struct Session {
    settings: Arc<DriverSettings>,
    pub(super) dialogue: Dialogue,
    walker: Walker,
    owed: Vec<String>,
    ready: bool,
    /// It has still to be asked to report by itself.
    unasked: bool,
    queue: VecDeque<(TaskId, Task)>,
    current: Option<Current>,
    print: Option<Printing>,
    /// A print whose file is being opened.
    opening: Option<TaskId>,
    wish: Option<Wish>,
    on_its_way: VecDeque<(Ticket, Kind)>,
    poll_due: Moment,
    /// The nozzle's last reading, °C.
    nozzle_c: Option<f64>,
    switch_pressed: Option<bool>,
    /// A look was acknowledged and its answer is still to come: the acknowledgement was that of a line before, told twice.
    look_is_late: bool,
    progress_due: Moment,
    resent: u64,
    resent_due: Moment,
    /// What the printer has said already: the same complaint at every line is told once.
    said: BTreeSet<String>,
    words: Vec<Word>,
    reports: VecDeque<Report>,
}

struct Current {
    /// `None` for what the session does by itself.
    id: Option<TaskId>,
    what: What,
    script: Script,
    waiting_for: usize,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum What {
    Plain,
    Pause,
    GoOn,
    Belt,
    /// What the machine is owed from an earlier connection.
    Debt,
}

struct Printing {
    id: TaskId,
    prelude: std::slice::Iter<'static, &'static str>,
    feed: Feed,
    paused: Option<(Restore, Stand)>,
    on_its_way: usize,
    ended: bool,
}

#[derive(Clone, Copy)]
enum Kind {
    Poll,
    Script(Means),
    Print {
        read: u64,
    },
    PrintEnd,
    /// Of a task that was given up.
    Forgotten,
}

/// What the driver must fetch before anything more can be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Wish {
    /// This file, answered with [`Session::handle_opened`].
    Open(PathBuf),
    /// The next bytes of it, answered with [`Session::handle_file`].
    Bytes,
}

/// What the driver must do about an event.
pub(super) enum Outcome {
    GoOn,
    /// The connection is of no use any more.
    Lost(String),
}

impl Session {
    pub(super) fn new(now: Moment, settings: Arc<DriverSettings>, memory: Memory) -> Self {
        let mut dialogue = Dialogue::new(settings.dialogue);
        dialogue.start(now);
        Self {
            settings,
            dialogue,
            walker: memory.walker,
            owed: memory.owed,
            ready: false,
            unasked: true,
            queue: VecDeque::new(),
            current: None,
            print: None,
            opening: None,
            wish: None,
            on_its_way: VecDeque::new(),
            poll_due: now,
            nozzle_c: None,
            switch_pressed: None,
            look_is_late: false,
            progress_due: now,
            resent: 0,
            resent_due: now,
            said: BTreeSet::new(),
            words: Vec::new(),
            reports: VecDeque::new(),
        }
    }

    /// What the next connection must know.
    pub(super) fn into_memory(self) -> Memory {
        let script = self.current.filter(|c| matches!(c.what, What::Belt | What::Debt)).map(|c| c.script);
        let mut owed = script.map_or(self.owed, |script| script.owed().to_vec());
        // What was on its way may be lost, and with it a change of units. Nothing else that matters is not said again anyhow.
        let units = if self.walker.units() == Units::Inch { "G20" } else { "G21" };
        if !owed.iter().any(|line| line == "G20" || line == "G21") {
            owed.push(units.to_owned());
        }
        Memory { owed, walker: self.walker }
    }

    pub(super) fn ask(&mut self, id: TaskId, task: Task) {
        self.queue.push_back((id, task));
    }

    /// Ends the belt task, whether under way or still in the queue.
    pub(super) fn stop_belt(&mut self) {
        if let Some(current) = self.current.as_mut().filter(|c| c.what == What::Belt) {
            current.script.cut_short();
            return;
        }
        let waiting = self.queue.iter().position(|(_, task)| matches!(task, Task::Belt { .. }));
        if let Some((task, _)) = waiting.and_then(|at| self.queue.remove(at)) {
            self.reports.push_back(Report::Done { task, result: TaskResult::default() });
        }
    }

    pub(super) fn poll_report(&mut self) -> Option<Report> {
        self.reports.pop_front()
    }

    /// When something is to be done by itself.
    pub(super) fn deadline(&self) -> Option<Moment> {
        // While the window is full, or a poll is on its way, the next acknowledgement leads on, and no time needs to pass.
        let may_poll = self.ready && self.dialogue.room() && !self.is_polling();
        let poll = may_poll.then_some(self.poll_due);
        [self.dialogue.deadline(), poll].into_iter().flatten().min()
    }

    /// What became of the belt, if it was moving when the connection went.
    pub(super) fn interrupted(&self) -> TaskResult {
        self.current.as_ref().map_or_else(TaskResult::default, |c| TaskResult { complete: false, ..c.script.result() })
    }

    /// Hands the dialogue as many commands as it has room for.
    pub(super) fn fill(&mut self, now: Moment) {
        while self.ready && self.dialogue.room() && self.wish.is_none() {
            if std::mem::take(&mut self.unasked) {
                self.submit(now, REPORT_BY_ITSELF.as_bytes(), Kind::Forgotten);
            } else if now >= self.poll_due && !self.is_polling() {
                self.poll_due = now + POLL_EVERY;
                self.submit(now, b"M105", Kind::Poll);
            } else if self.current.is_some() {
                if !self.fill_from_script(now) {
                    return;
                }
            } else if !self.owed.is_empty() {
                let script = Script::debt(std::mem::take(&mut self.owed));
                self.current = Some(Current { id: None, what: What::Debt, script, waiting_for: 0 });
            } else if let Some((id, task)) = self.queue.pop_front() {
                self.begin(id, task);
            } else if !self.fill_from_file(now) {
                return;
            }
        }
    }

    fn is_polling(&self) -> bool {
        self.on_its_way.iter().any(|(_, kind)| matches!(kind, Kind::Poll))
    }

    fn fill_from_script(&mut self, now: Moment) -> bool {
        // A stand begins when the file's commands that have left already have been taken.
        let drained = self.print.as_ref().is_none_or(|p| p.on_its_way == 0);
        // Nothing overtakes a look: where its acknowledgement gets lost, its answer must not be taken for that of the next.
        // Nor does a piece of the belt's way lie in the printer before the one ahead of it has ended.
        let held = |kind: &Kind| matches!(kind, Kind::Script(Means::Looked | Means::Settled));
        let holds = self.on_its_way.iter().any(|(_, kind)| held(kind));
        let current = self.current.as_mut().filter(|c| !holds && (c.what != What::Pause || drained));
        let Some(current) = current else { return false };
        let Some(item) = current.script.next() else { return false };
        current.waiting_for += 1;
        if item.means == Means::Looked {
            self.switch_pressed = None;
            self.look_is_late = false;
        }
        self.submit(now, item.text.as_bytes(), Kind::Script(item.means));
        true
    }

    fn fill_from_file(&mut self, now: Moment) -> bool {
        let Some(print) = self.print.as_mut().filter(|p| p.paused.is_none() && !p.ended) else { return false };
        if let Some(command) = print.prelude.next() {
            print.on_its_way += 1;
            self.submit(now, command.as_bytes(), Kind::Print { read: 0 });
            return true;
        }
        match print.feed.next() {
            Ok(Fed::Command(command)) => {
                let command = command.to_owned();
                let (read, _) = print.feed.progress();
                print.on_its_way += 1;
                self.submit(now, &command, Kind::Print { read });
                true
            }
            Ok(Fed::Hungry) => {
                self.wish = Some(Wish::Bytes);
                false
            }
            Ok(Fed::End) => {
                print.ended = true;
                print.on_its_way += 1;
                self.submit(now, b"M400", Kind::PrintEnd);
                true
            }
            Err(error) => {
                self.fail_print(&error);
                true
            }
        }
    }

    /// What is to be fetched, once.
    pub(super) fn poll_wish(&mut self) -> Option<Wish> {
        self.wish.take()
    }

    /// The file has been opened and has this length, or could not be.
    pub(super) fn handle_opened(&mut self, length: io::Result<u64>) {
        let Some(id) = self.opening.take() else { return };
        match length {
            Ok(length) => {
                let feed = Feed::new(self.settings.policy, length);
                let prelude = wording::PRELUDE.iter();
                self.print = Some(Printing { id, prelude, feed, paused: None, on_its_way: 0, ended: false });
            }
            Err(error) => self.fail(id, &error.into()),
        }
    }

    /// The next bytes of the file have been read, none at its end, or could not be.
    pub(super) fn handle_file(&mut self, bytes: io::Result<&[u8]>) {
        let Some(print) = &mut self.print else { return };
        match bytes {
            Ok(bytes) => print.feed.handle_bytes(bytes),
            Err(error) => self.fail_print(&error.into()),
        }
    }

    fn fail_print(&mut self, error: &FeedError) {
        if let Some(task) = self.print.as_ref().map(|print| print.id) {
            self.give_up_print();
            self.fail(task, error);
        }
    }

    fn fail(&mut self, task: TaskId, error: &FeedError) {
        self.reports.push_back(Report::Failed { task, why: error.to_string(), result: TaskResult::default() });
    }

    fn begin(&mut self, id: TaskId, task: Task) {
        let (what, lines) = match task {
            Task::Print { file } => {
                self.opening = Some(id);
                self.wish = Some(Wish::Open(file));
                return;
            }
            Task::Heat { bed, nozzle } => (What::Plain, wording::heat(bed, nozzle)),
            Task::CoolDown { park_z } => {
                let lift = park_z.and_then(|z| wording::lift_to(&self.walker, z, self.settings.z_max));
                let mut lines = wording::cool_down(self.walker.tool(), lift);
                // Heaters off alone is no wait for cooling.
                if park_z.is_some() {
                    lines.extend(self.settings.cool_begin.iter().cloned());
                }
                (What::Plain, self.in_millimetres(lines))
            }
            Task::Quiet { lift } => {
                self.give_up_print();
                let up = self.lift_by(LIFT);
                let mut lines = wording::cool_down(self.walker.tool(), lift.then_some(up));
                lines.extend(self.settings.cool_end.iter().cloned());
                (What::Plain, self.in_millimetres(lines))
            }
            Task::Pause => {
                let warm = self.settings.drive.cold_guard_c + COLD_MARGIN_K;
                let stand = Stand { lift: self.lift_by(LIFT), draws_back: self.nozzle_c.is_none_or(|c| c >= warm) };
                let as_before = wording::restore_of(&self.walker);
                let Some(print) = self.print.as_mut() else {
                    // It ended while the order was on its way.
                    let result = TaskResult { complete: true, ..TaskResult::default() };
                    self.reports.push_back(Report::Done { task: id, result });
                    return;
                };
                print.paused = Some((as_before, stand));
                (What::Pause, self.in_millimetres(wording::stand(stand)))
            }
            Task::GoOn => {
                let back = self.print.as_ref().and_then(|p| p.paused);
                let lines = back.map(|(as_before, stand)| self.in_millimetres(wording::go_back(stand, as_before)));
                (What::GoOn, lines.unwrap_or_default())
            }
            Task::Belt { moves, odometer, watch } => {
                let script =
                    Script::belt(&self.settings.drive, &moves, odometer, watch, wording::restore_of(&self.walker))
                        .after(&self.settings.cool_end);
                let script = if self.walker.units() == Units::Inch { script.in_millimetres() } else { script };
                self.current = Some(Current { id: Some(id), what: What::Belt, script, waiting_for: 0 });
                return;
            }
        };
        self.current = Some(Current { id: Some(id), what, script: Script::of(lines), waiting_for: 0 });
        self.end_if_done();
    }

    fn give_up_print(&mut self) {
        self.print = None;
        self.forget(|kind| matches!(kind, Kind::Print { .. } | Kind::PrintEnd));
    }

    /// What is on its way for a task that is over must not be counted for the next one.
    fn forget(&mut self, which: impl Fn(&Kind) -> bool) {
        for (_, kind) in self.on_its_way.iter_mut().filter(|(_, kind)| which(kind)) {
            *kind = Kind::Forgotten;
        }
    }

    fn in_millimetres(&self, lines: Vec<String>) -> Vec<String> {
        wording::in_millimetres(&self.walker, lines)
    }

    fn lift_by(&self, lift: Millimetres) -> Millimetres {
        Millimetres(lift.0.min(self.settings.z_max.0 - self.walker.machine_mm()[2]).max(0.0))
    }

    fn submit(&mut self, now: Moment, command: &[u8], kind: Kind) {
        self.words.clear();
        let line = lex_line(command, &mut self.words);
        self.walker.handle_line(&line, &self.words);
        match self.dialogue.submit(now, command) {
            Ok(ticket) => self.on_its_way.push_back((ticket, kind)),
            // The dialogue's own last event says why it ended; it comes next.
            Err(SubmitError::Ended) => self.ready = false,
            Err(SubmitError::Command(error)) => self.refuse(kind, &error.to_string()),
        }
    }

    /// A command that cannot be put on a line: of the file or of the config, never of the wire.
    fn refuse(&mut self, kind: Kind, why: &str) {
        let is_script = matches!(kind, Kind::Script(_));
        self.forget(|kind| matches!(kind, Kind::Script(_)) == is_script && !matches!(kind, Kind::Poll));
        let (task, result) = match kind {
            Kind::Poll | Kind::Forgotten => return,
            Kind::Script(_) => match self.current.take() {
                Some(Current { id: Some(id), script, .. }) => (id, TaskResult { complete: false, ..script.result() }),
                Some(_) | None => return,
            },
            Kind::Print { .. } | Kind::PrintEnd => match self.print.take() {
                Some(print) => (print.id, TaskResult::default()),
                None => return,
            },
        };
        self.reports.push_back(Report::Failed { task, why: why.to_owned(), result });
    }

    /// Takes in what the dialogue has to say.
    pub(super) fn handle_event(&mut self, now: Moment, event: DialogueEvent) -> Outcome {
        match event {
            DialogueEvent::HandshakeDone => {
                self.ready = true;
                self.poll_due = now;
                self.reports.push_back(Report::Connected { to: String::new() });
            }
            DialogueEvent::Acknowledged { ticket } => self.on_acknowledged(now, ticket),
            DialogueEvent::Reply(reply) => self.on_reply(reply),
            DialogueEvent::Resent { count, .. } => self.on_resent(now, count),
            DialogueEvent::Reset => self.on_reset(now),
            DialogueEvent::Fault { text } => {
                // The dialogue is over: connecting anew is the way to another one.
                self.reports.push_back(Report::Fault { text });
                return Outcome::Lost("the printer reported a fault and must be reset".to_owned());
            }
            DialogueEvent::Desync { wanted, oldest, next } => {
                let why = format!(
                    "the printer wants line {wanted}, and lines {oldest} to {next} are there: what it did is not known"
                );
                return Outcome::Lost(why);
            }
            DialogueEvent::Stuck { line, times } => {
                let why = format!(
                    "the printer refused line {line} {times} times; it may be too long for its buffer, or look at the cable"
                );
                return Outcome::Lost(why);
            }
            DialogueEvent::Silent { .. } => {
                return Outcome::Lost("the printer no longer answers; look at its power and its cable".to_owned());
            }
        }
        Outcome::GoOn
    }

    /// A bad cable asks a thousand times; the journal is told now and then.
    fn on_resent(&mut self, now: Moment, count: u32) {
        self.resent += u64::from(count);
        if now >= self.resent_due {
            self.resent_due = now + RESENT_EVERY;
            self.note(format!(
                "the printer asked for {} lines again since it was connected; look at the cable",
                self.resent
            ));
        }
    }

    fn on_reset(&mut self, now: Moment) {
        self.reports.push_back(Report::Reset { result: self.interrupted() });
        self.queue.clear();
        self.current = None;
        self.print = None;
        (self.opening, self.wish) = (None, None);
        self.on_its_way.clear();
        // It is said to be as it was when it was switched on; a line number that was set by a command of long ago says so too.
        Memory { walker: self.walker, owed: self.owed } = Memory::unknown(&self.settings);
        (self.ready, self.unasked) = (false, true);
        self.dialogue.start(now);
    }

    fn on_acknowledged(&mut self, now: Moment, ticket: Ticket) {
        while let Some(&(first, kind)) = self.on_its_way.front() {
            if first > ticket {
                return;
            }
            self.on_its_way.pop_front();
            match kind {
                Kind::Poll | Kind::Forgotten => {}
                Kind::Script(means) => {
                    self.look_is_late |= means == Means::Looked && self.switch_pressed.is_none();
                    if let Some(current) = &mut self.current {
                        current.waiting_for = current.waiting_for.saturating_sub(1);
                        current.script.on_acknowledged(means, self.switch_pressed);
                    }
                    self.end_if_done();
                }
                Kind::Print { read } => {
                    let Some(print) = &mut self.print else { continue };
                    print.on_its_way -= 1;
                    if now >= self.progress_due {
                        self.progress_due = now + POLL_EVERY;
                        self.reports.push_back(Report::Progress { sent: read, of: print.feed.progress().1 });
                    }
                }
                Kind::PrintEnd => self.end_print(),
            }
        }
    }

    fn end_print(&mut self) {
        let Some(print) = self.print.take() else { return };
        let (_, of) = print.feed.progress();
        self.reports.push_back(Report::Progress { sent: of, of });
        let result = TaskResult { complete: true, dropped: print.feed.dropped(), ..TaskResult::default() };
        self.reports.push_back(Report::Done { task: print.id, result });
    }

    fn end_if_done(&mut self) {
        let Some(current) = self.current.take_if(|c| c.waiting_for == 0 && c.script.is_empty()) else { return };
        if current.what == What::GoOn
            && let Some(print) = &mut self.print
        {
            print.paused = None;
        }
        if let Some(task) = current.id {
            self.reports.push_back(Report::Done { task, result: current.script.result() });
        }
    }

    fn on_reply(&mut self, reply: Reply) {
        match reply {
            Reply::Temperatures(report) => {
                let (bed, nozzle) = (report.bed(), report.nozzle(0));
                self.nozzle_c = nozzle.and_then(|r| r.current).map(|c| c.0).or(self.nozzle_c);
                self.reports.push_back(Report::Temperatures {
                    bed: bed.and_then(|r| r.current),
                    bed_target: bed.and_then(|r| r.target),
                    nozzle: nozzle.and_then(|r| r.current),
                    nozzle_target: nozzle.and_then(|r| r.target),
                });
            }
            Reply::Endstops(states) => {
                let ours = |name: &str| self.settings.switch_input.as_deref() == Some(name);
                if let Some(switch) = states.iter().find(|s| ours(&s.name)) {
                    self.switch_pressed = Some(switch.state == EndstopState::Triggered);
                    if let Some(current) = self.current.as_mut().filter(|_| self.look_is_late) {
                        current.script.on_acknowledged(Means::Looked, self.switch_pressed);
                        self.look_is_late = false;
                    }
                }
            }
            Reply::Note { text } if text.contains(REPORT_BY_ITSELF) => {}
            Reply::Note { text } if self.said.len() < SAID_MAX && self.said.insert(text.clone()) => {
                self.note(format!("the printer says: {text}"));
            }
            _ => {}
        }
    }

    fn note(&mut self, text: String) {
        self.reports.push_back(Report::Note { text });
    }
}
