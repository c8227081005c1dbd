//! What can be tried on a line that makes nothing: jogs of the belt, and runs of the bed's heater.

use nosebar::job::{LineReason, LineState};
use nosebar::line::{Act, Check, HeatStage, JOG_MAX, Jog, Operator, Signal, Step, StepResult};
use nosebar::thermal::Cooling;
use nosebar::units::{Celsius, Micrometres};

use super::bench::*;

const JOG: Jog = Jog { travel: Micrometres(100_000), feed_mm_min: 600, looked: false, although_warm: false };
const TRYING: (LineState, LineReason) = (LineState::Execute, LineReason::Commissioning);
const TRIED: (LineState, LineReason) = (LineState::Held, LineReason::Commissioning);

/// An idle line whose bed has just been read.
fn cold() -> Bench {
    let mut bench = Bench::new(Check::Switch);
    bench.read(22.0, 22.0);
    bench
}

fn refusal(bench: &mut Bench, what: Operator) -> String {
    let before = bench.state();
    let told = bench.operate(what).expect_err("it makes no sense now");
    assert_eq!((bench.state(), bench.open.len()), (before, 0), "nothing has changed: {told}");
    told
}

#[test]
fn a_jog_runs_the_belt_counts_it_and_holds_the_line() {
    let mut bench = cold();
    bench.operate(Operator::Jog(JOG)).expect("jogged");
    assert_eq!(bench.state(), TRYING);
    assert!(!bench.line.is_ready(), "no copy may be begun meanwhile");
    // Law L3: what is to be kept has the step before it can be sent.
    assert!(bench.line.row().open_step.expect("an open step").contains("jog"));
    bench.belt_done(None);
    assert_eq!(bench.state(), TRIED);
    assert_eq!(bench.line.ledger().odometer, Micrometres(100_000));
    assert!(bench.line.belt_clear(), "an empty belt stays empty");
    assert!(!bench.line.is_ready(), "it takes no job until a person lets it go on");
    bench.operate(Operator::Jog(Jog { travel: Micrometres(-40_000), ..JOG })).expect("once more, the other way");
    bench.belt_done(None);
    assert_eq!(bench.line.ledger().odometer, Micrometres(60_000));
    bench.operate(Operator::Resume).expect("resumed");
    assert!(bench.line.is_ready());
}

#[test]
fn a_belt_that_is_not_known_clear_is_jogged_on_a_person_s_word_and_stays_unknown() {
    let mut bench = Bench::recovered(
        Check::Switch,
        &nosebar::job::LineRow {
            state: LineState::Held,
            reason: LineReason::BeltNotKnownClear,
            belt_clear: false,
            ..row()
        },
        None,
    );
    bench.signal(Signal::Connected);
    bench.ok();
    bench.read(22.0, 22.0);
    assert!(refusal(&mut bench, Operator::Jog(JOG)).contains("say that you have"));
    bench.operate(Operator::Jog(Jog { looked: true, ..JOG })).expect("the word counts");
    bench.belt_done(None);
    assert!(!bench.line.belt_clear());
    bench.operate(Operator::BeltClear { part: None }).expect("an answer");
    assert_eq!(bench.state(), TRIED, "no job begins in the middle of commissioning");
}

/// Law L2.
#[test]
fn a_warm_bed_or_an_old_reading_keeps_the_belt_still_unless_a_person_says_so() {
    let mut bench = cold();
    bench.read(43.1, 22.0);
    assert!(refusal(&mut bench, Operator::Jog(JOG)).contains("43.1 °C"));
    bench.read(43.0, 22.0);
    bench.pass(6);
    assert!(refusal(&mut bench, Operator::Jog(JOG)).contains("not known"));
    bench.operate(Operator::Jog(Jog { although_warm: true, ..JOG })).expect("the word counts");
    let said = |act: &Act| matches!(act, Act::Note { kind: "jog", text } if text.contains("not known to be cool"));
    assert!(bench.acts.iter().any(said), "the word is in the journal");
}

#[test]
fn a_jog_has_bounds() {
    let mut bench = cold();
    for um in [0, JOG_MAX.0 + 1, -JOG_MAX.0 - 1, i64::MIN] {
        assert!(refusal(&mut bench, Operator::Jog(Jog { travel: Micrometres(um), ..JOG })).contains("500 mm"));
    }
    for feed_mm_min in [0, 1501] {
        assert!(refusal(&mut bench, Operator::Jog(Jog { feed_mm_min, ..JOG })).contains("1500 mm/min"));
    }
    bench.operate(Operator::Jog(Jog { travel: JOG_MAX, feed_mm_min: 1500, ..JOG })).expect("just within");
}

