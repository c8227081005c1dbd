//! The phase print: the file is sent; it can come to a stand and go on.

use std::time::Duration;

use super::core::{Line, Stage};
use super::signal::{Readings, Step};
use super::timer::Timer;
use crate::job::{LineReason, LineState};
use crate::units::{Celsius, Moment};

/// How much longer than at its commanded feed a print may take: acceleration, waits for heat, slow firmware.
const PRINT_PATIENCE: u32 = 3;
const PRINT_ALLOWANCE: Duration = Duration::from_secs(1800);
/// So much longer than foreseen is an alarm: what a file cannot tell (homing, probing, waits for heat) is within it.
const LATE_PERCENT: u32 = 130;
const LATE_ALLOWANCE: Duration = Duration::from_secs(900);
/// Coming to a stand ends the buffered moves; going back is one move.
const STAND_LIMIT: Duration = Duration::from_secs(900);

impl Line {
    /// Law L1: only over a belt that is known to be clear; from here on it is not.
    pub(super) fn begin_print(&mut self, now: Moment) {
        if !self.belt_clear {
            self.internal(now, "a print was to be begun over a belt that is not known to be clear");
            return;
        }
        // Law L7: whatever has changed since the place was found would have made it find another.
        if !self.place_is_free() {
            self.internal(now, "a print was to be begun over a keep-out of the belt");
            return;
        }
        self.belt_clear = false;
        if let (Some(footprint), Some(work)) = (self.footprint(), &self.in_work) {
            self.ledger.lay(work.work.cycle.0, footprint);
        }
        self.set_stage(now, Stage::Printing);
        let step = self.begin_step(Step::Print);
        // Pauses are steps of their own while the print's step stays open.
        self.step = None;
        if let Some(work) = &mut self.in_work {
            work.print_step = Some(step);
            self.time_print(now);
        }
    }

    pub(super) fn on_print_done(&mut self, now: Moment, complete: bool) {
        let Some(work) = &mut self.in_work else { return };
        work.print_step = None;
        if !complete {
            return;
        }
        match work.stage {
            Stage::Printing => self.begin_cool(now),
            // It ended while it was to come to a stand: the hold stays, resume leads to cooling.
            _ => self.journal("print-finished", "the file was sent to its end"),
        }
    }

    /// Comes to a stand at the next whole command.
    pub(super) fn begin_pause(&mut self, now: Moment, reason: LineReason, why: &str) {
        if let Some(work) = &mut self.in_work {
            let asked = |target: Option<Celsius>, first| target.filter(|t| t.0 > 0.0).or(first);
            work.held_targets = Readings {
                bed_target: asked(self.readings.bed_target, work.work.bed),
                nozzle_target: asked(self.readings.nozzle_target, work.work.nozzle),
                ..Readings::default()
            };
        }
        self.set_stage(now, Stage::Pausing);
        self.timers.stop_all();
        self.set_phase_timer(now, STAND_LIMIT);
        self.begin_step(Step::Pause);
        self.enter(now, LineState::Held, reason, why);
        self.timers.set(Timer::NozzleOff, now + self.settings.held_nozzle_off);
        self.timers.set(Timer::BedOff, now + self.settings.held_bed_off);
    }

    pub(super) fn on_paused(&mut self, now: Moment) {
        self.timers.stop(Timer::Phase);
        self.set_stage(now, Stage::Paused);
    }

    /// Gets warm again, goes back, goes on.
    pub(super) fn begin_reheat(&mut self, now: Moment) {
        let Some(work) = &self.in_work else { return };
        self.timers.stop_all();
        if work.print_step.is_none() {
            self.enter(now, LineState::Execute, LineReason::None, "");
            self.begin_cool(now);
            return;
        }
        let back = work.held_targets;
        self.set_stage(now, Stage::Reheating);
        self.set_phase_timer(now, self.settings.warm_limit);
        self.watch_readings(now);
        self.begin_step(Step::Heat { bed: back.bed_target, nozzle: back.nozzle_target });
        self.enter(now, LineState::Execute, LineReason::None, "");
    }

    pub(super) fn begin_return(&mut self, now: Moment) {
        self.set_stage(now, Stage::Returning);
        self.set_phase_timer(now, STAND_LIMIT);
        self.timers.stop(Timer::Reading);
        self.begin_step(Step::GoOn);
    }

    pub(super) fn on_returned(&mut self, now: Moment) {
        let Some(work) = &self.in_work else { return };
        if work.print_step.is_none() {
            self.begin_cool(now);
        } else {
            self.set_stage(now, Stage::Printing);
            self.time_print(now);
        }
    }

    /// Sets the deadlines of a print that begins, or goes on: how much of it is left nobody says here.
    fn time_print(&mut self, now: Moment) {
        let Some(work) = &self.in_work else { return };
        let print_time = work.work.print_time;
        self.set_phase_timer(now, print_time * PRINT_PATIENCE + PRINT_ALLOWANCE);
        self.timers.set(Timer::Late, now + print_time * LATE_PERCENT / 100 + LATE_ALLOWANCE);
        self.watch_readings(now);
    }
}
