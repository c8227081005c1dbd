//! The dialogue, line by line.

use std::time::Duration;

use super::*;
use crate::wire::Reply;

mod handshake;
mod refusals;
mod silence;

const SECOND: Duration = Duration::from_secs(1);

/// A dialogue with a hand on it.
struct Talk {
    dialogue: Dialogue,
    now: Moment,
}

impl Talk {
    fn new(config: DialogueConfig) -> Self {
        let mut dialogue = Dialogue::new(config);
        dialogue.start(Moment::ZERO);
        Self { dialogue, now: Moment::ZERO }
    }

    /// Past the handshake.
    fn begun() -> Self {
        Self::begun_with(DialogueConfig::default())
    }

    fn begun_with(config: DialogueConfig) -> Self {
        let mut talk = Self::new(config);
        assert_eq!(talk.sent(), ["N0 M110 N0*125"]);
        talk.hear("ok");
        assert_eq!(talk.sent(), ["N1 M105*38"]);
        talk.hear("ok T:20.0 /0.0 B:20.0 /0.0");
        assert!(talk.events().contains(&DialogueEvent::HandshakeDone));
        talk
    }

    fn submit(&mut self, command: &str) -> Ticket {
        self.dialogue.submit(self.now, command.as_bytes()).unwrap()
    }

    fn hear(&mut self, line: &str) {
        self.dialogue.handle_bytes(self.now, format!("{line}\n").as_bytes());
    }

    /// What leaves now, line by line.
    fn sent(&mut self) -> Vec<String> {
        let mut out = Vec::new();
        self.dialogue.poll_transmit(&mut out);
        String::from_utf8(out).unwrap().lines().map(str::to_owned).collect()
    }

    /// Numbers of the lines that leave now.
    fn numbers(&mut self) -> Vec<u32> {
        let number = |line: &String| line[1..].split_once(' ').unwrap().0.parse().unwrap();
        self.sent().iter().map(number).collect()
    }

    fn events(&mut self) -> Vec<DialogueEvent> {
        std::iter::from_fn(|| self.dialogue.poll_event()).collect()
    }

    fn acknowledged(&mut self) -> Vec<u64> {
        let ticket = |event| match event {
            DialogueEvent::Acknowledged { ticket } => Some(ticket.0),
            _ => None,
        };
        self.events().into_iter().filter_map(ticket).collect()
    }

    /// Lets time pass, timers included.
    fn wait(&mut self, span: Duration) {
        let until = self.now + span;
        while let Some(deadline) = self.dialogue.deadline().filter(|deadline| *deadline <= until) {
            assert!(deadline >= self.now, "a deadline in the past would never be waited for");
            self.now = deadline;
            self.dialogue.handle_timeout(self.now);
            assert_ne!(self.dialogue.deadline(), Some(deadline), "a deadline is dealt with when it comes");
        }
        self.now = until;
    }
}

#[test]
fn a_command_is_sent_numbered_and_acknowledged() {
    let mut talk = Talk::begun();
    assert!(talk.dialogue.room());
    let ticket = talk.submit("G28");
    assert_eq!(talk.sent(), ["N2 G28*17"]);
    assert_eq!(talk.dialogue.outstanding().collect::<Vec<_>>(), [(ticket, Whereabouts::Sent)]);
    talk.hear("ok");
    assert_eq!(talk.events(), [DialogueEvent::Acknowledged { ticket }]);
    assert_eq!((talk.dialogue.in_flight(), talk.dialogue.deadline()), (0, None));
}

#[test]
fn the_window_is_bounded_by_lines_and_by_bytes() {
    let mut talk = Talk::begun();
    for _ in 0..6 {
        talk.submit("G1 X1");
    }
    assert_eq!(talk.numbers(), [2, 3, 4, 5]);
    assert!(!talk.dialogue.room());
    talk.hear("ok");
    talk.hear("ok");
    assert_eq!(talk.numbers(), [6, 7]);

    let mut talk = Talk::begun();
    for _ in 0..4 {
        talk.submit("G1 X100.000 Y100.000 E123.45678 F3000");
    }
    let lines = talk.sent();
    let bytes = |lines: usize| (lines * "N2 G1 X100.000 Y100.000 E123.45678 F3000*99\n".len(), lines);
    assert_eq!((bytes(2).0, lines.len()), (88, 2), "a third would make 132 bytes of the 127 allowed");
    assert!(!talk.dialogue.room(), "two wait for bytes already");
}

