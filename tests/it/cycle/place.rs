//! The place on the belt: found before anything is warmed, kept off every mark, and found anew after every trouble.

use nosebar::belt::{Clearances, Ledger, Span};
use nosebar::job::{LineReason, LineState, Outcome, Phase};
use nosebar::line::{Act, BeltSettings, Check, Line, Operator, Signal, Stage, Step, StepResult};
use nosebar::units::{Micrometres, Moment};

use super::bench::*;

const LOOP: Micrometres = Micrometres(1_000_000);
const NOSE: Micrometres = Micrometres(220_000);
/// The bench's footprint reaches from 64.198 to 135.802 mm; a splice here stands in its middle.
const IN_THE_WAY: Micrometres = Micrometres(120_000);
/// Half the splice and its margin: it must go on to 135.802 + 5 mm before its near edge is off.
const MISSING: i64 = 135_802 + 5_000 - 100_000;

fn belt() -> BeltSettings {
    BeltSettings {
        loop_length: Some(LOOP),
        nose: NOSE,
        fallen: Micrometres(260_000),
        bed: Span { tail: Micrometres(0), lead: NOSE },
        clearances: Clearances {
            splice_width: Micrometres(4_000),
            margin: Micrometres(3_000),
            wear_slack: Micrometres(0),
        },
    }
}

/// An idle line whose splice is so far before the nose.
fn bench(splice_before: Micrometres) -> Bench {
    let mut ledger = Ledger::default();
    ledger.set_loop(Some(LOOP));
    ledger.splice_at(NOSE - splice_before).expect("a loop");
    let row = nosebar::job::LineRow { belt: serde_json::to_string(ledger.marks().expect("marks")).ok(), ..row() };
    bench_of(&row)
}

fn bench_of(row: &nosebar::job::LineRow) -> Bench {
    let settings = nosebar::line::LineSettings { belt: belt(), ..settings(Check::Ask) };
    let line = Line::recovered(Moment(0), settings, row, None);
    let mut bench = Bench { line, now: Moment(0), open: Vec::new(), acts: Vec::new() };
    bench.drain();
    bench.signal(Signal::Connected);
    bench.ok();
    bench
}

fn stage(bench: &Bench) -> Option<Stage> {
    bench.line.in_work().map(|work| work.stage)
}

fn open_travel(bench: &Bench) -> i64 {
    match &bench.open[0].1 {
        Step::Belt { moves, .. } => moves.iter().map(|m| m.travel.0).sum(),
        other => panic!("the belt should run, not {other:?}"),
    }
}

fn free(bench: &Bench) -> bool {
    bench.line.ledger().is_free(Span::new(64_198, 135_802), &belt().clearances, belt().fallen)
}

/// From the bed's heating to the first byte of the file.
fn warm_up(bench: &mut Bench) {
    assert!(matches!(bench.ok(), Step::Heat { bed: Some(_), .. }));
    bench.read(59.0, 22.0);
    bench.ok();
    bench.read(60.0, 199.0);
    assert_eq!(bench.line.phase(), Some(Phase::Print));
    assert!(free(bench) || !bench.line.ledger().parts().is_empty());
}

#[test]
fn a_free_place_is_warmed_up_at_once() {
    let mut bench = bench(Micrometres(10_000));
    bench.begin();
    assert_eq!(stage(&bench), Some(Stage::WarmBed));
    warm_up(&mut bench);
    assert_eq!(bench.line.ledger().odometer, Micrometres(0));
}

#[test]
fn the_belt_runs_on_first_when_the_splice_is_in_the_way_and_the_odometer_counts_it() {
    let mut bench = bench(IN_THE_WAY);
    bench.begin();
    assert_eq!((stage(&bench), bench.open.len()), (Some(Stage::Placing), 0), "law L2: no reading yet");
    bench.read(32.1, 22.0);
    assert_eq!(bench.open.len(), 0, "law L2: the bed is too warm");
    bench.read(32.0, 22.0);
    assert_eq!((open_travel(&bench), free(&bench)), (MISSING, false));
    // Law L3: what is kept now says that the belt may be moving.
    assert!(bench.line.row().open_step.is_some_and(|step| step.contains("belt")));
    bench.belt_done(None);
    assert!(free(&bench));
    assert_eq!(bench.line.ledger().odometer, Micrometres(MISSING));
    warm_up(&mut bench);
    // The part lies where the file puts it, whatever the belt ran before.
    assert_eq!(bench.line.ledger().parts()[0].span, Span::new(64_198, 135_802));
}

