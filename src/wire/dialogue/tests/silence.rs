//! Waiting, asking, giving up.

use super::*;

#[test]
fn a_lost_ok_is_made_up_for_by_that_of_a_question() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.submit("M400");
    talk.sent();
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0]);
    talk.wait(SECOND * 9);
    assert!(talk.sent().is_empty());
    talk.wait(SECOND * 2);
    assert_eq!(talk.sent(), ["N4 M105*35"]);
    talk.hear("ok T:20.0 /0.0");
    assert_eq!(talk.acknowledged(), [1]);
    assert_eq!(talk.dialogue.in_flight(), 0);
}

#[test]
fn a_lost_ok_is_made_up_for_where_temperatures_come_on_their_own_line_too() {
    let mut talk = Talk::begun();
    for _ in 0..4 {
        talk.submit("G1 X1");
    }
    talk.sent();
    let (mut acknowledged, mut asked) = (Vec::new(), 0);
    for _ in 0..70 {
        talk.wait(SECOND);
        for _ in talk.sent() {
            asked += 1;
            talk.hear("T:20.0 /0.0");
            talk.hear("ok");
        }
        acknowledged.extend(talk.acknowledged());
    }
    assert_eq!((acknowledged, asked), (vec![0, 1, 2, 3], 4), "four got lost, four are made up for");
    assert_eq!((talk.dialogue.in_flight(), talk.dialogue.room()), (0, true));
}

#[test]
fn lost_lines_are_found_missing_by_a_question() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.submit("G1 X2");
    assert_eq!(talk.numbers(), [2, 3]);
    talk.wait(SECOND * 10);
    assert_eq!(talk.numbers(), [4]);
    talk.hear("Error:Line Number is not Last Line Number+1, Last Line: 1");
    talk.hear("Resend: 2");
    talk.hear("ok");
    assert_eq!(talk.numbers(), [2]);
    talk.hear("ok");
    assert_eq!(talk.numbers(), [3, 4]);
    talk.hear("ok");
    talk.hear("ok T:20.0 /0.0");
    assert_eq!(talk.acknowledged(), [0, 1]);
}

#[test]
fn busy_keeps_a_long_command_from_being_asked_after() {
    let mut talk = Talk::begun();
    talk.submit("G28");
    talk.sent();
    for _ in 0..60 {
        talk.wait(SECOND * 2);
        talk.hear("echo:busy: processing");
        assert!(talk.sent().is_empty());
    }
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0]);
}

#[test]
fn temperatures_of_a_heat_up_count_as_life() {
    let mut talk = Talk::begun();
    talk.submit("M190 S60");
    talk.sent();
    let mut asked = 0;
    for _ in 0..600 {
        talk.wait(SECOND);
        talk.hear("T:20.0 /0.0 B:41.0 /60.0");
        asked += talk.sent().len();
    }
    assert!((1..=4).contains(&asked), "{asked}: seldom enough for any buffer");
    let quiet = |event: &DialogueEvent| matches!(event, DialogueEvent::Reply(Reply::Temperatures(_)));
    assert!(talk.events().iter().all(quiet));
}

#[test]
fn announced_quiet_is_borne() {
    let mut talk = Talk::begun();
    let ticket = talk.submit("M400");
    talk.sent();
    talk.dialogue.allow_quiet(ticket, talk.now + SECOND * 300);
    talk.wait(SECOND * 299);
    assert!(talk.sent().is_empty() && talk.events().is_empty());
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0]);
}

#[test]
fn wait_with_lines_in_flight_brings_the_question_forward() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.sent();
    talk.hear("wait");
    talk.wait(SECOND);
    talk.hear("wait");
    assert_eq!(talk.sent(), ["N3 M105*36"]);
}

#[test]
fn a_silent_printer_is_asked_and_then_given_up() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.sent();
    let mut asked = 0;
    for _ in 0..121 {
        talk.wait(SECOND);
        asked += talk.sent().len();
    }
    assert_eq!((talk.events(), asked), (vec![DialogueEvent::Silent { since: Moment::ZERO }], 3));
}

#[test]
fn the_beginning_of_a_reply_does_not_wait_for_the_end_of_another() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.sent();
    talk.dialogue.handle_bytes(talk.now, b"ok T:20.0 /0.0");
    talk.wait(SECOND * 2);
    talk.hear("");
    assert!(talk.acknowledged().is_empty());
    talk.dialogue.handle_bytes(talk.now, b"o");
    talk.hear("k");
    assert_eq!(talk.acknowledged(), [0]);
}
