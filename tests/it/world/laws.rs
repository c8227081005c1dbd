//! The laws of a line, held against what is physically true, not against what the program believes.

use std::collections::BTreeSet;
use std::time::Duration;

use nosebar::belt::Stretch;
use nosebar::foreman::{Answer, Command, LineCommand, Office, Refused};
use nosebar::job::{JobId, JobState, LineState, Outcome};
use nosebar::line::{JOG_LEASE, Verdict};
use nosebar::printer::{Order, Report, Task};
use nosebar::sim::Truth;
use nosebar::units::Moment;

use super::plan::{FLAWS_MM, NOSE_MM, Plan};
use super::store::Kept;
use super::world::World;

/// Who or what said that the belt is clear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Word {
    Person,
    Program,
    Switch,
    /// A standing word, after two whole advances.
    Standing,
}

/// What is remembered for judging.
#[derive(Clone, Debug, Default)]
pub(crate) struct Laws {
    /// Jobs that somebody was told are accepted.
    pub(crate) accepted: BTreeSet<JobId>,
    trusts: bool,
    off_after: [Duration; 2],
    /// The last word, how much plastic was laid when it was given, and whether it was true.
    word: Option<(Word, f64, bool)>,
    /// What the machine's endstop report last said of the switch, and whether it was pressed since the last plastic.
    pressed: Option<bool>,
    /// What the belt's motor had done when the last plastic was laid, and where that part began.
    laid: (i64, i64),
    before: Option<Truth>,
    /// When a report of the bed last reached the foreman, and what it said.
    bed_read: Option<(Moment, f64)>,
    /// Something makes parts come back after they were seen to go, or be seen to go when they did not.
    pub(crate) deceived: bool,
    /// The bed's thermometer shows, or has shown in this warm-up, what is not so.
    pub(crate) misread: bool,
    /// Belt travel that the drive did and the odometer knows nothing of, since a person said where the splice is, µm.
    pub(crate) base_um: i64,
    /// A motor that was stopped in the middle stands between two whole micrometres.
    pub(crate) slack_um: i64,
    /// The belt slipped, and nobody has looked at the splice since.
    pub(crate) slipped: bool,
    /// A person has said where the splice is; the flaws come with it.
    pub(crate) marked: bool,
    pub(crate) marks_done: [bool; 3],
    /// The air is warm: a bed that was cool may grow warm again while the belt runs, and what has left cannot be called back.
    pub(crate) hot_room: bool,
    jogs: bool,
    /// When the foreman last heard that a button is held.
    pub(crate) held_at: Option<Moment>,
    /// Where the part lets go for which the belt was last told to run, °C.
    release_c: f64,
    /// By how much a person lets the belt run warmer than parts let go.
    overridden: bool,
    stop_due: Option<Moment>,
    hot_since: [Option<Moment>; 2],
    /// The disk said at the kill that something was under way.
    must_ask: bool,
    /// Since when the line is in execute with a copy past its deadline.
    judged_at: Moment,
}

/// An emergency stop leaves within this.
const STOP_WITHIN: Duration = Duration::from_millis(50);
/// The longest that a disk takes to keep what was decided, before the printer is told.
const SLOWEST_WRITE: Duration = Duration::from_secs(2);
/// Law L2's age of a reading.
const FRESH: Duration = Duration::from_secs(5);
/// How much later than configured a heater may go off: a step that is under way ends first.
const OFF_ALLOWANCE: Duration = Duration::from_secs(60);
/// What must never reach a printer from a file, and the drive's own guard.
const NEVER_SENT: [&[u8]; 8] = [b"M84", b"M18 ", b"M500", b"M501", b"M502", b"M303", b"M997", b"M112"];

impl Laws {
    pub(crate) fn new(plan: &Plan) -> Self {
        let settings = &plan.config.lines[0].settings;
        Self {
            trusts: settings.check == nosebar::line::Check::Trust,
            off_after: [settings.held_nozzle_off, settings.held_bed_off],
            ..Self::default()
        }
    }

    pub(crate) fn see_report(&mut self, now: Moment, report: &Report) {
        if let Report::Temperatures { bed: Some(bed), .. } = report {
            self.bed_read = Some((now, bed.0));
        }
    }

