//! The belt runs while a button is held, and no longer.

use std::time::Duration;

use nosebar::job::{LineReason, LineState};
use nosebar::line::{Act, Check, JOG_LEASE, JOG_MAX, JogWhile, Operator, Signal, Step, StepResult, Toward};
use nosebar::units::Micrometres;
use proptest::prelude::*;

use super::bench::*;

const HELD: JogWhile =
    JogWhile { toward: Toward::Nose, feed_mm_min: 600, looked: false, although_warm: false, press: 71 };
const TRYING: (LineState, LineReason) = (LineState::Execute, LineReason::Commissioning);
const TRIED: (LineState, LineReason) = (LineState::Held, LineReason::Commissioning);
/// 600 mm/min for 0.3 s.
const PIECE: Micrometres = Micrometres(3_000);

fn cold() -> Bench {
    let mut bench = Bench::new(Check::Switch);
    bench.read(22.0, 22.0);
    bench
}

fn pressed() -> Bench {
    let mut bench = cold();
    hold(&mut bench).expect("begun");
    bench
}

fn hold(bench: &mut Bench) -> Result<(), String> {
    bench.operate(Operator::JogWhile(HELD))
}

fn let_go(bench: &mut Bench) {
    bench.operate(Operator::JogLetGo { press: HELD.press }).expect("always");
}

fn pass_ms(bench: &mut Bench, ms: u64) {
    bench.now = bench.now + Duration::from_millis(ms);
    bench.line.handle_timeout(bench.now);
    bench.drain();
}

/// Notes of one kind.
fn notes<'a>(bench: &'a Bench, wanted: &'a str) -> Vec<&'a str> {
    let note = |act: &'a Act| match act {
        Act::Note { kind, text } if *kind == wanted => Some(text.as_str()),
        _ => None,
    };
    bench.acts.iter().filter_map(note).collect()
}

fn odometer(bench: &Bench) -> Micrometres {
    bench.line.ledger().odometer
}

#[test]
fn pieces_follow_one_another_while_the_button_is_held_and_none_when_it_is_let_go() {
    let mut bench = pressed();
    assert_eq!(bench.state(), TRYING);
    for number in 1..=20 {
        assert_eq!(bench.open.len(), 1, "one piece at a time");
        // Law L3: what is kept has the piece before it can be sent.
        assert!(bench.line.row().open_step.expect("an open step").contains("held-jog"));
        pass_ms(&mut bench, 300);
        hold(&mut bench).expect("renewed");
        bench.belt_done(None);
        assert_eq!(odometer(&bench), Micrometres(PIECE.0 * number));
        bench.read(22.0, 22.0);
    }
    let_go(&mut bench);
    assert!(bench.acts.contains(&Act::StopBelt));
    assert_eq!(bench.state(), TRYING, "until the belt stands");
    bench.belt_done(None);
    assert_eq!((bench.state(), bench.open.len()), (TRIED, 0));
    assert!(!bench.line.is_ready(), "it takes no job until a person lets it go on");
    assert_eq!(notes(&bench, "jog"), ["a person jogs the belt toward the nose at 600 mm/min while a button is held"]);
    let told = notes(&bench, "state");
    assert!(told.last().expect("an end").contains("jogged by 63 mm: the button was let go"), "{told:?}");
}

#[test]
fn a_button_that_is_not_renewed_for_a_second_is_let_go() {
    let mut bench = pressed();
    let mut pieces = 0;
    while bench.state() == TRYING {
        pass_ms(&mut bench, 300);
        bench.belt_done(None);
        pieces += 1;
    }
    assert_eq!(pieces, 4, "begun at 0, 300, 600 and 900 ms");
    assert_eq!((odometer(&bench), bench.state()), (Micrometres(4 * PIECE.0), TRIED));
    // It comes too late, and begins nothing.
    assert!(hold(&mut bench).expect_err("over").contains("this press is over"));
    assert_eq!((bench.open.len(), bench.state()), (0, TRIED));
}

#[test]
fn a_renewal_behind_its_time_is_none_also_when_nobody_has_looked_at_the_clock_yet() {
    let mut bench = pressed();
    bench.now = bench.now + JOG_LEASE;
    assert!(hold(&mut bench).expect_err("too late").contains("not renewed in time"));
    assert!(bench.acts.contains(&Act::StopBelt));
    bench.belt_done(None);
    assert_eq!((bench.state(), bench.open.len()), (TRIED, 0));
}

#[test]
fn a_piece_that_could_not_be_kept_in_time_is_not_to_be_sent() {
    let bench = pressed();
    let (id, _) = bench.open[0];
    assert!(bench.line.is_piece(id) && !bench.line.is_too_late(bench.now, id));
    assert!(bench.line.is_too_late(bench.now + JOG_LEASE, id));
}

