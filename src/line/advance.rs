//! The phase advance: the belt carries the part over the nose.

use super::core::{Line, Stage};
use super::settings::Check;
use super::signal::{Act, Step, StepResult, Watched};
use super::timer::Timer;
use crate::belt::Move;
use crate::job::{LineReason, LineState};
use crate::units::{Micrometres, Moment};

impl Line {
    /// A whole advance from here.
    pub(super) fn begin_advance(&mut self, now: Moment) {
        let Some(work) = &mut self.in_work else { return };
        work.moves = self.settings.drive.advance_moves(work.work.advance);
        work.whole = true;
        work.watched = Watched { back: true, ..Watched::default() };
        self.run_belt(now);
    }

    /// Back a little, and forward again.
    pub(super) fn begin_retry(&mut self, now: Moment) {
        let Some(work) = &mut self.in_work else { return };
        work.tries += 1;
        work.whole = false;
        work.moves = self.settings.drive.retry_moves(self.settings.retry_back, work.work.advance);
        work.watched = Watched { back: true, ..Watched::default() };
        let text = format!("the part did not clear: try {} of {}", work.tries, self.settings.retries);
        self.journal("retry", &text);
        self.run_belt(now);
    }

    /// Runs the moves that are left, if law L2 allows it now; otherwise waits for it.
    pub(super) fn run_belt(&mut self, now: Moment) {
        if !self.may_move_belt(now) {
            // Warm again, or no fresh reading: the moves stay, and are made when the bed allows it.
            self.set_stage(now, Stage::Halted);
            self.set_phase_timer(now, self.settings.cool_limit);
            self.watch_readings(now);
            return;
        }
        let Some(work) = &mut self.in_work else { return };
        work.too_warm = false;
        let moves = work.moves.clone();
        let limit = self.belt_limit(&moves);
        self.timers.stop(Timer::Reading);
        self.set_stage(now, Stage::Running);
        self.set_phase_timer(now, limit);
        self.begin_step(Step::Belt { moves, watch: self.settings.check == Check::Switch });
    }

    /// A belt step ended, to its end or because it was stopped.
    pub(super) fn on_belt_done(&mut self, now: Moment, result: &StepResult) {
        if self.in_work.as_ref().is_some_and(|w| w.stage == Stage::Placing) {
            self.on_placed(now, result);
            return;
        }
        let Some(work) = &mut self.in_work else { return self.on_jog_done(now, result) };
        work.moves = moves_left(&work.moves, result.moved + result.maybe);
        if let Some(seen) = result.watched {
            work.watched.looks += seen.looks;
            work.watched.changed |= seen.changed;
            // Each step starts from the state that the one before it ended in, which need not be the first one's.
            work.watched.back = work.watched.back == seen.back;
        }
        if let Some(part) = work.word.take() {
            self.end_by_word(now, part);
        } else if work.stage != Stage::Running {
            // Held meanwhile; the question stands.
        } else if !result.complete && work.too_warm {
            self.run_belt(now);
        } else if !result.complete {
            self.timers.stop_all();
            self.set_stage(now, Stage::Halted);
            if self.state == LineState::Execute {
                self.enter(now, LineState::Held, LineReason::Operator, "held in the middle of the advance");
            }
        } else {
            work.advances += u32::from(work.whole);
            self.begin_check(now);
        }
    }

    /// Stops the belt after the pieces that have left already.
    pub(super) fn stop_belt(&mut self) {
        if self.belt_runs() {
            self.acts.push_back(Act::StopBelt);
        }
    }
}

/// What is left of `moves` when `done` has been travelled of them, net, in their order. A place that is passed twice counts as
/// passed for the first time: the end is the same.
fn moves_left(moves: &[Move], done: Micrometres) -> Vec<Move> {
    let mut at = 0;
    for (i, each) in moves.iter().enumerate() {
        let end = at + each.travel.0;
        if (at.min(end)..=at.max(end)).contains(&done.0) && done.0 != end {
            let rest = Move { travel: Micrometres(end - done.0), ..*each };
            return std::iter::once(rest).chain(moves[i + 1..].iter().copied()).collect();
        }
        at = end;
    }
    Vec::new()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belt::Stretch;
    use crate::units::MillimetresPerMinute;

    fn moves(travels: &[i64]) -> Vec<Move> {
        let one =
            |&um: &i64| Move { stretch: Stretch::Approach, travel: Micrometres(um), feed: MillimetresPerMinute(600.0) };
        travels.iter().map(one).collect()
    }

    fn left(travels: &[i64], done: i64) -> Vec<i64> {
        moves_left(&moves(travels), Micrometres(done)).iter().map(|m| m.travel.0).collect()
    }

    #[test]
    fn what_is_left_and_what_was_done_add_up() {
        assert_eq!(left(&[100, 50, 40], 0), [100, 50, 40]);
        assert_eq!(left(&[100, 50, 40], 30), [70, 50, 40]);
        assert_eq!(left(&[100, 50, 40], 100), [50, 40]);
        assert_eq!(left(&[100, 50, 40], 120), [30, 40]);
        assert_eq!(left(&[100, 50, 40], 190), Vec::<i64>::new());
        assert_eq!(left(&[-10, 50], -4), [-6, 50]);
        assert_eq!(left(&[-10, 50], -10), [50]);
        assert_eq!(left(&[-10, 50], 20), [20]);
    }
}
