//! What a person can do to a line, in every phase.

use super::core::{Line, Stage};
use super::jog::JogWhile;
use super::signal::{Act, Step};
use super::trial::Jog;
use crate::job::{AlarmKind, LineReason, LineState, Outcome, PartWord, Phase};
use crate::units::{Micrometres, Moment};

/// A person's command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Operator {
    /// Stand still now.
    HoldNow,
    /// Stand still when the part under way has left.
    HoldAfterPart,
    /// Go on.
    Resume,
    /// End the copy under way; heaters off; take no other.
    Stop,
    /// Heaters and motors off at once.
    EmergencyStop,
    /// Nothing is on the belt.
    BeltClear {
        /// What becomes of the part.
        part: Option<PartWord>,
    },
    /// The part is still there.
    NotClear,
    /// Run the belt a little, while nothing is made.
    Jog(Jog),
    /// Run the belt while a button is held. The first one of a press begins; those that follow renew it.
    JogWhile(JogWhile),
    /// The button of this press is let go.
    JogLetGo {
        /// Which.
        press: u64,
    },
    /// Heat the bed and let it cool, to learn how it does both.
    HeatTrial {
        /// How warm, °C.
        bed_c: u32,
        /// The person's word: I have looked, nothing is on the belt.
        looked: bool,
    },
    /// End the jog or the run of the heater.
    EndTrial,
    /// The splice is at the nose now.
    SpliceAtNose,
    /// There is no splice to keep free.
    ForgetSplice,
    /// A stretch of belt is bad.
    MarkFlaw {
        /// How far before the nose its nearer end is; below zero beyond it.
        near: Micrometres,
        /// How far before the nose its other end is; more than `near`.
        far: Micrometres,
        /// What is wrong with it; may be empty.
        note: String,
    },
    /// A stretch is good again.
    ClearFlaw(u64),
    /// A person knows of this alarm.
    Acknowledge(AlarmKind),
}

/// Why a command makes no sense now.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Objection(pub String);

impl Line {
    /// Does what a person asks.
    ///
    /// # Errors
    /// [`Objection`] when it makes no sense now; nothing has changed then.
    pub fn operate(&mut self, now: Moment, command: Operator) -> Result<(), Objection> {
        match command {
            Operator::HoldNow => self.hold_now(now),
            Operator::HoldAfterPart => self.hold_after(now),
            Operator::Resume => self.resume(now),
            Operator::Stop => self.stop(now),
            Operator::EmergencyStop => {
                self.emergency_stop(now);
                Ok(())
            }
            Operator::BeltClear { part } => self.word_clear(now, part),
            Operator::NotClear => self.word_not_clear(now),
            Operator::Jog(jog) => self.jog(now, jog),
            Operator::JogWhile(asked) => self.jog_while(now, asked),
            Operator::JogLetGo { press } => {
                self.let_go(press);
                Ok(())
            }
            Operator::HeatTrial { bed_c, looked } => self.begin_heat_run(now, bed_c, looked),
            Operator::EndTrial => self.end_trial(now),
            Operator::SpliceAtNose => self.splice_at_nose(now),
            Operator::ForgetSplice => {
                self.forget_splice();
                Ok(())
            }
            Operator::MarkFlaw { near, far, note } => self.mark_flaw(now, near, far, &note),
            Operator::ClearFlaw(id) => self.clear_flaw(id),
            Operator::Acknowledge(kind) => self.acknowledge(kind),
        }
    }

    /// Whether a person is asked if anything is on the belt: about the part under way (`Some(true)`), or about the belt at
    /// large (`Some(false)`).
    #[must_use]
    pub fn asks(&self) -> Option<bool> {
        let standing = matches!(self.state, LineState::Held | LineState::Stopped | LineState::Aborted);
        match self.in_work.as_ref().map(|w| w.stage) {
            Some(Stage::Asking | Stage::NotCleared) => Some(true),
            Some(_) => None,
            None if self.orphan.is_some() => Some(true),
            None => (standing && (!self.belt_clear || self.state == LineState::Aborted)).then_some(false),
        }
    }

