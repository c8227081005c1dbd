//! Carries out commands: what each one does at once, and what it waits for.

use std::time::Duration;

use super::answer::{self, Reading};
use super::arc::Arc;
use super::belt::micro_units;
use super::body::{Block, HeaterName};
use super::config::{BeltDrive, ReportForm, SimConfig};
use super::firmware::{Every, Finish, State, Task, Then, Work};
use super::heater::Heater;
use super::modal::{Request, has, value};
use super::path::Path;
use super::printer::Printer;
use super::thermometer::{self, Thermometer};
use crate::gcode::Word;

/// What is to be said when a command is done, or what it waits for.
enum Outcome {
    Done,
    Says(String),
    Waits(Task),
}

/// Commands that are known, accepted and change nothing that is simulated: fans, progress, limits, messages, levelling.
const WITHOUT_EFFECT_M: &[u32] = &[
    17, 73, 92, 106, 107, 108, 110, 117, 118, 150, 201, 203, 204, 205, 206, 207, 208, 211, 240, 241, 245, 246, 290,
    300, 355, 420, 486, 500, 501, 502, 503, 851, 900,
];
const WITHOUT_EFFECT_G: &[u32] = &[10, 11, 29];

/// Temperatures this close are the same: a moment is a whole microsecond.
const THERE_K: f64 = 1e-6;

impl Printer {
    /// Goes on with the command under way and those that wait, until one of them takes time.
    pub(super) fn work(&mut self) {
        while self.firmware.state == State::Runs {
            if let Some(work) = self.firmware.work.take() {
                if let Some(task) = self.proceed(work.task) {
                    self.firmware.work = Some(Work { task, ..work });
                    return;
                }
                continue;
            }
            let Some(line) = self.firmware.input.next() else { return };
            match self.execute(&line) {
                Outcome::Done => self.finish("ok"),
                Outcome::Says(text) => self.finish(&text),
                Outcome::Waits(task) => self.firmware.work = Some(Work::new(task, self.now)),
            }
        }
    }

    /// The command under way is done: its room is free, and the host is told.
    pub(super) fn finish(&mut self, text: &str) {
        self.firmware.work = None;
        self.firmware.input.done();
        if self.firmware.state == State::Runs {
            self.output.say_ok(self.now, text);
        }
    }

    /// Says what has to be said again and again.
    pub(super) fn give_signs_of_life(&mut self) {
        let now = self.now;
        let report = self.firmware.autoreport.as_mut().is_some_and(|every| every.due(now));
        let work = self.firmware.work.as_mut();
        let (waits, busy) = work.map_or((false, None), |work| {
            let text = if matches!(work.task, Task::Person) { "paused for user" } else { "processing" };
            (work.report.as_mut().is_some_and(|every| every.due(now)), work.busy.due(now).then_some(text))
        });
        if report || waits {
            let text = self.temperatures();
            self.output.say(now, &text);
        }
        if let Some(text) = busy {
            self.output.say(now, &format!("echo:busy: {text}"));
        }
    }

    /// Goes on with a command; gives it back if it still has to wait.
    fn proceed(&mut self, task: Task) -> Option<Task> {
        match task {
            Task::Place(block) if self.body.planned() < self.config.motion.planner_moves => {
                self.body.enqueue(block);
                self.finish("ok");
            }
            Task::Drain(then) if self.body.planned() == 0 => return self.after_motion(then),
            Task::Until(moment, finish) if moment <= self.now => {
                if let Finish::Homed(axes) = finish {
                    self.arrive_home(axes);
                }
                self.finish("ok");
            }
            Task::Heat { name, target_c, also_falling } => {
                let off = self.body.heater(name).temperature(self.now) - target_c;
                if off < -THERE_K || (also_falling && off > THERE_K) {
                    return Some(Task::Heat { name, target_c, also_falling });
                }
                self.finish("ok");
            }
            waits => return Some(waits),
        }
        None
    }

    fn after_motion(&mut self, then: Then) -> Option<Task> {
        match then {
            Then::Done => {
                self.finish("ok");
                None
            }
            Then::Dwell(span) => self.proceed(Task::Until(self.now + span, Finish::Dwelt)),
            Then::Home(axes) => self.proceed(Task::Until(self.now + self.homing_time(axes), Finish::Homed(axes))),
            Then::Person => Some(Task::Person),
        }
    }

