//! What a person can do, in every phase.

use nosebar::job::{CheckedBy, LineReason, LineState, Outcome, Phase};
use nosebar::line::{Act, Check, Operator, Signal, Step, StepResult, Watched};
use nosebar::units::{Celsius, Micrometres};

use super::bench::*;

#[test]
fn a_question_that_nobody_answers_holds_the_line_and_stays() {
    let mut bench = Bench::new(Check::Ask);
    bench.reach_advance();
    bench.belt_done(None);
    bench.pass(43_200);
    assert_eq!(bench.state(), (LineState::Held, LineReason::AskPerson));
    bench.operate(Operator::BeltClear { part: None }).expect("still an answer");
    assert_eq!(bench.ended(), [(Outcome::Completed, Some(CheckedBy::Person))]);
}

#[test]
fn silent_thermometers_hold_the_line() {
    let mut bench = Bench::new(Check::Switch);
    bench.begin();
    bench.ok();
    bench.pass(31);
    assert_eq!(bench.state(), (LineState::Held, LineReason::NoTemperature));
    assert!(bench.heaters_are_off());
}

#[test]
fn a_hold_in_mid_print_comes_to_a_stand_and_goes_on() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.operate(Operator::HoldNow).expect("held");
    assert_eq!(bench.state(), (LineState::Held, LineReason::Operator));
    let print = bench.open.remove(0);
    assert_eq!(bench.ok(), Step::Pause);
    // Law L4: the nozzle goes off after its time, then the bed.
    bench.pass(600);
    assert_eq!(bench.ok(), Step::Heat { bed: None, nozzle: Some(Celsius(0.0)) });
    bench.pass(3000);
    assert_eq!(bench.ok(), Step::Heat { bed: Some(Celsius(0.0)), nozzle: None });
    bench.operate(Operator::Resume).expect("resumed");
    assert_eq!(bench.ok(), Step::Heat { bed: Some(Celsius(60.0)), nozzle: Some(Celsius(200.0)) });
    bench.read(59.0, 120.0);
    assert!(bench.open.is_empty(), "the nozzle is not warm yet");
    bench.read(60.0, 199.0);
    assert_eq!(bench.ok(), Step::GoOn);
    assert_eq!(bench.state().0, LineState::Execute);
    bench.open.push(print);
    assert_eq!(bench.ok(), Step::Print);
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
}

#[test]
fn a_reheating_that_takes_too_long_is_held_with_the_print_kept() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.operate(Operator::HoldNow).expect("held");
    let print = bench.open.remove(0);
    bench.ok();
    bench.operate(Operator::Resume).expect("resumed");
    bench.ok();
    for _ in 0..91 {
        bench.pass(20);
        bench.read(60.0, 120.0);
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert_eq!(bench.ok(), Step::Heat { bed: Some(Celsius(0.0)), nozzle: Some(Celsius(0.0)) });
    bench.operate(Operator::Resume).expect("again");
    bench.ok();
    bench.read(60.0, 200.0);
    assert_eq!(bench.ok(), Step::GoOn);
    bench.open.push(print);
    assert_eq!(bench.ok(), Step::Print);
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
}

#[test]
fn a_print_that_ends_while_it_comes_to_a_stand_is_cooled_after_resume() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.operate(Operator::HoldNow).expect("held");
    assert_eq!(bench.ok(), Step::Print);
    assert_eq!(bench.ok(), Step::Pause);
    bench.operate(Operator::Resume).expect("resumed");
    assert_eq!(bench.line.phase(), Some(Phase::Cool));
}

#[test]
fn an_unfinished_part_that_a_person_takes_off_is_scrap() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    assert!(bench.operate(Operator::BeltClear { part: None }).is_err(), "plastic is being laid");
    bench.operate(Operator::HoldNow).expect("held");
    bench.open.remove(0);
    bench.ok();
    bench.operate(Operator::BeltClear { part: None }).expect("taken off");
    assert_eq!(bench.ended(), [(Outcome::Scrapped, None)]);
    assert!(bench.heaters_are_off() && bench.line.belt_clear());
    assert_eq!(bench.state(), (LineState::Held, LineReason::Operator), "held until the person lets go");
    bench.ok();
    bench.operate(Operator::Resume).expect("resumed");
    assert!(bench.line.is_ready());
}

#[test]
fn a_hold_in_the_middle_of_the_advance_makes_the_rest_of_it_later() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_advance();
    bench.operate(Operator::HoldNow).expect("held");
    assert!(bench.acts.contains(&Act::StopBelt));
    let watched = Some(Watched { looks: 9, changed: true, back: false });
    bench.done(StepResult { complete: false, moved: Micrometres(100_000), watched, ..StepResult::default() });
    assert_eq!(bench.state(), (LineState::Held, LineReason::Operator));
    bench.read(30.0, 30.0);
    bench.operate(Operator::Resume).expect("resumed");
    bench.belt_done(Some(Watched { looks: 9, changed: true, back: false }));
    // The rest began with the switch pressed and ended with it free: seen as a change that did not come back.
    assert_eq!(bench.line.ledger().odometer, Micrometres(195_802));
}