    fn hold_now(&mut self, now: Moment) -> Result<(), Objection> {
        if self.tries() {
            return self.end_trial(now);
        }
        let operator = (LineState::Held, LineReason::Operator, "a person asked for it");
        match self.state {
            LineState::Held => return Err(objection("the line is held already; resume lets it go on")),
            LineState::Stopped => return Err(objection("the line is stopped; nothing runs that could be held")),
            LineState::Aborted => {
                return Err(objection("the line is aborted; look at the belt and answer the question"));
            }
            LineState::Idle | LineState::Suspended | LineState::Execute => {}
        }
        match self.in_work.as_ref().map(|w| w.stage) {
            Some(Stage::WarmBed | Stage::WarmNozzle) => {
                self.timers.stop_all();
                self.begin_step(Step::Quiet { lift: false });
            }
            Some(Stage::Printing | Stage::Reheating | Stage::Returning) => {
                self.begin_pause(now, operator.1, operator.2);
                return Ok(());
            }
            Some(Stage::Running) => self.stop_belt(),
            Some(Stage::Placing) => {
                self.timers.stop_all();
                self.stop_belt();
            }
            Some(Stage::Cooling) => {
                self.timers.stop_all();
                self.fan_off();
            }
            _ => self.timers.stop_all(),
        }
        self.enter(now, operator.0, operator.1, operator.2);
        Ok(())
    }

    fn hold_after(&mut self, now: Moment) -> Result<(), Objection> {
        match self.state {
            LineState::Execute if self.in_work.is_none() => self.end_trial(now),
            LineState::Execute => {
                self.hold_after_part = true;
                self.journal("hold-after-part", "the line will be held when the part under way has left");
                Ok(())
            }
            LineState::Idle | LineState::Suspended => self.hold_now(now),
            LineState::Held | LineState::Stopped | LineState::Aborted => {
                Err(objection("the line stands still already"))
            }
        }
    }

    fn resume(&mut self, now: Moment) -> Result<(), Objection> {
        match self.state {
            LineState::Execute | LineState::Idle | LineState::Suspended if self.hold_after_part => {
                self.hold_after_part = false;
                self.journal("hold-after-part", "the line will not be held after this part");
                return Ok(());
            }
            LineState::Execute | LineState::Idle => {
                return Err(objection("the line is running; there is nothing to resume"));
            }
            LineState::Suspended => return Err(objection("the line waits for the printer and goes on by itself")),
            LineState::Aborted => {
                return Err(objection("the line is aborted; look at the belt and say first whether it is clear"));
            }
            LineState::Held | LineState::Stopped => {}
        }
        if self.asks().is_some() && !(self.state == LineState::Stopped && self.in_work.is_none()) {
            return Err(objection("say first whether the belt is clear"));
        }
        let Some(stage) = self.in_work.as_ref().map(|w| w.stage) else {
            self.rest(now);
            return Ok(());
        };
        if !self.connected {
            return Err(objection("there is no connection to the printer; it can go on when the printer is back"));
        }
        self.resume_stage(now, stage)
    }

    fn resume_stage(&mut self, now: Moment, stage: Stage) -> Result<(), Objection> {
        if self.step.is_some() && stage.phase() != Phase::Cool && stage != Stage::Commanding {
            return Err(objection("the printer is still coming to a stand; try again in a moment"));
        }
        match stage.phase() {
            Phase::Warm => {
                self.enter(now, LineState::Execute, LineReason::None, "");
                self.find_place(now);
            }
            Phase::Print => self.begin_reheat(now),
            Phase::Cool => {
                self.enter(now, LineState::Execute, LineReason::None, "");
                self.cool_on(now);
                self.try_release(now);
            }
            Phase::Advance => {
                self.enter(now, LineState::Execute, LineReason::None, "");
                let left = self.in_work.as_ref().is_some_and(|w| !w.moves.is_empty());
                if left {
                    self.run_belt(now);
                } else {
                    self.begin_check(now);
                }
            }
            // The program's answer may have been missed while the line stood still: ask it again.
            Phase::Check => {
                self.enter(now, LineState::Execute, LineReason::None, "");
                self.begin_check(now);
            }
        }
        Ok(())
    }

