//! A person who comes by now and then, looks at what is true, answers truthfully and mends what is broken.

use std::time::Duration;

use nosebar::foreman::{Command, JobCommand, Jog, LineCommand};
use nosebar::job::{JobReason, JobState, LineState, PartWord};
use nosebar::line::Stage;
use nosebar::sim::{Condition, Fault, HeaterName, SwitchCondition, Thermometer};
use nosebar::units::{Micrometres, Moment};

use super::chance::Chance;
use super::phone::Asked;
use super::plan::{FLAWS_MM, LOOP_MM, NOSE_MM};
use super::world::World;

/// The person.
#[derive(Clone, Debug)]
pub(crate) struct Person {
    pub(crate) next_look: Moment,
    /// What was seen a moment ago: plastic and belt. When nothing has moved since, the machine stands.
    seen: Option<(f64, i64)>,
    /// Since when there is no connection.
    alone_since: Option<Moment>,
}

/// A doubt that a person does something about, µm.
const DOUBT_UM: i64 = 10_000;

impl Person {
    pub(crate) fn new(chance: &mut Chance) -> Self {
        let first = Moment::ZERO + chance.span(Duration::from_secs(1), Duration::from_secs(60));
        Self { next_look: first, seen: None, alone_since: None }
    }
}

impl World {
    pub(crate) fn person_looks(&mut self) {
        let truth = self.machine.truth();
        let seen = Some((truth.plastic_mm, truth.belt_um));
        let still = self.person.seen == seen && !self.machine.is_under_way();
        self.person.seen = seen;
        let (least, greatest) = if still { (20, 400) } else { (10, 40) };
        let wait = self.chance.span(Duration::from_secs(least), Duration::from_secs(greatest));
        self.person.next_look = self.now() + wait;
        self.mend();
        if still {
            self.person.seen = None;
            self.act();
        }
    }

    /// What is broken is mended sooner or later.
    fn mend(&mut self) {
        let physical = self.physical();
        if self.chance.one_in(3) {
            for name in [HeaterName::Bed, HeaterName::Nozzle] {
                self.machine.fault(physical, Fault::Heater(name, Condition::Works));
                self.machine.fault(physical, Fault::Thermometer(name, Thermometer::Works));
            }
            self.machine.fault(physical, Fault::Switch(SwitchCondition::Works));
            self.machine.fault(physical, Fault::BeltSlips(0.0));
            self.machine.fault(physical, Fault::Room(22.0));
            (self.program, self.spoilt) = (None, false);
        }
        let connected = self.process.as_ref().is_some_and(|process| process.office.line(0).connected());
        if connected || self.process.is_none() {
            self.person.alone_since = None;
            return;
        }
        let now = self.now();
        let since = *self.person.alone_since.get_or_insert(now);
        if now.since(since) > Duration::from_secs(300) {
            // Off, on, and the plug put in anew.
            self.machine.fault(physical, Fault::Reset);
            (self.cable.busy, self.cable.down_until, self.person.alone_since) = (None, None, None);
        }
    }

    /// The machine stands: is there anything to be done?
    fn act(&mut self) {
        self.send_what_is_missing();
        let Some(process) = &self.process else { return };
        let line = process.office.line(0);
        let (state, _) = line.state();
        let (asks, stage) = (line.asks(), line.in_work().map(|work| work.stage));
        let (doubt, may_try) = (line.ledger().doubt().0, line.may_try());
        let stands = matches!(state, LineState::Held | LineState::Stopped);
        let released = self.held_jobs();
        if asks.is_some() && self.must_mark() {
            return self.mark_the_belt();
        }
        for id in released {
            self.ask(Command::Job { id, what: JobCommand::Release, if_version: None });
        }
        let lost = self.plan.machine.loop_um.is_some() && (doubt > DOUBT_UM || self.laws.slipped);
        if asks.is_some() {
            self.answer(asks == Some(true));
        } else if lost && may_try && self.laws.marked {
            self.run_splice_to_nose();
        } else if stands {
            let stuck = matches!(stage, Some(Stage::Cooling | Stage::Halted | Stage::Paused));
            if stuck && self.chance.one_in(3) {
                self.say_clear();
            } else {
                self.operate(LineCommand::Resume);
            }
        }
    }

