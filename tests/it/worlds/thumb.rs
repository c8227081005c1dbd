//! A thumb on a button that jogs the belt, and everything that may happen to it: it is lifted, the phone is lost, words and
//! acknowledgements get lost, come late or out of order, the disk is slow, the link or the process dies.
//!
//! What counts is the belt itself: how far it ran after the last word that the button is held.

use std::time::Duration;

use nosebar::foreman::{Command, JogWhile, LineCommand, Toward};
use nosebar::job::LineState;
use nosebar::sim::Fault;
use nosebar::units::Moment;

use super::super::world::cable::Damage;
use super::super::world::plan::Plan;
use super::super::world::world::World;

/// What many thumbs showed.
#[derive(Debug, Default)]
pub(crate) struct Thumbs {
    pub(crate) presses: u32,
    /// How often the belt ran at all.
    pub(crate) ran: u32,
    /// The farthest that it ran after the last word, as a share of what it may: 1.3 s at its feed.
    pub(crate) farthest: f64,
    /// How long it still ran after the last word where nothing went wrong with cable or process, s.
    pub(crate) longest_s: f64,
    /// As `farthest`, after letting go was heard, where nothing else went wrong, as a share of one piece.
    pub(crate) after_let_go: f64,
    /// How often each of these happened.
    pub(crate) lost_phones: u32,
    pub(crate) mishaps: u32,
    pub(crate) kills: u32,
}

/// How long a word counts, and a piece.
const LEASE_S: f64 = 1.0;
const PIECE_S: f64 = 0.3;
/// What the cable and the lines before and after a piece take at most, s.
const OVERHEAD_S: f64 = 0.15;
/// Every how often a phone says that its button is held.
const RENEWED: Duration = Duration::from_millis(300);
/// Whatever is put off by the cable has happened, or never will.
const PATIENCE: Duration = Duration::from_secs(40);
/// The belt's drive counts in steps, and rounds: µm.
const ROUNDING_UM: f64 = 2.0;

/// A world, where its belt was seen last, and when it moved last.
struct Watched {
    world: World,
    seen: (i64, Moment),
}

/// Presses of one seed's line, one after the other.
pub(crate) fn press_often(seed: u64, shown: &mut Thumbs) -> Result<(), String> {
    let mut plan = Plan::new(seed);
    (plan.jobs, plan.faults) = (Vec::new(), Vec::new());
    let mut world = World::new(plan);
    world.slow_one_in = 12;
    let mut watched = Watched { world, seen: (0, Moment::ZERO) };
    for number in 0..8 {
        watched.run_until_it_rests()?;
        watched.press(seed * 100 + number, shown)?;
    }
    Ok(())
}

impl Watched {
    /// Steps until then, without the people of other worlds.
    fn run_to(&mut self, until: Moment) -> Result<(), String> {
        // Something is always to be done by then: a reading a second.
        while self.world.now() < until {
            self.world.person.next_look = until;
            self.world.step()?;
            let belt_um = self.driven_um();
            if self.seen.0 != belt_um {
                self.seen = (belt_um, self.world.now());
            }
        }
        Ok(())
    }

    fn run_for(&mut self, span: Duration) -> Result<(), String> {
        self.run_to(self.world.now() + span)
    }

    /// Until the line may be jogged, with whatever a person does for that.
    fn run_until_it_rests(&mut self) -> Result<(), String> {
        for _ in 0..60 {
            let line = self.world.process.as_ref().map(|process| process.office.line(0));
            if line.is_some_and(|line| line.connected() && line.may_try()) {
                return self.run_for(Duration::from_secs(3));
            }
            if line.is_some_and(|line| line.state().0 == LineState::Aborted) {
                self.world.say_clear();
            }
            self.run_for(Duration::from_secs(5))?;
        }
        Err(format!("the line does not come to rest: {}", self.world.look()))
    }

    fn tell(&mut self, what: LineCommand) {
        let name = self.world.line_name();
        self.world.ask(Command::Line { name, what, if_since: None });
    }

    fn driven_um(&self) -> i64 {
        self.world.machine.truth().belt_driven_um
    }

