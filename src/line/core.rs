//! The line itself: its parts, what it shows, and the way in for signals and time.

use std::collections::VecDeque;
use std::time::Duration;

use super::alarms::Alarms;
use super::jog::Presses;
use super::marks::kept_ledger;
use super::settings::LineSettings;
use super::signal::{Act, Readings, Signal, Step, StepId, StepResult, Watched, Work};
use super::state::{may_follow, sentence};
use super::timer::{Timer, Timers};
use super::trial::HeatRun;
use crate::belt::{Ledger, Move};
use crate::job::{AlarmKind, CheckedBy, CycleId, LineName, LineReason, LineRow, LineState, Outcome, PartWord, Phase};
use crate::thermal::Tracker;
use crate::units::{Celsius, Micrometres, Moment};

/// One line.
#[derive(Clone, Debug)]
pub struct Line {
    pub(super) settings: LineSettings,
    pub(super) name: LineName,
    pub(super) state: LineState,
    pub(super) reason: LineReason,
    pub(super) note: String,
    /// Since when it is in this state and phase.
    pub(super) since: Moment,
    pub(super) in_work: Option<InWork>,
    /// A cycle that a restart or an emergency cut short after its print was finished: a person says what became of the part.
    pub(super) orphan: Option<CycleId>,
    pub(super) belt_clear: bool,
    pub(super) ledger: Ledger,
    pub(super) hold_after_part: bool,
    pub(super) connected: bool,
    pub(super) readings: Readings,
    pub(super) read_at: Option<Moment>,
    /// The bed's reading before the last one, and when it came.
    pub(super) bed_before: Option<(Moment, Celsius)>,
    pub(super) alarms: Alarms,
    /// The targets that bed and nozzle have reached.
    pub(super) reached: [Option<Celsius>; 2],
    pub(super) step: Option<(StepId, Step)>,
    /// A belt step without its end, also when another step was laid over it: after a crash its travel may have happened.
    pub(super) belt_step: Option<(StepId, Step)>,
    /// A cycle that was let go of while its belt step was open, and its travel: what is still reported counts to it.
    trailing: Option<(CycleId, Micrometres)>,
    pub(super) last_step: u64,
    /// The last run of the bed's heater that a person asked for.
    pub(super) heat_run: Option<HeatRun>,
    /// The buttons that jog the belt while they are held.
    pub(super) presses: Presses,
    pub(super) timers: Timers,
    pub(super) acts: VecDeque<Act>,
}

/// The copy under way.
#[derive(Clone, Debug)]
pub struct InWork {
    /// What is made.
    pub work: Work,
    /// How far it is.
    pub stage: Stage,
    /// The open print step; the file may still be fed.
    pub(super) print_step: Option<StepId>,
    /// Temperatures to go back to after a hold.
    pub(super) held_targets: Readings,
    /// Belt moves that are still to be made.
    pub(super) moves: Vec<Move>,
    /// What the switch did so far in this try.
    pub(super) watched: Watched,
    /// Tries after the first.
    pub(super) tries: u32,
    /// Belt moves made to bring free belt under the footprint.
    pub(super) placings: u32,
    /// Whole advances made.
    pub(super) advances: u32,
    /// Whether what the belt makes now is a whole advance, and not a retry.
    pub(super) whole: bool,
    /// Whether the belt was told to stop since the bed has grown warm under it.
    pub(super) too_warm: bool,
    /// Belt travel of this cycle.
    pub(super) travelled: Micrometres,
    /// Follows the bed while it warms up or cools.
    pub(super) tracker: Option<Tracker>,
    /// No deadline of this phase is later, however its prediction goes.
    pub(super) latest: Moment,
    /// The latest end of this phase that its first readings foretold.
    pub(super) foreseen: Option<Moment>,
    /// A person's word, to be acted on as soon as the belt stands still.
    pub(super) word: Option<Option<PartWord>>,
}

/// Where in its phase a copy is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Warm: the belt is to be run, or runs, until free belt is under the footprint.
    Placing,
    /// Warm: the bed comes first, so that the nozzle does not ooze for long.
    WarmBed,
    /// Warm: the nozzle.
    WarmNozzle,
    /// Print: the file is sent.
    Printing,
    /// Print: coming to a stand.
    Pausing,
    /// Print: standing, head lifted.
    Paused,
    /// Print: getting warm again.
    Reheating,
    /// Print: the head goes back.
    Returning,
    /// Cool.
    Cooling,
    /// Advance: the belt runs.
    Running,
    /// Advance: the belt stands, moves are left.
    Halted,
    /// Check: a person is asked.
    Asking,
    /// Check: the user's program runs.
    Commanding,
    /// Check: it is known that the part is still there, or nothing is known.
    NotCleared,
}

