//! Sending again without a storm.
//!
//! A line that was asked for goes alone until it is through: it takes the place of its damaged self, so the printer never has to
//! hold more than the window, and once it is through, all that was under way before has been read. Refusals come in the order in
//! which lines are read. So the followers of a damaged line are refused before the line itself is read again, with the same words:
//! those are echoes, which ask for nothing. And a line that left after it only to be refused is refused after it is through.

use std::time::Duration;

use crate::units::Moment;

/// A line that is refused so often will never be taken: it may be longer than the printer's buffer. A guess.
const TIMES_MAX: u32 = 20;
/// How long refusals that must come are waited for once the printer goes on. They follow at once; a guess.
const HOLD: Duration = Duration::from_secs(1);

/// What a refusal asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// The line is to be sent again.
    Repeat,
    /// It is on its way already.
    Echo,
    /// Nothing from that line on is on its way.
    Settled,
    /// It has been sent too often.
    Stuck {
        /// How often.
        times: u32,
    },
}

/// The repair under way, if any.
#[derive(Debug, Default)]
pub(super) struct Repair {
    alone: Option<Alone>,
    /// Lines that left after the one that goes alone and are sure to be refused, once that one is through.
    provoked: u32,
    hold_until: Option<Moment>,
}

#[derive(Clone, Copy, Debug)]
struct Alone {
    line: u32,
    /// Refusals to come that ask for this line with words meant for lines before it.
    echoes: u32,
    times: u32,
}

impl Repair {
    /// The line that goes alone.
    pub(super) fn alone(&self) -> Option<u32> {
        self.alone.map(|alone| alone.line)
    }

    /// A line shall go alone although nobody asked for it.
    pub(super) fn send_alone(&mut self, line: u32) {
        self.alone = Some(Alone { line, echoes: 0, times: 0 });
    }

    /// A line leaves that is sure to be refused.
    pub(super) fn provoke(&mut self) {
        self.provoked += 1;
    }

    /// The printer asks for `line`, which is here; those before `cursor` have left.
    pub(super) fn hear_refusal(&mut self, line: u32, cursor: u32) -> Verdict {
        let sent = line < cursor;
        let times = match &mut self.alone {
            Some(alone) if alone.line == line => {
                if alone.echoes > 0 || !sent {
                    alone.echoes = alone.echoes.saturating_sub(1);
                    return Verdict::Echo;
                }
                alone.times += 1;
                alone.echoes = self.provoked.saturating_sub(1);
                // If this was an echo that nobody reckoned with, the line will have been sent once too often.
                self.provoked = u32::from(self.provoked == 0);
                alone.times
            }
            alone => {
                self.provoked = self.provoked.saturating_sub(1);
                if alone.is_none() && !sent {
                    self.end_hold_if_through();
                    return Verdict::Settled;
                }
                let followers = cursor.saturating_sub(line + 1);
                let echoes = followers + std::mem::take(&mut self.provoked);
                *alone = Some(Alone { line, echoes, times: 1 });
                1
            }
        };
        self.hold_until = None;
        if times < TIMES_MAX { Verdict::Repeat } else { Verdict::Stuck { times } }
    }

    /// The printer has received everything, or says something that makes no sense.
    pub(super) fn hear_other_refusal(&mut self) {
        self.provoked = self.provoked.saturating_sub(1);
        self.end_hold_if_through();
    }

    /// Every line up to `oldest`, without that one, is through.
    pub(super) fn hear_through(&mut self, now: Moment, oldest: u32) {
        self.alone = self.alone.filter(|alone| alone.line >= oldest);
        if self.alone.is_none() && self.provoked > 0 {
            self.hold_until.get_or_insert(now + HOLD);
        }
    }

    /// Until when nothing may be sent: a refusal is to come that would seem to be meant for it.
    pub(super) fn hold_until(&self) -> Option<Moment> {
        self.hold_until
    }

    /// The wait may be over.
    pub(super) fn handle_timeout(&mut self, now: Moment) {
        if self.hold_until.is_some_and(|until| now >= until) {
            (self.provoked, self.hold_until) = (0, None);
        }
    }

    fn end_hold_if_through(&mut self) {
        self.hold_until = self.hold_until.filter(|_| self.provoked > 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Moment = Moment::ZERO;

    #[test]
    fn followers_of_a_refused_line_echo_its_refusal() {
        let mut repair = Repair::default();
        // Lines 7, 8 and 9 have left, and 7 is refused.
        assert_eq!(repair.hear_refusal(7, 10), Verdict::Repeat);
        assert_eq!(repair.hear_refusal(7, 8), Verdict::Echo);
        assert_eq!(repair.hear_refusal(7, 8), Verdict::Echo);
        assert_eq!(repair.hear_refusal(7, 8), Verdict::Repeat, "this one was meant for the line itself");
    }

    #[test]
    fn a_request_before_the_line_has_left_again_asks_for_nothing() {
        let mut repair = Repair::default();
        assert_eq!(repair.hear_refusal(7, 8), Verdict::Repeat);
        assert_eq!(repair.hear_refusal(7, 7), Verdict::Echo);
    }

    #[test]
    fn a_later_line_takes_the_place_of_the_one_that_is_through() {
        let mut repair = Repair::default();
        repair.hear_refusal(7, 10);
        assert_eq!((repair.hear_refusal(8, 8), repair.alone()), (Verdict::Repeat, Some(8)));
        repair.hear_through(NOW, 9);
        assert_eq!(repair.alone(), None);
    }

    #[test]
    fn a_provoked_refusal_is_waited_for_once_the_line_is_through() {
        let mut repair = Repair::default();
        repair.hear_refusal(7, 8);
        repair.provoke();
        assert_eq!(repair.hold_until(), None, "it may be long before the printer reads it");
        repair.hear_through(NOW, 8);
        assert_eq!(repair.hold_until(), Some(NOW + HOLD));
        assert_eq!(repair.hear_refusal(8, 8), Verdict::Settled);
        assert_eq!(repair.hold_until(), None);
    }

    #[test]
    fn a_provoked_refusal_that_never_comes_is_not_waited_for_long() {
        let mut repair = Repair::default();
        repair.hear_refusal(7, 8);
        repair.provoke();
        repair.hear_through(NOW, 8);
        repair.handle_timeout(NOW + HOLD);
        assert_eq!(repair.hold_until(), None);
        assert_eq!(repair.hear_refusal(8, 9), Verdict::Repeat);
    }

    #[test]
    fn a_provoked_refusal_that_asks_for_the_line_itself_says_that_it_got_lost() {
        let mut repair = Repair::default();
        repair.hear_refusal(7, 8);
        repair.provoke();
        assert_eq!(repair.hear_refusal(7, 8), Verdict::Repeat);
        repair.hear_through(NOW, 8);
        assert_eq!(repair.hold_until(), None, "no more is to come");
    }

    #[test]
    fn a_line_is_not_repeated_for_ever() {
        let mut repair = Repair::default();
        let times = (1..).find(|_| repair.hear_refusal(7, 8) == Verdict::Stuck { times: TIMES_MAX });
        assert_eq!(times, Some(TIMES_MAX));
    }
}