    fn stop(&mut self, now: Moment) -> Result<(), Objection> {
        if self.state == LineState::Stopped {
            return Err(objection("the line is stopped already"));
        }
        if self.state == LineState::Aborted {
            return Err(objection("the line is aborted; look at the belt and answer the question"));
        }
        self.timers.stop_all();
        match self.phase() {
            None => self.quiet_trial(),
            Some(Phase::Warm) => {
                self.stop_belt();
                self.begin_step(Step::Quiet { lift: false });
                self.end_cycle(Outcome::Returned, None, "stopped by a person before anything was printed");
            }
            Some(Phase::Print) => {
                self.begin_step(Step::Quiet { lift: true });
                self.end_cycle(Outcome::Scrapped, None, "stopped by a person in the middle of the print");
            }
            Some(Phase::Cool) => self.fan_off(),
            Some(Phase::Advance | Phase::Check) => {
                self.stop_belt();
            }
        }
        self.enter(now, LineState::Stopped, LineReason::Operator, "a person asked for it");
        Ok(())
    }

    fn emergency_stop(&mut self, now: Moment) {
        self.acts.push_back(Act::EmergencyStop);
        self.step = None;
        self.abort(now, LineReason::EmergencyStop, "emergency stop by a person; the printer needs a reset", false);
    }

    fn word_clear(&mut self, now: Moment, part: Option<PartWord>) -> Result<(), Objection> {
        match self.in_work.as_ref().map(|w| w.stage) {
            None if self.orphan.is_some() => {
                self.journal("belt-clear", "a person said that the belt is clear");
                self.end_by_word(now, part);
            }
            None => {
                self.journal("belt-clear", "a person said that the belt is clear");
                self.belt_is_clear();
                self.acts.push_back(Act::PartsTakenOff);
                match (self.state, self.reason) {
                    (LineState::Stopped | LineState::Execute, _)
                    | (LineState::Held, LineReason::Operator | LineReason::Commissioning) => {}
                    _ => self.rest(now),
                }
            }
            Some(Stage::Placing | Stage::WarmBed | Stage::WarmNozzle) => {
                self.journal("belt-clear", "a person confirmed that the belt is clear")
            }
            Some(Stage::Paused) => {
                // The unfinished part is off: what is left of its file is not sent any more.
                self.journal("belt-clear", "a person took the unfinished part off");
                self.timers.stop_all();
                self.begin_step(Step::Quiet { lift: true });
                self.belt_is_clear();
                self.end_cycle(Outcome::Scrapped, None, "taken off by a person before it was finished");
                self.acts.push_back(Act::PartsTakenOff);
            }
            Some(stage) if stage.phase() == Phase::Print => {
                return Err(objection("plastic is being laid on the belt; hold or stop the line first"));
            }
            Some(_) if self.belt_runs() => {
                self.journal("belt-clear", "a person said that the belt is clear");
                if let Some(work) = &mut self.in_work {
                    work.word = Some(part);
                }
                self.acts.push_back(Act::StopBelt);
            }
            Some(_) => {
                self.journal("belt-clear", "a person said that the belt is clear");
                self.end_by_word(now, part);
            }
        }
        Ok(())
    }

    fn word_not_clear(&mut self, now: Moment) -> Result<(), Objection> {
        match self.in_work.as_ref().map(|w| w.stage) {
            Some(Stage::Asking) if self.state == LineState::Execute => {
                self.journal("not-clear", "a person said that the part is still there");
                self.retry_or_hold(now, "a person said that the part is still there");
            }
            Some(Stage::Asking | Stage::NotCleared) if self.connected && self.step.is_none() => {
                self.journal("not-clear", "a person said that the part is still there: once more");
                self.enter(now, LineState::Execute, LineReason::None, "");
                self.begin_retry(now);
            }
            _ if self.asks().is_some() => {
                self.belt_clear = false;
                self.journal(
                    "not-clear",
                    "a person said that the belt is not clear: take off what is there, then say that it is clear",
                );
            }
            _ => return Err(objection("nobody asked whether the belt is clear")),
        }
        Ok(())
    }
}

pub(super) fn objection(text: &str) -> Objection {
    Objection(text.to_owned())
}
