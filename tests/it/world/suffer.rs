//! Faults happen.

use std::time::Duration;

use nosebar::sim::{self, Condition, Mishap, SwitchCondition, Thermometer};

use super::fault::{Toward, What};
use super::store::Failure;
use super::world::World;

impl World {
    /// The fault with this number happens now.
    pub(crate) fn suffer(&mut self, index: usize) {
        let what = self.plan.faults[index].what.clone();
        self.tally.count(what.kind());
        let (now, physical) = (self.now(), self.physical());
        let mut machine = |fault| self.machine.fault(physical, fault);
        match what {
            What::Bytes(Toward::Machine, damage) => self.cable.to_machine.damage(damage),
            What::Bytes(Toward::Host, damage) => self.cable.to_host.damage(damage),
            What::LoseOk => machine(sim::Fault::LoseOk),
            What::DoubleOk => machine(sim::Fault::DoubleOk),
            What::StrayResend(by) => {
                let line = (self.machine.last_line() + by).max(0);
                self.inject(&format!("Resend: {line}\nok\n"));
            }
            What::UnknownCommand => self.inject("echo:Unknown command: \"M1234\"\n"),
            What::OddReport(form) => {
                let report = self.machine.report_as(form);
                self.inject(&format!("{report}\n"));
            }
            What::Busy(span) => self.cable.busy = Some((now + span, now)),
            What::Reset => machine(sim::Fault::Reset),
            What::Cut(span) => {
                machine(sim::Fault::Cut);
                self.cut(span);
            }
            What::Silence(span) => machine(sim::Fault::Silence(span)),
            What::HeaterStalls { name, noticed } => machine(sim::Fault::Heater(name, Condition::Fails { noticed })),
            What::HeaterSlow(name, times) => machine(sim::Fault::Heater(name, Condition::Slow(times))),
            What::HeaterOvershoots(name, by) => machine(sim::Fault::Heater(name, Condition::Overshoots(by))),
            What::Nonsense(name, shown_c) => {
                machine(sim::Fault::Thermometer(name, Thermometer::Shows(shown_c)));
                self.laws.misread = true;
            }
            What::HotRoom(ambient_c) => {
                machine(sim::Fault::Room(ambient_c));
                self.laws.hot_room = true;
            }
            What::BeltSlips(share) => {
                machine(sim::Fault::BeltSlips(share));
                self.laws.slipped = true;
            }
            What::PartSticks => machine(sim::Fault::LastPartSticks),
            What::PartFallsLate(mm) => machine(sim::Fault::LastPart(Mishap::FallsLate(mm))),
            What::PartFallsBack(mm) => {
                machine(sim::Fault::LastPart(Mishap::FallsBack(mm)));
                self.laws.deceived = true;
            }
            What::PartBreaks => {
                machine(sim::Fault::LastPart(Mishap::Breaks));
                self.laws.deceived = true;
            }
            What::SwitchStuck { pressed: true } => machine(sim::Fault::Switch(SwitchCondition::StuckPressed)),
            What::SwitchStuck { pressed: false } => machine(sim::Fault::Switch(SwitchCondition::StuckOpen)),
            What::CheckProgram(program) => self.program = Some(program),
            What::StoreFails(span) => self.fail_store(Failure::Broken, span),
            What::DiskFull(span) => self.fail_store(Failure::Full, span),
            What::Kill { effects, down } => self.killing = Some((effects, down)),
            What::ClockSet(by_ms) => self.clock.shift_wall(by_ms),
            What::Sleep(span) => self.sleep(span),
            What::Phones(one, other) => {
                self.phone(&one);
                self.phone(&other);
            }
            What::FileSpoilt => self.spoilt = true,
        }
        self.deliver();
    }

    fn fail_store(&mut self, failure: Failure, span: Duration) {
        self.disk.fails = Some(failure);
        self.fails_until = Some(self.now() + span);
    }

    fn inject(&mut self, text: &str) {
        if self.cable.open {
            let physical = self.physical();
            self.cable.to_host.send(physical, text.as_bytes().to_vec());
        }
    }

    pub(crate) fn cut(&mut self, span: Duration) {
        let now = self.now();
        self.cable.down_until = Some(now + span);
        self.cable.to_host.empty();
        self.cable.to_machine.empty();
        if std::mem::take(&mut self.cable.open)
            && let Some(process) = &mut self.process
        {
            process.attendant.handle_gone(now, "the link was cut".to_owned());
        }
    }

    /// The computer sleeps: the machine and the civil time go on, the line's clock stands still.
    fn sleep(&mut self, span: Duration) {
        self.slept += span;
        self.clock.shift_wall(i64::try_from(span.as_millis()).expect("a night"));
    }
}