    /// An order is given to the driver.
    pub(crate) fn see_order(
        &mut self,
        now: Moment,
        order: &Order,
        disk: &Kept,
        office: &Office,
        connected: bool,
    ) -> Result<(), String> {
        match order {
            Order::EmergencyStop => self.see_stop_asked(now, connected),
            Order::Do(0, Task::Quiet { .. }) | Order::StopBelt | Order::PartsTakenOff => {}
            Order::Do(step, task) => {
                let kept = disk.steps.contains(step) || disk.keeps_piece(task);
                if !kept {
                    return Err(format!("L3: step {step} is sent and is not in the journal: {task:?}"));
                }
                if let Task::Belt { moves, .. } = task {
                    let piece = moves.iter().any(|each| each.stretch == Stretch::HeldJog);
                    if piece && self.held_at.is_none_or(|at| now.since(at) >= JOG_LEASE) {
                        return Err(format!(
                            "a piece is to run at {now:?}, a held button was last heard of at {:?}",
                            self.held_at
                        ));
                    }
                    self.see_belt_order(
                        now,
                        moves.iter().any(|each| matches!(each.stretch, Stretch::Jog | Stretch::HeldJog)),
                        office,
                    )?;
                }
            }
        }
        Ok(())
    }

    fn see_belt_order(&mut self, now: Moment, jog: bool, office: &Office) -> Result<(), String> {
        self.jogs = jog;
        if jog {
            return Ok(());
        }
        let Some(work) = office.line(0).in_work() else {
            return Err("L2: the belt is to run without a copy and without a jog".to_owned());
        };
        let release = work.work.release.0;
        self.release_c = release;
        match self.bed_read {
            Some((at, bed)) if now.since(at) < FRESH + SLOWEST_WRITE && bed <= release => Ok(()),
            read => Err(format!(
                "L2: the belt is to run, the part lets go at {release}, the bed was read: {read:?}, it is {now:?}"
            )),
        }
    }

    pub(crate) fn see_stop_asked(&mut self, now: Moment, connected: bool) {
        if connected && self.stop_due.is_none() {
            self.stop_due = Some(now + STOP_WITHIN);
        }
    }

    pub(crate) fn stop_is_due(&self) -> bool {
        self.stop_due.is_some()
    }

    pub(crate) fn see_stop(&mut self, now: Moment) -> Result<(), String> {
        match self.stop_due.take() {
            Some(due) if now > due => Err(format!("L5: an emergency stop left at {now:?} and was due at {due:?}")),
            _ => Ok(()),
        }
    }

    /// Bytes leave the driver.
    pub(crate) fn see_bytes(&mut self, bytes: &[u8]) -> Result<(), String> {
        let forbidden = NEVER_SENT.iter().find(|word| bytes.windows(word.len()).any(|window| window == **word));
        match forbidden {
            Some(word) => Err(format!("L10: {:?} is sent", String::from_utf8_lossy(word))),
            None => Ok(()),
        }
    }

    /// The machine says something.
    pub(crate) fn hear(&mut self, said: &[u8], truth: impl FnOnce() -> Truth) {
        let name = b"nose: ";
        let Some(at) = said.windows(name.len()).rposition(|window| window == name) else { return };
        let pressed = said[at + name.len()..].starts_with(b"TRIGGERED");
        if self.pressed == Some(true) && !pressed {
            self.speak(Word::Switch, &truth());
        }
        self.pressed = Some(pressed);
    }

    pub(crate) fn see_verdict(&mut self, verdict: Verdict, truth: &Truth) {
        if verdict == Verdict::Clear {
            self.speak(Word::Program, truth);
        }
    }

    /// A person says that nothing is on the belt, having looked.
    pub(crate) fn person_says_clear(&mut self, truth: &Truth) {
        self.speak(Word::Person, truth);
    }

    fn speak(&mut self, word: Word, truth: &Truth) {
        self.word = Some((word, truth.plastic_mm, truth.parts_on_belt.is_empty()));
    }

