//! The cycle, driven by hand: signals in, acts out, on a clock that is only a number.

mod alarms;
mod bench;
mod heat;
mod jog;
mod person;
mod place;
mod trial;
mod trouble;

use nosebar::job::{CheckedBy, CycleId, LineReason, LineState, Outcome, PartWord, Phase};
use nosebar::line::{Act, Check, Operator, Readings, Signal, Step, StepResult, Verdict, Watched};
use nosebar::units::{Celsius, Micrometres};

use bench::*;

#[test]
fn a_copy_goes_through_its_five_phases() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_advance();
    bench.belt_done(Some(SAW_IT_GO));
    assert_eq!(bench.ended(), [(Outcome::Completed, Some(CheckedBy::Switch))]);
    assert_eq!(bench.state(), (LineState::Idle, LineReason::None));
    assert!(bench.line.is_ready() && bench.line.belt_clear());
    assert_eq!(bench.line.ledger().odometer, Micrometres(195_802));
}

#[test]
fn the_belt_is_not_known_clear_from_the_first_byte_of_a_print() {
    let mut bench = Bench::new(Check::Switch);
    bench.begin();
    assert!(bench.line.belt_clear(), "warming up lays nothing");
    bench.ok();
    bench.read(60.0, 22.0);
    bench.ok();
    bench
        .line
        .handle(bench.now, Signal::Temperatures(Readings { nozzle: Some(Celsius(200.0)), ..Readings::default() }));
    // Law L1 and L3: the row to be kept says so before the step can be told to anybody.
    assert!(!bench.line.row().belt_clear);
    bench.drain();
    assert!(matches!(bench.open.last(), Some((_, Step::Print))));
}

#[test]
fn the_belt_waits_for_a_fresh_reading_at_or_below_the_release_temperature() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    bench.read(32.1, 40.0);
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
    // A report of the nozzle alone is no reading of the bed.
    bench.pass(10);
    bench.signal(Signal::Temperatures(Readings { nozzle: Some(Celsius(30.0)), ..Readings::default() }));
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
    bench.read(32.0, 30.0);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
}

/// Nothing guards a temperature on its way: `B:45.30` that lost a byte is still a reading.
#[test]
fn one_cool_reading_between_warm_ones_moves_no_belt() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    for bed in [45.3, 5.3, 45.2, 25.2, 45.1] {
        bench.read_once(bed, 40.0);
        assert_eq!(bench.line.phase(), Some(Phase::Cool), "{bed}");
    }
}

#[test]
fn a_bed_that_grows_warm_again_stops_the_belt_until_it_is_cool() {
    let mut bench = Bench::new(Check::Ask);
    bench.reach_advance();
    let stops = |bench: &Bench| bench.acts.iter().filter(|act| matches!(act, Act::StopBelt)).count();
    bench.read(32.6, 40.0);
    assert_eq!(stops(&bench), 0, "that much is a thermometer's unrest");
    bench.read(33.2, 40.0);
    assert_eq!(stops(&bench), 1, "told once");
    bench.done(StepResult { moved: Micrometres(50_000), ..StepResult::default() });
    assert_eq!((bench.state().0, bench.line.phase()), (LineState::Execute, Some(Phase::Advance)));
    assert!(bench.open.is_empty(), "it waits: {:?}", bench.open);
    bench.read(32.0, 40.0);
    bench.belt_done(None);
    let whole = work().advance.total();
    assert_eq!(bench.line.ledger().odometer, whole, "what was left was run");
    assert_eq!(bench.line.phase(), Some(Phase::Check));
}

#[test]
fn the_belt_waits_for_the_head_to_be_parked() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.ok();
    bench.read(20.0, 40.0);
    assert_eq!(bench.line.phase(), Some(Phase::Cool), "the head is still on its way up");
    bench.ok();
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
}

