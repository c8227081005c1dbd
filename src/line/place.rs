//! Before a copy is warmed up: the belt is run on until no keep-out and nothing else lies under its footprint.

use std::time::Duration;

use super::core::{Line, Stage};
use super::signal::{Step, StepResult};
use super::timer::Timer;
use crate::belt::{Drive, Move, NoRoom, Span, Stretch};
use crate::job::{LineReason, LineState, Phase};
use crate::units::{Micrometres, Moment};

/// A belt that has not brought the place under the nozzle after so many moves does not move as it is told.
const PLACINGS_MAX: u32 = 4;

impl Line {
    /// The first thing that a copy needs, and again after every interruption before its print: a free place on the belt.
    pub(super) fn find_place(&mut self, now: Moment) {
        match self.missing_advance() {
            Ok(Micrometres(0)) => self.begin_warm(now),
            Ok(_) => self.wait_for_placing(now),
            Err(no_room) => self.end_unprinted(now, &format!("there is no room on the belt: {no_room}")),
        }
    }

    /// How far the belt has still to run before the copy under way is warmed up, as far as is known now; `None` once it lies
    /// where it is to be printed. While the belt runs, the whole of its move.
    #[must_use]
    pub fn placing(&self) -> Option<Micrometres> {
        let work = self.in_work.as_ref()?;
        (work.stage == Stage::Placing).then(|| self.missing_advance().unwrap_or_default())
    }

    /// Whether a belt step is open.
    #[must_use]
    pub fn belt_runs(&self) -> bool {
        matches!(self.step, Some((_, Step::Belt { .. })))
    }

    /// How far the belt will have run until the part under way has left it, counted from what the ledger says now, if it leaves
    /// at the first try.
    #[must_use]
    pub fn travel_left(&self) -> Micrometres {
        let Some(work) = &self.in_work else { return Micrometres(0) };
        let whole = work.work.advance.total();
        let (begun, moves) = match work.stage.phase() {
            Phase::Advance => (1, work.moves.iter().map(|each| each.travel.0).sum()),
            _ => (0, 0),
        };
        let advances = self.settings.check.advances().saturating_sub(work.advances + begun);
        let checked = work.stage.phase() == Phase::Check;
        let carried = if checked { 0 } else { whole.0 * i64::from(advances) };
        Micrometres(self.placing().unwrap_or_default().0 + moves + carried)
    }

    /// Law L7: how far the belt must run before this copy's footprint lies clear of everything.
    fn missing_advance(&self) -> Result<Micrometres, NoRoom> {
        let Some(footprint) = self.footprint() else { return Ok(Micrometres(0)) };
        // A place that is free will do, also where the belt was meant to run on to a less worn one and was stopped.
        if self.is_free(footprint) && self.in_work.as_ref().is_some_and(|w| w.placings > 0) {
            return Ok(Micrometres(0));
        }
        let belt = &self.settings.belt;
        self.ledger.place(footprint, &belt.clearances, belt.fallen).map(|placement| placement.advance)
    }

    /// Whether the copy under way may be laid where the belt is now.
    pub(super) fn place_is_free(&self) -> bool {
        self.footprint().is_none_or(|footprint| self.is_free(footprint))
    }

    pub(super) fn footprint(&self) -> Option<Span> {
        self.in_work.as_ref().and_then(|w| w.work.footprint)
    }

    fn is_free(&self, footprint: Span) -> bool {
        self.ledger.is_free(footprint, &self.settings.belt.clearances, self.settings.belt.fallen)
    }

    /// Law L2 holds for an empty belt too: it runs when the bed is cool by a fresh reading.
    fn wait_for_placing(&mut self, now: Moment) {
        self.wait_for_cool_bed(now, Stage::Placing);
        self.try_place(now);
    }

    /// Runs the belt to the place, if law L2 allows it now. What the ledger says may have changed while it waited.
    pub(super) fn try_place(&mut self, now: Moment) {
        let waits = self.in_work.as_ref().is_some_and(|w| w.stage == Stage::Placing);
        if !waits || self.step.is_some() || self.state != LineState::Execute || !self.may_move_belt(now) {
            return;
        }
        let travel = match self.missing_advance() {
            Ok(travel) if travel.0 > 0 => travel,
            _ => return self.find_place(now),
        };
        let Some(work) = &mut self.in_work else { return };
        work.placings += u32::from(!work.too_warm);
        work.too_warm = false;
        if work.placings > PLACINGS_MAX {
            let text = format!("the belt did not come to a free place in {PLACINGS_MAX} moves; look at its drive");
            self.timers.stop_all();
            self.enter(now, LineState::Held, LineReason::PhaseOverdue, &text);
            return;
        }
        let feed = self.settings.drive.travel_feed;
        let moves = vec![Move { stretch: Stretch::Approach, travel, feed }];
        self.timers.stop(Timer::Reading);
        self.set_stage(now, Stage::Placing);
        self.set_phase_timer(now, self.belt_limit(&moves));
        self.begin_step(Step::Belt { moves, watch: false });
    }

    /// The belt stands again: at the place, or wherever it was stopped. The place is worked out anew.
    pub(super) fn on_placed(&mut self, now: Moment, result: &StepResult) {
        if !result.complete {
            self.journal("belt-cut-short", "the belt was stopped before it came to a free place");
        }
        if self.state == LineState::Execute {
            self.timers.stop_all();
            self.find_place(now);
        }
    }

    /// A person has marked something: a copy that was to be laid there must find another place first.
    pub(super) fn on_marks_changed(&mut self, now: Moment) {
        let warms = self.in_work.as_ref().is_some_and(|w| matches!(w.stage, Stage::WarmBed | Stage::WarmNozzle));
        if self.state == LineState::Execute && warms && !self.place_is_free() {
            self.journal("place-lost", "the place of this copy is marked now: it cools down and finds another");
            self.begin_step(Step::Quiet { lift: false });
            self.find_place(now);
        }
    }

    /// The longest that these moves may take.
    pub(super) fn belt_limit(&self, moves: &[Move]) -> Duration {
        /// How much longer than at its feed a belt move may take, looks at the switch included.
        const PATIENCE: f64 = 3.0;
        const ALLOWANCE: Duration = Duration::from_secs(120);
        Duration::from_secs_f64(Drive::seconds(moves) * PATIENCE) + ALLOWANCE
    }
}
