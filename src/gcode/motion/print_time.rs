//! The time of a print, line by line.

use super::in_force::InForce;
use super::leg::Legs;
use super::leg_run::RunLegs;
use super::timetable::Timetable;
use super::window::Window;
use crate::gcode::lex::Word;
use crate::gcode::moves::Move;
use crate::gcode::run::Steps;
use crate::gcode::walk::{Walked, Walker};
use crate::job::{MotionLimits, TimeMark};

/// Works out the time of a print with acceleration, in constant memory.
///
/// Moves are trapezoids of speed: limited by the commanded feed, the feed and acceleration of each axis, the acceleration for
/// their purpose, and the corners between them. `M201`, `M203`, `M204`, `M205`, `M207`, `M208` and `M566` count from where
/// they stand; values at or below zero are ignored. Dwells count as such; homing, heating, levelling and people take time that
/// no file tells, and only end the motion before them. `M220` is not counted, as it is not in the time at the commanded feed.
#[derive(Debug)]
pub struct PrintTime {
    limits: InForce,
    legs: Legs,
    run_legs: Box<RunLegs>,
    window: Window,
    timetable: Timetable,
    retracted: bool,
    tool: u32,
}

impl PrintTime {
    /// Nothing printed yet. `m203_per_minute`: whether `M203` counts in mm/min (firmware family R).
    #[must_use]
    pub fn new(limits: &MotionLimits, m203_per_minute: bool) -> Self {
        Self {
            limits: InForce::new(limits, m203_per_minute),
            legs: Legs::default(),
            run_legs: Box::default(),
            window: Window::new(),
            timetable: Timetable::new(),
            retracted: false,
            tool: 0,
        }
    }

    /// Takes a line that ends at byte `end`, after the walker has taken it.
    pub fn handle_line(&mut self, walker: &Walker, words: &[Word], walked: &Walked, end: u64) {
        if let Some(motion) = &walked.motion {
            self.handle_move(motion, motion.length_mm(), end);
        } else if !words.is_empty() && !walker.is_writing_card() {
            self.handle_other(walker, words, end);
        }
        // Whatever command the line begins with.
        if walked.dwell_s > 0.0 {
            self.stop();
            self.timetable.pass(walked.dwell_s, end);
        }
    }

    /// Takes a move on a way of `length_mm`, whose line ends at byte `end`.
    pub(crate) fn handle_move(&mut self, motion: &Move, length_mm: f64, end: u64) {
        if let Some(leg) = self.legs.take(motion, length_mm, &self.limits) {
            self.window.push(&leg, end, |seconds, ends| self.timetable.pass_all(seconds, ends));
        }
    }

    /// Whether a run may follow: a change of tools is seen to first.
    pub(crate) const fn takes_runs(&self, walker: &Walker) -> bool {
        walker.tool() == self.tool
    }

    /// Takes the moves of a run that begins at byte `before`.
    pub(crate) fn take_run(&mut self, steps: &Steps, before: u64) {
        let count = steps.count();
        if count == 0 {
            return;
        }
        if !RunLegs::takes(steps) {
            for at in 0..count {
                self.handle_move(&steps.motion(at), steps.length[at] / 1e6, before + u64::from(steps.run.end[at]));
            }
            return;
        }
        let (legs, last) = self.run_legs.take(steps, self.legs.last.as_ref(), &self.limits);
        self.legs.last = Some(last);
        let settled = |seconds: &[f64], ends: &[u64]| self.timetable.pass_all(seconds, ends);
        self.window.extend(legs, before, &steps.run.end[..count], settled);
    }

    fn handle_stand(&mut self, walker: &Walker) {
        if walker.tool() != self.tool {
            self.tool = walker.tool();
            self.stop();
        }
    }

    /// The whole time, s, and the timetable of a file of so many bytes.
    #[must_use]
    pub fn finish(&mut self, bytes: u64) -> (f64, Vec<TimeMark>) {
        self.stop();
        std::mem::replace(&mut self.timetable, Timetable::new()).finish(bytes)
    }

    fn handle_other(&mut self, walker: &Walker, words: &[Word], end: u64) {
        match words[0].code() {
            Some((b'M', code, 0)) => self.limits.take(code, words),
            Some((b'G', 10 | 11, 0)) if walker.is_retracted() != self.retracted => self.retract(!self.retracted, end),
            _ => {}
        }
        if waits_for_motion(&words[0]) {
            self.stop();
        }
        self.handle_stand(walker);
    }

    fn retract(&mut self, back: bool, end: u64) {
        self.retracted = back;
        let InForce { retract_mm, retract_mm_s, recover_mm_s, .. } = self.limits;
        let (way, feed) = if back { (-retract_mm, retract_mm_s) } else { (retract_mm, recover_mm_s) };
        if let Some(leg) = self.legs.take_filament(way, feed, &self.limits) {
            self.window.push(&leg, end, |seconds, ends| self.timetable.pass_all(seconds, ends));
        }
    }

    fn stop(&mut self) {
        self.legs.stop();
        self.window.settle_all(|seconds, ends| self.timetable.pass_all(seconds, ends));
    }
}

/// Commands before which the head comes to a stand: dwells, homing, probing and parking, waits for heat, for a person, for
/// the end of all moves.
fn waits_for_motion(command: &Word) -> bool {
    matches!(
        command.code(),
        Some(
            (b'G', 4 | 12 | 27..=30 | 34, _)
            | (b'M', 0 | 1 | 25 | 109 | 116 | 190..=192 | 226 | 291 | 400..=402 | 600 | 701 | 702, _),
        )
    )
}