#[test]
fn a_belt_that_was_stopped_short_is_run_on_from_where_it_is() {
    let mut bench = bench(IN_THE_WAY);
    bench.begin();
    bench.read(25.0, 22.0);
    bench.operate(Operator::HoldNow).expect("it can be held");
    assert!(bench.acts.contains(&Act::StopBelt));
    bench.done(StepResult { moved: Micrometres(15_000), maybe: Micrometres(1_000), ..StepResult::default() });
    assert_eq!(bench.state(), (LineState::Held, LineReason::Operator));
    bench.operate(Operator::Resume).expect("it goes on");
    assert_eq!(open_travel(&bench), MISSING - 15_000 + 1_000, "wider by what may have happened");
    bench.belt_done(None);
    warm_up(&mut bench);
    assert_eq!(bench.line.ledger().odometer, Micrometres(MISSING + 1_000));
}

#[test]
fn nothing_is_lost_when_the_printer_goes_or_a_person_ends_it_while_the_belt_runs_to_its_place() {
    type Trouble = fn(&mut Bench, StepResult);
    let short = || StepResult { moved: Micrometres(12_000), maybe: Micrometres(3_000), ..StepResult::default() };
    let troubles: [(Trouble, LineState); 5] = [
        (|b, result| b.signal(Signal::Disconnected { why: "pulled".into(), result }), LineState::Suspended),
        (|b, result| b.signal(Signal::Reset { result }), LineState::Aborted),
        (
            |b, result| {
                let step = b.open[0].0;
                b.signal(Signal::StepFailed { step, why: "stuck".into(), result });
            },
            LineState::Aborted,
        ),
        (
            |b, result| {
                b.operate(Operator::Stop).expect("it can be stopped");
                let step = b.open[0].0;
                b.signal(Signal::StepDone { step, result });
            },
            LineState::Stopped,
        ),
        (
            |b, result| {
                b.operate(Operator::EmergencyStop).expect("always");
                b.signal(Signal::Reset { result });
            },
            LineState::Aborted,
        ),
    ];
    for (trouble, state) in troubles {
        let mut bench = bench(IN_THE_WAY);
        bench.begin();
        bench.read(25.0, 22.0);
        trouble(&mut bench, short());
        assert_eq!((bench.state().0, bench.ended()), (state, vec![(Outcome::Returned, None)]));
        let ledger = bench.line.ledger();
        assert_eq!((ledger.odometer.0, ledger.uncertain.0, ledger.doubt().0), (12_000, 3_000, 3_000));
        assert_eq!(bench.travelled(), Some((12_000, false)), "told to the end, although the cycle had ended");
        assert!(bench.line.row().open_step.is_none_or(|step| !step.contains("\"belt\"")), "counted once");
    }
}

#[test]
fn what_the_belt_ran_before_an_emergency_in_the_advance_counts_to_the_part_that_is_asked_about() {
    let mut bench = bench(Micrometres(10_000));
    bench.reach_advance();
    bench.operate(Operator::EmergencyStop).expect("always");
    assert_eq!(bench.travelled(), Some((0, true)));
    bench.signal(Signal::Reset {
        result: StepResult { moved: Micrometres(9_000), maybe: Micrometres(1_000), ..StepResult::default() },
    });
    assert_eq!((bench.travelled(), bench.line.ledger().odometer), (Some((9_000, false)), Micrometres(9_000)));
    bench.operate(Operator::BeltClear { part: None }).expect("an answer");
    assert_eq!(bench.ended(), [(Outcome::Completed, Some(nosebar::job::CheckedBy::Person))]);
}

#[test]
fn a_restart_while_the_belt_runs_to_its_place_doubts_the_whole_move_and_asks() {
    let mut bench = bench(IN_THE_WAY);
    bench.begin();
    bench.read(25.0, 22.0);
    let kept = bench.line.row();
    let mut after = bench_of(&kept);
    assert_eq!(after.state(), (LineState::Held, LineReason::Restarted));
    assert_eq!((after.line.ledger().odometer.0, after.line.ledger().doubt().0), (0, MISSING));
    after.operate(Operator::BeltClear { part: None }).expect("the word counts");
    after.operate(Operator::SpliceAtNose).expect("the belt stands");
    assert_eq!((after.line.ledger().uncertain.0, after.line.ledger().doubt().0), (0, 0));
    assert_eq!(after.line.ledger().splice_before(NOSE), Some(Micrometres(0)));
}

