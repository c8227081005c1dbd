//! Lines that are refused and sent again.

use super::*;

#[test]
fn the_published_resend_dialogue_goes_byte_for_byte() {
    // RepRap wiki, G-code page. The first sending of line 66556 is damaged on its way there (`*42`).
    let mut talk = Talk::begun();
    talk.dialogue.window = Window::new(66_555);
    talk.submit("G1 X131.338 Y133.349 E0.0091");
    assert_eq!(talk.sent(), ["N66555 G1 X131.338 Y133.349 E0.0091*91"]);
    talk.hear("ok");
    talk.submit("G1 X131.574 Y133.428 E0.0046");
    assert_eq!(talk.sent(), ["N66556 G1 X131.574 Y133.428 E0.0046*92"]);
    assert_eq!(talk.acknowledged(), [0]);
    talk.hear("Error:checksum mismatch, Last Line: 66555");
    talk.hear("Resend: 66556");
    assert!(talk.sent().is_empty(), "the request ends with its ok");
    talk.hear("ok");
    assert_eq!(talk.sent(), ["N66556 G1 X131.574 Y133.428 E0.0046*92"]);
    assert_eq!(talk.events(), [DialogueEvent::Resent { line: 66_556, count: 1 }], "and acknowledges nothing");
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [1]);
}

#[test]
fn followers_of_a_damaged_line_are_refused_without_a_storm() {
    let mut talk = Talk::begun();
    for _ in 0..5 {
        talk.submit("G1 X1");
    }
    assert_eq!(talk.numbers(), [2, 3, 4, 5]);
    talk.hear("ok");
    assert_eq!(talk.numbers(), [6]);
    // Line 3 is damaged; 4, 5 and 6 arrive well and are refused for their numbers.
    let mut again = Vec::new();
    for _ in 0..4 {
        talk.hear("Error:checksum mismatch, Last Line: 2");
        talk.hear("Resend: 3");
        talk.hear("ok");
        again.extend(talk.numbers());
    }
    assert_eq!(again, [3], "four requests, one line");
    talk.hear("ok");
    assert_eq!(talk.numbers(), [4, 5, 6]);
    for _ in 0..3 {
        talk.hear("ok");
    }
    assert_eq!(talk.acknowledged(), [0, 1, 2, 3, 4]);
}

#[test]
fn a_line_that_is_damaged_twice_is_sent_a_third_time_at_once() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    for _ in 0..3 {
        assert_eq!(talk.numbers(), [2]);
        talk.hear("Resend: 2");
        talk.hear("ok");
    }
    assert_eq!(talk.numbers(), [2]);
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0]);
}

#[test]
fn a_line_that_the_printer_cannot_take_is_not_sent_for_ever() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    let mut sent = 0;
    while !talk.sent().is_empty() {
        sent += 1;
        talk.hear("Resend: 2");
        talk.hear("ok");
    }
    assert_eq!((sent, talk.events().pop()), (20, Some(DialogueEvent::Stuck { line: 2, times: 20 })));
}

#[test]
fn a_printer_that_throws_its_buffer_away_and_then_gets_damage_is_sent_to_again_soon() {
    let mut talk = Talk::begun();
    for _ in 0..4 {
        talk.submit("G1 X1");
    }
    assert_eq!(talk.numbers(), [2, 3, 4, 5]);
    talk.hear("Resend: 2");
    talk.hear("ok");
    assert_eq!(talk.numbers(), [2]);
    // Damaged again; it looks like the refusal of line 3. The printer is asked with a line that is always refused.
    let mut asked = 0;
    loop {
        talk.hear("Resend: 2");
        talk.hear("ok");
        if talk.numbers() == [2] {
            break;
        }
        talk.wait(SECOND);
        assert_eq!(talk.sent(), ["N0 M105*39"]);
        asked += 1;
    }
    assert_eq!(asked, 3, "one for each of the lines thrown away, and none twice");
}

#[test]
fn a_resend_request_that_got_lost_is_made_up_from_the_complaint() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    assert_eq!(talk.numbers(), [2]);
    talk.hear("Error:checksum mismatch, Last Line: 1");
    talk.hear("Re?end: 2");
    talk.hear("ok");
    assert_eq!(talk.numbers(), [2]);
    assert!(talk.acknowledged().is_empty());
}

#[test]
fn firmware_that_ends_a_resend_request_without_ok_is_understood() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.sent();
    talk.hear("rs 2");
    talk.wait(SECOND);
    assert_eq!(talk.numbers(), [2]);
    talk.hear("ok");
    assert_eq!(talk.acknowledged(), [0]);
}

#[test]
fn a_request_for_a_line_we_never_had_ends_the_dialogue_when_it_is_repeated() {
    let mut talk = Talk::begun();
    let ticket = talk.submit("G1 X1");
    talk.sent();
    talk.hear("Resend: 9000");
    talk.hear("ok");
    assert!(talk.events().is_empty(), "once may be damage on the way");
    talk.wait(SECOND);
    assert_eq!(talk.sent(), ["N3 M105*36"], "the printer is asked again");
    talk.hear("Resend: 9000");
    assert_eq!(talk.events(), [DialogueEvent::Desync { wanted: 9000, oldest: 2, next: 4 }]);
    assert_eq!(talk.dialogue.outstanding().collect::<Vec<_>>(), [(ticket, Whereabouts::Sent)]);
    assert!(!talk.dialogue.room());
}

#[test]
fn an_unseen_restart_is_known_by_the_request_for_line_1() {
    let mut talk = Talk::begun();
    talk.submit("G1 X1");
    talk.submit("G1 X2");
    assert_eq!(talk.numbers(), [2, 3]);
    for _ in 0..2 {
        talk.hear("Error:Line Number is not Last Line Number+1, Last Line: 0");
        talk.hear("Resend: 1");
        talk.hear("ok");
    }
    assert_eq!(talk.events(), [DialogueEvent::Reset]);
    assert!(talk.sent().is_empty(), "nothing is carried out twice");
}
