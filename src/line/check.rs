//! The phase check: something or somebody confirms that the part has left the belt.

use std::time::Duration;

use super::core::{Line, Stage};
use super::settings::Check;
use super::signal::{Act, Verdict};
use crate::job::{CheckedBy, CycleId, LineReason, LineState, Outcome, PartWord};
use crate::units::Moment;

/// The program is stopped at its own limit; the phase only guards against a lost answer.
const COMMAND_GRACE: Duration = Duration::from_secs(30);

impl Line {
    pub(super) fn begin_check(&mut self, now: Moment) {
        let Some(work) = &self.in_work else { return };
        let (watched, advances, cycle) = (work.watched, work.advances, work.work.cycle);
        self.timers.stop_all();
        match self.settings.check {
            Check::Ask => {
                self.set_stage(now, Stage::Asking);
                self.set_phase_timer(now, self.settings.ask_limit);
            }
            Check::Command => {
                self.set_stage(now, Stage::Commanding);
                self.set_phase_timer(now, self.settings.command_limit + COMMAND_GRACE);
                self.acts.push_back(Act::RunCheck(cycle));
            }
            Check::Switch if watched.looks == 0 => {
                let text = "the printer's endstop report does not name the switch; check its name in the config";
                self.not_cleared(now, LineReason::CheckUnknown, text);
            }
            Check::Switch if watched.changed && watched.back => {
                self.cleared(now, CheckedBy::Switch, "the switch saw the part go")
            }
            Check::Switch if watched.changed => {
                self.retry_or_hold(now, "the switch is still pressed: the part hangs at the nose")
            }
            Check::Switch => self.retry_or_hold(now, "the switch never moved: the part did not pass the nose"),
            Check::Trust if advances < Check::Trust.advances() => self.begin_advance(now),
            Check::Trust => self.cleared(now, CheckedBy::Nothing, "nothing checked that this part left the belt"),
        }
    }

    pub(super) fn on_checked(&mut self, now: Moment, cycle: CycleId, verdict: Verdict, note: &str) {
        let awaited = self.in_work.as_ref().is_some_and(|w| w.work.cycle == cycle && w.stage == Stage::Commanding);
        if !awaited {
            return;
        }
        match verdict {
            Verdict::Clear => self.cleared(now, CheckedBy::Command, note),
            Verdict::NotClear => self.retry_or_hold(now, note),
            Verdict::Unknown => self.not_cleared(now, LineReason::CheckUnknown, note),
        }
    }

    /// The part is off: the next copy may come.
    pub(super) fn cleared(&mut self, now: Moment, by: CheckedBy, note: &str) {
        self.belt_is_clear();
        self.end_cycle(Outcome::Completed, Some(by), note);
        if self.state == LineState::Execute {
            self.rest(now);
        }
    }

    /// A check or a person's word says that nothing is on the belt.
    pub(super) fn belt_is_clear(&mut self) {
        self.belt_clear = true;
        self.ledger.all_left();
    }

    pub(super) fn retry_or_hold(&mut self, now: Moment, why: &str) {
        let tries = self.in_work.as_ref().map_or(0, |w| w.tries);
        if tries < self.settings.retries && self.state == LineState::Execute {
            self.begin_retry(now);
        } else {
            self.not_cleared(now, LineReason::PartNotCleared, why);
        }
    }

    /// The line cannot go on by itself: it holds and asks.
    pub(super) fn not_cleared(&mut self, now: Moment, reason: LineReason, why: &str) {
        self.timers.stop_all();
        self.set_stage(now, Stage::NotCleared);
        self.enter(now, LineState::Held, reason, why);
    }

    /// A person's word ends the cycle: good unless they say otherwise, if its print was finished.
    pub(super) fn end_by_word(&mut self, now: Moment, part: Option<PartWord>) {
        let outcome = match part.unwrap_or(PartWord::Good) {
            PartWord::Good => Outcome::Completed,
            PartWord::Scrap => Outcome::Scrapped,
        };
        if self.in_work.as_ref().is_some_and(|w| w.stage == Stage::Cooling) {
            self.fan_off();
        }
        self.belt_is_clear();
        self.end_cycle(outcome, Some(CheckedBy::Person), "a person said that the belt is clear");
        self.acts.push_back(Act::PartsTakenOff);
        match (self.state, self.reason) {
            // A hold that a person asked for lasts until that person lets go of it.
            (LineState::Held, LineReason::Operator) | (LineState::Stopped, _) => self.timers.stop_all(),
            _ => self.rest(now),
        }
    }
}
