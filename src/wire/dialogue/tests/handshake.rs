//! Agreeing on line numbers.

use super::*;

#[test]
fn a_booting_printer_is_greeted_again_when_it_is_up() {
    let mut talk = Talk::new(DialogueConfig::default());
    assert_eq!(talk.sent(), ["N0 M110 N0*125"]);
    talk.wait(SECOND);
    talk.dialogue.handle_bytes(talk.now, b"\xff\0start\r\necho: ready for work\r\n");
    assert_eq!(talk.sent(), ["N0 M110 N0*125"]);
    talk.hear("ok");
    assert_eq!(talk.sent(), ["N1 M105*38"]);
    talk.hear("T:20.0 /0.0");
    talk.hear("ok");
    assert!(talk.events().contains(&DialogueEvent::HandshakeDone), "temperatures may come on a line of their own");
}

#[test]
fn answers_to_an_earlier_conversation_are_no_handshake() {
    let mut talk = Talk::new(DialogueConfig::default());
    talk.sent();
    for _ in 0..4 {
        talk.hear("ok");
    }
    assert_eq!(talk.sent(), ["N1 M105*38"]);
    assert!(talk.events().is_empty());
    talk.hear("ok T:20.0 /0.0");
    assert!(talk.events().contains(&DialogueEvent::HandshakeDone));
}

#[test]
fn a_printer_that_checks_the_number_of_m110_gets_the_one_it_wants() {
    let mut talk = Talk::new(DialogueConfig::default());
    talk.sent();
    talk.hear("Error:Line Number is not Last Line Number+1, Last Line: 56");
    talk.hear("Resend: 57");
    talk.hear("ok");
    assert_eq!(talk.sent(), ["N57 M110 N0*79"]);
    talk.hear("ok");
    assert_eq!(talk.sent(), ["N1 M105*38"]);
}

#[test]
fn a_printer_that_insists_on_its_own_count_is_given_up_with_both_numbers() {
    let mut talk = Talk::new(DialogueConfig::default());
    for wanted in 57.. {
        if talk.sent().is_empty() {
            break;
        }
        talk.hear(&format!("Resend: {wanted}"));
        talk.hear("ok");
    }
    assert!(matches!(talk.events().as_slice(), [DialogueEvent::Desync { wanted: 77, next: 2, .. }]));
}

#[test]
fn a_printer_that_never_answers_is_given_up() {
    let mut talk = Talk::new(DialogueConfig::default());
    talk.sent();
    let mut tries = 0;
    for _ in 0..130 {
        talk.wait(SECOND);
        tries += talk.sent().len();
    }
    assert_eq!(talk.events(), [DialogueEvent::Silent { since: Moment::ZERO }]);
    assert!((4..10).contains(&tries), "{tries} tries, at growing distances");
    assert_eq!(talk.dialogue.submit(talk.now, b"M105"), Err(SubmitError::Ended));
}

#[test]
fn late_answers_to_a_repeated_handshake_are_not_counted_for_commands() {
    let mut talk = Talk::new(DialogueConfig::default());
    assert_eq!(talk.numbers(), [0]);
    talk.wait(SECOND * 3);
    assert_eq!(talk.numbers(), [0]);
    talk.hear("ok");
    assert_eq!(talk.numbers(), [1]);
    talk.hear("ok T:20.0 /0.0");
    assert!(!talk.dialogue.room(), "one answer is missing");
    talk.hear("ok");
    assert!(talk.dialogue.room());
}

#[test]
fn line_numbers_start_anew_before_they_grow_long() {
    let mut talk = Talk::begun_with(DialogueConfig { line_number_max: 5, ..DialogueConfig::default() });
    for _ in 0..6 {
        talk.submit("G1 X1");
    }
    assert_eq!(talk.numbers(), [2, 3, 4, 5]);
    for _ in 0..3 {
        talk.hear("ok");
        assert!(talk.sent().is_empty(), "not while anything is in flight");
    }
    talk.hear("ok");
    assert_eq!(talk.sent(), ["N6 M110 N0*123"], "with the number that is due, for firmware that checks it here too");
    talk.hear("ok");
    assert_eq!(talk.sent(), ["N1 M105*38"]);
    talk.hear("ok T:20.0 /0.0");
    assert_eq!(talk.numbers(), [2, 3]);
    talk.hear("ok");
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0, 1, 2, 3, 4, 5]);
    assert!(!talk.events().contains(&DialogueEvent::HandshakeDone), "nobody need know");
}
