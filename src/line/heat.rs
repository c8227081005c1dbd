//! The phases warm and cool, and what thermometers say in them.

use std::time::Duration;

use super::core::{Line, OFF, Stage};
use super::follow::with_patience;
use super::signal::{Readings, Step};
use super::timer::Timer;
use crate::job::{AlarmKind, LineReason, LineState, Phase};
use crate::units::{Celsius, Moment};

/// A heater this close below its target is warm. Common practice: the file waits for the rest by itself.
pub(super) const WARM_WITHIN_K: f64 = 3.0;
/// Law L2: the belt moves on a reading no older than this.
pub(super) const FRESH: Duration = Duration::from_secs(5);

/// So many times as long as else the thermometers may be silent in a print.
const PRINT_SILENCE: u32 = 10;
/// A bed that is read so much above the release temperature has grown warm again. Less is a thermometer's own unrest, which must
/// not stop a belt that was rightly begun.
const GROWN_WARM_K: f64 = 1.0;

impl Line {
    pub(super) fn begin_warm(&mut self, now: Moment) {
        self.follow_warming(now);
        self.watch_readings(now);
        self.set_stage(now, Stage::WarmBed);
        let bed = self.in_work.as_ref().and_then(|w| w.work.bed);
        self.begin_step(Step::Heat { bed: Some(bed.unwrap_or(OFF)), nozzle: None });
    }

    pub(super) fn on_readings(&mut self, now: Moment, readings: Readings) {
        // A report may carry one heater alone (during a blocking wait): the others keep their last value.
        let old = self.readings;
        if readings.bed.or(readings.nozzle).is_some() {
            self.end_alarm(AlarmKind::NoTemperature);
        }
        self.readings = Readings {
            bed: readings.bed.or(old.bed),
            bed_target: readings.bed_target.or(old.bed_target),
            nozzle: readings.nozzle.or(old.nozzle),
            nozzle_target: readings.nozzle_target.or(old.nozzle_target),
        };
        if let Some(bed) = readings.bed {
            self.bed_before = self.read_at.zip(old.bed);
            self.read_at = Some(now);
            self.follow(now, bed);
            self.stop_over_warm_bed(bed);
        }
        if self.timers.at(Timer::Reading).is_some() {
            self.watch_readings(now);
        }
        self.watch_for_too_hot(now, old, readings);
        self.watch_for_lost_heat(now, old);
        if self.state != LineState::Execute {
            return;
        }
        self.try_warm(now);
        self.try_release(now);
        self.follow_heat_run(now);
    }

    pub(super) fn on_readings_silent(&mut self, now: Moment) {
        let seconds = self.reading_limit().as_secs();
        let text = format!("no temperature was reported for {seconds} s; look at the printer and its thermometers");
        self.raise(now, AlarmKind::NoTemperature, &format!("for {seconds} s"));
        match self.phase() {
            // The file's own lines go on, as one of them may simply take very long.
            Some(Phase::Print) if self.in_work.as_ref().is_some_and(|work| work.stage == Stage::Printing) => {
                self.watch_readings(now);
            }
            Some(phase @ (Phase::Warm | Phase::Print)) => {
                self.heaters_off(phase);
                self.enter(now, LineState::Held, LineReason::NoTemperature, &text);
            }
            Some(phase @ (Phase::Cool | Phase::Advance)) => {
                self.timers.stop_all();
                if phase == Phase::Cool {
                    self.fan_off();
                }
                self.enter(now, LineState::Held, LineReason::NoTemperature, &text);
            }
            None if self.heats() => self.end_heat_run(now, LineReason::NoTemperature, &text),
            Some(Phase::Check) | None => {}
        }
    }

    /// Heaters off for a hold; what is left of a file that is being printed is kept.
    pub(super) fn heaters_off(&mut self, phase: Phase) {
        self.begin_step(match phase {
            Phase::Print => Step::Heat { bed: Some(OFF), nozzle: Some(OFF) },
            _ => Step::Quiet { lift: false },
        });
    }

    pub(super) fn watch_readings(&mut self, now: Moment) {
        self.timers.set(Timer::Reading, now + self.reading_limit());
    }

    /// The longest silence of the thermometers. While a file is sent its own commands may take long: probing, a wait for a person.
    fn reading_limit(&self) -> Duration {
        let prints = self.in_work.as_ref().is_some_and(|work| work.stage == Stage::Printing);
        self.settings.reading_limit * if prints { PRINT_SILENCE } else { 1 }
    }