#[test]
fn somebody_else_has_no_thumb_on_it_and_a_renewal_changes_nothing() {
    let mut bench = pressed();
    let other = bench.operate(Operator::JogWhile(JogWhile { press: 72, ..HELD })).expect_err("one at a time");
    assert!(other.contains("somebody else"), "{other}");
    bench.operate(Operator::JogLetGo { press: 72 }).expect("says nothing of this one");
    assert_eq!(bench.state(), TRYING);
    let turned =
        bench.operate(Operator::JogWhile(JogWhile { toward: Toward::Tail, ..HELD })).expect_err("the other way");
    assert!(turned.contains("what it was begun with"), "{turned}");
    let Step::Belt { moves, .. } = &bench.open[0].1 else { panic!("the belt") };
    assert_eq!(moves[0].travel, PIECE);
}

#[test]
fn letting_go_that_is_heard_before_the_press_keeps_it_from_being_begun() {
    let mut bench = cold();
    let_go(&mut bench);
    assert!(hold(&mut bench).expect_err("over").contains("over"));
    assert!(bench.open.is_empty());
    bench.operate(Operator::JogWhile(JogWhile { press: 5, toward: Toward::Tail, ..HELD })).expect("another press");
    bench.belt_done(None);
    assert_eq!(odometer(&bench), Micrometres(-PIECE.0));
}

#[test]
fn a_held_jog_asks_for_what_a_jog_asks_for() {
    let refused = |bench: &mut Bench, asked: JogWhile| {
        let told = bench.operate(Operator::JogWhile(asked)).expect_err("not now");
        assert!(bench.open.is_empty(), "{told}");
        told
    };
    let mut bench = cold();
    assert!(refused(&mut bench, JogWhile { feed_mm_min: 0, ..HELD }).contains("1500 mm/min"));
    assert!(refused(&mut bench, JogWhile { feed_mm_min: 1501, ..HELD }).contains("1500 mm/min"));
    bench.read(43.1, 22.0);
    assert!(refused(&mut bench, HELD).contains("43.1 °C"));
    bench.pass(6);
    assert!(refused(&mut bench, HELD).contains("not known"));
    let unknown = nosebar::job::LineRow {
        state: LineState::Held,
        reason: LineReason::BeltNotKnownClear,
        belt_clear: false,
        ..row()
    };
    let mut bench = Bench::recovered(Check::Switch, &unknown, None);
    bench.signal(Signal::Connected);
    bench.ok();
    bench.read(22.0, 22.0);
    assert!(refused(&mut bench, HELD).contains("say that you have"));
    bench.operate(Operator::JogWhile(JogWhile { looked: true, ..HELD })).expect("the word counts");
}

/// Law L2.
#[test]
fn a_bed_that_grows_warm_or_is_read_no_more_ends_the_press() {
    let mut bench = pressed();
    bench.read(43.1, 22.0);
    bench.belt_done(None);
    assert_eq!((bench.state(), bench.open.len()), (TRIED, 0));
    let mut bench = cold();
    for _ in 0..17 {
        if hold(&mut bench).is_err() {
            break;
        }
        pass_ms(&mut bench, 300);
        bench.belt_done(None);
    }
    assert_eq!(bench.state(), TRIED, "the last reading is five seconds old");
    assert!(bench.line.note().contains("not known to be cool"), "{}", bench.line.note());
    let mut bench = cold();
    bench.read(60.0, 22.0);
    bench.operate(Operator::JogWhile(JogWhile { although_warm: true, ..HELD })).expect("the word counts");
    bench.belt_done(None);
    assert_eq!((bench.state(), bench.open.len()), (TRYING, 1));
}

#[test]
fn one_press_runs_half_a_metre_and_says_so() {
    let mut bench = pressed();
    while bench.state() == TRYING {
        hold(&mut bench).expect("renewed");
        pass_ms(&mut bench, 300);
        bench.belt_done(None);
        bench.read_once(22.0, 22.0);
    }
    assert_eq!(odometer(&bench), JOG_MAX);
    assert!(bench.line.note().contains("one press runs no further"), "{}", bench.line.note());
    assert!(hold(&mut bench).is_err());
}

#[test]
fn whatever_ends_a_jog_ends_a_press_and_its_travel_is_told_once() {
    for (what, state) in [
        (Operator::HoldNow, TRIED),
        (Operator::EndTrial, TRIED),
        (Operator::Stop, (LineState::Stopped, LineReason::Operator)),
    ] {
        let mut bench = pressed();
        bench.belt_done(None);
        bench.operate(what.clone()).expect("ended");
        assert!(bench.acts.contains(&Act::StopBelt), "{what:?}");
        assert!(hold(&mut bench).is_err(), "{what:?}");
        bench.done(StepResult { complete: false, moved: Micrometres(1_000), ..StepResult::default() });
        assert_eq!((bench.state(), bench.open.len(), odometer(&bench)), (state, 0, Micrometres(4_000)), "{what:?}");
        let told = bench.acts.iter().filter(|act| matches!(act, Act::Note { text, .. } if text.contains(" 4 mm")));
        assert_eq!(told.count(), 1, "{what:?}");
        assert!(hold(&mut bench).is_err(), "{what:?}");
    }
}