#[test]
fn nothing_is_tried_with_a_copy_under_way_after_an_abort_or_without_a_printer() {
    let mut bench = cold();
    bench.begin();
    assert!(bench.operate(Operator::Jog(JOG)).expect_err("a copy").contains("a copy is under way"));
    let mut bench = cold();
    bench.operate(Operator::EmergencyStop).expect("stopped");
    assert!(refusal(&mut bench, Operator::HeatTrial { bed_c: 60, looked: true }).contains("aborted"));
    let mut bench = cold();
    bench.signal(Signal::Disconnected { why: "unplugged".to_owned(), result: StepResult::default() });
    assert!(refusal(&mut bench, Operator::Jog(JOG)).contains("no connection"));
    let mut bench = cold();
    bench.operate(Operator::Jog(JOG)).expect("jogged");
    assert!(bench.operate(Operator::Jog(JOG)).expect_err("one at a time").contains("being tried already"));
}

#[test]
fn a_jog_is_stopped_by_hold_by_stop_and_by_its_own_end() {
    for (what, state) in [
        (Operator::HoldNow, TRIED),
        (Operator::HoldAfterPart, TRIED),
        (Operator::EndTrial, TRIED),
        (Operator::Stop, (LineState::Stopped, LineReason::Operator)),
    ] {
        let mut bench = cold();
        bench.operate(Operator::Jog(JOG)).expect("jogged");
        bench.operate(what.clone()).expect("stopped");
        assert!(bench.acts.contains(&Act::StopBelt), "{what:?}");
        bench.done(StepResult { complete: false, moved: Micrometres(30_000), ..StepResult::default() });
        assert_eq!(bench.state(), state, "{what:?}");
        assert_eq!(bench.line.ledger().odometer, Micrometres(30_000));
        assert!(!bench.line.is_ready());
    }
    assert!(refusal(&mut cold(), Operator::EndTrial).contains("nothing is being tried"));
}

/// Law L6: what may have happened is said apart.
#[test]
fn a_link_lost_in_a_jog_leaves_its_travel_in_doubt_and_the_line_held() {
    let mut bench = cold();
    bench.operate(Operator::Jog(JOG)).expect("jogged");
    let result = StepResult { moved: Micrometres(50_000), maybe: Micrometres(50_000), ..StepResult::default() };
    bench.signal(Signal::Disconnected { why: "unplugged".to_owned(), result });
    assert_eq!(bench.state(), TRIED);
    let ledger = bench.line.ledger();
    assert_eq!((ledger.odometer, ledger.uncertain), (Micrometres(50_000), Micrometres(50_000)));
    bench.open.clear();
    bench.signal(Signal::Connected);
    assert!(bench.heaters_are_off(), "a machine of unknown state comes back with its heaters off");
    assert!(!bench.line.is_ready());
}

#[test]
fn a_printer_reset_in_a_jog_holds_the_line() {
    let mut bench = cold();
    bench.operate(Operator::Jog(JOG)).expect("jogged");
    bench.signal(Signal::Reset { result: StepResult { maybe: Micrometres(100_000), ..StepResult::default() } });
    assert_eq!(bench.state(), TRIED);
    assert_eq!(bench.line.ledger().uncertain, Micrometres(100_000));
}

/// Law L3.
#[test]
fn a_restart_in_a_jog_counts_it_as_possible_and_asks() {
    let mut bench = cold();
    bench.operate(Operator::Jog(JOG)).expect("jogged");
    let bench = Bench::recovered(Check::Switch, &bench.line.row(), None);
    assert_eq!(bench.state(), (LineState::Held, LineReason::Restarted));
    assert_eq!(bench.line.ledger().uncertain, Micrometres(100_000));
    assert_eq!(bench.line.asks(), Some(false));
}

/// Law L9.
#[test]
fn a_jog_that_does_not_end_in_time_is_stopped_and_held() {
    let mut bench = cold();
    bench.operate(Operator::Jog(JOG)).expect("jogged");
    // 100 mm at 600 mm/min take 10 s.
    bench.pass(89);
    assert_eq!(bench.state(), TRYING);
    bench.pass(2);
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert!(bench.acts.contains(&Act::StopBelt));
}

/// A bed that follows the law of cooling, read every two seconds.
fn cool_from(bench: &mut Bench, top: f64, cooling: Cooling) -> u64 {
    let mut seconds = 0;
    while bench.state() == TRYING {
        bench.read(cooling.temperature(Celsius(top), std::time::Duration::from_secs(seconds)).0, 22.0);
        bench.pass(2);
        seconds += 2;
        assert!(seconds < 20_000, "it ends");
    }
    seconds
}

