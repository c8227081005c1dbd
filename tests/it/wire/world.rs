//! A dialogue, a printer, the cable between them, and a clock.

use std::collections::BTreeMap;
use std::time::Duration;

use super::cable::{Cable, Way};
use super::printer::{Printer, Style};
use nosebar::units::Moment;
use nosebar::wire::{Dialogue, DialogueConfig, DialogueEvent, checksum};

/// What a run showed.
#[derive(Debug, Default)]
pub(super) struct Outcome {
    /// Commands carried out, without the dialogue's own.
    pub(super) carried_out: Vec<String>,
    /// Commands that were acknowledged before they were carried out.
    pub(super) early: Vec<u64>,
    /// Tickets in the order of their acknowledgement.
    pub(super) acknowledged: Vec<u64>,
    /// Most commands that the printer ever held, most bytes of them, most questions beside them.
    pub(super) held: [usize; 3],
    /// Most commands sent and not acknowledged.
    pub(super) open_lines: usize,
    /// Most bytes of such commands.
    pub(super) open_bytes: usize,
    /// How it ended, if not well.
    pub(super) ended: Option<DialogueEvent>,
    /// Bytes that the printer's input buffer could not hold.
    pub(super) overflowed: usize,
    /// When it ended.
    pub(super) at: Moment,
}

/// Sends `commands` to a printer over a cable until everything is quiet. They must have their ticket as `X<ticket>`.
pub(super) fn run(config: DialogueConfig, style: &Style, cable: &Cable, commands: &[String]) -> Outcome {
    let mut world = World::new(config, style, cable, commands);
    world.dialogue.start(Moment::ZERO);
    for _ in 0..20_000 + 200 * commands.len() {
        world.submit();
        world.take_events();
        world.transmit();
        if world.is_over() || world.now > Moment::ZERO + Duration::from_secs(4 * 3600) {
            break;
        }
        world.pass_time();
    }
    assert!(world.is_over(), "it does not end");
    world.printer.carried_out.retain(|command| !is_own(command));
    let Printer { carried_out, overflowed, .. } = world.printer;
    Outcome { carried_out, overflowed, at: world.now, ..world.outcome }
}

struct World<'a> {
    dialogue: Dialogue,
    printer: Printer,
    cable: &'a Cable,
    out: Way,
    back: Way,
    now: Moment,
    commands: &'a [String],
    submitted: usize,
    open: BTreeMap<String, usize>,
    outcome: Outcome,
}

impl<'a> World<'a> {
    fn new(config: DialogueConfig, style: &Style, cable: &'a Cable, commands: &'a [String]) -> Self {
        Self {
            dialogue: Dialogue::new(config),
            printer: Printer::new(style.clone()),
            cable,
            out: Way::default(),
            back: Way::default(),
            now: Moment::ZERO,
            commands,
            submitted: 0,
            open: BTreeMap::new(),
            outcome: Outcome::default(),
        }
    }

    fn submit(&mut self) {
        while self.dialogue.room() && self.submitted < self.commands.len() {
            let command = self.commands[self.submitted].as_bytes();
            self.dialogue.submit(self.now, command).expect("there is room");
            self.submitted += 1;
        }
    }

    fn take_events(&mut self) {
        while let Some(event) = self.dialogue.poll_event() {
            match event {
                DialogueEvent::Acknowledged { ticket } => {
                    let command = &self.commands[usize::try_from(ticket.0).expect("tickets count from 0")];
                    self.open.remove(command);
                    if !self.printer.carried_out.contains(command) {
                        self.outcome.early.push(ticket.0);
                    }
                    self.outcome.acknowledged.push(ticket.0);
                }
                DialogueEvent::HandshakeDone | DialogueEvent::Reply(_) | DialogueEvent::Resent { .. } => {}
                end => self.outcome.ended = Some(end),
            }
        }
    }

    fn transmit(&mut self) {
        let mut bytes = Vec::new();
        self.dialogue.poll_transmit(&mut bytes);
        for line in bytes.split_inclusive(|byte| *byte == b'\n') {
            let command = command_of(line);
            if !is_own(&command) && !self.outcome.acknowledged.contains(&ticket_of(&command)) {
                self.open.insert(command, line.len());
            }
            self.out.send(self.now, line, &self.cable.speed, &self.cable.out);
        }
        self.outcome.open_lines = self.outcome.open_lines.max(self.open.len());
        self.outcome.open_bytes = self.outcome.open_bytes.max(self.open.values().sum());
    }

    fn is_over(&self) -> bool {
        let sent = self.submitted == self.commands.len() && self.dialogue.deadline().is_none();
        let still = self.out.next_at().is_none() && self.back.next_at().is_none() && self.printer.idle();
        self.outcome.ended.is_some() || (sent && still)
    }

    fn pass_time(&mut self) {
        let next = [self.out.next_at(), self.back.next_at(), self.printer.next_at(), self.dialogue.deadline()];
        let next = next.into_iter().flatten().min().expect("while there is work there is something to wait for");
        self.now = self.now.max(next);
        self.printer.handle(self.now, &self.out.receive(self.now));
        let held = self.printer.held();
        self.outcome.held = std::array::from_fn(|kind| self.outcome.held[kind].max(held[kind]));
        for reply in self.printer.replies.drain(..) {
            self.back.send(self.now, format!("{reply}\n").as_bytes(), &self.cable.speed, &self.cable.back);
        }
        self.dialogue.handle_bytes(self.now, &self.back.receive(self.now));
        self.dialogue.handle_timeout(self.now);
    }
}

fn is_own(command: &str) -> bool {
    command == "M105" || command.starts_with("M110")
}

/// The command of a line, which must have number and checksum, and both right.
fn command_of(line: &[u8]) -> String {
    let line = std::str::from_utf8(line).expect("commands are text");
    let (body, sum) = line.strip_suffix('\n').and_then(|line| line.rsplit_once('*')).expect("checksum");
    assert_eq!(sum.parse(), Ok(checksum(body.as_bytes())), "{line}");
    let (number, command) = body.strip_prefix('N').and_then(|body| body.split_once(' ')).expect("number");
    assert!(number.parse::<u32>().is_ok(), "{line}");
    command.to_owned()
}

/// Commands of a run carry their ticket as `X<ticket>`.
fn ticket_of(command: &str) -> u64 {
    let (_, rest) = command.split_once('X').expect("the run's commands have an X");
    rest.split(' ').next().and_then(|ticket| ticket.parse().ok()).expect("X has the ticket")
}