    pub(crate) fn see_answer(
        &mut self,
        command: &Command,
        answer: &Result<Answer, Refused>,
        disk: &Kept,
    ) -> Result<(), String> {
        if let (Command::Line { what, .. }, Ok(_)) = (command, answer) {
            match what {
                LineCommand::SpliceAtNose => self.marks_done[0] = true,
                LineCommand::MarkFlaw { near, .. } => {
                    let flaw = FLAWS_MM.iter().position(|(own, _)| near.0 == own * 1000);
                    flaw.into_iter().for_each(|flaw| self.marks_done[flaw + 1] = true);
                }
                _ => {}
            }
            self.marked = self.marks_done == [true; 3];
        }
        if let Ok(Answer::Job(job)) = answer {
            if !disk.jobs.contains_key(&job.id) {
                return Err(format!("L8: job {} was accepted and is not kept", job.id));
            }
            if matches!(command, Command::Admit(_)) {
                self.accepted.insert(job.id);
            }
        }
        Ok(())
    }

    /// A person lets parts go warmer than they do.
    pub(crate) fn overrides(&mut self) {
        self.overridden = true;
    }

    pub(crate) fn see_kill(&mut self, disk: &Kept) {
        self.must_ask = disk.lines.values().any(|row| row.cycle.is_some() || row.open_step.is_some());
        (self.stop_due, self.bed_read) = (None, None);
    }

    /// The process was started again.
    pub(crate) fn see_start(&mut self, world: &World) -> Result<(), String> {
        let Some(process) = &world.process else { return Ok(()) };
        let line = process.office.line(0);
        let asks = line.state().0 == LineState::Held && !line.belt_clear() && line.asks().is_some();
        if std::mem::take(&mut self.must_ask) && !asks {
            return Err(format!(
                "L3: something was under way at the restart, and the line does not hold and ask: {:?}",
                line.state()
            ));
        }
        Ok(())
    }

    /// Everything that has happened is decided about: is every law kept?
    pub(crate) fn judge(&mut self, world: &World) -> Result<(), String> {
        let truth = world.machine.truth();
        self.judge_plastic(&truth)?;
        self.judge_belt(&truth)?;
        self.judge_jobs(world, &truth)?;
        self.before = Some(truth);
        let Some(process) = &world.process else {
            self.hot_since = [None; 2];
            return Ok(());
        };
        if let Some(due) = self.stop_due.filter(|due| world.now() > *due) {
            return Err(format!("L5: an emergency stop was due at {due:?} and has not left"));
        }
        // While something is being written, what has happened since waits.
        if process.is_writing() { Ok(()) } else { self.judge_line(world, &process.office) }
    }

    /// Law L1, and L7.
    fn judge_plastic(&mut self, truth: &Truth) -> Result<(), String> {
        let Some(before) = &self.before else { return Ok(()) };
        if truth.prints_begun != before.prints_begun {
            let travelled = before.belt_driven_um - self.laid.0;
            let twice = 2 * (NOSE_MM * 1000 - self.laid.1);
            if self.trusts && travelled >= twice && self.word.is_none_or(|(_, plastic, _)| plastic != before.plastic_mm)
            {
                self.word = Some((Word::Standing, before.plastic_mm, before.parts_on_belt.is_empty()));
            }
            match self.word {
                Some((_, plastic, _)) if plastic == before.plastic_mm => {}
                word => {
                    return Err(format!(
                        "L1: print {} is begun, {} mm of plastic were laid, the last word is {word:?}",
                        truth.prints_begun, before.plastic_mm
                    ));
                }
            }
        }
        if truth.prints_over_a_part != before.prints_over_a_part {
            let lied = matches!(self.word, Some((Word::Program | Word::Switch | Word::Standing, _, false)));
            if !lied && !self.deceived {
                return Err(format!("L1: a print is begun over a part, and the last word was {:?}", self.word));
            }
        }
        if truth.prints_over_a_keep_out != before.prints_over_a_keep_out && self.marked && !self.slipped {
            return Err("L7: plastic was laid over a keep-out".to_owned());
        }
        if truth.plastic_mm != before.plastic_mm {
            let tail = truth.parts_on_belt.last().map_or(self.laid.1, |part| part.tail_um);
            self.laid = (truth.belt_driven_um, tail);
        }
        Ok(())
    }

