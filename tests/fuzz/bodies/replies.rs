//! A dialogue with a printer that may say anything at any time.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use nosebar::units::Moment;
use nosebar::wire::{Dialogue, DialogueConfig, DialogueEvent, EMERGENCY_STOP, Ticket, Whereabouts, checksum};

/// Waits, ms: shorter and longer than every patience that the dialogue has.
const WAITS_MS: [u64; 8] = [1, 20, 300, 1_000, 5_000, 31_000, 121_000, 3_600_000];
/// So often a dialogue may want to be woken at one and the same moment.
const WAKES_MAX: usize = 8;

/// Talks as `data` says. Bytes below 0x80 come from the printer, in pieces that end where others begin. Of those, 0xFE and the
/// byte behind it are that byte from the printer; the others are things that the host does, by their low bits: submit a command,
/// let time pass, start anew, stop.
///
/// # Panics
/// If anything leaves that is not a numbered line with its checksum, a number stands for two commands, more commands than
/// the window are under way, a command is acknowledged that was not sent or was before, or the dialogue never comes to rest.
pub fn check(data: &[u8]) {
    let Some((&head, mut rest)) = data.split_first() else { return };
    let mut talk = Talk::new(head);
    talk.settle();
    while let Some((&byte, tail)) = rest.split_first() {
        rest = tail;
        match byte {
            0..0x80 => {
                let length = tail.iter().take_while(|byte| byte.is_ascii()).count();
                let (text, behind) = tail.split_at(length);
                talk.hear(&[&[byte], text].concat());
                rest = behind;
            }
            0xFE => {
                let Some((&raw, behind)) = tail.split_first() else { return };
                talk.hear(&[raw]);
                rest = behind;
            }
            0xC0..0xE0 => talk.wait(WAITS_MS[usize::from(byte & 7)]),
            0xFD => talk.start(),
            0xFC => talk.stop(),
            _ => talk.submit(byte),
        }
        talk.settle();
    }
}

struct Talk {
    dialogue: Dialogue,
    config: DialogueConfig,
    now: Moment,
    /// Commands that were submitted and have not left, as text.
    waiting: VecDeque<(Ticket, String)>,
    /// Commands that have left and are not acknowledged, with the bytes of their lines.
    under_way: BTreeMap<Ticket, usize>,
    acknowledged: Option<Ticket>,
    submitted: u64,
    /// What was sent under each number since the count was last set.
    numbers: BTreeMap<u32, String>,
    /// Whether the printer has agreed on a count: from here on, what leaves is in mid-print.
    begun: bool,
}

impl Talk {
    fn new(head: u8) -> Self {
        let usual = DialogueConfig::default();
        let config = DialogueConfig {
            window_lines: [4, 1, 2, 8][usize::from(head & 3)],
            window_bytes: [127, 40, 64, 512][usize::from(head >> 2 & 3)],
            line_number_max: [usual.line_number_max, 6, 20, 100][usize::from(head >> 4 & 3)],
            ..usual
        };
        let mut talk = Self {
            dialogue: Dialogue::new(config),
            config,
            now: Moment::ZERO,
            waiting: VecDeque::new(),
            under_way: BTreeMap::new(),
            acknowledged: None,
            submitted: 0,
            numbers: BTreeMap::new(),
            begun: false,
        };
        talk.start();
        if head & 0x40 == 0 {
            talk.begin();
        }
        talk
    }

    /// Goes through the handshake as with a printer that is well.
    fn begin(&mut self) {
        for reply in ["ok\n", "ok T:20.0 /0.0\n"] {
            self.settle();
            self.hear(reply.as_bytes());
        }
    }

    fn start(&mut self) {
        self.dialogue.start(self.now);
        self.waiting.clear();
        self.under_way.clear();
        self.numbers.clear();
        self.begun = false;
    }

    fn stop(&mut self) {
        assert_eq!(self.dialogue.emergency(), EMERGENCY_STOP);
        assert!(!self.dialogue.poll_transmit(&mut Vec::new()), "nothing leaves after a stop");
        assert_eq!(self.dialogue.deadline(), None);
    }

    fn hear(&mut self, bytes: &[u8]) {
        self.dialogue.handle_bytes(self.now, bytes);
    }

    fn submit(&mut self, kind: u8) {
        let number = self.submitted;
        let command = match kind & 7 {
            0 => format!("M105 R{number}"),
            1 => format!("G1 X{number} Y100.000 Z0.200 E12.34567 F3000"),
            2 => format!("M117 {}{number}", "x".repeat(70)),
            3 => format!("g4 p{number}"),
            _ => format!("G1 X{number}"),
        };
        let room = self.dialogue.room();
        let Ok(ticket) = self.dialogue.submit(self.now, command.as_bytes()) else { return };
        assert!(!room || self.waiting.is_empty(), "there is room, and commands wait");
        self.submitted += 1;
        if kind & 0x10 != 0 {
            self.dialogue.allow_quiet(ticket, self.now + Duration::from_secs(600));
        }
        self.waiting.push_back((ticket, command));
    }

