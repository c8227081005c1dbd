//! The foreman's decisions: an event goes in, effects come out. No waiting, no clock, no database in here.

use std::path::PathBuf;

use tokio::sync::oneshot;

use super::books::{About, Books};
use super::command::{Answer, Arrival, Command, LineCommand, Refused, RefusedCode};
use super::commission::{Commissioned, Measured};
use super::effects::{Decided, Effects};
use super::keys::KeyBook;
use super::once::Once;
use super::present::present;
use super::refusal::{conflict, invalid, names};
use super::stand::{Stand, signal};
use crate::clock::Clock;
use crate::job::{CycleId, LineName, LineState, Material, PrintRun};
use crate::line::{Act, Signal, Step, StepId, Verdict};
use crate::printer::{Order, Report, TaskResult};
use crate::schedule::{Berth, Candidate, fits, plan};
use crate::store::{DoneRequest, Write};
use crate::units::UnixMillis;

/// Something that happens to the foreman.
#[derive(Debug)]
pub(super) enum Event {
    Request(Command, Option<Once>, oneshot::Sender<Decided>),
    /// A request was refused before anything was decided about it, or was done before.
    Decided(Decided, oneshot::Sender<Decided>),
    /// What was measured on a line was worked out, and the config perhaps changed.
    Commissioned(usize, Measured, Commissioned, Option<Once>, oneshot::Sender<Decided>),
    Report(usize, Report),
    Checked(usize, CycleId, Verdict, String),
    /// A deadline has come.
    Time,
    /// The last effects could not be kept.
    StoreFailed(String),
    /// The daemon is to end.
    ShutDown,
}

/// Everything that the foreman owns and decides about.
pub(super) struct Decider {
    pub(super) clock: Clock,
    pub(super) books: Books,
    pub(super) keys: KeyBook,
    pub(super) stands: Vec<Stand>,
    pub(super) materials: Vec<Material>,
    pub(super) files: Box<dyn Fn(&str) -> PathBuf + Send>,
    pub(super) effects: Effects,
    /// The lines as they were when the queue was last looked through.
    pub(super) planned_for: Vec<Berth>,
}

impl Decider {
    /// Decides about one event. The effects are to be carried out in their order before the next one.
    pub(super) fn apply(&mut self, event: Event) -> Effects {
        match event {
            // A held button must not be obeyed when nobody waits for the answer any more: it may have been let go long ago.
            Event::Request(Command::Line { what: LineCommand::JogWhile(_), .. }, _, answer) if answer.is_closed() => {}
            Event::Request(command, once, answer) => {
                let decided = self.command(command);
                self.remember(once, &decided);
                self.effects.answers.push((answer, decided));
            }
            Event::Decided(decided, answer) => self.effects.answers.push((answer, decided)),
            Event::Commissioned(index, measured, commissioned, once, answer) => {
                self.note_commissioned(index, &measured, &commissioned);
                let decided = Ok(Answer::Commissioned(Box::new(commissioned)));
                self.remember(once, &decided);
                self.effects.answers.push((answer, decided));
            }
            Event::Report(index, report) => self.report(index, report),
            Event::Checked(index, cycle, verdict, note) => {
                self.signal(index, Signal::Checked { cycle, verdict, note });
            }
            Event::Time => {
                let now = self.clock.now();
                for stand in &mut self.stands {
                    stand.line.handle_timeout(now);
                }
            }
            Event::ShutDown => {
                for stand in &mut self.stands {
                    stand.line.shut_down();
                }
            }
            Event::StoreFailed(why) => {
                for index in 0..self.stands.len() {
                    self.signal(index, Signal::StoreFailed { why: why.clone() });
                }
            }
        }
        self.settle();
        self.close()
    }

    /// Polls until nothing comes out.
    fn settle(&mut self) {
        loop {
            let mut quiet = true;
            for index in 0..self.stands.len() {
                while let Some(act) = self.stands[index].line.poll() {
                    quiet = false;
                    self.act(index, act);
                }
            }
            if quiet && !self.begin_copies() {
                return;
            }
        }
    }

    fn close(&mut self) -> Effects {
        for index in 0..self.stands.len() {
            self.keep_line(index);
            self.keep_print(index);
        }
        let mut effects = std::mem::take(&mut self.effects);
        let (writes, jobs, entries) = self.books.take_writes();
        // Jobs and cycles first: a line's row names its cycle.
        let lines = std::mem::replace(&mut effects.writes, writes);
        effects.writes.extend(lines);
        effects.writes.extend(self.keys.take_writes());
        effects.jobs = jobs;
        effects.entries = entries;
        effects
    }