    /// Law L2.
    fn judge_belt(&mut self, truth: &Truth) -> Result<(), String> {
        let Some(before) = &self.before else { return Ok(()) };
        // What was left behind by a lie is nobody's copy.
        let left_behind = before.parts_on_belt.iter().any(|part| part.number < truth.prints_begun);
        // A report in whole degrees is right to half a degree. In warm air a belt that runs is stopped at one degree more, and
        // what has left by then cannot be called back.
        let allowed = if self.hot_room { 2.5 } else { 0.5 };
        let excused = truth.bed_c <= self.release_c + allowed || self.jogs || self.misread || left_behind;
        if truth.belt_moved_hot != before.belt_moved_hot && !excused && !self.overridden {
            return Err(format!("L2: the belt moved with a part on a bed of {:.1} °C", truth.bed_c));
        }
        if truth.belt_moved_while_head_low != before.belt_moved_while_head_low && !self.jogs {
            return Err("L2: the belt moved with the head below the top of a part".to_owned());
        }
        Ok(())
    }

    /// Law L8.
    fn judge_jobs(&mut self, world: &World, truth: &Truth) -> Result<(), String> {
        if let Some(lost) = self.accepted.iter().find(|id| !world.disk.jobs.contains_key(id)) {
            return Err(format!("L8: job {lost} was accepted and is lost"));
        }
        let mut completed = 0;
        for job in world.disk.jobs.values() {
            let begun = job.completed + job.scrapped + job.in_work;
            if begun > job.copies || (job.state == JobState::Completed && job.completed + job.scrapped != job.copies) {
                return Err(format!("L8: the copies of a job do not add up: {job:?}"));
            }
            completed += job.completed;
        }
        let cycles = world.disk.cycles.values().filter(|cycle| cycle.outcome == Some(Outcome::Completed)).count();
        if cycles != completed as usize || completed > truth.prints_begun {
            return Err(format!(
                "L8: {completed} copies are completed in {cycles} cycles, {} prints were begun",
                truth.prints_begun
            ));
        }
        Ok(())
    }

    /// Laws L4, L6, L9.
    fn judge_line(&mut self, world: &World, office: &Office) -> Result<(), String> {
        let (line, now) = (office.line(0), world.now());
        let Some(truth) = &self.before else { return Ok(()) };
        let (state, reason) = line.state();
        if reason == nosebar::job::LineReason::Internal {
            return Err(format!("the program found itself in the wrong: {}", line.note()));
        }
        let stands = matches!(state, LineState::Held | LineState::Suspended | LineState::Aborted | LineState::Stopped);
        let heard = line.connected() && world.cable.busy.is_none() && world.machine.listens();
        let targets = [truth.nozzle_target_c, truth.bed_target_c];
        for (heater, target) in targets.into_iter().enumerate() {
            if !(stands && heard && target > 0.0) {
                self.hot_since[heater] = None;
                continue;
            }
            let since = *self.hot_since[heater].get_or_insert(now);
            if now.since(since) > self.off_after[heater] + OFF_ALLOWANCE {
                return Err(format!(
                    "L4: the line is {state} since {since:?}, and the {} is set to {target}",
                    ["nozzle", "bed"][heater]
                ));
            }
        }
        let ledger = line.ledger();
        let off_um = truth.belt_driven_um - self.base_um - ledger.odometer.0;
        if !office.is_moving() && off_um.abs() > ledger.doubt().0 + self.slack_um {
            return Err(format!(
                "L6: the belt ran {} µm, the odometer says {} µm and doubts {} µm",
                truth.belt_driven_um - self.base_um,
                ledger.odometer.0,
                ledger.doubt().0
            ));
        }
        let waits = state == LineState::Execute && !office.is_failing();
        match line.phase_deadline() {
            None if waits => {
                return Err(format!(
                    "L9: the line is in {:?} without a deadline",
                    line.in_work().map(|work| work.stage)
                ));
            }
            Some(at) if waits && now.since(at) > Duration::from_secs(1) => {
                return Err(format!(
                    "L9: the line is in {:?} past its deadline {at:?}",
                    line.in_work().map(|work| work.stage)
                ));
            }
            _ => {}
        }
        self.judged_at = now;
        Ok(())
    }
}