    /// Lets time pass, and wakes the dialogue when it wants to be.
    fn wait(&mut self, millis: u64) {
        let until = self.now + Duration::from_millis(millis);
        while let Some(deadline) = self.dialogue.deadline().filter(|deadline| *deadline <= until) {
            self.now = self.now.max(deadline);
            self.wake();
        }
        self.now = until;
        self.dialogue.handle_timeout(self.now);
    }

    /// Wakes the dialogue until it wants nothing more at this moment.
    fn wake(&mut self) {
        for _ in 0..WAKES_MAX {
            self.dialogue.handle_timeout(self.now);
            self.settle();
            if self.dialogue.deadline().is_none_or(|deadline| deadline > self.now) {
                return;
            }
        }
        panic!("the dialogue wants to be woken again and again at {:?}", self.now);
    }

    /// Takes whatever comes out.
    fn settle(&mut self) {
        loop {
            self.take_events();
            let mut sent = Vec::new();
            if !self.dialogue.poll_transmit(&mut sent) {
                break;
            }
            self.take_lines(&sent);
        }
        self.check_window();
    }

    fn take_events(&mut self) {
        while let Some(event) = self.dialogue.poll_event() {
            match event {
                DialogueEvent::HandshakeDone => {
                    assert!(!self.begun, "a dialogue begins once");
                    self.begun = true;
                }
                DialogueEvent::Acknowledged { ticket } => {
                    assert!(self.acknowledged < Some(ticket), "{ticket:?} after {:?}", self.acknowledged);
                    assert!(self.under_way.remove(&ticket).is_some(), "{ticket:?} was not under way");
                    self.acknowledged = Some(ticket);
                }
                DialogueEvent::Desync { .. } | DialogueEvent::Reset | DialogueEvent::Fault { .. } => self.check_ended(),
                DialogueEvent::Stuck { .. } | DialogueEvent::Silent { .. } => self.check_ended(),
                DialogueEvent::Reply(_) | DialogueEvent::Resent { .. } => {}
            }
        }
    }

    fn check_ended(&mut self) {
        assert_eq!(self.dialogue.deadline(), None, "it has ended");
        assert!(!self.dialogue.poll_transmit(&mut Vec::new()), "it has ended");
        assert!(self.dialogue.submit(self.now, b"G28").is_err(), "it has ended");
    }

    fn take_lines(&mut self, sent: &[u8]) {
        assert_eq!(sent.last(), Some(&b'\n'), "the last line is not whole");
        for line in sent[..sent.len() - 1].split(|byte| *byte == b'\n') {
            let line = std::str::from_utf8(line).expect("the commands are text");
            let (number, command) = numbered_line(line);
            assert!(line.len() <= self.config.line_bytes_max, "{line} is too long");
            self.take_line(number, command, line.len() + 1);
        }
    }

    fn take_line(&mut self, number: u32, command: &str, bytes: usize) {
        if command == "M110 N0" {
            self.numbers.clear();
            return;
        }
        // Line 0 is never taken; line 1 proves the count.
        if number < 2 {
            assert_eq!(command, "M105");
            return;
        }
        assert!(self.begun, "{command} before the count was agreed on");
        if let Some(before) = self.numbers.get(&number) {
            assert_eq!(before, command, "line {number} is another command now");
            return;
        }
        let last = self.numbers.last_key_value().map_or(1, |(last, _)| *last);
        assert_eq!(number, last + 1, "numbers rise by one");
        self.numbers.insert(number, command.to_owned());
        if command != "M105" {
            let (ticket, waiting) = self.waiting.pop_front().expect("only what was submitted is sent");
            assert_eq!(waiting, command, "commands leave in order");
            self.under_way.insert(ticket, bytes);
        }
    }

    fn check_window(&mut self) {
        let (lines, bytes) = (self.under_way.len(), self.under_way.values().sum::<usize>());
        assert!(lines <= self.config.window_lines, "{lines} commands are under way");
        assert!(lines <= 1 || bytes <= self.config.window_bytes, "{bytes} bytes are under way");
        let sent = self.dialogue.outstanding().filter(|(_, whereabouts)| *whereabouts == Whereabouts::Sent);
        assert!(sent.map(|(ticket, _)| ticket).eq(self.under_way.keys().copied()), "what may have happened is known");
    }
}

/// Number and command of `N<number> <command>*<checksum>`.
fn numbered_line(line: &str) -> (u32, &str) {
    let (framed, sum) = line.rsplit_once('*').unwrap_or_else(|| panic!("{line:?} has no checksum"));
    assert_eq!(sum.parse(), Ok(checksum(framed.as_bytes())), "{line}");
    let numbered = framed.strip_prefix('N').and_then(|rest| rest.split_once(' '));
    let (number, command) = numbered.unwrap_or_else(|| panic!("{line:?} has no number"));
    (number.parse().unwrap_or_else(|_| panic!("{line:?} has no number")), command)
}