    fn keep_line(&mut self, index: usize) {
        let stand = &mut self.stands[index];
        let phase = stand.line.phase();
        if let Some(work) = stand.line.in_work() {
            let (cycle, travelled) = (work.work.cycle, work.travelled());
            let moved = self.books.cycle(cycle).is_some_and(|cycle| cycle.advance_um != travelled.0);
            if moved || phase != stand.kept_phase {
                self.books.change_cycle(cycle, |cycle| {
                    cycle.phase = phase.unwrap_or(cycle.phase);
                    cycle.advance_um = travelled.0;
                });
            }
        }
        stand.kept_phase = phase;
        let orphan = stand.line.orphan().and_then(|cycle| self.books.cycle(cycle)).map(|cycle| cycle.job);
        if let Some(job) = stand.line.in_work().map(|w| w.work.job).or(orphan) {
            let runs = stand.line.state().0 == LineState::Execute;
            self.books.line_runs(job, runs);
        }
        let row = stand.line.row();
        if stand.kept.as_ref() != Some(&row) {
            self.effects.writes.push(Write::Line(Box::new(row.clone())));
            stand.kept = Some(row);
        }
    }

    /// What a print that has just ended teaches about the next one.
    fn keep_print(&mut self, index: usize) {
        let stand = &mut self.stands[index];
        let Some((cycle, actual_s)) = stand.prints.look(&stand.line) else { return };
        let job = stand.line.in_work().and_then(|work| self.books.job(work.work.job));
        let planned_s = job.and_then(|job| self.books.survey_of(job)).map_or(0.0, |survey| survey.expected_time_s());
        if planned_s > 0.0 && actual_s > 0.0 {
            let run = PrintRun { cycle, line: stand.config.name.clone(), at: self.clock.wall(), planned_s, actual_s };
            self.effects.writes.push(Write::PrintRun(Box::new(run.clone())));
            stand.prints.add(run);
        }
    }

    fn signal(&mut self, index: usize, signal: Signal) {
        let now = self.clock.now();
        self.stands[index].line.handle(now, signal);
    }

    fn report(&mut self, index: usize, report: Report) {
        match &report {
            Report::Progress { sent, of } => self.stands[index].progress = (*sent, *of),
            Report::Note { text } => self.note(index, "printer", text),
            Report::Connected { to } => self.note(index, "connected", &format!("connected to {to}")),
            Report::Lost { why, .. } => self.note(index, "disconnected", why),
            // The journal tells of a held jog as a whole.
            Report::Done { task, .. } if self.stands[index].line.is_piece(StepId(*task)) => {}
            Report::Done { task, result } => self.note_end(index, *task, result),
            _ => {}
        }
        if let Some(signal) = signal(report) {
            self.signal(index, signal);
        }
    }

    fn note_end(&mut self, index: usize, task: u64, result: &TaskResult) {
        let about = self.about(index);
        let left_out = match result.dropped {
            0 => String::new(),
            n => format!("; {n} commands of the file were left out"),
        };
        let text = format!("step {task} {}{left_out}", if result.complete { "is done" } else { "was stopped" });
        let data = serde_json::json!({
            "step": task,
            "complete": result.complete,
            "moved_um": result.moved,
            "maybe_um": result.maybe,
            "left_out": result.dropped,
        });
        self.books.note(self.clock.wall(), &about, "step-end", &text, data);
    }

    fn note_commissioned(&mut self, index: usize, measured: &Measured, commissioned: &Commissioned) {
        if !commissioned.written {
            return;
        }
        let about = self.about(index);
        let one = |c: &crate::config::Change| match &c.old {
            Some(old) => format!("{} from {old} to {}", c.key, c.new),
            None => format!("{} to {}", c.key, c.new),
        };
        let changes = commissioned.changes.iter().map(one).collect::<Vec<_>>().join(", ");
        let text = format!("a person changed the config: {changes}; it counts when the daemon is started again");
        let data = serde_json::json!({ "measured": measured, "changes": commissioned.changes });
        self.books.note(self.clock.wall(), &about, "config-changed", &text, data);
    }

    /// Which line has this name.
    pub(super) fn index_of(&self, name: &LineName) -> Result<usize, Refused> {
        self.stands.iter().position(|stand| stand.config.name == *name).ok_or_else(|| {
            let lines: Vec<LineName> = self.stands.iter().map(|stand| stand.config.name.clone()).collect();
            let text = format!("there is no line {name}; there are: {}", names(&lines));
            Refused { code: RefusedCode::NotFound, text }
        })
    }

    fn note(&mut self, index: usize, kind: &str, text: &str) {
        let about = self.about(index);
        self.books.note(self.clock.wall(), &about, kind, text, serde_json::Value::Null);
    }

