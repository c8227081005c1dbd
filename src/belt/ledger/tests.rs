use super::*;

const NOSE: Micrometres = Micrometres(220_000);
const FALLEN: Micrometres = Micrometres(260_000);
const RULES: Clearances =
    Clearances { splice_width: Micrometres(4_000), margin: Micrometres(3_000), wear_slack: Micrometres(0) };

/// A belt of 1 m whose splice was at the nose when the odometer stood at 40 mm.
fn belt() -> Ledger {
    let mut ledger = Ledger::default();
    assert_eq!(ledger.set_loop(Some(Micrometres(1_000_000))), LoopChange::None);
    ledger.count(Micrometres(40_000), Micrometres(0));
    assert_eq!(ledger.splice_at(NOSE), Ok(None));
    ledger
}

fn advance(ledger: &Ledger, tail: i64, lead: i64) -> i64 {
    ledger.place(Span::new(tail, lead), &RULES, FALLEN).expect("room").advance.0
}

#[test]
fn what_may_have_happened_is_not_counted_as_done() {
    let mut ledger = Ledger::default();
    ledger.count(Micrometres(195_802), Micrometres(0));
    ledger.count(Micrometres(-10_000), Micrometres(50_000));
    assert_eq!((ledger.odometer, ledger.uncertain), (Micrometres(185_802), Micrometres(50_000)));
}

#[test]
fn the_splice_moves_with_the_belt_and_comes_round() {
    let mut ledger = belt();
    assert_eq!(ledger.splice_before(NOSE), Some(Micrometres(0)));
    ledger.count(Micrometres(300_000), Micrometres(0));
    assert_eq!(ledger.splice_before(NOSE), Some(Micrometres(700_000)));
    ledger.count(Micrometres(600_000), Micrometres(0));
    // It stands at u = 120 mm: a footprint from 100 to 140 needs it moved on until its margin is past 140.
    assert_eq!(ledger.splice_before(NOSE), Some(Micrometres(100_000)));
    assert_eq!(advance(&ledger, 100_000, 140_000), 25_000);
    assert!(!ledger.is_free(Span::new(100_000, 140_000), &RULES, FALLEN));
    assert_eq!(advance(&ledger, 125_000, 180_000), 0, "touching the margin's edge is free");
    assert_eq!(advance(&ledger, 124_999, 180_000), 65_000);
}

#[test]
fn without_a_loop_there_are_no_marks_and_no_keep_outs() {
    let mut ledger = Ledger::default();
    assert_eq!(ledger.splice_at(NOSE), Err(MarkError::LoopUnknown));
    assert_eq!(ledger.mark_flaw(Span::new(0, 10), ""), Err(MarkError::LoopUnknown));
    assert_eq!((advance(&ledger, 0, 5_000_000), ledger.longest_free(&RULES)), (0, None));
    assert_eq!(ledger.marks(), None, "nothing to keep");
}

#[test]
fn flaws_are_numbered_cleared_and_never_longer_than_the_belt() {
    let mut ledger = belt();
    assert_eq!(ledger.mark_flaw(Span::new(200_000, 220_000), "scratch"), Ok(1));
    assert_eq!(ledger.mark_flaw(Span::new(0, 5_000), ""), Ok(2));
    ledger.count(Micrometres(15_000), Micrometres(0));
    let flaws: Vec<_> = ledger.flaws_before(NOSE).into_iter().map(|f| (f.id, f.before_nose.0, f.length.0)).collect();
    assert_eq!(flaws, [(1, 985_000, 20_000), (2, 200_000, 5_000)]);
    assert_eq!(ledger.clear_flaw(1), Ok(()));
    assert_eq!(ledger.clear_flaw(1), Err(MarkError::NoFlaw(1)));
    assert_eq!(ledger.mark_flaw(Span::new(0, 5_000), ""), Ok(3), "a number is not used twice");
    for length in [0, -5, 1_000_001] {
        assert!(matches!(ledger.mark_flaw(Span::new(0, length), ""), Err(MarkError::FlawLength { .. })), "{length}");
    }
}

#[test]
fn travel_that_may_have_happened_widens_every_keep_out_both_ways_until_the_splice_is_seen() {
    let mut ledger = belt();
    ledger.count(Micrometres(900_000), Micrometres(0));
    // Half the splice, its margin, and 20 mm either way: 95 to 145 mm.
    ledger.count(Micrometres(0), Micrometres(20_000));
    assert_eq!((advance(&ledger, 145_000, 160_000), advance(&ledger, 144_999, 160_000)), (0, 65_000));
    assert_eq!((advance(&ledger, 80_000, 95_000), advance(&ledger, 80_000, 95_001)), (0, 1));
    // Forth and back again is no certainty regained.
    ledger.count(Micrometres(0), Micrometres(-20_000));
    assert_eq!((ledger.uncertain.0, ledger.doubt().0), (0, 40_000));
    ledger.splice_at(NOSE).expect("a loop");
    assert_eq!((ledger.uncertain.0, ledger.doubt().0, advance(&ledger, 100_000, 210_000)), (0, 0, 0));
}

