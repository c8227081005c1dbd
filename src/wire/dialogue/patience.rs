//! How long to wait, and what for.

use std::time::Duration;

use super::event::{DialogueConfig, Ticket};
use crate::units::Moment;

/// How long to wait when there is reason to think that no answer will come. Longer than a round trip through a network; a guess.
const BRISK: Duration = Duration::from_secs(1);
/// So many times longer is waited where there is a likely reason for the silence. A guess.
const PATIENT: u32 = 3;
/// Questions in a row without an answer after which a printer that still chatters counts as deaf. With the usual silence of
/// ten seconds that is 40 minutes: longer than any bed takes to heat up, of which nothing but temperatures may be heard.
const ASKED_MAX: u32 = 5;

/// What is in flight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Load {
    /// Nothing.
    Nothing,
    /// Something, and a question fits into the window beside it.
    Some,
    /// So much that no question fits.
    Full,
}

/// The clocks of a dialogue, named by what restarts them.
#[derive(Debug)]
pub(super) struct Patience {
    silence: Duration,
    give_up: Duration,
    /// Any byte.
    heard: Moment,
    /// Something that shows the printer at work, temperatures included.
    sign: Moment,
    /// Something that shows that it hears us: `ok`, resend, `busy`.
    answer: Moment,
    /// Questions since the last answer, and when the last one was put.
    asked: u32,
    asked_at: Option<Moment>,
    /// An `ok` took its time although a question is under way: the printer is at work on long commands.
    slow: bool,
    suspicion: Option<Moment>,
    /// A command that may be carried out in silence, and until when.
    quiet: Option<(Ticket, Moment)>,
}

impl Patience {
    pub(super) fn new(config: &DialogueConfig) -> Self {
        Self {
            silence: config.silence,
            give_up: config.give_up,
            heard: Moment::ZERO,
            sign: Moment::ZERO,
            answer: Moment::ZERO,
            asked: 0,
            asked_at: None,
            slow: false,
            suspicion: None,
            quiet: None,
        }
    }

    /// Starts every clock: something leaves, and nothing was in flight.
    pub(super) fn start(&mut self, now: Moment) {
        (self.heard, self.sign, self.answer) = (now, now, now);
        self.asked = 0;
        self.slow = false;
        self.suspicion = None;
    }

    /// A byte came.
    pub(super) fn heard(&mut self, now: Moment) {
        self.heard = now;
    }

    /// When the last byte came.
    pub(super) fn last_heard(&self) -> Moment {
        self.heard
    }

    /// A temperature report came.
    pub(super) fn sign(&mut self, now: Moment) {
        self.sign = now;
    }

    /// The printer answered.
    pub(super) fn answered(&mut self, now: Moment) {
        (self.sign, self.answer) = (now, now);
        self.asked = 0;
        self.slow = false;
        self.suspicion = None;
    }

    /// The printer answered, and not promptly, though a question is under way: another is not urgent.
    pub(super) fn answered_slowly(&mut self, now: Moment) {
        self.answered(now);
        self.slow = true;
    }

    /// There is reason to ask soon.
    pub(super) fn suspect(&mut self, now: Moment) {
        let wait = self.tripled(BRISK);
        self.suspicion.get_or_insert(now + wait);
    }

    /// The printer is being asked.
    pub(super) fn asked(&mut self, now: Moment) {
        self.asked += 1;
        self.asked_at = Some(now);
        self.suspicion = None;
    }

    /// Whether what comes now comes promptly after a question, as from a printer that had nothing else to do.
    pub(super) fn is_prompt(&self, now: Moment) -> bool {
        self.asked_at.is_some_and(|asked| now.since(asked) <= BRISK)
    }

    /// There may be silence until then, or until the command has been acknowledged.
    pub(super) fn allow_quiet(&mut self, ticket: Ticket, until: Moment) {
        self.quiet = Some((ticket, until)).max(self.quiet);
    }

    /// A command has been acknowledged.
    pub(super) fn acknowledged(&mut self, ticket: Ticket) {
        self.quiet = self.quiet.filter(|(quiet, _)| *quiet > ticket);
    }

