//! What a person tries on a line that has no copy under way: a jog of the belt, a run of the bed's heater.
//!
//! A trial runs in `execute`, so that no job begins, and ends in `held`: the line takes jobs again when a person resumes it.

use std::time::Duration;

use super::core::{Line, OFF};
use super::heat::FRESH;
use super::operate::Objection;
use super::signal::{Step, StepResult};
use crate::belt::{Drive, Move, Stretch};
use crate::job::{LineReason, LineState};
use crate::thermal::{Belief, Beliefs, Cooling, Point, fit};
use crate::units::{Celsius, Micrometres, MillimetresPerMinute, Moment};

/// A bed that may be touched: the threshold for burns of bare metal at the longest contact (ISO 13732-1, from memory).
const TOUCHABLE_C: f64 = 43.0;
/// The longest jog of one request: a mistake ends within sight.
pub const JOG_MAX: Micrometres = Micrometres(500_000);
const JOG_PATIENCE: f64 = 3.0;
const JOG_ALLOWANCE: Duration = Duration::from_secs(60);
/// The least bed temperature that a run may ask for, °C: below it there is nothing to see.
pub const HEAT_LEAST_C: u32 = 40;
/// A bed this close to its target is warm.
const WARM_WITHIN_K: f64 = 1.0;
/// How long the bed stays warm, so that it is as warm inside as at its thermometer.
const SOAK: Duration = Duration::from_secs(60);
/// A run ends when this share of the bed's rise over the room is left; the curve says enough by then.
const SHARE_LEFT: f64 = 0.2;
/// Or when the bed falls by less than this in [`FLAT_OVER`].
const FLAT_K: f64 = 0.2;
const FLAT_OVER: Duration = Duration::from_secs(180);
/// Fewer readings of the cooling, or a lesser fall, tell room and time constant not apart.
const SAMPLES_LEAST: usize = 30;
const FALL_LEAST_K: f64 = 5.0;
/// Samples closer than this say nothing new.
const SAMPLE_EVERY: Duration = Duration::from_secs(2);

/// A run of the bed's heater: warm, hold, off, cool, with every reading of the bed.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatRun {
    /// What the bed is heated to.
    pub target: Celsius,
    /// How far it is.
    pub stage: HeatStage,
    /// Since when.
    pub since: Moment,
    /// Readings while it warmed up.
    pub warming: Vec<(Moment, Celsius)>,
    /// Readings since the heater went off.
    pub cooling: Vec<(Moment, Celsius)>,
}

/// How far a run of the bed's heater is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeatStage {
    /// On its way up.
    Warming,
    /// Held, until it is warm throughout.
    Soaking,
    /// The heater is off.
    Cooling,
    /// It has ended, or was ended.
    Ended,
}

/// A jog, as a person asks for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Jog {
    /// How far, µm; positive is toward the nose. At most [`JOG_MAX`] either way.
    pub travel: Micrometres,
    /// How fast, mm/min; at most the drive's travel feed.
    pub feed_mm_min: u32,
    /// The person's word: I have looked, nothing is in the way.
    pub looked: bool,
    /// The person's word: the belt may move although the bed is warm, or its temperature is not known.
    pub although_warm: bool,
}

impl Line {
    /// The last run of the bed's heater since the program began, if there was one.
    #[must_use]
    pub fn heat_run(&self) -> Option<&HeatRun> {
        self.heat_run.as_ref()
    }

    /// Whether something is being tried on it now.
    #[must_use]
    pub fn tries(&self) -> bool {
        self.state == LineState::Execute && self.in_work.is_none()
    }

    /// Whether something may be tried on it now, its belt and its bed aside.
    #[must_use]
    pub fn may_try(&self) -> bool {
        self.objection_to_trying().is_none()
    }