fn warmed_and_soaked() -> Bench {
    let mut bench = cold();
    bench.operate(Operator::HeatTrial { bed_c: 60, looked: false }).expect("begun");
    assert_eq!(bench.state(), TRYING);
    assert_eq!(bench.ok(), Step::Heat { bed: Some(Celsius(60.0)), nozzle: Some(Celsius(0.0)) });
    for bed in [30.0, 45.0, 58.9] {
        bench.pass(20);
        bench.read(bed, 22.0);
    }
    assert_eq!(bench.line.heat_run().expect("a run").stage, HeatStage::Warming);
    for _ in 0..4 {
        bench.pass(20);
        bench.read(60.0, 22.0);
    }
    assert_eq!(bench.line.heat_run().expect("a run").stage, HeatStage::Cooling);
    assert_eq!(bench.ok(), Step::Heat { bed: Some(Celsius(0.0)), nozzle: Some(Celsius(0.0)) });
    bench
}

#[test]
fn a_run_of_the_heater_warms_holds_cools_and_says_what_it_saw() {
    let mut bench = warmed_and_soaked();
    // Another room and another bed than the settings believe in (22 °C, 900 s).
    let truth = Cooling::new(Celsius(26.0), std::time::Duration::from_secs(640)).expect("a cooling");
    cool_from(&mut bench, 60.0, truth);
    assert_eq!(bench.state(), TRIED);
    assert!(bench.heaters_are_off());
    let run = bench.line.heat_run().expect("a run");
    assert_eq!(run.stage, HeatStage::Ended);
    let fitted = run.fitted(bench.line.settings().cooling).expect("it says enough");
    assert!((fitted.ambient().0 - 26.0).abs() < 0.01, "{fitted:?}");
    assert!((fitted.tau().as_secs_f64() - 640.0).abs() < 0.5, "{fitted:?}");
    assert!(!bench.line.is_ready());
}

#[test]
fn a_bed_that_cools_no_further_ends_the_run_too() {
    let mut bench = warmed_and_soaked();
    // The believed room has 22 °C; this one has 40.
    let truth = Cooling::new(Celsius(40.0), std::time::Duration::from_secs(300)).expect("a cooling");
    let seconds = cool_from(&mut bench, 60.0, truth);
    assert_eq!(bench.state(), TRIED);
    assert!(seconds < 3_000, "{seconds} s");
}

#[test]
fn a_run_that_is_ended_early_puts_the_heater_off_and_says_nothing() {
    for what in [Operator::EndTrial, Operator::HoldNow, Operator::Stop] {
        let mut bench = cold();
        bench.operate(Operator::HeatTrial { bed_c: 60, looked: false }).expect("begun");
        bench.ok();
        bench.operate(what.clone()).expect("ended");
        assert!(bench.heaters_are_off(), "{what:?}");
        let run = bench.line.heat_run().expect("a run");
        assert_eq!((run.stage, run.fitted(bench.line.settings().cooling)), (HeatStage::Ended, None));
    }
}

/// Laws L4 and L9.
#[test]
fn a_heater_that_never_warms_a_silent_thermometer_and_a_lost_link_end_the_run() {
    let begun = || {
        let mut bench = cold();
        bench.operate(Operator::HeatTrial { bed_c: 60, looked: false }).expect("begun");
        bench.ok();
        bench
    };
    let mut bench = begun();
    for _ in 0..91 {
        bench.pass(20);
        bench.read(50.0, 22.0);
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert!(bench.heaters_are_off());
    let mut bench = begun();
    bench.pass(31);
    assert_eq!(bench.state(), (LineState::Held, LineReason::NoTemperature));
    assert!(bench.heaters_are_off());
    let mut bench = begun();
    bench.signal(Signal::Disconnected { why: "unplugged".to_owned(), result: StepResult::default() });
    assert_eq!(bench.state(), TRIED);
    assert_eq!(bench.line.heat_run().expect("a run").stage, HeatStage::Ended);
    bench.signal(Signal::Connected);
    assert!(bench.heaters_are_off());
    // The daemon ends: heaters go off, and the next start holds.
    let mut bench = begun();
    bench.line.shut_down();
    bench.drain();
    assert!(bench.heaters_are_off());
    bench.ok();
    assert_eq!(Bench::recovered(Check::Switch, &bench.line.row(), None).state(), TRIED);
}

#[test]
fn a_run_has_bounds_and_needs_a_thermometer() {
    let mut bench = cold();
    for bed_c in [0, 39, 111, 400] {
        let told = refusal(&mut bench, Operator::HeatTrial { bed_c, looked: true });
        assert!(told.contains("from 40 °C to this line's limit, 110 °C"), "{told}");
    }
    bench.pass(10);
    assert!(refusal(&mut bench, Operator::HeatTrial { bed_c: 60, looked: true }).contains("not reported"));
}

#[test]
fn a_word_on_the_belt_does_not_end_a_run() {
    let mut bench = cold();
    bench.operate(Operator::HeatTrial { bed_c: 60, looked: false }).expect("begun");
    bench.operate(Operator::BeltClear { part: None }).expect("a word");
    assert_eq!(bench.state(), TRYING);
    assert!(!bench.line.is_ready());
}
