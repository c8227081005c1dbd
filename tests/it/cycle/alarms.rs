//! Alarms: raised once, over by themselves, and gone when a person knows.

use nosebar::job::{AlarmKind, AlarmState, LineReason, LineState, Phase};
use nosebar::line::{Act, Check, Line, Operator, Readings, Signal, Step};
use nosebar::units::{Celsius, Moment};

use super::bench::*;

fn alarms(bench: &Bench) -> Vec<(AlarmKind, AlarmState)> {
    bench.line.alarms().iter().map(|alarm| (alarm.row.kind, alarm.row.state)).collect()
}

fn noted(bench: &Bench, wanted: &str) -> usize {
    bench.acts.iter().filter(|act| matches!(act, Act::Note { kind, .. } if *kind == wanted)).count()
}

#[test]
fn a_bed_above_its_limit_is_an_alarm_and_ends_everything() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.read_once(131.0, 200.0);
    bench.read_once(60.0, 200.0);
    bench.read_once(131.0, 200.0);
    assert_eq!(alarms(&bench), [], "one reading alone may have lost or won a digit");
    bench.read_once(133.5, 200.0);
    assert_eq!(alarms(&bench), [(AlarmKind::BedTooHot, AlarmState::Unacknowledged)]);
    assert_eq!(bench.line.alarms()[0].row.note, "133.5 °C, and 110 °C is the most that is allowed");
    assert_eq!(bench.state(), (LineState::Aborted, LineReason::TooHot));
    assert!(bench.heaters_are_off());
    bench.read(140.0, 200.0);
    assert_eq!(noted(&bench, "alarm"), 1, "it is told once");
    bench.read(100.0, 150.0);
    assert_eq!(alarms(&bench), [(AlarmKind::BedTooHot, AlarmState::ReturnedUnacknowledged)]);
    bench.operate(Operator::Acknowledge(AlarmKind::BedTooHot)).expect("it waits for that");
    assert_eq!(alarms(&bench), []);
    assert_eq!((noted(&bench, "alarm-over"), noted(&bench, "alarm-acknowledged")), (1, 1));
}

#[test]
fn a_line_at_rest_that_grows_too_hot_is_aborted_too() {
    let mut bench = Bench::new(Check::Switch);
    bench.read(24.0, 300.0);
    assert_eq!(alarms(&bench), [(AlarmKind::NozzleTooHot, AlarmState::Unacknowledged)]);
    assert_eq!(bench.state(), (LineState::Aborted, LineReason::TooHot));
}

#[test]
fn an_alarm_that_goes_on_is_acknowledged_once_and_gone_when_it_is_over() {
    let mut bench = Bench::new(Check::Switch);
    let absent = bench.operate(Operator::Acknowledge(AlarmKind::NoTemperature)).expect_err("there is none");
    assert!(absent.contains("no such alarm"), "{absent}");
    bench.reach_cool();
    bench.read(50.0, 40.0);
    bench.pass(40);
    assert_eq!(alarms(&bench), [(AlarmKind::NoTemperature, AlarmState::Unacknowledged)]);
    bench.operate(Operator::Acknowledge(AlarmKind::NoTemperature)).expect("it waits for that");
    assert_eq!(alarms(&bench), [(AlarmKind::NoTemperature, AlarmState::Acknowledged)]);
    bench.operate(Operator::Acknowledge(AlarmKind::NoTemperature)).expect_err("a person knows already");
    bench.read(49.0, 40.0);
    assert_eq!(alarms(&bench), []);
}

#[test]
fn silent_thermometers_in_a_print_are_an_alarm_and_no_hold() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    bench.pass(299);
    assert_eq!(alarms(&bench), []);
    bench.pass(1);
    assert_eq!(alarms(&bench), [(AlarmKind::NoTemperature, AlarmState::Unacknowledged)]);
    assert_eq!((bench.state().0, bench.line.phase()), (LineState::Execute, Some(Phase::Print)));
    bench.read(60.0, 200.0);
    assert_eq!(alarms(&bench), [(AlarmKind::NoTemperature, AlarmState::ReturnedUnacknowledged)]);
    bench.operate(Operator::Acknowledge(AlarmKind::NoTemperature)).expect("it waits for that");
    bench.pass(300);
    assert_eq!(
        alarms(&bench),
        [(AlarmKind::NoTemperature, AlarmState::Unacknowledged)],
        "the next silence is heard too"
    );
}

#[test]
fn a_heater_that_loses_its_heat_in_mid_print_holds_the_print() {
    let read = |bench: &mut Bench, nozzle: f64, target: f64| {
        let readings = Readings {
            bed: Some(Celsius(60.0)),
            bed_target: Some(Celsius(60.0)),
            nozzle: Some(Celsius(nozzle)),
            nozzle_target: Some(Celsius(target)),
        };
        bench.signal(Signal::Temperatures(readings));
    };
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    read(&mut bench, 200.0, 200.0);
    // The file asks for more, and waits for it by itself.
    for nozzle in [200.0, 205.0, 212.0, 236.0, 239.0] {
        read(&mut bench, nozzle, 240.0);
    }
    assert_eq!(alarms(&bench), [], "a target that was not reached yet is not lost");
    read(&mut bench, 20.0, 240.0);
    read(&mut bench, 240.0, 240.0);
    assert_eq!(alarms(&bench), [], "one damaged reading is none");
    read(&mut bench, 213.0, 240.0);
    read(&mut bench, 205.0, 240.0);
    assert_eq!(alarms(&bench), [(AlarmKind::HeatLost, AlarmState::Unacknowledged)]);
    assert_eq!(bench.state(), (LineState::Held, LineReason::HeatLost));
    assert!(matches!(bench.open.last(), Some((_, Step::Pause))), "{:?}", bench.open);
    assert_eq!(bench.line.alarms()[0].row.note, "nozzle at 205.0 °C, set to 240 °C");
    read(&mut bench, 238.0, 240.0);
    assert_eq!(alarms(&bench), [(AlarmKind::HeatLost, AlarmState::ReturnedUnacknowledged)]);
}