    /// One press from its beginning to long after its end.
    fn press(&mut self, press: u64, shown: &mut Thumbs) -> Result<(), String> {
        let toward = self.world.chance.one_of(&[Toward::Nose, Toward::Tail]);
        let feed_mm_min = self.world.chance.one_of(&[60, 300, 600, 1200]);
        let asked = JogWhile { toward, feed_mm_min, looked: true, although_warm: true, press };
        let held_for = self.world.chance.span(Duration::ZERO, Duration::from_secs(4));
        let phone_lost = self.world.chance.one_in(2);
        let overtaken = self.world.chance.one_in(12);
        let mishap_at = self.world.now() + self.world.chance.span(Duration::ZERO, Duration::from_secs(5));
        let mut mishap = self.world.chance.one_in(2);
        let quiet = !mishap && !overtaken;
        let (begun, end) = (self.world.now(), self.world.now() + held_for);
        let start_um = self.driven_um();
        let (mut last_word_um, mut last_word_at) = (start_um, begun);
        let kills = shown.kills;
        if overtaken {
            self.tell(LineCommand::JogLetGo { press });
        }
        while self.world.now() <= end {
            // One word in ten gets lost; and the first one that is not answered, since the daemon has died, is the last.
            let answers = self.world.process.is_some() && shown.kills == kills;
            if answers && (self.world.now() == begun || !self.world.chance.one_in(10)) {
                (last_word_um, last_word_at) = (self.driven_um(), self.world.now());
                self.tell(LineCommand::JogWhile(asked));
            }
            let next = self.world.now() + RENEWED;
            if mishap && mishap_at < next {
                self.run_to(mishap_at.max(self.world.now()))?;
                mishap = false;
                self.go_wrong(shown);
            }
            self.run_to(next.min(end.max(Moment(self.world.now().0 + 1))))?;
        }
        shown.presses += 1;
        shown.lost_phones += u32::from(phone_lost);
        let let_go_um = self.driven_um();
        if !phone_lost {
            self.tell(LineCommand::JogLetGo { press });
        }
        if mishap {
            self.run_to(mishap_at.max(self.world.now()))?;
            self.go_wrong(shown);
        }
        self.run_for(PATIENCE)?;
        let stood_um = self.driven_um();
        let after_um = (stood_um - last_word_um).abs() as f64;
        let um_a_second = f64::from(feed_mm_min) / 60.0 * 1000.0;
        let bound_um = (LEASE_S + PIECE_S) * um_a_second;
        shown.ran += u32::from(stood_um != start_um);
        shown.farthest = shown.farthest.max(after_um / bound_um);
        if after_um > bound_um + ROUNDING_UM {
            return Err(format!("the belt ran {after_um} µm after the last word, and may run {bound_um}"));
        }
        if quiet && self.seen.1 > last_word_at {
            let ran_s = self.seen.1.since(last_word_at).as_secs_f64();
            shown.longest_s = shown.longest_s.max(ran_s);
            if ran_s > LEASE_S + PIECE_S + OVERHEAD_S {
                return Err(format!("the belt ran for {ran_s} s after the last word"));
            }
        }
        if overtaken && stood_um != start_um {
            return Err("a press that was let go before it was heard ran the belt".to_owned());
        }
        if !phone_lost && quiet {
            let share = (stood_um - let_go_um).abs() as f64 / (PIECE_S * um_a_second);
            shown.after_let_go = shown.after_let_go.max(share);
        }
        // Nothing moves later, not even by words that come late.
        self.tell(LineCommand::JogWhile(asked));
        self.run_for(PATIENCE)?;
        let moved = self.driven_um() - stood_um;
        // A process that was started anew meanwhile knows of no press: to it this is a thumb on the button.
        if moved != 0 && shown.kills == kills {
            return Err(format!("the belt ran {moved} µm by a word that came late"));
        }
        Ok(())
    }

    fn go_wrong(&mut self, shown: &mut Thumbs) {
        let physical = self.world.physical();
        shown.mishaps += 1;
        match self.world.chance.below(9) {
            0 => self.world.machine.fault(physical, Fault::LoseOk),
            1 => self.world.machine.fault(physical, Fault::DoubleOk),
            2 => self.world.cable.to_machine.damage(Damage::Lost { at: 0, count: 6 }),
            3 => self.world.cable.to_host.damage(Damage::Lost { at: 0, count: 3 }),
            4 => self.world.cable.to_machine.damage(Damage::Flipped { at: 3, bit: 1 }),
            5 => self.world.cable.to_machine.damage(Damage::Delayed(Duration::from_millis(800))),
            6 => self.world.cable.to_host.damage(Damage::Delayed(Duration::from_millis(800))),
            7 => {
                self.world.machine.fault(physical, Fault::Cut);
                self.world.cut(Duration::from_secs(2));
            }
            _ => {
                shown.kills += 1;
                self.world.kill(Duration::from_secs(1));
            }
        }
        self.world.deliver();
    }
}