#[test]
fn a_bed_that_stays_warm_holds_the_line_by_its_deadline() {
    let mut bench = bench(IN_THE_WAY);
    bench.begin();
    for _ in 0..3 * 3600 / 20 {
        bench.read(45.0, 22.0);
        bench.pass(20);
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert_eq!(bench.line.ledger().odometer, Micrometres(0));
}

#[test]
fn a_belt_that_does_not_move_as_told_is_not_told_for_ever() {
    let mut bench = bench(IN_THE_WAY);
    bench.begin();
    for _ in 0..10 {
        bench.read(25.0, 22.0);
        if !bench.open.is_empty() {
            bench.done(StepResult { complete: true, ..StepResult::default() });
        }
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
}

#[test]
fn a_flaw_marked_under_a_copy_that_warms_up_sends_it_to_another_place() {
    let mut bench = bench(Micrometres(10_000));
    bench.begin();
    bench.ok();
    bench.read(59.0, 22.0);
    let flaw = Operator::MarkFlaw { near: Micrometres(100_000), far: Micrometres(110_000), note: "scratch".into() };
    bench.operate(flaw).expect("the belt stands");
    assert_eq!(stage(&bench), Some(Stage::Placing));
    assert!(bench.heaters_are_off());
    while !bench.open.is_empty() {
        bench.ok();
    }
    bench.read(60.0, 22.0);
    assert!(bench.open.is_empty(), "law L2: it cools first");
    bench.read(31.0, 22.0);
    bench.belt_done(None);
    warm_up(&mut bench);
}

#[test]
fn a_copy_without_room_goes_back_unprinted() {
    let mut bench = bench(Micrometres(10_000));
    let flaw = Operator::MarkFlaw { near: Micrometres(0), far: Micrometres(940_000), note: String::new() };
    bench.operate(flaw).expect("the belt stands");
    bench.begin();
    assert_eq!(bench.ended(), [(Outcome::Returned, None)]);
    assert_eq!(bench.state(), (LineState::Idle, LineReason::None));
    assert!(bench.open.is_empty());
    let said = bench.acts.iter().any(
        |act| matches!(act, Act::CycleEnded { note, .. } if note.contains("needs 71.604 mm free, longest free stretch")),
    );
    assert!(said, "{:?}", bench.acts);
}

#[test]
fn marks_are_set_only_while_the_belt_stands_and_are_written_down() {
    let mut bench = bench(IN_THE_WAY);
    bench.begin();
    bench.read(25.0, 22.0);
    for command in
        [Operator::SpliceAtNose, Operator::MarkFlaw { near: Micrometres(0), far: Micrometres(10), note: String::new() }]
    {
        assert!(bench.operate(command).expect_err("it runs").contains("the belt is running"));
    }
    bench.belt_done(None);
    let flaw = Operator::MarkFlaw { near: Micrometres(5_000), far: Micrometres(8_000), note: "knot".into() };
    bench.operate(flaw).expect("it stands");
    bench.operate(Operator::ForgetSplice).expect("always");
    bench.operate(Operator::ClearFlaw(1)).expect("it is there");
    assert!(bench.operate(Operator::ClearFlaw(1)).expect_err("it is gone").contains("no flaw 1"));
    let notes: Vec<_> = bench
        .acts
        .iter()
        .filter_map(|act| match act {
            Act::Note { kind, text } if kind.starts_with("flaw") || kind.starts_with("splice") => Some(text.as_str()),
            _ => None,
        })
        .collect();
    assert_eq!(
        notes,
        [
            "a person marked flaw 1, 5 to 8 mm before the nose: knot",
            "a person said that the belt has no splice that must be kept free",
            "a person cleared flaw 1",
        ]
    );
}

#[test]
fn parts_are_on_the_belt_from_the_first_byte_of_their_print_until_a_check_or_a_word() {
    let mut bench = bench(Micrometres(10_000));
    bench.begin();
    warm_up(&mut bench);
    assert_eq!(bench.line.ledger().parts()[0].cycle, CYCLE.0);
    // After a restart in mid-print the part is still there, and a person's word takes it off.
    let mut after = bench_of(&bench.line.row());
    assert_eq!(after.line.ledger().parts().len(), 1);
    after.operate(Operator::BeltClear { part: None }).expect("the word counts");
    assert_eq!(after.line.ledger().parts(), []);

    bench.ok();
    bench.ok();
    bench.read(31.0, 40.0);
    bench.belt_done(None);
    let part = bench.line.ledger().parts()[0].span;
    assert_eq!(part, Span::new(64_198 + 195_802, 135_802 + 195_802), "it went with the belt");
    bench.operate(Operator::BeltClear { part: None }).expect("an answer");
    assert_eq!(bench.line.ledger().parts(), []);
}

#[test]
fn marks_that_cannot_be_read_leave_no_room_until_a_person_has_seen_the_splice() {
    let mut bench = bench_of(&nosebar::job::LineRow { belt: Some("{\"splice_um\": \"?\"}".into()), ..row() });
    bench.begin();
    assert_eq!(bench.ended(), [(Outcome::Returned, None)]);
    bench.operate(Operator::SpliceAtNose).expect("the belt stands");
    bench.begin();
    assert_eq!(stage(&bench), Some(Stage::WarmBed));
}