#[test]
fn a_part_that_does_not_pass_the_switch_is_tried_again_and_then_held_with_heaters_off() {
    for seen in [SAW_NOTHING, STILL_PRESSED] {
        let mut bench = Bench::new(Check::Switch);
        bench.reach_advance();
        bench.belt_done(Some(seen));
        bench.read(31.0, 30.0);
        assert_eq!(bench.line.phase(), Some(Phase::Advance), "one try more");
        bench.belt_done(Some(seen));
        assert_eq!(bench.state(), (LineState::Held, LineReason::PartNotCleared));
        assert!(bench.heaters_are_off());
        assert!(!bench.line.is_ready());
        assert_eq!(bench.line.asks(), Some(true));
        assert_eq!(bench.ended(), []);
        assert!(bench.operate(Operator::Resume).expect_err("first the question").contains("whether the belt is clear"));
        bench.operate(Operator::BeltClear { part: None }).expect("the word counts");
        assert_eq!(bench.ended(), [(Outcome::Completed, Some(CheckedBy::Person))]);
        assert_eq!(bench.state(), (LineState::Idle, LineReason::None));
        // Back 10 mm and forward 50 mm: the net travel is the advance and one more overrun.
        assert_eq!(bench.line.ledger().odometer, Micrometres(195_802 + 40_000));
    }
}

#[test]
fn a_switch_that_the_printer_does_not_report_proves_nothing() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_advance();
    bench.belt_done(Some(Watched::default()));
    assert_eq!(bench.state(), (LineState::Held, LineReason::CheckUnknown));
}

#[test]
fn a_person_is_asked_and_both_answers_count() {
    let mut bench = Bench::new(Check::Ask);
    bench.reach_advance();
    bench.belt_done(None);
    assert_eq!((bench.line.phase(), bench.line.asks()), (Some(Phase::Check), Some(true)));
    bench.operate(Operator::NotClear).expect("an answer");
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
    bench.belt_done(None);
    bench.operate(Operator::NotClear).expect("an answer");
    assert_eq!(bench.state(), (LineState::Held, LineReason::PartNotCleared));
    bench.operate(Operator::BeltClear { part: Some(PartWord::Scrap) }).expect("an answer");
    assert_eq!(bench.ended(), [(Outcome::Scrapped, Some(CheckedBy::Person))]);
    assert!(bench.line.is_ready());
}

#[test]
fn the_user_s_program_says_clear_not_clear_or_nothing() {
    let run = |verdict| {
        let mut bench = Bench::new(Check::Command);
        bench.reach_advance();
        bench.belt_done(None);
        assert!(bench.acts.contains(&Act::RunCheck(CYCLE)));
        bench.signal(Signal::Checked { cycle: CYCLE, verdict, note: String::new() });
        bench
    };
    assert_eq!(run(Verdict::Clear).ended(), [(Outcome::Completed, Some(CheckedBy::Command))]);
    assert_eq!(run(Verdict::NotClear).line.phase(), Some(Phase::Advance));
    assert_eq!(run(Verdict::Unknown).state(), (LineState::Held, LineReason::CheckUnknown));
}

#[test]
fn an_answer_for_another_cycle_is_no_answer() {
    let mut bench = Bench::new(Check::Command);
    bench.reach_advance();
    bench.belt_done(None);
    bench.signal(Signal::Checked { cycle: CycleId(6), verdict: Verdict::Clear, note: String::new() });
    assert_eq!(bench.ended(), []);
}

#[test]
fn a_line_without_a_sensor_runs_the_whole_advance_twice_and_says_that_nothing_checked() {
    let mut bench = Bench::new(Check::Trust);
    bench.reach_advance();
    bench.belt_done(None);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
    bench.belt_done(None);
    assert_eq!(bench.ended(), [(Outcome::Completed, Some(CheckedBy::Nothing))]);
    assert_eq!(bench.line.ledger().odometer, Micrometres(2 * 195_802));
}

#[test]
fn a_retry_waits_for_a_fresh_reading() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_advance();
    bench.pass(20);
    bench.belt_done(Some(SAW_NOTHING));
    assert!(bench.open.is_empty(), "the last reading is 20 s old");
    bench.read(33.0, 30.0);
    assert!(bench.open.is_empty(), "the bed is too warm");
    bench.read(31.0, 30.0);
    bench.belt_done(Some(SAW_IT_GO));
    assert_eq!(bench.ended(), [(Outcome::Completed, Some(CheckedBy::Switch))]);
}