    /// Goes on from one heater to the next, and to the print, when it is warm.
    fn try_warm(&mut self, now: Moment) {
        let Some(work) = self.in_work.as_ref().filter(|_| self.step.is_none() && self.state == LineState::Execute)
        else {
            return;
        };
        let reached = |target: Option<Celsius>, reading: Option<Celsius>| {
            target.is_none_or(|t| reading.is_some_and(|r| r.0 >= t.0 - WARM_WITHIN_K))
        };
        let (bed, nozzle) = (work.work.bed, work.work.nozzle);
        match work.stage {
            Stage::WarmBed if reached(bed, self.readings.bed) => {
                self.end_following();
                self.set_stage(now, Stage::WarmNozzle);
                self.begin_step(Step::Heat { bed: None, nozzle: Some(nozzle.unwrap_or(OFF)) });
            }
            Stage::WarmNozzle if reached(nozzle, self.readings.nozzle) => self.begin_print(now),
            Stage::Reheating => {
                let back = work.held_targets;
                if reached(back.bed_target, self.readings.bed) && reached(back.nozzle_target, self.readings.nozzle) {
                    self.begin_return(now);
                }
            }
            _ => {}
        }
    }

    /// The print is done: heaters off, head up, and wait.
    pub(super) fn begin_cool(&mut self, now: Moment) {
        let Some(work) = &self.in_work else { return };
        let park_z = Some(work.work.park_z);
        self.begin_step(Step::CoolDown { park_z });
        self.wait_for_release(now);
    }

    /// (Re)starts the wait for the release temperature.
    pub(super) fn wait_for_release(&mut self, now: Moment) {
        self.set_stage(now, Stage::Cooling);
        self.follow_cooling(now);
        self.watch_readings(now);
    }

    /// Waits in this stage for the release temperature, and not without end.
    pub(super) fn wait_for_cool_bed(&mut self, now: Moment, stage: Stage) {
        let Some(work) = &self.in_work else { return };
        let from = self.readings.bed.or(work.work.bed).unwrap_or(OFF);
        let limit = match self.settings.cooling.wait_for_release(from, work.work.release) {
            Ok(wait) => with_patience(wait),
            // The belief may be wrong (a cold night): wait, but not without end.
            Err(_) => self.settings.cool_limit,
        };
        self.set_stage(now, stage);
        self.set_phase_timer(now, limit);
        self.watch_readings(now);
    }

    /// Runs the belt when the part has let go. Laws L2: a fresh reading at or below the release temperature, nothing
    /// printing, the head parked.
    pub(super) fn try_release(&mut self, now: Moment) {
        if self.step.is_some() || self.state != LineState::Execute || !self.may_move_belt(now) {
            return;
        }
        match self.in_work.as_ref().map(|w| w.stage) {
            Some(Stage::Cooling) => {
                self.end_following();
                self.begin_advance(now);
            }
            Some(Stage::Halted) => self.run_belt(now),
            Some(Stage::Placing) => self.try_place(now),
            _ => {}
        }
    }

    /// Law L2's part that readings decide. Nothing guards a reading on its way: one that has lost a digit must not move the belt
    /// over a hot bed, so the one before it must say the same.
    pub(super) fn may_move_belt(&self, now: Moment) -> bool {
        let Some(work) = &self.in_work else { return false };
        let release = work.work.release;
        let before = self.bed_before.is_some_and(|(at, bed)| bed.0 <= release.0 && now.since(at) < FRESH * 2);
        let cool = before && self.readings.bed.is_some_and(|bed| bed.0 <= release.0);
        let fresh = self.read_at.is_some_and(|at| now.since(at) < FRESH);
        self.connected && cool && fresh
    }

    /// Law L2 while the belt runs: in a hot room a bed may grow warm again. What has left already cannot be called back; the rest
    /// waits.
    fn stop_over_warm_bed(&mut self, bed: Celsius) {
        let runs = self.belt_runs() && self.state == LineState::Execute;
        let Some(work) = self.in_work.as_mut().filter(|work| runs && !work.too_warm) else { return };
        let release = work.work.release.0;
        if bed.0 > release + GROWN_WARM_K {
            work.too_warm = true;
            let text =
                format!("the bed has grown warm again ({:.1} °C, release {release:.1} °C): the belt waits", bed.0);
            self.journal("belt-waits", &text);
            self.stop_belt();
        }
    }

    pub(super) fn heaters_off_in_hold(&mut self, step: Step, timer: Timer, now: Moment) {
        if self.step.is_some() {
            // Something is still being done; look again in a moment, the heater must not be forgotten.
            self.timers.set(timer, now + Duration::from_secs(1));
        } else if self.connected {
            self.begin_step(step);
        }
    }
}
