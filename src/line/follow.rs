//! The bed's way up and down, followed: when it will be over (law L9), and what is learned from it.

use std::time::Duration;

use super::core::{InWork, Line, Stage};
use super::signal::{Act, Step};
use super::timer::Timer;
use crate::job::{AlarmKind, HeatWay, LineReason, LineState};
use crate::thermal::{Cooling, Outlook, Tracker};
use crate::units::{Celsius, Moment};

/// How much longer than predicted a bed may take before the line holds: a draught, a summer's day.
const PATIENCE: u32 = 3;
const ALLOWANCE: Duration = Duration::from_secs(600);

impl Line {
    /// When the bed will be where it is going, as far as its readings tell.
    #[must_use]
    pub fn outlook(&self) -> Option<Outlook> {
        self.followed()?.outlook()
    }

    /// How the bed will most likely go from `now` until it is where it is going, in so many steps; empty where nobody can tell.
    #[must_use]
    pub fn foretold(&self, now: Moment, steps: u32) -> Vec<(Moment, Celsius)> {
        let ahead = |tracker: &Tracker| Some(tracker.outlook()?.ahead(now, tracker.target(), steps));
        self.followed().and_then(ahead).unwrap_or_default()
    }

    fn followed(&self) -> Option<&Tracker> {
        let work = self.in_work.as_ref().filter(|w| matches!(w.stage, Stage::WarmBed | Stage::Cooling))?;
        work.tracker.as_ref()
    }

    /// Follows the bed to its first temperature.
    pub(super) fn follow_warming(&mut self, now: Moment) {
        let latest = now + self.settings.warm_limit;
        if let Some(work) = &mut self.in_work {
            let target = work.work.bed.filter(|bed| bed.0 > 0.0);
            work.tracker =
                target.map(|bed| Tracker::warming(work.work.warming, Celsius(bed.0 - super::heat::WARM_WITHIN_K)));
            work.latest = latest;
        }
        self.timers.set(Timer::Phase, latest);
    }

    /// Follows the bed until the part lets go. The deadline comes from what is believed of this cooling, and moves with what
    /// its readings tell; it is never later than `cool_limit` or, if that is later, than the config's own figures make it.
    pub(super) fn follow_cooling(&mut self, now: Moment) {
        let Some(work) = &mut self.in_work else { return };
        let release = work.work.release;
        let from = self.readings.bed.or(work.work.bed).unwrap_or(super::core::OFF);
        let patient = |cooling: Cooling| cooling.wait_for_release(from, release).ok().map(with_patience);
        let configured = patient(self.settings.cooling);
        // The belief may be wrong (a cold night): where it gives no end, wait for the readings, but not without end.
        let limit = self.settings.cool_limit;
        work.latest = now + limit.max(configured.unwrap_or_default());
        let believed = work.work.cooling.cooling_curve().and_then(patient).unwrap_or(limit);
        if !matches!(&work.tracker, Some(tracker) if tracker.way() == HeatWay::Cool) {
            work.tracker = Some(Tracker::cooling(work.work.cooling, release));
        }
        let deadline = work.latest.min(now + believed);
        self.timers.set(Timer::Phase, deadline);
    }

    /// Takes in a reading of the bed while that is followed.
    pub(super) fn follow(&mut self, now: Moment, bed: Celsius) {
        let off = self.readings.bed_target.is_some_and(|target| target.0 <= 0.0);
        // The heater is switched by a step, and until that has ended it may still be as it was before.
        let switched = match self.in_work.as_ref().map(|w| w.stage) {
            Some(Stage::WarmBed) => self.step.is_none() && self.state == LineState::Execute,
            Some(Stage::Cooling) => self.step.is_none() || off,
            _ => false,
        };
        let since = self.since;
        let Some(InWork { tracker: Some(tracker), latest, .. }) = self.in_work.as_mut().filter(|_| switched) else {
            return;
        };
        let before = tracker.outlook();
        tracker.handle_reading(now, bed);
        let (outlook, latest) = (tracker.outlook(), *latest);
        if outlook == before || self.state != LineState::Execute {
            return;
        }
        if let Some(floor) = tracker.never_releases() {
            self.hold_for_never(now, floor);
            return;
        }
        if let Some(at) = outlook.and_then(|o| o.at) {
            let deadline = latest.min(since + with_patience(at.since(since)));
            self.timers.set(Timer::Phase, deadline);
        }
        self.watch_for_slow_bed(now);
    }

    /// The bed is where it was to go: what it did is worth keeping.
    pub(super) fn end_following(&mut self) {
        let Some(work) = &mut self.in_work else { return };
        let latest = work.latest;
        if let Some(summary) = work.tracker.take().and_then(|tracker| tracker.summary()) {
            self.acts.push_back(Act::BedFollowed(summary));
        }
        // What is left of the phase has its own limit.
        self.timers.set(Timer::Phase, latest);
    }

    /// A wait that would never end is not waited for.
    fn hold_for_never(&mut self, now: Moment, floor: Celsius) {
        let Some(work) = &self.in_work else { return };
        let text = format!(
            "the bed cools to {:.1} °C at best here, and the part lets go at {:.1} °C; make the room cooler and resume, or take \
             the part off and say that the belt is clear; a higher release temperature counts from the next copy on",
            floor.0, work.work.release.0
        );
        let note = format!("it cools to {:.1} °C at best, and {:.1} °C is needed", floor.0, work.work.release.0);
        self.raise(now, AlarmKind::CoolsTooSlowly, &note);
        self.timers.stop_all();
        self.fan_off();
        self.enter(now, LineState::Held, LineReason::NeverCools, &text);
    }

    /// A fan that was switched on for cooling does not blow through a hold.
    pub(super) fn fan_off(&mut self) {
        if self.settings.fan.is_some() && self.connected {
            self.begin_step(Step::Quiet { lift: false });
        }
    }

    /// A person lets the wait go on.
    pub(super) fn cool_on(&mut self, now: Moment) {
        if let Some(InWork { tracker: Some(tracker), .. }) = &mut self.in_work {
            tracker.look_again();
        }
        let park_z = self.in_work.as_ref().map(|w| w.work.park_z);
        if self.settings.fan.is_some() {
            self.begin_step(Step::CoolDown { park_z });
        }
        self.wait_for_release(now);
    }
}

/// The longest that a wait believed to take so long may take.
pub(super) fn with_patience(wait: Duration) -> Duration {
    wait.saturating_mul(PATIENCE) + ALLOWANCE
}