#[test]
fn a_line_longer_than_the_window_goes_alone() {
    let mut talk = Talk::begun_with(DialogueConfig { window_bytes: 20, ..DialogueConfig::default() });
    talk.submit("G1 X100.000 Y100.000");
    talk.submit("M114");
    assert_eq!(talk.numbers(), [2]);
    talk.hear("ok");
    assert_eq!(talk.numbers(), [3]);
}

#[test]
fn start_in_mid_conversation_loses_everything_in_flight() {
    let mut talk = Talk::begun();
    let sent: Vec<_> = (0..4).map(|_| talk.submit("G1 X1")).collect();
    let waiting = talk.submit("G1 X2");
    talk.sent();
    talk.hear("start");
    assert_eq!(talk.events(), [DialogueEvent::Reset]);
    let outstanding: Vec<_> = talk.dialogue.outstanding().collect();
    assert_eq!(outstanding.len(), 5);
    assert!(sent.iter().all(|ticket| outstanding.contains(&(*ticket, Whereabouts::Sent))));
    assert!(outstanding.contains(&(waiting, Whereabouts::Waiting)));
    talk.dialogue.start(talk.now);
    assert_eq!((talk.sent(), talk.dialogue.outstanding().count()), (vec!["N0 M110 N0*125".to_owned()], 0));
}

#[test]
fn a_fault_ends_the_dialogue_with_the_printers_words() {
    let mut talk = Talk::begun();
    talk.submit("M104 S215");
    talk.sent();
    talk.submit("G1 X2");
    talk.hear("Error:Heating failed, system stopped! Heater_ID: 0");
    let text = "Heating failed, system stopped! Heater_ID: 0".to_owned();
    assert_eq!(talk.events(), [DialogueEvent::Fault { text }]);
    assert!(talk.sent().is_empty());
    assert_eq!(talk.dialogue.deadline(), None);
}

#[test]
fn an_emergency_stop_overtakes_everything_and_alone_is_unnumbered() {
    let mut talk = Talk::begun();
    for _ in 0..9 {
        talk.submit("G1 X1");
    }
    assert_eq!(talk.dialogue.emergency(), b"\nM112\n");
    assert!(talk.sent().is_empty());
    assert_eq!(talk.dialogue.outstanding().count(), 9);
    assert_eq!(talk.dialogue.submit(talk.now, b"G1 X1"), Err(SubmitError::Ended));
}

#[test]
fn an_ok_too_many_with_nothing_in_flight_is_nothing() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.sent();
    talk.hear("ok");
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0]);
    talk.submit("G1 X2");
    talk.sent();
    assert!(talk.acknowledged().is_empty());
}

#[test]
fn a_numbered_ok_is_believed_over_the_count() {
    let mut talk = Talk::begun();
    for _ in 0..4 {
        talk.submit("G1 X1");
    }
    talk.sent();
    talk.hear("ok N2 P15 B3");
    talk.hear("ok N2 P15 B3");
    assert_eq!(talk.acknowledged(), [0], "doubled");
    talk.hear("ok N4 P15 B3");
    assert_eq!(talk.acknowledged(), [1], "one may have got lost, or the number is damaged");
    talk.hear("ok N5 P15 B3");
    assert_eq!(talk.acknowledged(), [2, 3], "it was lost");
}

#[test]
fn temperatures_behind_an_ok_set_the_count_right_both_ways() {
    let mut talk = Talk::begun();
    for command in ["G1 X1", "G1 X2", "M105", "G1 X3"] {
        talk.submit(command);
    }
    talk.sent();
    talk.hear("ok");
    talk.hear("ok T:20.0 /0.0");
    assert_eq!(talk.acknowledged(), [0, 1, 2], "the ok of the second got lost");
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [3]);

    for command in ["G1 X1", "M105", "G1 X3"] {
        talk.submit(command);
    }
    talk.sent();
    talk.hear("ok");
    talk.hear("ok");
    talk.hear("ok T:20.0 /0.0");
    assert_eq!(talk.acknowledged(), [4, 5], "the first ok was doubled, so the third answers the second");
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [6]);
}

#[test]
fn what_the_printer_says_besides_comes_out_as_it_is() {
    let mut talk = Talk::begun();
    talk.hear("x_min: open");
    talk.hear("//action:pause");
    talk.hear("echo:Unknown command: \"G999\"");
    assert!(matches!(
        talk.events().as_slice(),
        [
            DialogueEvent::Reply(Reply::Endstops(_)),
            DialogueEvent::Reply(Reply::Action { .. }),
            DialogueEvent::Reply(Reply::Note { .. })
        ]
    ));
}
