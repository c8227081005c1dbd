//! A jog that lasts while somebody holds a button, and ends when the button is let go or its holder is heard of no more.
//!
//! ```text
//!   JogWhile(press)            JogWhile(press), again and again: each starts the lease anew
//!        │                          │
//!        ▼                          ▼
//!     piece ─► piece ─► piece ─► piece ─► …      one at a time, the next only while the lease runs and the bed allows it
//!                                   │
//!                                   └─ lease over, let go, held, stopped, warm, JOG_MAX ─► the piece under way ends ─► held
//! ```
//!
//! **How far the belt still goes.** From the last word that a button is held, the belt runs for no longer than the lease and one
//! piece: 1.3 s at its feed, so 13 mm at 600 mm/min and 32.5 mm at 1500 mm/min. From the moment at which letting go is heard, no
//! more than the piece under way: 0.3 s, so 3 mm and 7.5 mm. What goes wrong on the cable may put this last piece off, and makes it
//! no longer. A simulated printer that runs faster than life counts the lease in the time of the person's thumb.

use std::collections::VecDeque;
use std::time::Duration;

use super::core::Line;
use super::operate::Objection;
use super::signal::{Step, StepId};
use super::timer::Timer;
use super::trial::JOG_MAX;
use crate::belt::{Drive, Move, Stretch};
use crate::job::{LineReason, LineState};
use crate::units::{Micrometres, MillimetresPerMinute, Moment};

/// How long a word that a button is held counts. Several renewals fit into it, so that one that gets lost stops nothing.
pub const JOG_LEASE: Duration = Duration::from_secs(1);
/// The longest that a piece runs at its feed, s: what is under way cannot be called back.
const PIECE_S: f64 = 0.3;
/// So many presses that are over are known, so that no word that comes late begins one anew. A hand that presses ten times a
/// second needs six seconds to get there; a word on its way is given up sooner.
const REMEMBERED: usize = 64;
const PIECE_PATIENCE: Duration = Duration::from_secs(60);

/// Which way the belt is to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Toward {
    /// As parts leave.
    Nose,
    /// Away from it.
    Tail,
}

/// A jog while a button is held, as whoever holds it asks for it, first and in every renewal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JogWhile {
    /// Which way.
    pub toward: Toward,
    /// How fast, mm/min; at most the drive's travel feed.
    pub feed_mm_min: u32,
    /// The person's word: I have looked, nothing is in the way.
    pub looked: bool,
    /// The person's word: the belt may move although the bed is warm, or its temperature is not known.
    pub although_warm: bool,
    /// The press of the button. Each needs a number that was not used before, such as a random one: one that is over is not
    /// begun again, and one that somebody else has is refused.
    pub press: u64,
}

/// A button that is held.
#[derive(Clone, Debug)]
pub(super) struct Press {
    asked: JogWhile,
    /// What has certainly been run, net.
    moved: Micrometres,
    /// What may have been run besides.
    maybe: Micrometres,
    /// What one press may still run; not below zero.
    left: Micrometres,
    /// Why no further piece is begun.
    over: Option<String>,
}

/// The button that is held, and those that were.
#[derive(Clone, Debug, Default)]
pub(super) struct Presses {
    now: Option<Press>,
    over: VecDeque<u64>,
}

impl Presses {
    fn remember(&mut self, press: u64) {
        if self.over.contains(&press) {
            return;
        }
        if self.over.len() == REMEMBERED {
            self.over.pop_front();
        }
        self.over.push_back(press);
    }

    /// Whatever the belt has run counts for the button.
    pub(super) fn count(&mut self, moved: Micrometres, maybe: Micrometres) {
        if let Some(press) = &mut self.now {
            press.moved += moved;
            press.maybe += maybe;
        }
    }

    /// No further piece is begun.
    pub(super) fn end(&mut self, why: &str) {
        if let Some(press) = &mut self.now {
            press.over.get_or_insert_with(|| why.to_owned());
        }
    }
}

impl JogWhile {
    fn piece(&self, left: Micrometres) -> Move {
        #[expect(clippy::cast_possible_truncation, reason = "a feed is at most the drive's")]
        let most = (f64::from(self.feed_mm_min) / 60.0 * PIECE_S * 1000.0) as i64;
        let um = most.clamp(1, left.0);
        let travel = Micrometres(if self.toward == Toward::Nose { um } else { -um });
        Move { stretch: Stretch::HeldJog, travel, feed: MillimetresPerMinute(f64::from(self.feed_mm_min)) }
    }
}

impl Line {
    /// Whether the belt is jogged by a button that is held now.
    #[must_use]
    pub fn is_pressed(&self) -> bool {
        self.presses.now.as_ref().is_some_and(|press| press.over.is_none())
    }

    /// Whether this open step is a piece of a jog while a button is held. Its move is kept with the line's row before it is sent;
    /// the journal tells of the whole jog.
    #[must_use]
    pub fn is_piece(&self, step: StepId) -> bool {
        matches!(&self.belt_step, Some((open, step_open)) if *open == step && step_open.is_piece())
    }