    fn about(&self, index: usize) -> About {
        let line = &self.stands[index].line;
        let work = line.in_work().map(|w| &w.work);
        About { line: Some(line.name().clone()), job: work.map(|w| w.job), cycle: work.map(|w| w.cycle) }
    }

    fn act(&mut self, index: usize, act: Act) {
        let now = self.clock.wall();
        match act {
            Act::Begin(id, step) => self.begin_step(index, id, &step),
            Act::StopBelt => self.effects.tells.push((index, Order::StopBelt)),
            Act::EmergencyStop => self.effects.urgent.push((index, Order::EmergencyStop)),
            Act::RunCheck(cycle) => self.effects.checks.push((index, cycle)),
            Act::PartsTakenOff => self.effects.tells.push((index, Order::PartsTakenOff)),
            Act::BedFollowed(summary) => {
                let line = &self.stands[index].line;
                if let Some(work) = line.in_work().map(|w| &w.work) {
                    self.books.heat.note(now, line.name(), Some(work.cycle), &work.like, &summary);
                }
            }
            Act::Travelled { cycle, travelled, more } => self.books.travelled(cycle, travelled, more),
            Act::CycleEnded { cycle, outcome, checked_by, note } => {
                self.books.end_cycle(now, cycle, outcome, checked_by, &note);
            }
            Act::Note { kind, text } => self.note(index, kind, &text),
        }
    }

    /// Law L3: in the journal before its first byte is sent. A piece of a held jog is kept with the line's row, as the step that
    /// is open, and the journal has had the jog's begin.
    fn begin_step(&mut self, index: usize, id: StepId, step: &Step) {
        let about = self.about(index);
        let text = format!("step {}: {}", id.0, step_words(step));
        let data = serde_json::to_value(step).unwrap_or_default();
        if !step.is_piece() {
            self.books.note(self.clock.wall(), &about, "step-begin", &text, data);
        }
        let stand = &self.stands[index];
        let hash = about.job.and_then(|id| self.books.job(id)).map(|job| job.sha256.clone()).unwrap_or_default();
        let task = stand.task(step, || (self.files)(&hash));
        self.effects.tells.push((index, Order::Do(id.0, task)));
    }

    /// Gives ready lines their next copies; whether there were any.
    fn begin_copies(&mut self) -> bool {
        let berths: Vec<_> = self.stands.iter().map(Stand::berth).collect();
        // A reading a second from every line must not cost a walk through a long queue each.
        if berths == self.planned_for && !self.books.has_changes() {
            return false;
        }
        let surveyed: Vec<_> =
            self.books.queue().into_iter().filter_map(|job| Some((job, self.books.survey_of(job)?))).collect();
        let candidates: Vec<_> = surveyed.iter().map(|(job, survey)| Candidate { job, survey }).collect();
        let plan = plan(&candidates, &berths);
        for wait in plan.waits {
            self.books.wait(wait.job, wait.reason, wait.text);
        }
        self.planned_for = berths;
        let now = self.clock.wall();
        let mut begun = false;
        for start in &plan.starts {
            let Some(index) = self.stands.iter().position(|s| s.config.name == start.line) else { continue };
            let Some(cycle) = self.books.begin_cycle(now, start.job, &start.line) else { continue };
            let Some(job) = self.books.job(start.job) else { continue };
            let Some(survey) = self.books.survey_of(job) else { continue };
            let stand = &mut self.stands[index];
            let heat = self.books.heat.of(&start.line);
            let work = stand.work(job, &survey, &cycle, &self.materials, &heat);
            stand.progress = (0, survey.file.bytes);
            stand.line.begin(self.clock.now(), work);
            begun = true;
        }
        begun
    }

    fn command(&mut self, command: Command) -> Decided {
        let now = self.clock.wall();
        let lines: Vec<LineName> = self.stands.iter().map(|s| s.config.name.clone()).collect();
        match command {
            Command::Admit(arrival) => self.admit(*arrival, &lines).map(|job| Answer::Job(Box::new(job))),
            Command::NoteRejection { name, reason } => {
                let text = format!("{name} was turned away: {reason}");
                self.books.note(now, &About::default(), "file-rejected", &text, serde_json::json!({ "name": name }));
                Ok(Answer::Done)
            }
            Command::Greet => Ok(Answer::Done),
            Command::NoteDelay { name, reason } => {
                let text = format!("{name} waits in the infeed folder: {reason}");
                self.books.note(now, &About::default(), "file-waits", &text, serde_json::json!({ "name": name }));
                Ok(Answer::Done)
            }
            Command::SourceGone(id) => {
                self.books.source_gone(id);
                Ok(Answer::Done)
            }
            Command::Job { id, what, if_version } => {
                let version = self.books.job(id).map(|job| job.version);
                if let (Some(wanted), Some(version)) = (if_version, version)
                    && wanted != version
                {
                    let text =
                        format!("job {id} was changed meanwhile (version {version}, you saw {wanted}); look again");
                    return Err(Refused { code: RefusedCode::Stale, text });
                }
                self.books.command(now, id, what, &lines).map(|job| Answer::Job(Box::new(job)))
            }
            Command::Keys(what) => self.key_command(now, what),
            // Worked out where files may be waited for; it comes back as an event.
            Command::Commission { .. } => Err(conflict("this cannot be worked out here".to_owned())),
            Command::Line { name, what, if_since } => {
                let index = self.index_of(&name)?;
                self.check_seen(index, &what, if_since)?;
                let moment = self.clock.now();
                self.stands[index].line.operate(moment, what).map_err(|o| conflict(o.0))?;
                self.settle();
                Ok(Answer::Line(Box::new(present(&self.stands[index], &self.books, &self.clock))))
            }
        }
    }