/// Ten minutes of print, three tenths and a quarter of an hour more.
#[test]
fn a_print_slower_than_real_time_is_an_alarm_until_it_is_done() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_print();
    for _ in 0..28 * 2 - 1 {
        bench.pass(30);
        bench.read(60.0, 200.0);
    }
    assert_eq!(alarms(&bench), []);
    bench.pass(30);
    assert_eq!(alarms(&bench), [(AlarmKind::PrintsTooSlowly, AlarmState::Unacknowledged)]);
    assert_eq!(bench.line.alarms()[0].row.note, "it goes on for 28 min, and was to take 10 min");
    assert_eq!(bench.state().0, LineState::Execute, "it goes on");
    bench.ok();
    assert_eq!(alarms(&bench), [(AlarmKind::PrintsTooSlowly, AlarmState::ReturnedUnacknowledged)]);
}

#[test]
fn a_bed_that_leaves_the_curve_it_went_by_is_an_alarm_in_both_directions() {
    let mut bench = Bench::new(Check::Switch);
    bench.reach_cool();
    let mut bed = 60.0;
    for second in 0..3000 {
        // A time constant of 600 s, and from the fifth minute on of an hour: the fan has failed.
        let tau = if second < 300 { 600.0 } else { 3600.0 };
        bed -= (bed - 22.0) / tau;
        bench.read_once((bed * 100.0_f64).round() / 100.0, 40.0);
        bench.pass(1);
        if !bench.line.alarms().is_empty() {
            assert!(second > 300, "{second}");
            break;
        }
    }
    assert_eq!(alarms(&bench), [(AlarmKind::CoolsTooSlowly, AlarmState::Unacknowledged)]);
    assert_eq!(bench.line.phase(), Some(Phase::Cool), "it goes on");
    bench.read(31.9, 30.0);
    assert_eq!(bench.line.phase(), Some(Phase::Advance));
    assert_eq!(alarms(&bench), [(AlarmKind::CoolsTooSlowly, AlarmState::ReturnedUnacknowledged)]);

    let mut bench = Bench::new(Check::Switch);
    bench.begin();
    bench.ok();
    let mut bed = 22.0;
    for second in 0..1500 {
        // Toward 100 °C, and after a minute no faster than toward 62 °C: half of the heater has failed.
        let most = if second < 60 { 100.0 } else { 62.0 };
        bed += (most - bed) / 300.0;
        bench.read_once((bed * 100.0_f64).round() / 100.0, 22.0);
        bench.pass(1);
        if !bench.line.alarms().is_empty() {
            assert!(second > 60, "{second}");
            break;
        }
    }
    assert_eq!(alarms(&bench), [(AlarmKind::WarmsTooSlowly, AlarmState::Unacknowledged)]);
    bench.read_once(59.0, 22.0);
    assert_eq!(alarms(&bench), [(AlarmKind::WarmsTooSlowly, AlarmState::ReturnedUnacknowledged)]);
}

#[test]
fn beds_that_go_by_one_curve_raise_no_alarm() {
    for (tau, ambient) in [(300.0, 15.0), (600.0, 22.0), (900.0, 28.0), (1800.0, 20.0)] {
        let mut bench = Bench::new(Check::Switch);
        bench.reach_cool();
        let mut second = 0.0;
        while bench.line.phase() == Some(Phase::Cool) && second < 9000.0 {
            let bed = ambient + (60.0 - ambient) * f64::exp(-second / tau);
            bench.read_once((bed * 100.0_f64).round() / 100.0, 40.0);
            bench.pass(1);
            second += 1.0;
            assert_eq!(alarms(&bench), [], "after {second} s with {tau} s");
        }
        assert_eq!(bench.line.phase(), Some(Phase::Advance));
    }
}

#[test]
fn a_phase_past_its_deadline_is_an_alarm_until_the_line_goes_on() {
    let mut bench = Bench::new(Check::Switch);
    bench.begin();
    bench.ok();
    for _ in 0..61 {
        bench.read(30.0, 22.0);
        bench.pass(30);
    }
    assert_eq!(bench.state(), (LineState::Held, LineReason::PhaseOverdue));
    assert!(alarms(&bench).contains(&(AlarmKind::PhaseOverdue, AlarmState::Unacknowledged)), "{:?}", alarms(&bench));
    bench.ok();
    bench.operate(Operator::Stop).expect("stopped");
    assert!(alarms(&bench).contains(&(AlarmKind::PhaseOverdue, AlarmState::ReturnedUnacknowledged)));
}

#[test]
fn what_nobody_has_acknowledged_is_kept_across_a_restart() {
    let mut bench = Bench::new(Check::Switch);
    bench.read(24.0, 300.0);
    let after = Line::recovered(Moment(0), settings(Check::Switch), &bench.line.row(), None);
    let kept = after.alarms();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].row.state, kept[0].raised), (AlarmState::ReturnedUnacknowledged, None));
    assert!(kept[0].row.note.contains(&format!("{:.1}", Celsius(300.0).0)));
    bench.operate(Operator::Acknowledge(AlarmKind::NozzleTooHot)).expect("it waits for that");
    let after = Line::recovered(Moment(0), settings(Check::Switch), &bench.line.row(), None);
    assert_eq!(after.alarms(), []);
}