    /// When to ask. Later than usual when temperatures come (they may come unasked, so they do not prove that the printer is at
    /// work on what was sent), and when the window is full (most likely a slow printer, with no room for a question).
    pub(super) fn ask_at(&self, load: Load) -> Option<Moment> {
        let silent = self.sign + self.tripled(self.silence);
        let unanswered = self.answer + self.tripled(self.silence * PATIENT);
        let patient = match load {
            Load::Nothing => None,
            Load::Some if !self.slow => Some(silent.min(unanswered)),
            Load::Some | Load::Full => Some(unanswered),
        };
        patient.map(|at| self.after_quiet(at)).into_iter().chain(self.suspicion).min()
    }

    /// When to give up waiting for an answer to something in flight.
    pub(super) fn give_up_at(&self) -> Moment {
        let since = if self.asked >= ASKED_MAX { self.answer } else { self.heard };
        self.after_quiet(since + self.give_up)
    }

    /// When to give up the handshake: chatter is no answer to it.
    pub(super) fn give_up_handshake_at(&self) -> Moment {
        self.answer + self.give_up
    }

    /// Since when nothing has been heard that answers us.
    pub(super) fn silent_since(&self) -> Moment {
        self.answer
    }

    fn after_quiet(&self, at: Moment) -> Moment {
        self.quiet.map_or(at, |(_, until)| at.max(until))
    }

    /// Each question without an answer triples the wait for the next.
    fn tripled(&self, wait: Duration) -> Duration {
        wait * 3u32.pow(self.asked.min(ASKED_MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    fn at(seconds: u32) -> Moment {
        Moment::ZERO + SECOND * seconds
    }

    fn patience() -> Patience {
        let mut patience =
            Patience::new(&DialogueConfig { silence: SECOND * 10, give_up: SECOND * 120, ..DialogueConfig::default() });
        patience.start(at(100));
        patience
    }

    #[test]
    fn questions_come_at_tripled_distances() {
        let mut patience = patience();
        assert_eq!(patience.ask_at(Load::Some), Some(at(110)));
        patience.asked(at(100));
        assert_eq!(patience.ask_at(Load::Some), Some(at(130)));
        patience.asked(at(100));
        assert_eq!(patience.ask_at(Load::Some), Some(at(190)));
        patience.answered(at(150));
        assert_eq!(patience.ask_at(Load::Some), Some(at(160)));
        patience.answered_slowly(at(150));
        assert_eq!(patience.ask_at(Load::Some), Some(at(180)));
        assert_eq!(patience.ask_at(Load::Nothing), None, "there is nothing to ask for");
    }

    #[test]
    fn a_full_window_puts_off_the_question() {
        let mut patience = patience();
        assert_eq!(patience.ask_at(Load::Full), Some(at(130)));
        patience.suspect(at(105));
        assert_eq!(patience.ask_at(Load::Full), Some(at(106)), "unless there is a reason");
        patience.asked(at(106));
        assert!(patience.is_prompt(at(107)) && !patience.is_prompt(at(108)));
    }

    #[test]
    fn temperatures_put_off_the_question_but_not_for_ever() {
        let mut patience = patience();
        for second in 101..130 {
            patience.sign(at(second));
        }
        assert_eq!(patience.ask_at(Load::Some), Some(at(130)));
    }

    #[test]
    fn suspicion_is_not_put_off_by_more_suspicion() {
        let mut patience = patience();
        patience.suspect(at(103));
        patience.suspect(at(104));
        assert_eq!(patience.ask_at(Load::Some), Some(at(104)));
        patience.asked(at(100));
        patience.suspect(at(104));
        assert_eq!(patience.ask_at(Load::Some), Some(at(107)));
    }

    #[test]
    fn a_printer_that_only_chatters_is_given_up_when_it_answers_no_question() {
        let mut patience = patience();
        patience.heard(at(500));
        assert_eq!(patience.give_up_at(), at(620));
        for _ in 0..ASKED_MAX {
            patience.asked(at(100));
        }
        assert_eq!(patience.give_up_at(), at(220));
        assert_eq!(patience.give_up_handshake_at(), at(220));
    }

    #[test]
    fn announced_quiet_is_borne_until_it_is_over() {
        let mut patience = patience();
        patience.allow_quiet(Ticket(7), at(400));
        patience.acknowledged(Ticket(6));
        assert_eq!((patience.ask_at(Load::Some), patience.give_up_at()), (Some(at(400)), at(400)));
        patience.acknowledged(Ticket(7));
        assert_eq!(
            (patience.ask_at(Load::Some), patience.give_up_at()),
            (Some(at(110)), at(220)),
            "no longer than needed"
        );
    }
}