    /// What was done with a key is kept together with what it did. A refusal did nothing.
    fn remember(&mut self, once: Option<Once>, decided: &Decided) {
        let (Some(Once { key, print }), Ok(answer)) = (once, decided) else { return };
        let (job, line) = match answer {
            Answer::Job(job) => (Some(job.id), None),
            Answer::Line(line) => (None, Some(line.name.clone())),
            Answer::Commissioned(_) | Answer::Key(_) | Answer::Done => (None, None),
        };
        self.effects.writes.push(Write::Request(Box::new(DoneRequest {
            key,
            print,
            job,
            line,
            at: self.clock.wall(),
        })));
    }

    /// Refuses what was meant for a state that the line is not in any more.
    fn check_seen(&self, index: usize, what: &LineCommand, seen: Option<UnixMillis>) -> Result<(), Refused> {
        let stand = &self.stands[index];
        let now = stand.shown.as_ref().map_or_else(|| self.clock.wall_at(stand.line.since()), |shown| shown.since);
        match seen {
            Some(seen) if seen != now && *what != LineCommand::EmergencyStop => {
                let name = stand.line.name();
                let (seen, now) = (seen.0, now.0);
                let text = format!(
                    "line {name} stands as it does since {now}, and you saw it as it was since {seen}; look again, then decide"
                );
                Err(Refused { code: RefusedCode::Stale, text })
            }
            _ => Ok(()),
        }
    }

    fn admit(&mut self, arrival: Arrival, lines: &[LineName]) -> Result<crate::job::Job, Refused> {
        if let Some(wanted) = arrival.line.as_ref().filter(|name| !lines.contains(name)) {
            let text = format!("there is no line {wanted}; there are: {}", names(lines));
            return Err(Refused { code: RefusedCode::DoesNotFit, text });
        }
        if let Some(release) = arrival.release_c.filter(|r| !(1.0..=150.0).contains(r)) {
            return Err(invalid(format!("release_c is {release}; it must be from 1 to 150 °C")));
        }
        let mut misfit = None;
        let fitting =
            self.stands.iter().filter(|s| arrival.line.as_ref().is_none_or(|name| *name == s.config.name)).any(|s| {
                match fits(&arrival.survey, &s.config.limits) {
                    Ok(()) => true,
                    Err(why) => {
                        misfit.get_or_insert_with(|| format!("line {}: {why}", s.config.name));
                        false
                    }
                }
            });
        if !fitting {
            let text = format!("it fits no line; {}", misfit.unwrap_or_default());
            return Err(Refused { code: RefusedCode::DoesNotFit, text });
        }
        Ok(self.books.admit(self.clock.wall(), arrival))
    }
}

fn step_words(step: &Step) -> String {
    let to = |name: &str, c: &Option<crate::units::Celsius>| c.map(|c| format!("{name} to {:.0} °C", c.0));
    match step {
        Step::Heat { bed, nozzle } => {
            [to("bed", bed), to("nozzle", nozzle)].into_iter().flatten().collect::<Vec<_>>().join(", ")
        }
        Step::Print => "send the file".to_owned(),
        Step::Pause => "come to a stand and lift the head".to_owned(),
        Step::GoOn => "go back and go on".to_owned(),
        Step::CoolDown { park_z: Some(z) } => format!("heaters off, head up to {:.1} mm", z.0),
        Step::CoolDown { park_z: None } => "heaters off".to_owned(),
        Step::Belt { moves, .. } => {
            let total: i64 = moves.iter().map(|m| m.travel.0).sum();
            format!("run the belt by {:.1} mm", crate::units::Micrometres(total).to_millimetres().0)
        }
        Step::Quiet { .. } => "heaters off, nothing more is sent".to_owned(),
    }
}

#[cfg(test)]
mod tests;