    fn execute(&mut self, line: &[u8]) -> Outcome {
        let mut words = Vec::new();
        self.remember(line, &mut words);
        let command = words.first().and_then(Word::code).unwrap_or((0, 0, 0));
        let arguments = words.get(1..).unwrap_or_default();
        match command {
            (b'G', number @ 0..=3, 0) => self.make_move(arguments, number),
            (b'G', 4, 0) => Outcome::Waits(Task::Drain(Then::Dwell(dwell(arguments)))),
            (b'G', 28, 0) => Outcome::Waits(Task::Drain(Then::Home(axes(arguments)))),
            (b'G', 92, 0) => {
                self.firmware.modal.set_position(arguments, self.config.belt.drive);
                Outcome::Done
            }
            (b'T', number, 0) => self.select_tool(number),
            (letter, number, 0) if self.firmware.modal.set_mode(letter, number) => Outcome::Done,
            (b'G', number, 0) if WITHOUT_EFFECT_G.contains(&number) => Outcome::Done,
            (b'M', number, 0) => self.execute_m(number, arguments).unwrap_or_else(|| self.unknown()),
            // A number alone was counted; there is nothing to do.
            (0, ..) if words.is_empty() => Outcome::Done,
            _ => self.unknown(),
        }
    }

    fn execute_m(&mut self, number: u32, words: &[Word]) -> Option<Outcome> {
        Some(match number {
            0 | 1 | 600 => Outcome::Waits(Task::Drain(Then::Person)),
            18 | 84 | 400 => Outcome::Waits(Task::Drain(Then::Done)),
            104 | 109 | 140 | 190 => self.heat(number, words),
            105 => Outcome::Says(format!("ok {}", self.temperatures())),
            112 => {
                self.halt("emergency stop");
                Outcome::Done
            }
            114 => {
                let (at, e) = self.firmware.modal.believed();
                self.say_then_ok([answer::position(at, e, self.body.head())])
            }
            115 => self.say_then_ok(answer::firmware(self.config.motion.tools, self.config.input.emergency)),
            119 => {
                let homed = self.body.head().map(|mm| mm <= 0.0);
                self.say_then_ok(answer::endstops(&self.config.switch_name, self.switch_says_pressed(), homed))
            }
            155 => {
                let seconds = value(words, b'S').unwrap_or(0.0);
                let period = Duration::try_from_secs_f64(seconds).ok().filter(|period| *period >= AUTOREPORT_MIN);
                self.firmware.autoreport = period.map(|period| Every::from(self.now, period));
                Outcome::Done
            }
            200 => {
                self.firmware.modal.set_volumetric(words);
                Outcome::Done
            }
            220 | 221 => self.set_shares(number, words),
            302 => self.set_cold(words),
            410 => {
                self.stop_moves();
                Outcome::Done
            }
            _ if WITHOUT_EFFECT_M.contains(&number) => Outcome::Done,
            _ => return None,
        })
    }

    fn unknown(&mut self) -> Outcome {
        let text = self.recent_commands().last().unwrap_or_default().to_owned();
        self.say_then_ok([format!("echo:Unknown command: \"{text}\"")])
    }

    fn say_then_ok(&mut self, lines: impl IntoIterator<Item = String>) -> Outcome {
        for line in lines {
            self.output.say(self.now, &line);
        }
        Outcome::Done
    }

    fn select_tool(&mut self, number: u32) -> Outcome {
        match usize::try_from(number).ok().filter(|tool| *tool < self.config.motion.tools) {
            Some(tool) => {
                self.firmware.modal.tool = tool;
                Outcome::Done
            }
            None => self.say_then_ok([format!("echo:T{number} is no tool of this machine")]),
        }
    }

    /// M104, M109, M140, M190. With R it waits while cooling too (RepRap wiki, G-code page).
    fn heat(&mut self, number: u32, words: &[Word]) -> Outcome {
        let name = if number < 140 { HeaterName::Nozzle } else { HeaterName::Bed };
        let also_falling = has(words, b'R');
        let Some(target_c) = value(words, b'S').or_else(|| value(words, b'R')) else { return Outcome::Done };
        self.body.heater_mut(name).set_target(self.now, target_c);
        if name == HeaterName::Bed && target_c <= 0.0 {
            self.marks.perhaps += 1;
        }
        if matches!(number, 109 | 190) {
            Outcome::Waits(Task::Heat { name, target_c, also_falling })
        } else {
            Outcome::Done
        }
    }