    fn objection_to_trying(&self) -> Option<Objection> {
        let why = match self.state {
            LineState::Execute if self.in_work.is_none() => {
                "something is being tried already; wait for its end or end it"
            }
            LineState::Execute => "a copy is under way; hold the line after this part first",
            LineState::Aborted => "the line is aborted; look at the belt and answer the question first",
            _ if self.in_work.is_some() || self.orphan.is_some() => {
                "a copy is on the line; let it end, or say what became of it, first"
            }
            _ if !self.connected => "there is no connection to the printer",
            _ if self.step.is_some() || self.has_press() => {
                "the printer is still coming to a stand; try again in a moment"
            }
            LineState::Idle | LineState::Held | LineState::Stopped | LineState::Suspended => return None,
        };
        Some(Objection(why.to_owned()))
    }

    pub(super) fn jog(&mut self, now: Moment, jog: Jog) -> Result<(), Objection> {
        let cool = self.check_jogging(now, jog.looked, jog.feed_mm_min, jog.although_warm)?;
        if jog.travel.0 == 0 || jog.travel.0.unsigned_abs() > JOG_MAX.0.unsigned_abs() {
            let most = JOG_MAX.to_millimetres();
            return Err(Objection(format!(
                "a jog is up to {most} either way, and not zero; longer ones are made in pieces"
            )));
        }
        let mut text =
            format!("a person jogs the belt by {} at {} mm/min", jog.travel.to_millimetres(), jog.feed_mm_min);
        text.push_str(words_of(jog.looked, cool));
        self.journal("jog", &text);
        let feed = MillimetresPerMinute(f64::from(jog.feed_mm_min));
        let moves = vec![Move { stretch: Stretch::Jog, travel: jog.travel, feed }];
        let limit = Duration::from_secs_f64(Drive::seconds(&moves) * JOG_PATIENCE) + JOG_ALLOWANCE;
        self.timers.stop_all();
        self.enter(now, LineState::Execute, LineReason::Commissioning, "the belt is jogged");
        self.set_phase_timer(now, limit);
        self.begin_step(Step::Belt { moves, watch: false });
        Ok(())
    }

    /// Whether the belt may be jogged now, at this feed and on these words; and whether the bed is known to be cool.
    pub(super) fn check_jogging(
        &self,
        now: Moment,
        looked: bool,
        feed_mm_min: u32,
        although_warm: bool,
    ) -> Result<bool, Objection> {
        self.check_trying(looked)?;
        let fastest = self.settings.drive.travel_feed.0;
        if feed_mm_min == 0 || f64::from(feed_mm_min) > fastest {
            return Err(Objection(format!(
                "the feed is {feed_mm_min} mm/min; it must be from 1 to the line's travel feed, {fastest} mm/min"
            )));
        }
        let cool = self.may_be_touched(now);
        if !cool && !although_warm {
            let bed = self.fresh_bed(now).map_or_else(|| "not known".to_owned(), |bed| format!("{:.1} °C", bed.0));
            return Err(Objection(format!(
                "the belt moves when the bed is at or below {TOUCHABLE_C} °C, and it is {bed}; let it cool, or say that it may move all the same"
            )));
        }
        Ok(cool)
    }

    /// Whether the bed is known to be cool.
    pub(super) fn may_be_touched(&self, now: Moment) -> bool {
        self.fresh_bed(now).is_some_and(|bed| bed.0 <= TOUCHABLE_C)
    }

    pub(super) fn begin_heat_run(&mut self, now: Moment, bed_c: u32, looked: bool) -> Result<(), Objection> {
        self.check_trying(looked)?;
        let (target, most) = (Celsius(f64::from(bed_c)), self.settings.bed_max);
        if bed_c < HEAT_LEAST_C || target.0 > most.0 {
            return Err(Objection(format!(
                "the bed can be tried from {HEAT_LEAST_C} °C to this line's limit, {most}; {target} was asked for"
            )));
        }
        if self.fresh_bed(now).is_none() {
            return Err(Objection("the bed's temperature is not reported; without it nothing is heated".to_owned()));
        }
        self.journal(
            "heat-trial",
            &format!("a person has the bed heated to {target} and cooled again, to learn how it does both"),
        );
        self.timers.stop_all();
        self.heat_run =
            Some(HeatRun { target, stage: HeatStage::Warming, since: now, warming: Vec::new(), cooling: Vec::new() });
        self.enter(now, LineState::Execute, LineReason::Commissioning, "the bed is heated and cooled");
        self.set_phase_timer(now, self.settings.warm_limit);
        self.watch_readings(now);
        self.begin_step(Step::Heat { bed: Some(target), nozzle: Some(OFF) });
        Ok(())
    }

