//! What an advance leaves behind in the printer's registers: nothing, whatever the file before it did, however the belt hangs on
//! the machine, and wherever the advance is cut off. A session and the simulated machine on one clock that is only a number.

use std::sync::Arc;
use std::time::Duration;

use proptest::collection::vec;
use proptest::prelude::*;

use super::session::{Memory, Outcome, Session, Wish};
use super::settings::DriverSettings;
use super::task::{Report, Task, TaskResult};
use crate::belt::{Advance, Drive, DriveBy};
use crate::gcode::{Dialect, Policy};
use crate::sim::{BeltConfig, BeltDrive, Fault, Printer, Registers, SimConfig};
use crate::units::{Celsius, Micrometres, Millimetres, Moment};
use crate::wire::DialogueConfig;

const OWN_LINES: [&str; 5] = ["T1", "M83", "M302 P1", "G1 E{mm} F{feed}", "M82"];

/// How the advance goes wrong, when the machine has taken so many commands of it.
#[derive(Clone, Copy, Debug)]
enum Trouble {
    None,
    Stopped,
    LostOk,
    DoubledOk,
    LinkCut,
    /// Once more while the machine is being told what it is owed.
    LinkCutTwice,
}

fn drives() -> impl Strategy<Value = DriveBy> {
    prop_oneof![
        Just(DriveBy::Extruder(1)),
        Just(DriveBy::Axis('A')),
        Just(DriveBy::Lines(OWN_LINES.map(str::to_owned).to_vec())),
    ]
}

fn troubles() -> impl Strategy<Value = Trouble> {
    prop_oneof![
        Just(Trouble::None),
        Just(Trouble::Stopped),
        Just(Trouble::LostOk),
        Just(Trouble::DoubledOk),
        Just(Trouble::LinkCut),
        Just(Trouble::LinkCutTwice),
    ]
}

/// The end of a file: modes, tools, units and registers in any order.
fn tails() -> impl Strategy<Value = Vec<&'static str>> {
    let line = prop::sample::select(vec![
        "G90",
        "G91",
        "M82",
        "M83",
        "G20",
        "G21",
        "T0",
        "T2",
        "G92 E7.25",
        "G92 X3 E1",
        "G1 E0.4 F1800",
        "G1 X1 E0.2",
        "G1 X2 F90",
        "M200 D1.75",
        "M200 D0",
        "M220 S140",
        "M221 S95",
        "M221 T2 S90",
        "G1 Z1 F300",
    ]);
    vec(line, 0..14)
}

/// A session, the machine, and their clock.
struct World {
    settings: Arc<DriverSettings>,
    session: Session,
    printer: Printer,
    /// What is left to be read of the file under print.
    file: Vec<u8>,
    now: Moment,
    last_task: u64,
}

impl World {
    fn new(settings: &DriverSettings) -> Self {
        let drive = match settings.drive.by {
            DriveBy::Axis(_) => BeltDrive::Axis(b'A'),
            DriveBy::Extruder(_) | DriveBy::Lines(_) => BeltDrive::Extruder(1),
        };
        let belt = BeltConfig { drive, units_per_mm: 1.0, inverted: false };
        let mut config = SimConfig { belt, ..SimConfig::default() };
        config.motion.tools = 3;
        let now = Moment::ZERO;
        let settings = Arc::new(settings.clone());
        let session = Session::new(now, Arc::clone(&settings), Memory::unknown(&settings));
        Self { settings, session, printer: Printer::new(config, now), file: Vec::new(), now, last_task: 0 }
    }

    fn ask(&mut self, task: Task) -> u64 {
        self.last_task += 1;
        self.session.ask(self.last_task, task);
        self.last_task
    }

    /// Goes on until the task has ended, or `until` says so.
    fn go_on(&mut self, task: u64, mut until: impl FnMut(&mut Self) -> bool) -> Option<TaskResult> {
        for _ in 0..200_000 {
            if until(self) {
                return None;
            }
            let moved = self.exchange();
            while let Some(report) = self.session.poll_report() {
                match report {
                    Report::Done { task: ended, result } if ended == task => return Some(result),
                    Report::Failed { why, .. } => panic!("{why}"),
                    _ => {}
                }
            }
            if !moved {
                let next = [self.session.deadline(), self.printer.deadline()].into_iter().flatten().min();
                self.now = next.expect("there is something to wait for").max(self.now + Duration::from_micros(1));
                self.printer.advance(self.now);
                self.session.dialogue.handle_timeout(self.now);
            }
        }
        panic!("it does not end");
    }

    /// Bytes go to and fro once. Says whether there were any.
    fn exchange(&mut self) -> bool {
        while let Some(event) = self.session.dialogue.poll_event() {
            if let Outcome::Lost(why) = self.session.handle_event(self.now, event) {
                panic!("{why}");
            }
        }
        self.session.fill(self.now);
        while let Some(wish) = self.session.poll_wish() {
            match wish {
                Wish::Open(_) => self.session.handle_opened(Ok(self.file.len() as u64)),
                Wish::Bytes => self.session.handle_file(Ok(&std::mem::take(&mut self.file))),
            }
            self.session.fill(self.now);
        }
        let mut bytes = Vec::new();
        let sent = self.session.dialogue.poll_transmit(&mut bytes);
        self.printer.handle_bytes(self.now, &bytes);
        let said = self.printer.poll_output();
        if let Some(said) = &said {
            self.session.dialogue.handle_bytes(self.now, said);
        }
        sent || said.is_some()
    }