#[test]
fn when_the_splice_is_found_elsewhere_earlier_marks_and_wear_go_with_it_and_later_ones_stay() {
    let mut ledger = belt();
    let before = ledger.mark_flaw(Span::new(100_000, 110_000), "before").expect("a loop");
    ledger.lay(7, Span::new(20_000, 30_000));
    ledger.all_left();
    ledger.count(Micrometres(0), Micrometres(30_000));
    let after = ledger.mark_flaw(Span::new(150_000, 160_000), "after").expect("a loop");
    // The belt did go 30 mm: the splice has gone round and 30 mm less is needed to see it again.
    ledger.count(Micrometres(970_000), Micrometres(0));
    assert_eq!(ledger.splice_at(NOSE), Ok(Some(Micrometres(30_000))));
    let at = |id| ledger.flaws_before(NOSE).into_iter().find(|f| f.id == id).map(|f| (f.before_nose.0, f.length.0));
    assert_eq!(at(before), Some((110_000, 10_000)), "as far before the splice as it was marked");
    assert_eq!(at(after), Some((60_000 + 30_000, 10_000)));
    let worn: Vec<_> = ledger.wear_before(NOSE).into_iter().filter(|&(_, n)| n > 0).map(|(at, _)| at.0).collect();
    // Printed on 190 to 200 mm before the splice.
    assert_eq!(worn, [200_000]);
}

#[test]
fn a_mark_between_two_doubts_is_widened_by_the_later_one() {
    let mut ledger = belt();
    ledger.count(Micrometres(0), Micrometres(5_000));
    ledger.mark_flaw(Span::new(100_000, 110_000), "").expect("a loop");
    ledger.count(Micrometres(0), Micrometres(-2_000));
    ledger.splice_at(NOSE).expect("a loop");
    let flaw = &ledger.flaws_before(NOSE)[0];
    assert_eq!((flaw.before_nose.0, flaw.length.0), (108_000, 14_000));
}

#[test]
fn a_part_stays_on_the_belt_until_somebody_says_that_it_left_and_is_no_obstacle_beyond_the_nose() {
    let mut ledger = belt();
    ledger.count(Micrometres(500_000), Micrometres(0));
    ledger.lay(7, Span::new(50_000, 60_000));
    assert_eq!(advance(&ledger, 40_000, 80_000), 80_000 + 3_000 - 50_000);
    ledger.count(Micrometres(195_000), Micrometres(0));
    assert_eq!(ledger.parts(), [PartNow { cycle: 7, span: Span::new(245_000, 255_000) }]);
    // A footprint that reaches to the nose has to wait until it fell.
    assert_eq!(advance(&ledger, 240_000, 270_000), 260_000 - 242_000);
    ledger.all_left();
    assert_eq!((ledger.parts().len(), advance(&ledger, 240_000, 270_000)), (0, 0));
}

#[test]
fn what_is_kept_comes_back_whole() {
    let mut ledger = belt();
    ledger.mark_flaw(Span::new(0, 5_000), "knot").expect("a loop");
    ledger.lay(12, Span::new(50_000, 60_000));
    ledger.count(Micrometres(3), Micrometres(-4));
    let text = serde_json::to_string(ledger.marks().expect("something to keep")).expect("JSON");
    let marks = serde_json::from_str(&text).expect("marks");
    assert_eq!(Ledger::kept(ledger.odometer, ledger.uncertain, Some(marks)), ledger);
}

#[test]
fn a_line_from_before_marks_were_kept_opens_with_its_doubt() {
    let mut ledger = Ledger::kept(Micrometres(5), Micrometres(-9), None);
    assert_eq!(ledger.doubt(), Micrometres(9));
    assert_eq!(ledger.set_loop(Some(Micrometres(500_000))), LoopChange::None);
    assert_eq!(advance(&ledger, 0, 400_000), 0);
}

#[test]
fn marks_that_cannot_be_read_leave_no_room_until_the_splice_is_seen() {
    let mut ledger = Ledger::kept(Micrometres(5), Micrometres(0), Some(Marks::unreadable()));
    ledger.set_loop(Some(Micrometres(500_000)));
    assert_eq!(ledger.place(Span::new(0, 1_000), &RULES, FALLEN).expect_err("no room").longest, Micrometres(0));
    ledger.splice_at(NOSE).expect("a loop");
    assert_eq!(advance(&ledger, 0, 1_000), 0);
}

#[test]
fn another_loop_length_keeps_distances_and_doubts_them_by_the_difference() {
    let mut ledger = belt();
    ledger.count(Micrometres(900_000), Micrometres(0));
    let (was, is) = (Micrometres(1_000_000), Micrometres(1_010_000));
    assert_eq!(ledger.set_loop(Some(is)), LoopChange::Kept { was, is });
    assert_eq!((ledger.splice_before(NOSE), ledger.doubt()), (Some(Micrometres(100_000)), Micrometres(10_000)));
    assert_eq!(ledger.set_loop(Some(is)), LoopChange::None);
    assert_eq!(ledger.set_loop(None), LoopChange::Unnamed { was: is });
    assert_eq!(ledger.loop_length(), Some(is));
    let short = Micrometres(110_000);
    assert_eq!(ledger.set_loop(Some(short)), LoopChange::Lost { was: is, is: short });
    assert!(ledger.place(Span::new(0, 1_000), &RULES, FALLEN).is_err());
    ledger.forget_splice();
    assert_eq!(ledger.set_loop(None), LoopChange::None);
    assert_eq!(ledger.loop_length(), None);
}