    /// Ends what is being tried: the belt comes to a stand, the heater goes off.
    pub(super) fn end_trial(&mut self, now: Moment) -> Result<(), Objection> {
        if !self.tries() {
            return Err(Objection("nothing is being tried on this line".to_owned()));
        }
        if self.heats() {
            self.end_heat_run(now, LineReason::Commissioning, "a person ended the run of the heater");
        } else if self.is_pressed() {
            self.end_press("a person ended it");
        } else {
            // The state follows when the belt stands.
            self.stop_belt();
        }
        Ok(())
    }

    /// Puts off what a trial has put on, for a stop: the state is the caller's.
    pub(super) fn quiet_trial(&mut self) {
        if self.heats() {
            self.begin_step(Step::Quiet { lift: false });
        } else if self.tries() {
            self.stop_belt();
        }
    }

    /// The belt of a jog stands.
    pub(super) fn on_jog_done(&mut self, now: Moment, result: &StepResult) {
        if self.has_press() {
            return self.on_piece_done(now, result.complete);
        }
        if !self.tries() {
            return;
        }
        self.timers.stop_all();
        let (ran, maybe) = (result.moved.to_millimetres(), result.maybe.to_millimetres());
        let note = match (result.complete, result.maybe.0) {
            (true, _) => format!("the belt was jogged by {ran}"),
            (false, 0) => format!("the jog was stopped after {ran}"),
            (false, _) => format!("the jog was stopped after {ran}, and {maybe} more may have happened"),
        };
        self.enter(now, LineState::Held, LineReason::Commissioning, &note);
    }

    /// The bed was read.
    pub(super) fn follow_heat_run(&mut self, now: Moment) {
        let (Some(bed), true) = (self.readings.bed, self.heats() && self.step.is_none()) else { return };
        let floor = self.settings.cooling.ambient();
        let Some(run) = &mut self.heat_run else { return };
        match run.stage {
            HeatStage::Warming | HeatStage::Soaking => note_sample(&mut run.warming, now, bed),
            HeatStage::Cooling => note_sample(&mut run.cooling, now, bed),
            HeatStage::Ended => return,
        }
        match run.stage {
            HeatStage::Warming if bed.0 >= run.target.0 - WARM_WITHIN_K => {
                (run.stage, run.since) = (HeatStage::Soaking, now);
                self.since = now;
                self.set_phase_timer(now, SOAK + JOG_ALLOWANCE);
            }
            HeatStage::Soaking if now.since(run.since) >= SOAK => {
                (run.stage, run.since) = (HeatStage::Cooling, now);
                self.since = now;
                self.set_phase_timer(now, self.settings.cool_limit);
                self.begin_step(Step::Heat { bed: Some(OFF), nozzle: Some(OFF) });
            }
            HeatStage::Cooling if run.says_enough(now, bed, floor) => {
                self.end_heat_run(now, LineReason::Commissioning, "the bed was heated and cooled");
            }
            _ => {}
        }
    }

    /// A trial went past its deadline.
    pub(super) fn on_trial_overdue(&mut self, now: Moment) {
        if !self.tries() {
            return;
        }
        match self.heat_run.as_ref().filter(|_| self.heats()).map(|run| run.stage) {
            Some(HeatStage::Cooling) => {
                self.end_heat_run(now, LineReason::Commissioning, "the bed has cooled for as long as it may take");
            }
            Some(_) => {
                let minutes = self.settings.warm_limit.as_secs() / 60;
                let text = format!("the bed was not warm within {minutes} min; look at its heater and its thermometer");
                self.end_heat_run(now, LineReason::PhaseOverdue, &text);
            }
            None => {
                self.stop_belt();
                self.enter(
                    now,
                    LineState::Held,
                    LineReason::PhaseOverdue,
                    "the jog did not end in time; look at the belt",
                );
            }
        }
    }

