//! The simulated printer: firmware on a serial line, with the metal under it.

use std::collections::{BTreeMap, VecDeque};

use super::body::{Body, HeaterName};
use super::config::{BeltDrive, SimConfig};
use super::fault::{Fault, LineFault, SwitchCondition};
use super::firmware::{Firmware, State, Task};
use super::heater::Condition;
use super::modal::Registers;
use super::output::Output;
use super::parts::Marks;
use super::script::ScriptRun;
use super::thermometer::Thermometer;
use super::truth::{Happening, Note, Truth};
use crate::gcode::{Word, lex_line};
use crate::units::Moment;

/// A simulated printer of firmware family M with a belt. Sans-IO: bytes and time go in, bytes come out.
///
/// ```
/// use nosebar::{sim::{Printer, SimConfig}, units::Moment};
/// let mut printer = Printer::new(SimConfig::default(), Moment::ZERO);
/// printer.advance(Moment::ZERO);
/// assert_eq!(printer.poll_output().as_deref(), Some(&b"start\n"[..]));
/// printer.handle_bytes(Moment(1_000), b"G28\n");
/// assert!(printer.deadline().is_some());
/// ```
#[derive(Clone, Debug)]
pub struct Printer {
    pub(super) config: SimConfig,
    start: Moment,
    pub(super) now: Moment,
    pub(super) body: Body,
    pub(super) firmware: Firmware,
    pub(super) output: Output,
    pub(super) script: ScriptRun,
    pub(super) line_faults: VecDeque<LineFault>,
    pub(super) lines_arrived: u64,
    switch: SwitchCondition,
    /// Of the bed, of the nozzle.
    pub(super) thermometers: [Thermometer; 2],
    pub(super) marks: Marks,
    notes: VecDeque<Note>,
    recent: VecDeque<String>,
    commands: u64,
    pub(super) lines_refused: u64,
    bytes_lost: u64,
    resets: u32,
    cuts: u64,
    suffered: BTreeMap<&'static str, u64>,
}

/// How many notes are kept that nobody asks for.
const NOTES_KEPT: usize = 1000;

impl Printer {
    /// A machine that is switched on `now`, cold and with an empty belt.
    #[must_use]
    pub fn new(mut config: SimConfig, now: Moment) -> Self {
        if let BeltDrive::Extruder(tool) = config.belt.drive {
            config.motion.tools = config.motion.tools.max(tool + 1);
        }
        let body = Body::new(&config, now);
        Self {
            start: now,
            now,
            firmware: Firmware::new(&config, body.head(), now),
            output: Output::new(config.input.reply_delay),
            script: ScriptRun::new(&config.faults, now),
            body,
            line_faults: VecDeque::new(),
            lines_arrived: 0,
            switch: SwitchCondition::Works,
            thermometers: [Thermometer::Works; 2],
            marks: Marks::default(),
            notes: VecDeque::new(),
            recent: VecDeque::new(),
            commands: 0,
            lines_refused: 0,
            bytes_lost: 0,
            resets: 0,
            cuts: 0,
            suffered: BTreeMap::new(),
            config,
        }
    }

    /// Bytes arrive on the serial line. What finds no room is lost.
    pub fn handle_bytes(&mut self, now: Moment, bytes: &[u8]) {
        self.advance(now);
        match self.firmware.state {
            State::Runs => self.receive(bytes),
            State::Quiet(_) => self.firmware.input.leave_unseen(bytes),
            State::Boots(_) | State::Halted => {}
        }
        self.gather();
    }

    /// Lets time pass up to `now`, event by event. A moment that has passed already changes nothing.
    pub fn advance(&mut self, now: Moment) {
        while let Some(next) = self.next_event(true).filter(|next| *next <= now) {
            self.step(next);
        }
        if now > self.now {
            self.step(now);
        }
    }

    /// The replies that have left by the last moment that the machine was told; `None` if there are none.
    pub fn poll_output(&mut self) -> Option<Vec<u8>> {
        self.output.poll(self.now)
    }

    /// The next thing for the log.
    pub fn poll_note(&mut self) -> Option<Note> {
        self.notes.pop_front()
    }