    fn done(&mut self, task: Task) -> TaskResult {
        let task = self.ask(task);
        self.go_on(task, |_| false).expect("only a task's end ends this")
    }

    /// The link is cut and made anew; what the machine said meanwhile is lost.
    fn reconnect(&mut self) {
        self.now = self.now + Duration::from_secs(1);
        self.printer.advance(self.now);
        self.printer.discard_output();
        let new = Session::new(self.now, Arc::clone(&self.settings), Memory::unknown(&self.settings));
        let memory = std::mem::replace(&mut self.session, new).into_memory();
        self.session = Session::new(self.now, Arc::clone(&self.settings), memory);
    }
}

fn settings(by: DriveBy) -> DriverSettings {
    DriverSettings {
        drive: Drive { piece_max: Millimetres(20.0), sampled_piece_max: Millimetres(10.0), ..Drive::plain(by) },
        dialect: Dialect::default(),
        policy: Policy::default(),
        dialogue: DialogueConfig { silence: Duration::from_secs(3), ..DialogueConfig::default() },
        switch_input: Some("nose".to_owned()),
        cool_begin: Vec::new(),
        cool_end: Vec::new(),
        z_max: Millimetres(250.0),
    }
}

/// The registers before an advance and after it, with what it is said to have moved and what it truly has.
struct Seen {
    before: Registers,
    after: Registers,
    told: TaskResult,
    truth: Micrometres,
}

fn try_advance(by: DriveBy, tail: &[&str], trouble: Trouble, at: u64, watch: bool) -> Seen {
    let settings = settings(by);
    let mut world = World::new(&settings);
    world.file = format!("G28\nG1 X10 Y10 Z1 F3000\n{}\n", tail.join("\n")).into_bytes();
    world.done(Task::Print { file: "print".into() });
    world.done(Task::CoolDown { park_z: Some(Millimetres(20.0)) });
    let (before, from) = (world.printer.registers(), world.printer.truth());
    let advance = Advance { approach_um: 63_000, peel_um: 18_001, overrun_um: 25_000 };
    let moves = settings.drive.advance_moves(advance);
    let task = world.ask(Task::Belt { moves, odometer: Micrometres(0), watch });
    let reached = from.commands + at;
    let is_there = |world: &mut World| world.printer.truth().commands >= reached;
    let ended = world.go_on(task, is_there);
    let told = match (ended, trouble) {
        (Some(told), _) => told,
        (None, Trouble::LinkCut | Trouble::LinkCutTwice) => {
            let told = world.session.interrupted();
            world.reconnect();
            if matches!(trouble, Trouble::LinkCutTwice) {
                let heat = world.ask(Task::Heat { bed: Some(Celsius(0.0)), nozzle: None });
                let more = world.printer.truth().commands + at % 7;
                let _ = world.go_on(heat, |world| world.printer.truth().commands >= more);
                world.reconnect();
            }
            told
        }
        (None, trouble) => {
            match trouble {
                Trouble::Stopped => world.session.stop_belt(),
                Trouble::LostOk => world.printer.fault(world.now, Fault::LoseOk),
                Trouble::DoubledOk => world.printer.fault(world.now, Fault::DoubleOk),
                _ => {}
            }
            world.go_on(task, |_| false).expect("only a task's end ends this")
        }
    };
    // Heaters off is what a line says first to a machine that is back; then everything has been taken.
    world.done(Task::Heat { bed: Some(Celsius(0.0)), nozzle: None });
    world.now = world.now + Duration::from_secs(60);
    world.printer.advance(world.now);
    let truth = Micrometres(world.printer.truth().belt_um - from.belt_um);
    Seen { before, after: world.printer.registers(), told, truth }
}

fn same(before: &Registers, after: &Registers) -> Result<(), TestCaseError> {
    // Five decimals are said.
    prop_assert!((before.e - after.e).abs() < 1e-5, "E {} and {}", before.e, after.e);
    prop_assert!((before.feed - after.feed).abs() < 1e-4, "F {} and {}", before.feed, after.feed);
    prop_assert!((before.filament_mm2 - after.filament_mm2).abs() < 1e-4);
    let plain = |registers: &Registers| Registers { e: 0.0, feed: 0.0, filament_mm2: 0.0, ..registers.clone() };
    prop_assert_eq!(plain(before), plain(after));
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn an_advance_leaves_every_register_as_it_was_wherever_it_is_cut_off(
        by in drives(),
        tail in tails(),
        trouble in troubles(),
        at in 0..60_u64,
        watch in any::<bool>(),
    ) {
        let Seen { before, after, told, truth } = try_advance(by, &tail, trouble, at, watch);
        same(&before, &after)?;
        prop_assert!(told.moved <= truth && truth <= told.moved + told.maybe, "{truth} is not within {told:?}");
        if !matches!(trouble, Trouble::LinkCut | Trouble::LinkCutTwice) {
            prop_assert_eq!(told.moved, truth);
        }
        if matches!(trouble, Trouble::None | Trouble::LostOk | Trouble::DoubledOk) {
            prop_assert_eq!((truth, told.complete), (Micrometres(106_001), true));
        }
    }
}