    /// The connection or the printer's memory has gone: whatever was tried has ended.
    pub(super) fn break_off_trial(&mut self, now: Moment, why: &str) {
        if self.tries() {
            self.timers.stop_all();
            self.enter(now, LineState::Held, LineReason::Commissioning, why);
        }
    }

    pub(super) fn heats(&self) -> bool {
        self.tries() && self.heat_run.as_ref().is_some_and(|run| run.stage != HeatStage::Ended)
    }

    pub(super) fn end_heat_run(&mut self, now: Moment, reason: LineReason, note: &str) {
        self.timers.stop_all();
        self.begin_step(Step::Quiet { lift: false });
        self.enter(now, LineState::Held, reason, note);
    }

    /// Out of `execute` no run goes on.
    pub(super) fn close_heat_run(&mut self) {
        if let Some(run) = &mut self.heat_run {
            run.stage = HeatStage::Ended;
        }
    }

    fn check_trying(&self, looked: bool) -> Result<(), Objection> {
        if let Some(objection) = self.objection_to_trying() {
            return Err(objection);
        }
        if !self.belt_clear && !looked {
            let text = "it is not known whether the belt is clear; look at the belt, the nose and the rollers, and say that you have";
            return Err(Objection(text.to_owned()));
        }
        Ok(())
    }

    fn fresh_bed(&self, now: Moment) -> Option<Celsius> {
        self.readings.bed.filter(|_| self.read_at.is_some_and(|at| now.since(at) < FRESH))
    }
}

impl HeatRun {
    /// What the cooling says, once it has been seen for long enough: room and time constant, by least squares over its readings.
    /// `believed` is where the search begins.
    #[must_use]
    pub fn fitted(&self, believed: Cooling) -> Option<Cooling> {
        let (&(from, top), &(_, end)) = (self.cooling.first()?, self.cooling.last()?);
        if self.cooling.len() < SAMPLES_LEAST || top.0 - end.0 < FALL_LEAST_K {
            return None;
        }
        let point = |&(at, bed): &(Moment, Celsius)| Point { x: at.since(from).as_secs_f64(), y: bed.0, weight: 1.0 };
        let points: Vec<Point> = self.cooling.iter().map(point).collect();
        let beliefs = Beliefs {
            start: Belief::Free(top.0),
            floor: Belief::Free(believed.ambient().0),
            ln_rate: Belief::Free(-believed.tau().as_secs_f64().ln()),
        };
        let curve = fit(&points, &beliefs).ok()?.curve;
        Cooling::new(Celsius(curve.floor), Duration::try_from_secs_f64(1.0 / curve.rate).ok()?).ok()
    }

    /// Whether the cooling has been seen for long enough.
    fn says_enough(&self, now: Moment, bed: Celsius, floor: Celsius) -> bool {
        let Some(&(from, top)) = self.cooling.first() else { return false };
        if bed.0 <= floor.0 + (top.0 - floor.0) * SHARE_LEFT {
            return true;
        }
        let earlier = self.cooling.iter().rev().find(|(at, _)| now.since(*at) >= FLAT_OVER);
        now.since(from) >= FLAT_OVER && earlier.is_some_and(|&(_, then)| then.0 - bed.0 < FLAT_K)
    }
}

/// A person's words on a jog, for the journal.
pub(super) fn words_of(looked: bool, cool: bool) -> &'static str {
    match (looked, cool) {
        (false, true) => "",
        (true, true) => ", having looked",
        (false, false) => ", although the bed is not known to be cool",
        (true, false) => ", having looked, although the bed is not known to be cool",
    }
}

fn note_sample(samples: &mut Vec<(Moment, Celsius)>, now: Moment, bed: Celsius) {
    if samples.last().is_none_or(|&(at, _)| now.since(at) >= SAMPLE_EVERY) {
        samples.push((now, bed));
    }
}