    /// Whether a person says first where splice and flaws are.
    fn must_mark(&self) -> bool {
        !self.laws.marked && self.plan.machine.loop_um.is_some() && self.machine.truth().belt_driven_um == 0
    }

    fn held_jobs(&self) -> Vec<nosebar::job::JobId> {
        let held = |job: &&nosebar::job::Job| {
            job.state == JobState::PendingHeld && job.reason != JobReason::ResourcesAreNotReady
                || job.reason == JobReason::JobHeldForRelease && !job.state.is_terminal()
        };
        self.disk.jobs.values().filter(held).map(|job| job.id).collect()
    }

    fn answer(&mut self, of_a_part: bool) {
        let there = !self.machine.truth().parts_on_belt.is_empty();
        if there && of_a_part && self.chance.one_in(3) {
            self.operate(LineCommand::NotClear);
        } else {
            self.say_clear();
        }
    }

    /// Takes off what is there, and says that nothing is there.
    pub(crate) fn say_clear(&mut self) {
        let physical = self.physical();
        self.machine.take_parts_off(physical);
        let truth = self.machine.truth();
        self.laws.person_says_clear(&truth);
        let part = self.chance.one_of(&[None, Some(PartWord::Good), Some(PartWord::Scrap)]);
        self.operate(LineCommand::BeltClear { part });
    }

    fn operate(&mut self, what: LineCommand) {
        let name = self.line_name();
        self.ask(Command::Line { name, what, if_since: None });
    }

    /// The splice is at the nose now; flaws are where they are.
    fn mark_the_belt(&mut self) {
        let done = self.laws.marks_done;
        if !done[0] {
            self.operate(LineCommand::SpliceAtNose);
        }
        for ((near, far), _) in FLAWS_MM.into_iter().zip(&done[1..]).filter(|(_, done)| !**done) {
            let um = |mm: i64| Micrometres(mm * 1000);
            self.operate(LineCommand::MarkFlaw { near: um(near), far: um(far), note: String::new() });
        }
    }

    fn run_splice_to_nose(&mut self) {
        let physical = self.physical();
        self.machine.fault(physical, Fault::BeltSlips(0.0));
        let truth = self.machine.truth();
        let loop_um = LOOP_MM * 1000;
        // It was at the nose when the belt was new.
        let before_nose = -truth.belt_um.rem_euclid(loop_um);
        let travel = if before_nose < -loop_um / 2 { before_nose + loop_um } else { before_nose };
        debug_assert!(travel.abs() <= NOSE_MM * 2000);
        if travel == 0 {
            let Some(process) = &self.process else { return };
            self.laws.base_um = truth.belt_driven_um - process.office.line(0).ledger().odometer.0;
            (self.laws.slipped, self.laws.slack_um) = (false, 1);
            self.operate(LineCommand::SpliceAtNose);
        } else {
            let jog = Jog { travel: Micrometres(travel), feed_mm_min: 1200, looked: true, although_warm: true };
            self.operate(LineCommand::Jog(jog));
        }
    }

    /// What two phones ask for at once.
    pub(crate) fn phone(&mut self, asked: &Asked) {
        match asked {
            Asked::BeltClear if self.machine.is_under_way() || self.must_mark() => return,
            Asked::BeltClear => return self.say_clear(),
            Asked::ReleaseC(..) => self.laws.overrides(),
            _ => {}
        }
        let jobs = self.open_jobs();
        if let Some(command) = asked.command(&self.line_name(), &jobs) {
            self.ask(command);
        }
    }
}