#[test]
fn held_after_the_part_takes_no_other_until_resumed() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.operate(Operator::HoldAfterPart).expect("noted");
    bench.ok();
    bench.ok();
    bench.read(30.0, 30.0);
    bench.belt_done(Some(SAW_IT_GO));
    assert_eq!(bench.ended().len(), 1);
    assert_eq!(bench.state(), (LineState::Held, LineReason::Operator));
    bench.operate(Operator::Resume).expect("resumed");
    assert!(bench.line.is_ready());
}

#[test]
fn stop_ends_a_print_as_scrap_and_asks_before_the_next() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.operate(Operator::Stop).expect("stopped");
    assert_eq!(bench.ended(), [(Outcome::Scrapped, None)]);
    assert_eq!(bench.state(), (LineState::Stopped, LineReason::Operator));
    assert!(bench.heaters_are_off());
    bench.open.clear();
    bench.operate(Operator::Resume).expect("to the question");
    assert_eq!(bench.state(), (LineState::Held, LineReason::BeltNotKnownClear));
    bench.operate(Operator::BeltClear { part: None }).expect("the word counts");
    assert_eq!(bench.state().0, LineState::Idle);
}

#[test]
fn an_emergency_stop_in_any_phase_overtakes_and_asks() {
    for phase in Phase::ALL {
        let mut bench = Bench::new(Check::Ask);
        match phase {
            Phase::Warm => bench.begin(),
            Phase::Print => bench.reach_print(),
            Phase::Cool => bench.reach_cool(),
            Phase::Advance => bench.reach_advance(),
            Phase::Check => {
                bench.reach_advance();
                bench.belt_done(None);
            }
        }
        assert_eq!(bench.line.phase(), Some(*phase));
        bench.operate(Operator::EmergencyStop).expect("always");
        assert!(bench.acts.contains(&Act::EmergencyStop));
        assert_eq!(bench.state(), (LineState::Aborted, LineReason::EmergencyStop), "{phase}");
        assert!(bench.line.asks().is_some() && !bench.line.is_ready());
        bench.signal(Signal::Disconnected { why: "reset".to_owned(), result: StepResult::default() });
        bench.signal(Signal::Connected);
        assert_eq!(bench.state().0, LineState::Aborted, "only a person's word leads on");
        bench.operate(Operator::BeltClear { part: None }).expect("the word counts");
        assert_eq!(bench.state().0, LineState::Idle, "{phase}");
        let outcome = match phase {
            Phase::Warm => Outcome::Returned,
            Phase::Print => Outcome::Scrapped,
            Phase::Cool | Phase::Advance | Phase::Check => Outcome::Completed,
        };
        assert_eq!(bench.ended().iter().map(|e| e.0).collect::<Vec<_>>(), [outcome], "{phase}");
    }
}

#[test]
fn every_command_in_every_phase_is_done_or_refused_with_a_sentence() {
    let commands = [
        Operator::HoldNow,
        Operator::HoldAfterPart,
        Operator::Resume,
        Operator::Stop,
        Operator::EmergencyStop,
        Operator::BeltClear { part: None },
        Operator::NotClear,
        Operator::SpliceAtNose,
        Operator::MarkFlaw { near: Micrometres(0), far: Micrometres(200_000), note: String::new() },
        Operator::ClearFlaw(1),
    ];
    for phase in Phase::ALL {
        for first in &commands {
            for second in &commands {
                let mut bench = Bench::new(Check::Ask);
                match phase {
                    Phase::Warm => bench.begin(),
                    Phase::Print => bench.reach_print(),
                    Phase::Cool => bench.reach_cool(),
                    Phase::Advance => bench.reach_advance(),
                    Phase::Check => {
                        bench.reach_advance();
                        bench.belt_done(None);
                    }
                }
                for command in [first, second] {
                    if let Err(why) = bench.operate(command.clone()) {
                        assert!(why.len() > 20, "{phase} {command:?}: {why}");
                    }
                }
                let over = bench.ended().len();
                assert!(over <= 1, "{phase} {first:?} {second:?} ended the cycle {over} times");
                assert_eq!(over == 1, bench.line.in_work().is_none() && bench.line.orphan().is_none());
                // Law L1: with a part that may still be there the line is not ready.
                assert!(!bench.line.is_ready() || bench.line.belt_clear());
            }
        }
    }
}