    fn set_shares(&mut self, number: u32, words: &[Word]) -> Outcome {
        let Some(share) = value(words, b'S').map(|percent| (percent / 100.0).clamp(0.01, 10.0)) else {
            return Outcome::Done;
        };
        let modal = &mut self.firmware.modal;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the cast saturates; no tool is found then"
        )]
        let tool = value(words, b'T').map_or(modal.tool, |tool| tool as usize);
        match (number, modal.flow.get_mut(tool)) {
            (220, _) => modal.feed_share = share,
            (_, Some(flow)) => *flow = share,
            (_, None) => {}
        }
        Outcome::Done
    }

    /// M302: S sets the least temperature (0: any), P allows cold extrusion or does not.
    fn set_cold(&mut self, words: &[Word]) -> Outcome {
        let modal = &mut self.firmware.modal;
        if let Some(below_c) = value(words, b'S') {
            modal.cold_below_c = below_c;
            modal.cold_allowed = below_c <= 0.0;
        }
        if let Some(allowed) = value(words, b'P') {
            modal.cold_allowed = allowed > 0.0;
        }
        Outcome::Done
    }

    fn make_move(&mut self, words: &[Word], number: u32) -> Outcome {
        let drive = self.config.belt.drive;
        let mut request = self.firmware.modal.request_move(words, number, drive);
        if request.e != 0.0 && !self.may_extrude(request.e) {
            request.e = 0.0;
        }
        let modal = &self.firmware.modal;
        let e = request.e * modal.flow[modal.tool];
        let (extrusion, belt) = match drive {
            BeltDrive::Extruder(tool) if tool == modal.tool => (None, e),
            BeltDrive::Extruder(_) => (Some((modal.tool, e)), 0.0),
            BeltDrive::Axis(_) => (Some((modal.tool, e)), request.free_axis),
        };
        let extrusion = extrusion.filter(|(_, travel)| *travel != 0.0);
        let path = way(&request);
        let drives = e.abs().max(belt.abs());
        if path.length() == 0.0 && drives == 0.0 {
            return Outcome::Done;
        }
        let belt = micro_units(belt);
        let duration = path.duration(request.feed, drives, &self.config.motion);
        let block =
            Block { path, extrusion, belt, marks: self.marks, bed_target_c: self.body.bed.target_c(), duration };
        if belt != 0 {
            self.marks.surely += 1;
        }
        Outcome::Waits(Task::Place(block))
    }

    /// Whether an extruder may turn; says why not.
    fn may_extrude(&mut self, travel: f64) -> bool {
        let nozzle_c = self.body.nozzle.temperature(self.now);
        let modal = &self.firmware.modal;
        let refusal = if !modal.cold_allowed && nozzle_c < modal.cold_below_c {
            format!("echo:no cold extrusion, the nozzle is at {nozzle_c:.1}")
        } else if travel.abs() > self.config.motion.longest_extrusion_mm {
            format!("echo:no extrusion as long as {travel}")
        } else {
            return true;
        };
        self.output.say(self.now, &refusal);
        false
    }

    fn homing_time(&self, axes: [bool; 3]) -> Duration {
        let motion = &self.config.motion;
        let seconds = (0..3).filter(|axis| axes[*axis]).map(|axis| {
            let feed = motion.homing_feed.min(motion.max_feed_xyz[axis]);
            self.body.head()[axis].abs() / feed + HOMING_TOUCH_S
        });
        Duration::from_secs_f64(seconds.sum())
    }

    /// All three axes have their zero at the home position.
    fn arrive_home(&mut self, axes: [bool; 3]) {
        let mut head = self.body.head();
        for axis in (0..3).filter(|axis| axes[*axis]) {
            head[axis] = 0.0;
        }
        self.body.place_head(head);
        self.firmware.modal.found_at(head, axes);
        // Z is homed on a belt that is thought to be empty.
        if axes[2] {
            self.marks.surely += 1;
        }
    }

    fn temperatures(&self) -> String {
        self.report_as(self.config.report)
    }

    /// A temperature report in another form than the machine's own, as if something else on the wire gave it.
    #[must_use]
    pub fn report_as(&self, form: ReportForm) -> String {
        let SimConfig { noise_k, noise_seed, .. } = self.config;
        let [bed, nozzle] = self.thermometers;
        let reading = |heater: &Heater, shown: Thermometer, salt: u64| Reading {
            temperature_c: shown.reading(heater.temperature(self.now))
                + thermometer::noise(noise_k, noise_seed ^ salt, self.now),
            target_c: heater.target_c(),
            power: heater.power(self.now),
        };
        let readings = (reading(&self.body.nozzle, nozzle, 1 << 63), reading(&self.body.bed, bed, 0));
        answer::temperatures(form, readings.0, readings.1)
    }
}

/// Time to touch an endstop twice, s.
const HOMING_TOUCH_S: f64 = 1.5;
/// The shortest period of reports by themselves.
const AUTOREPORT_MIN: Duration = Duration::from_millis(100);

/// The way of a move; an arc that cannot be is gone straight.
fn way(request: &Request) -> Path {
    let Request { from, to, plane, turn, .. } = *request;
    let arc = turn.and_then(|turn| Arc::new(plane, from, to, turn));
    arc.map_or(Path::Line { from, to }, Path::Arc)
}

/// G4: P in milliseconds, S in seconds (RepRap wiki, G-code page: "G4 S2" is "G4 P2000").
fn dwell(words: &[Word]) -> Duration {
    let seconds = value(words, b'S').or_else(|| value(words, b'P').map(|ms| ms / 1000.0)).unwrap_or(0.0);
    Duration::try_from_secs_f64(seconds).unwrap_or_default()
}

/// G28: the axes named, or all.
fn axes(words: &[Word]) -> [bool; 3] {
    let named = [b'X', b'Y', b'Z'].map(|letter| has(words, letter));
    if named.contains(&true) { named } else { [true; 3] }
}