/// Law L6: what may have happened is said apart.
#[test]
fn a_lost_link_a_reset_and_an_emergency_stop_end_a_press_and_leave_its_piece_in_doubt() {
    let doubtful = StepResult { maybe: PIECE, ..StepResult::default() };
    let lost = || Signal::Disconnected { why: "unplugged".to_owned(), result: doubtful.clone() };
    for (stops, signal, state) in [
        (false, lost(), TRIED),
        (false, Signal::Reset { result: doubtful.clone() }, TRIED),
        (true, lost(), (LineState::Aborted, LineReason::EmergencyStop)),
    ] {
        let mut bench = pressed();
        if stops {
            bench.operate(Operator::EmergencyStop).expect("always");
        }
        bench.signal(signal);
        assert_eq!((bench.state(), bench.line.is_pressed()), (state, false));
        assert_eq!((odometer(&bench), bench.line.ledger().uncertain), (Micrometres(0), PIECE));
        let said = |act: &Act| matches!(act, Act::Note { text, .. } if text.contains("3 mm more may have happened"));
        assert!(bench.acts.iter().any(said), "{:?}", bench.acts);
        assert!(hold(&mut bench).is_err());
    }
}

/// Law L3.
#[test]
fn a_restart_in_a_press_counts_its_piece_as_possible_and_asks() {
    let mut bench = pressed();
    bench.belt_done(None);
    let bench = Bench::recovered(Check::Switch, &bench.line.row(), None);
    assert_eq!(bench.state(), (LineState::Held, LineReason::Restarted));
    assert_eq!((odometer(&bench), bench.line.ledger().uncertain), (PIECE, PIECE));
    assert_eq!(bench.line.asks(), Some(false));
}

/// Law L9.
#[test]
fn a_piece_that_does_not_end_is_not_waited_for_without_end() {
    let mut bench = cold();
    hold(&mut bench).expect("begun");
    for _ in 0..61 * 2 {
        pass_ms(&mut bench, 500);
        drop(hold(&mut bench));
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert!(bench.acts.contains(&Act::StopBelt));
}

/// What may happen to a line with a thumb on it.
#[derive(Clone, Debug)]
enum Turn {
    Hold(u64),
    LetGo(u64),
    Wait(u64),
    PieceDone,
    PieceStopped(i64),
    Read(f64),
    Stop,
    Resume,
}

fn turns() -> impl Strategy<Value = Vec<Turn>> {
    let turn = prop_oneof![
        6 => (0..3_u64).prop_map(Turn::Hold),
        1 => (0..3_u64).prop_map(Turn::LetGo),
        4 => (0..700_u64).prop_map(Turn::Wait),
        6 => Just(Turn::PieceDone),
        1 => (0..3_000_i64).prop_map(Turn::PieceStopped),
        3 => prop_oneof![4 => Just(22.0), 1 => Just(50.0)].prop_map(Turn::Read),
        1 => Just(Turn::Stop),
        1 => Just(Turn::Resume),
    ];
    proptest::collection::vec(turn, 1..120)
}

proptest! {
    /// No piece is begun but within the lease of a word that was taken, and never more than one at a time; a press that was let go
    /// never runs again; and the odometer is what the pieces ran.
    #[test]
    fn no_piece_is_begun_without_a_thumb(turns in turns()) {
        let mut bench = cold();
        let mut heard = None;
        let mut gone = std::collections::BTreeSet::new();
        let mut ran = 0;
        for turn in turns {
            let before = bench.open.first().map(|(id, _)| *id);
            match turn {
                Turn::Hold(press) => {
                    if bench.operate(Operator::JogWhile(JogWhile { press, ..HELD })).is_ok() {
                        prop_assert!(!gone.contains(&press), "press {press} was let go");
                        heard = Some(bench.now);
                    }
                }
                Turn::LetGo(press) => {
                    bench.operate(Operator::JogLetGo { press }).expect("always");
                    gone.insert(press);
                }
                Turn::Wait(ms) => pass_ms(&mut bench, ms),
                Turn::PieceDone | Turn::PieceStopped(_) if bench.open.is_empty() => {}
                Turn::PieceDone => {
                    let Step::Belt { moves, .. } = &bench.open[0].1 else { panic!("the belt alone") };
                    ran += moves[0].travel.0;
                    bench.belt_done(None);
                }
                Turn::PieceStopped(um) => {
                    ran += um;
                    bench.done(StepResult { complete: false, moved: Micrometres(um), ..StepResult::default() });
                }
                Turn::Read(bed) => bench.read_once(bed, 22.0),
                Turn::Stop => drop(bench.operate(Operator::Stop)),
                Turn::Resume => drop(bench.operate(Operator::Resume)),
            }
            prop_assert!(bench.open.len() <= 1);
            prop_assert_eq!(odometer(&bench).0, ran);
            if !bench.open.is_empty() && bench.open.first().map(|(id, _)| *id) != before {
                prop_assert!(heard.is_some_and(|at| bench.now.since(at) < JOG_LEASE), "begun at {:?}, heard at {heard:?}", bench.now);
            }
        }
    }
}