impl Stage {
    /// The phase that it belongs to.
    #[must_use]
    pub const fn phase(self) -> Phase {
        match self {
            Self::Placing | Self::WarmBed | Self::WarmNozzle => Phase::Warm,
            Self::Printing | Self::Pausing | Self::Paused | Self::Reheating | Self::Returning => Phase::Print,
            Self::Cooling => Phase::Cool,
            Self::Running | Self::Halted => Phase::Advance,
            Self::Asking | Self::Commanding | Self::NotCleared => Phase::Check,
        }
    }
}

impl Line {
    /// A line as it was kept. With a cycle under way it is held and asks; a belt step without an end may have happened.
    ///
    /// `orphan` is the cycle that had finished its print, so that a person's word can say what became of the part.
    #[must_use]
    pub fn recovered(now: Moment, settings: LineSettings, row: &LineRow, orphan: Option<CycleId>) -> Self {
        let mut line = Self {
            settings,
            name: row.name.clone(),
            state: row.state,
            reason: row.reason,
            note: row.note.clone(),
            since: now,
            in_work: None,
            orphan,
            belt_clear: row.belt_clear,
            ledger: kept_ledger(row),
            hold_after_part: row.hold_after_part,
            connected: false,
            readings: Readings::default(),
            read_at: None,
            bed_before: None,
            alarms: Alarms::kept(row.alarms.as_deref()),
            reached: [None; 2],
            step: None,
            belt_step: None,
            trailing: None,
            last_step: 0,
            heat_run: None,
            presses: Presses::default(),
            timers: Timers::default(),
            acts: VecDeque::new(),
        };
        line.account_for_open_step(row);
        line.take_loop_length();
        if row.cycle.is_some() || row.open_step.is_some() {
            // Not known clear even where the last word was that it is: something was under way.
            line.belt_clear = false;
            let note = "the daemon was restarted with a copy under way; what the printer did meanwhile is not known";
            line.enter(now, LineState::Held, LineReason::Restarted, note);
        } else if row.state == LineState::Execute && row.reason == LineReason::Commissioning {
            line.enter(
                now,
                LineState::Held,
                LineReason::Commissioning,
                "the daemon was restarted in the middle of a trial",
            );
        } else if matches!(row.state, LineState::Idle | LineState::Suspended | LineState::Execute) {
            line.rest(now);
        }
        line
    }

    fn account_for_open_step(&mut self, row: &LineRow) {
        let Some(text) = &row.open_step else { return };
        if let Ok(Step::Belt { moves, .. }) = serde_json::from_str::<Step>(text) {
            self.ledger.count_unknown(&moves);
        }
    }

    /// What must be kept of it.
    #[must_use]
    pub fn row(&self) -> LineRow {
        LineRow {
            name: self.name.clone(),
            state: self.state,
            reason: self.reason,
            note: self.note.clone(),
            cycle: self.in_work.as_ref().map(|w| w.work.cycle).or(self.orphan),
            belt_clear: self.belt_clear,
            odometer_um: self.ledger.odometer.0,
            uncertain_um: self.ledger.uncertain.0,
            open_step: {
                let open = self.belt_step.as_ref().or(self.step.as_ref());
                open.filter(|(_, step)| step.heats_or_moves()).and_then(|(_, step)| serde_json::to_string(step).ok())
            },
            hold_after_part: self.hold_after_part,
            alarms: self.alarms.row(),
            belt: self.ledger.marks().and_then(|marks| serde_json::to_string(marks).ok()),
        }
    }

