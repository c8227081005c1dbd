//! What breaks: heat that does not go, thermometers, the connection, the printer, the daemon.

use nosebar::job::{CheckedBy, LineReason, LineRow, LineState, Outcome, PartWord, Phase};
use nosebar::line::{Check, Operator, Signal, Step, StepResult};
use nosebar::units::Micrometres;

use super::bench::*;

#[test]
fn a_bed_that_hardly_cools_is_held_at_the_deadline_of_the_wait() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    for n in 0..600 {
        bench.pass(20);
        bench.read(59.0 - f64::from(n) * 0.01, 40.0);
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert!(bench.line.note().contains("cooling"));
    bench.operate(Operator::Resume).expect("wait again");
    bench.read(31.0, 30.0);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
}

#[test]
fn a_reset_in_mid_print_aborts_and_scraps() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.signal(Signal::Reset { result: StepResult::default() });
    assert_eq!(bench.state(), (LineState::Aborted, LineReason::PrinterReset));
    assert_eq!(bench.ended(), [(Outcome::Scrapped, None)]);
    assert!(!bench.line.belt_clear());
}

#[test]
fn a_connection_lost_while_cooling_is_waited_for_and_in_mid_print_is_the_end() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    bench.signal(Signal::Disconnected { why: "cable".to_owned(), result: StepResult::default() });
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
    bench.signal(Signal::Connected);
    assert_eq!(bench.ok(), Step::CoolDown { park_z: None }, "heaters off once more");
    bench.read(31.0, 30.0);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));

    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.signal(Signal::Disconnected { why: "cable".to_owned(), result: StepResult::default() });
    assert_eq!(bench.state(), (LineState::Aborted, LineReason::LinkLost));
}

#[test]
fn belt_travel_that_a_lost_connection_left_in_doubt_is_kept_apart() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_advance();
    let result = StepResult { moved: Micrometres(50_000), maybe: Micrometres(100_000), ..StepResult::default() };
    bench.signal(Signal::Disconnected { why: "cable".to_owned(), result });
    assert_eq!(bench.state(), (LineState::Held, LineReason::LinkLost));
    assert_eq!(bench.line.ledger().odometer, Micrometres(50_000));
    assert_eq!(bench.line.ledger().uncertain, Micrometres(100_000));
    assert_eq!(bench.line.asks(), Some(true));
}

#[test]
fn after_a_restart_nothing_moves_until_a_person_answers() {
    let moves = settings(Check::Switch).drive.advance_moves(work().advance);
    let belt = serde_json::to_string(&Step::Belt { moves, watch: true }).expect("a step is JSON");
    let kept = LineRow {
        state: LineState::Execute,
        cycle: Some(CYCLE),
        belt_clear: false,
        open_step: Some(belt),
        odometer_um: 1_000,
        ..row()
    };
    let mut bench = Bench::recovered(Check::Switch, &kept, Some(CYCLE));
    assert_eq!(bench.state(), (LineState::Held, LineReason::Restarted));
    assert_eq!(bench.line.ledger().uncertain, Micrometres(195_802), "the journaled move may have happened");
    bench.signal(Signal::Connected);
    bench.ok();
    assert!(!bench.line.is_ready());
    assert!(bench.operate(Operator::Resume).is_err());
    assert!(bench.operate(Operator::NotClear).is_ok());
    assert!(!bench.line.is_ready());
    bench.operate(Operator::BeltClear { part: Some(PartWord::Good) }).expect("the word counts");
    assert_eq!(bench.ended(), [(Outcome::Completed, Some(CheckedBy::Person))]);
    assert!(bench.line.is_ready());
}

#[test]
fn a_restart_while_heaters_go_off_as_a_connection_begins_asks_for_nothing() {
    let mut bench = Bench::recovered(Check::Switch, &row(), None);
    bench.signal(Signal::Connected);
    assert!(bench.line.is_moving(), "the step is open");
    let mut after = Bench::recovered(Check::Switch, &bench.line.row(), None);
    assert_eq!((after.state().0, after.line.asks()), (LineState::Suspended, None));
    after.signal(Signal::Connected);
    after.ok();
    assert!(after.line.is_ready());
}

#[test]
fn a_belt_step_that_another_step_was_laid_over_is_still_in_doubt_after_a_crash() {
    for trouble in ["fault", "emergency"] {
        let mut bench = Bench::new(Check::Switch);
        bench.reach_advance();
        match trouble {
            "fault" => bench.signal(Signal::Fault { text: "Error: heater".to_owned() }),
            _ => bench.operate(Operator::EmergencyStop).expect("always"),
        }
        let kept = bench.line.row();
        let after = Bench::recovered(Check::Switch, &kept, Some(CYCLE));
        assert_eq!(after.line.ledger().uncertain, Micrometres(195_802), "{trouble}");
        // Without a crash the driver's last word settles it, once.
        let result = StepResult { moved: Micrometres(84_198), maybe: Micrometres(1_000), ..StepResult::default() };
        bench.signal(Signal::Disconnected { why: "reset".to_owned(), result });
        let ledger = bench.line.ledger();
        assert_eq!((ledger.odometer, ledger.uncertain), (Micrometres(84_198), Micrometres(1_000)), "{trouble}");
        assert_eq!(bench.line.row().open_step, None, "{trouble}");
    }
}

#[test]
fn a_belt_step_that_was_never_told_to_the_printer_leaves_no_doubt() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_advance();
    bench.signal(Signal::StoreFailed { why: "no space is left".to_owned() });
    assert_eq!(bench.state(), (LineState::Aborted, LineReason::StoreFailed));
    assert!(matches!(bench.done(StepResult::default()), Step::Belt { .. }));
    assert!(matches!(bench.ok(), Step::Quiet { .. }));
    let row = bench.line.row();
    assert_eq!((row.odometer_um, row.uncertain_um, row.open_step), (0, 0, None));
    assert_eq!(bench.line.asks(), Some(true), "the part is still there");
}