    /// Whether this step is a piece that took so long to be kept that nobody holds its button any more: it is not to be sent.
    #[must_use]
    pub fn is_too_late(&self, now: Moment, step: StepId) -> bool {
        self.is_piece(step) && !(self.is_pressed() && self.lease_runs(now))
    }

    pub(super) fn jog_while(&mut self, now: Moment, asked: JogWhile) -> Result<(), Objection> {
        if self.presses.over.contains(&asked.press) {
            return Err(Objection("this press is over; let go, and press again".to_owned()));
        }
        if self.presses.now.is_some() {
            return self.renew(now, asked);
        }
        let cool = self.check_jogging(now, asked.looked, asked.feed_mm_min, asked.although_warm)?;
        let way = if asked.toward == Toward::Nose { "toward the nose" } else { "away from the nose" };
        let mut text = format!("a person jogs the belt {way} at {} mm/min while a button is held", asked.feed_mm_min);
        text.push_str(super::trial::words_of(asked.looked, cool));
        self.journal("jog", &text);
        self.presses.now =
            Some(Press { asked, moved: Micrometres(0), maybe: Micrometres(0), left: JOG_MAX, over: None });
        self.timers.stop_all();
        self.enter(now, LineState::Execute, LineReason::Commissioning, "the belt is jogged");
        self.timers.set(Timer::Lease, now + self.settings.jog_lease);
        self.begin_piece(now);
        Ok(())
    }

    fn renew(&mut self, now: Moment, asked: JogWhile) -> Result<(), Objection> {
        let Some(press) = &self.presses.now else { return Ok(()) };
        let why = match &press.over {
            _ if press.asked.press != asked.press => {
                "somebody else has a thumb on it; wait until they let go".to_owned()
            }
            Some(why) => format!("this press is over: {why}; let go, and press again"),
            None if press.asked != asked => "a press is renewed with what it was begun with".to_owned(),
            // A word that comes too late begins nothing anew, however soon behind the end it comes.
            None if !self.lease_runs(now) => {
                self.on_lease_over();
                "this press is over: it was not renewed in time; let go, and press again".to_owned()
            }
            None => {
                self.timers.set(Timer::Lease, now + self.settings.jog_lease);
                return Ok(());
            }
        };
        Err(Objection(why))
    }

    /// A button is let go. That may be heard before the press is: then it is never begun.
    pub(super) fn let_go(&mut self, press: u64) {
        if self.presses.now.as_ref().is_some_and(|now| now.asked.press == press) {
            self.end_press("the button was let go");
        } else {
            self.presses.remember(press);
        }
    }

    /// Whoever held the button is heard of no more.
    pub(super) fn on_lease_over(&mut self) {
        self.end_press("nothing was heard any more of whoever held the button");
    }

    /// No further piece begins, and what has not left of the one under way does not leave. The state follows when the belt stands.
    pub(super) fn end_press(&mut self, why: &str) {
        self.timers.stop(Timer::Lease);
        if self.is_pressed() {
            self.presses.end(why);
            self.stop_belt();
        }
    }

    fn lease_runs(&self, now: Moment) -> bool {
        self.timers.at(Timer::Lease).is_some_and(|until| now < until)
    }

    fn begin_piece(&mut self, now: Moment) {
        let Some(press) = &mut self.presses.now else { return };
        let piece = press.asked.piece(press.left);
        press.left = Micrometres(press.left.0 - piece.travel.0.abs());
        let moves = vec![piece];
        self.set_phase_timer(now, Duration::from_secs_f64(Drive::seconds(&moves)) + PIECE_PATIENCE);
        self.begin_step(Step::Belt { moves, watch: false });
    }

    /// A piece has ended; the next one follows, if it may.
    pub(super) fn on_piece_done(&mut self, now: Moment, complete: bool) {
        let Some(press) = self.presses.now.as_ref().filter(|press| press.over.is_none()) else { return };
        let why = if !complete {
            Some("the belt was stopped")
        } else if press.left.0 == 0 {
            Some("one press runs no further; press again to go on")
        } else if !self.lease_runs(now) {
            return self.on_lease_over();
        } else if !press.asked.although_warm && !self.may_be_touched(now) {
            Some("the bed is not known to be cool any more")
        } else {
            None
        };
        match why {
            Some(why) => self.end_press(why),
            None => self.begin_piece(now),
        }
    }

    pub(super) fn has_press(&self) -> bool {
        self.presses.now.is_some()
    }

    /// The belt of a press that is over stands: what it ran is told, once.
    pub(super) fn settle_press(&mut self, now: Moment) {
        if self.belt_step.is_some() {
            return;
        }
        let Some(Press { asked, moved, maybe, over: Some(why), .. }) =
            self.presses.now.take_if(|press| press.over.is_some())
        else {
            return;
        };
        self.presses.remember(asked.press);
        let more = match maybe.0 {
            0 => String::new(),
            _ => format!(", and {} more may have happened", maybe.to_millimetres()),
        };
        let text = format!("the belt was jogged by {}{more}: {why}", moved.to_millimetres());
        if self.tries() {
            self.timers.stop_all();
            self.enter(now, LineState::Held, LineReason::Commissioning, &text);
        } else {
            self.journal("jog", &text);
        }
    }
}