    /// The next moment at which something happens that can be seen from outside, if nothing arrives before.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        self.next_event(false).into_iter().chain(self.output.next()).min()
    }

    /// What truly happened, up to the last moment that the machine was told.
    #[must_use]
    pub fn truth(&self) -> Truth {
        let [prints_begun, parts_fallen, parts_taken_off, prints_over_a_part] = self.body.parts.counts();
        let belt_um = self.body.belt.place_um();
        let (belt_forward_um, belt_backward_um) = self.body.belt.travelled_um();
        Truth {
            simulated_s: self.now.since(self.start).as_secs_f64(),
            belt_um,
            belt_forward_um,
            belt_backward_um,
            belt_driven_um: self.body.belt.driven_um(),
            prints_begun,
            parts_fallen,
            parts_taken_off,
            prints_over_a_part,
            prints_over_a_keep_out: self.body.parts.over_a_keep_out(),
            belt_moved_hot: self.body.moved_hot,
            belt_moved_while_head_low: self.body.moved_low,
            parts_on_belt: self.body.parts.on_belt(belt_um),
            last_gone: self.body.parts.last_gone().cloned(),
            plastic_mm: self.body.plastic_mm,
            path_hash: self.body.path_hash,
            bed_c: self.body.bed.temperature(self.now),
            bed_target_c: self.body.bed.target_c(),
            nozzle_c: self.body.nozzle.temperature(self.now),
            nozzle_target_c: self.body.nozzle.target_c(),
            commands: self.commands,
            lines_refused: self.lines_refused,
            bytes_lost: self.bytes_lost,
            resets: self.resets,
            halted: self.is_halted(),
        }
    }

    /// What the firmware remembers between commands, as far as it tells how the next one is taken.
    #[must_use]
    pub fn registers(&self) -> Registers {
        self.firmware.modal.registers()
    }

    /// The last commands that were executed, oldest first, without number and checksum.
    pub fn recent_commands(&self) -> impl Iterator<Item = &str> {
        self.recent.iter().map(String::as_str)
    }

    /// A person takes every part off the belt.
    pub fn take_parts_off(&mut self, now: Moment) {
        self.advance(now);
        self.body.parts.take_off(self.body.belt.place_um(), &mut self.body.notes);
        self.gather();
    }

    /// Something goes wrong.
    pub fn fault(&mut self, now: Moment, fault: Fault) {
        self.advance(now);
        self.suffer(fault);
        self.gather();
    }

    /// Whether the board takes commands now: it runs, and waits for nothing.
    #[must_use]
    pub fn listens(&self) -> bool {
        self.firmware.state == State::Runs && self.firmware.work.is_none()
    }

    /// Whether anything that was sent is still being done, or moves.
    #[must_use]
    pub fn is_under_way(&self) -> bool {
        self.body.planned() > 0 || self.firmware.work.is_some()
    }

    /// The number of the last line that was accepted.
    #[must_use]
    pub fn last_line(&self) -> i64 {
        self.firmware.numbering.last()
    }

    /// Whether it was stopped for good and waits for a reset.
    #[must_use]
    pub fn is_halted(&self) -> bool {
        self.firmware.state == State::Halted
    }

    /// How often the connection was cut: a link that saw a smaller number is dead.
    #[must_use]
    pub fn cuts(&self) -> u64 {
        self.cuts
    }

    /// How often each kind of fault has happened, by its word in a fault script.
    #[must_use]
    pub fn faults_suffered(&self) -> &BTreeMap<&'static str, u64> {
        &self.suffered
    }

    /// Nobody was connected: what was said so far is lost.
    pub fn discard_output(&mut self) {
        self.output.discard();
    }

    /// The machine's own next event; ends of moves count where something waits for them, or `every_move`.
    fn next_event(&self, every_move: bool) -> Option<Moment> {
        let always =
            [self.script.next(), self.body.next_part_event(), every_move.then(|| self.body.move_end()).flatten()];
        let board = match self.firmware.state {
            State::Boots(until) | State::Quiet(until) => Some(until),
            State::Runs => self.next_of_firmware(),
            State::Halted => None,
        };
        always.into_iter().flatten().chain(board).min()
    }

    fn next_of_firmware(&self) -> Option<Moment> {
        let firmware = &self.firmware;
        let protection = self.config.heater_protection;
        let cold = firmware.cold_since.iter().flatten().filter_map(|since| protection.map(|after| *since + after));
        let work = firmware.work.iter().flat_map(|work| {
            let waits_for = match &work.task {
                Task::Place(_) => self.body.move_end(),
                Task::Drain(_) => self.body.motion_end(),
                Task::Until(moment, _) => Some(*moment),
                Task::Heat { name, target_c, .. } => self.body.heater(*name).reaches(self.now, *target_c),
                Task::Person => None,
            };
            waits_for.into_iter().chain(work.report.map(|every| every.next)).chain([work.busy.next])
        });
        firmware.autoreport.map(|every| every.next).into_iter().chain(cold).chain(work).min()
    }

    /// Time passes to `now`, not beyond the next event.
    fn step(&mut self, now: Moment) {
        self.now = now;
        self.body.advance(now);
        self.wake();
        while let Some(fault) = self.script.poll(now) {
            self.suffer(fault);
        }
        self.watch_heaters();
        if self.firmware.state == State::Runs {
            self.give_signs_of_life();
            self.work();
        }
        self.gather();
    }

    /// Ends boot and silence when their time has come.
    fn wake(&mut self) {
        match self.firmware.state {
            State::Boots(until) if until <= self.now => {
                self.firmware.state = State::Runs;
                self.output.say(self.now, "start");
                self.note(Happening::Started);
            }
            State::Quiet(until) if until <= self.now => {
                self.firmware.state = State::Runs;
                let unseen = self.firmware.input.take_unseen();
                self.receive(&unseen);
            }
            _ => {}
        }
    }

    /// A heater that is on, gives no heat and is noticed stops the machine, after a while.
    fn watch_heaters(&mut self) {
        let heaters = [(HeaterName::Bed, "the bed does not heat"), (HeaterName::Nozzle, "the nozzle does not heat")];
        for (index, (name, reason)) in heaters.into_iter().enumerate() {
            let heater = self.body.heater(name);
            let cold = heater.condition() == Condition::Fails { noticed: true } && heater.target_c() > 0.0;
            let since = cold.then(|| self.firmware.cold_since[index].unwrap_or(self.now));
            self.firmware.cold_since[index] = since;
            let Some((since, after)) = since.zip(self.config.heater_protection) else { continue };
            if since + after <= self.now && !self.is_halted() {
                self.halt(reason);
            }
        }
    }

    /// Heaters and motors off; nothing more is read until a reset.
    pub(super) fn halt(&mut self, reason: &'static str) {
        self.power_off();
        self.firmware.work = None;
        self.firmware.state = State::Halted;
        self.output.say(self.now, &format!("Error:{reason}, stopped until a reset"));
        self.note(Happening::Halted { reason });
    }

    /// The move under way and all planned ones end here.
    pub(super) fn stop_moves(&mut self) {
        self.body.cut_motion();
        self.firmware.modal.found_at(self.body.head(), [false; 3]);
    }

    fn power_off(&mut self) {
        self.body.cut_motion();
        self.body.bed.set_target(self.now, 0.0);
        self.body.nozzle.set_target(self.now, 0.0);
    }

    pub(super) fn suffer(&mut self, fault: Fault) {
        *self.suffered.entry(fault.kind()).or_default() += 1;
        match fault {
            Fault::Line(fault) => self.line_faults.push_back(fault),
            Fault::LoseOk => self.output.lose_next_ok(),
            Fault::DoubleOk => self.output.double_next_ok(),
            Fault::Reset => self.reset(),
            Fault::Heater(name, condition) => self.body.heater_mut(name).set_condition(self.now, condition),
            Fault::PartSticks(number) => self.body.parts.glue(number),
            Fault::LastPartSticks => self.body.parts.glue(self.body.parts.last_or_next()),
            Fault::Switch(condition) => self.switch = condition,
            Fault::Silence(span) if self.firmware.state == State::Runs => {
                self.firmware.state = State::Quiet(self.now + span)
            }
            Fault::Silence(_) => {}
            Fault::Cut => {
                self.cuts += 1;
                self.output.discard();
                self.note(Happening::LinkCut);
            }
            Fault::BeltSlips(share) => self.body.slip_belt(share),
            Fault::Thermometer(HeaterName::Bed, thermometer) => self.thermometers[0] = thermometer,
            Fault::Thermometer(HeaterName::Nozzle, thermometer) => self.thermometers[1] = thermometer,
            Fault::Room(ambient_c) => {
                self.body.bed.set_ambient(self.now, ambient_c);
                self.body.nozzle.set_ambient(self.now, ambient_c);
            }
            Fault::LastPart(mishap) => self.body.parts.befall(self.body.parts.last_or_next(), mishap),
        }
    }

    fn reset(&mut self) {
        self.power_off();
        self.resets += 1;
        self.marks.surely += 1;
        self.count_lost();
        self.firmware = Firmware::new(&self.config, self.body.head(), self.now);
        self.wake();
    }

    /// What the switch at the nose says.
    pub(super) fn switch_says_pressed(&self) -> bool {
        match self.switch {
            SwitchCondition::Works => self.body.presses_switch(),
            SwitchCondition::StuckOpen => false,
            SwitchCondition::StuckPressed => true,
        }
    }

    /// Remembers a command that is executed now.
    pub(super) fn remember(&mut self, line: &[u8], words: &mut Vec<Word>) {
        self.commands += 1;
        let mut text = Vec::new();
        lex_line(line, words).sendable(&mut text);
        self.recent.push_back(String::from_utf8_lossy(&text).into_owned());
        while self.recent.len() > self.config.commands_kept {
            self.recent.pop_front();
        }
    }

    fn note(&mut self, what: Happening) {
        self.notes.push_back(Note { at: self.now, what });
        while self.notes.len() > NOTES_KEPT {
            self.notes.pop_front();
        }
    }

    fn count_lost(&mut self) {
        let lost = self.firmware.input.take_lost();
        self.bytes_lost += lost;
        if lost > 0 {
            self.note(Happening::BytesLost { count: lost });
        }
    }

    /// Takes in what body and input have to tell.
    fn gather(&mut self) {
        for what in std::mem::take(&mut self.body.notes) {
            self.note(what);
        }
        self.count_lost();
    }
}