    /// Whether a copy may be begun: idle, belt clear, printer there and nothing under way.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.state == LineState::Idle
            && self.belt_clear
            && self.connected
            && self.step.is_none()
            && self.in_work.is_none()
    }

    /// Begins a copy. Only a line that [`Self::is_ready`] takes one (law L1); another is aborted, since its books are wrong.
    pub fn begin(&mut self, now: Moment, work: Work) {
        if !self.is_ready() {
            self.internal(now, "a copy was to be begun on a line that is not ready");
            return;
        }
        self.in_work = Some(InWork {
            work,
            stage: Stage::WarmBed,
            print_step: None,
            held_targets: Readings::default(),
            moves: Vec::new(),
            watched: Watched::default(),
            tries: 0,
            placings: 0,
            advances: 0,
            whole: false,
            too_warm: false,
            travelled: Micrometres(0),
            tracker: None,
            latest: now,
            foreseen: None,
            word: None,
        });
        self.enter(now, LineState::Execute, LineReason::None, "");
        self.find_place(now);
    }

    /// Takes in what happened.
    pub fn handle(&mut self, now: Moment, signal: Signal) {
        match signal {
            Signal::Connected => self.on_connected(now),
            Signal::Disconnected { why, result } => self.on_disconnected(now, &why, &result),
            Signal::Reset { result } => self.on_reset(now, &result),
            Signal::Fault { text } => {
                self.abort(now, LineReason::PrinterFault, &format!("the printer reported: {text}"), true)
            }
            Signal::Temperatures(readings) => self.on_readings(now, readings),
            Signal::StepDone { step, result } => self.on_step_done(now, step, result),
            Signal::StepFailed { step, why, result } => self.on_step_failed(now, step, &why, &result),
            Signal::Checked { cycle, verdict, note } => self.on_checked(now, cycle, verdict, &note),
            Signal::StoreFailed { why } => {
                self.abort(now, LineReason::StoreFailed, &format!("the journal cannot be written: {why}"), true);
            }
        }
        self.settle_press(now);
    }

    /// Takes in that time has passed.
    pub fn handle_timeout(&mut self, now: Moment) {
        while let Some(timer) = self.timers.take_due(now) {
            match timer {
                Timer::Phase => self.on_phase_overdue(now),
                Timer::Reading => self.on_readings_silent(now),
                Timer::Late => self.on_print_late(now),
                Timer::Lease => self.on_lease_over(),
                Timer::NozzleOff => {
                    self.heaters_off_in_hold(Step::Heat { bed: None, nozzle: Some(OFF) }, Timer::NozzleOff, now)
                }
                Timer::BedOff => {
                    self.heaters_off_in_hold(Step::Heat { bed: Some(OFF), nozzle: None }, Timer::BedOff, now)
                }
            }
        }
    }

    /// The daemon is to end: with a copy under way or a trial, heaters go off. The cycle stays open, so that the next start asks.
    pub fn shut_down(&mut self) {
        self.presses.end("the daemon is to end");
        if (self.in_work.is_some() || self.tries()) && self.connected {
            let lift = self.phase() == Some(Phase::Print);
            self.begin_step(Step::Quiet { lift });
        }
    }

    /// Whether something that heats or moves is still being done.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.connected && self.step.is_some()
    }

    /// What it wants done next.
    pub fn poll(&mut self) -> Option<Act> {
        self.acts.pop_front()
    }

    /// When it wants to be told the time.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        self.timers.next()
    }

    fn on_connected(&mut self, now: Moment) {
        self.connected = true;
        match self.phase() {
            // Heaters off is what a machine of unknown state needs, and all that it needs.
            None => {
                self.begin_step(Step::Quiet { lift: false });
                if self.state == LineState::Suspended {
                    self.rest(now);
                }
            }
            Some(_) => {
                if self.step.is_none() {
                    self.begin_step(Step::CoolDown { park_z: None });
                }
            }
        }
    }

    fn on_disconnected(&mut self, now: Moment, why: &str, result: &StepResult) {
        self.count_travel(result);
        self.connected = false;
        self.step = None;
        self.close_belt_step(None);
        self.readings = Readings::default();
        self.read_at = None;
        self.bed_before = None;
        self.reached = [None; 2];
        let why = format!("the connection to the printer was lost: {why}");
        match self.phase() {
            None => {
                self.break_off_trial(now, &why);
                if self.state == LineState::Idle {
                    self.enter(now, LineState::Suspended, LineReason::ConnectingToDevice, &why);
                }
            }
            Some(Phase::Warm) => self.end_unprinted(now, &why),
            Some(Phase::Print) => self.abort(now, LineReason::LinkLost, &why, false),
            // The part stays where it is and the bed cools by itself: nothing is lost by waiting for the printer.
            Some(Phase::Cool) => self.journal("link-lost", &why),
            Some(Phase::Advance | Phase::Check) => {
                self.timers.stop_all();
                self.set_stage(now, Stage::NotCleared);
                self.enter(now, LineState::Held, LineReason::LinkLost, &why);
            }
        }
    }

    fn on_reset(&mut self, now: Moment, result: &StepResult) {
        self.count_travel(result);
        self.step = None;
        self.close_belt_step(None);
        if self.in_work.is_some() {
            self.abort(now, LineReason::PrinterReset, "the printer was reset with a copy under way", false);
        } else {
            self.journal("printer-reset", "the printer was reset");
            self.break_off_trial(now, "the printer was reset in the middle of a trial");
        }
    }

    fn on_step_done(&mut self, now: Moment, id: StepId, result: StepResult) {
        if self.in_work.as_ref().is_some_and(|w| w.print_step == Some(id)) {
            self.on_print_done(now, result.complete);
            return;
        }
        // A step that the line has let go of (after a loss or a stop) still counts for the belt.
        self.count_travel(&result);
        self.close_belt_step(Some(id));
        let Some((_, step)) = self.step.take_if(|(open, _)| *open == id) else { return };
        match step {
            Step::Pause => self.on_paused(now),
            Step::GoOn => self.on_returned(now),
            Step::CoolDown { .. } => self.try_release(now),
            Step::Belt { .. } => self.on_belt_done(now, &result),
            // After a heater was set, the next reading decides: those at hand are from before.
            Step::Heat { .. } | Step::Print | Step::Quiet { .. } => {}
        }
    }

    fn on_step_failed(&mut self, now: Moment, id: StepId, why: &str, result: &StepResult) {
        self.count_travel(result);
        self.close_belt_step(Some(id));
        let print = self.in_work.as_ref().is_some_and(|w| w.print_step == Some(id));
        if !print && self.step.take_if(|(open, _)| *open == id).is_none() {
            return;
        }
        self.abort(now, LineReason::PrinterFault, &format!("a step could not be done: {why}"), true);
    }

    fn on_phase_overdue(&mut self, now: Moment) {
        let Some(work) = &self.in_work else { return self.on_trial_overdue(now) };
        let took = match now.since(self.since).as_secs() {
            seconds @ 0..=119 => format!("{seconds} s"),
            seconds => format!("{} min", seconds / 60),
        };
        let text = format!("{} took more than {took}, which is past its deadline", phase_words(work.stage.phase()));
        let stage = work.stage;
        match stage {
            Stage::Asking => self.enter(now, LineState::Held, LineReason::AskPerson, "nobody has answered yet"),
            Stage::Commanding => {
                self.not_cleared(now, LineReason::CheckUnknown, "the clear-check program gave no answer in time")
            }
            Stage::Placing => {
                self.stop_belt();
                self.enter(now, LineState::Held, LineReason::PhaseOverdue, &text);
            }
            Stage::Running => {
                self.acts.push_back(Act::StopBelt);
                self.set_stage(now, Stage::NotCleared);
                self.enter(now, LineState::Held, LineReason::PhaseOverdue, &text);
            }
            Stage::Printing => self.begin_pause(now, LineReason::PhaseOverdue, &text),
            stage => {
                match stage.phase() {
                    Phase::Cool => self.fan_off(),
                    phase => self.heaters_off(phase),
                }
                self.enter(now, LineState::Held, LineReason::PhaseOverdue, &text);
            }
        }
        // A person who is asked, or a program that says nothing, has a reason of its own.
        if self.reason == LineReason::PhaseOverdue {
            self.raise(now, AlarmKind::PhaseOverdue, &text);
        }
    }

    /// Counts belt travel into the ledger and the cycle, also one that has ended meanwhile.
    pub(super) fn count_travel(&mut self, result: &StepResult) {
        self.ledger.count(result.moved, result.maybe);
        self.presses.count(result.moved, result.maybe);
        match (&mut self.trailing, &mut self.in_work) {
            (Some((_, travelled)), _) => *travelled += result.moved,
            (None, Some(work)) => work.travelled += result.moved,
            (None, None) => {}
        }
    }

    /// What the belt did is known: this step has ended, or, if `None`, no step goes on.
    fn close_belt_step(&mut self, ended: Option<StepId>) {
        self.belt_step.take_if(|(open, _)| ended.is_none_or(|id| *open == id));
        if self.belt_step.is_none()
            && let Some((cycle, travelled)) = self.trailing.take()
        {
            self.acts.push_back(Act::Travelled { cycle, travelled, more: false });
        }
    }

    /// Journals a step and has it done. One at a time: the next is begun when this one has ended.
    pub(super) fn begin_step(&mut self, step: Step) -> StepId {
        self.last_step += 1;
        let id = StepId(self.last_step);
        self.step = Some((id, step.clone()));
        if matches!(step, Step::Belt { .. }) {
            self.belt_step = self.step.clone();
        }
        self.acts.push_back(Act::Begin(id, step));
        id
    }

    pub(super) fn journal(&mut self, kind: &'static str, text: &str) {
        self.acts.push_back(Act::Note { kind, text: text.to_owned() });
    }

    pub(super) fn set_stage(&mut self, now: Moment, stage: Stage) {
        if let Some(work) = &mut self.in_work {
            work.stage = stage;
            work.foreseen = None;
            self.since = now;
        }
        self.end_alarms_left_behind();
    }

    /// The one way into a state.
    pub(super) fn enter(&mut self, now: Moment, state: LineState, reason: LineReason, note: &str) {
        debug_assert!(may_follow(self.state, state), "{} may not follow {}", state, self.state);
        let (state, reason) =
            if may_follow(self.state, state) { (state, reason) } else { (LineState::Aborted, LineReason::Internal) };
        if self.state != state || self.reason != reason {
            self.journal("state", &sentence(state, reason, note));
            self.since = now;
        }
        if state != LineState::Execute {
            self.close_heat_run();
            self.presses.end(note);
        }
        self.state = state;
        self.reason = reason;
        note.clone_into(&mut self.note);
        self.end_alarms_left_behind();
    }

    /// Comes to rest: idle if it may take a copy, else with the reason why not.
    pub(super) fn rest(&mut self, now: Moment) {
        self.timers.stop_all();
        if !self.belt_clear {
            self.enter(now, LineState::Held, LineReason::BeltNotKnownClear, "look whether anything is on the belt");
        } else if self.hold_after_part {
            self.hold_after_part = false;
            self.enter(now, LineState::Held, LineReason::Operator, "held after the part, as asked");
        } else if self.connected {
            self.enter(now, LineState::Idle, LineReason::None, "");
        } else {
            self.enter(now, LineState::Suspended, LineReason::ConnectingToDevice, "waiting for the printer");
        }
    }

    /// Ends the cycle.
    pub(super) fn end_cycle(&mut self, outcome: Outcome, checked_by: Option<CheckedBy>, note: &str) {
        let cycle = self.take_cycle().or_else(|| self.orphan.take());
        if let Some(cycle) = cycle {
            self.acts.push_back(Act::CycleEnded { cycle, outcome, checked_by, note: note.to_owned() });
        }
    }

    /// Lets go of the copy under way; its belt travel is told, since nobody can ask for it afterwards.
    fn take_cycle(&mut self) -> Option<CycleId> {
        let work = self.in_work.take()?;
        let (cycle, travelled) = (work.work.cycle, work.travelled);
        let more = self.belt_step.is_some();
        self.trailing = more.then_some((cycle, travelled));
        self.acts.push_back(Act::Travelled { cycle, travelled, more });
        Some(cycle)
    }

    /// Nothing was printed: the copy waits again.
    pub(super) fn end_unprinted(&mut self, now: Moment, why: &str) {
        self.end_cycle(Outcome::Returned, None, why);
        self.rest(now);
    }

    /// Everything off; a person must look. What was printed to the end keeps its cycle until the person's word.
    pub(super) fn abort(&mut self, now: Moment, reason: LineReason, why: &str, quiet: bool) {
        self.timers.stop_all();
        match self.phase() {
            None => {}
            Some(Phase::Warm) => self.end_cycle(Outcome::Returned, None, why),
            Some(Phase::Print) => self.end_cycle(Outcome::Scrapped, None, why),
            Some(Phase::Cool | Phase::Advance | Phase::Check) => {
                self.orphan = self.take_cycle();
                self.belt_clear = false;
            }
        }
        self.enter(now, LineState::Aborted, reason, why);
        if quiet && self.connected {
            self.begin_step(Step::Quiet { lift: true });
        }
    }

    pub(super) fn internal(&mut self, now: Moment, what: &str) {
        debug_assert!(false, "{what}");
        self.abort(now, LineReason::Internal, what, true);
    }

    pub(super) fn set_phase_timer(&mut self, now: Moment, span: Duration) {
        self.timers.set(Timer::Phase, now + span);
    }
}

/// A heater that is off.
pub(super) const OFF: Celsius = Celsius(0.0);

fn phase_words(phase: Phase) -> &'static str {
    match phase {
        Phase::Warm => "warming up",
        Phase::Print => "the print",
        Phase::Cool => "cooling",
        Phase::Advance => "the advance",
        Phase::Check => "the clear check",
    }
}
