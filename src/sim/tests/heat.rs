use super::*;
use crate::sim::ReportForm;

#[test]
fn m190_r_waits_for_cooling_by_the_published_formula() {
    // Lumped capacitance: 60 → 30 °C at 22 °C, τ = 600 s takes 934.886771 s.
    let mut bench = Bench::plain();
    bench.done("M190 S60");
    let (heard, took) = bench.done("M190 R30");
    assert_eq!(took, Duration::from_micros(934_886_771));
    assert_eq!(heard.lines().filter(|line| line.starts_with("T:")).count(), 934, "one report a second, without ok");
    assert_eq!(heard.lines().filter(|line| *line == "echo:busy: processing").count(), 467, "every two seconds");
    assert!(heard.ends_with("ok\n"));
}

#[test]
fn m190_s_does_not_wait_while_cooling() {
    let mut bench = Bench::plain();
    bench.done("M190 S60");
    assert_eq!(bench.say("M190 S30"), "ok\n");
    assert_eq!(bench.truth().bed_target_c, 30.0);
}

#[test]
fn m109_waits_for_heating_and_m104_does_not() {
    let mut bench = Bench::plain();
    assert_eq!(bench.say("M104 S210"), "ok\n");
    let (heard, took) = bench.done("M109 S210");
    // 60·ln(378/190) s.
    assert!((took.as_secs_f64() - 60.0 * (378.0_f64 / 190.0).ln()).abs() < 1e-5, "{took:?}");
    assert!(heard.starts_with("T:28."), "{heard}");
    assert_eq!(bench.truth().nozzle_c, 210.0);
}

#[test]
fn a_wait_for_a_temperature_that_cannot_be_ends_with_m108() {
    let mut bench = Bench::plain();
    bench.say("M190 R10");
    bench.wait(100_000.0);
    assert_eq!(bench.say("M108"), "ok\nok\n");
    assert_eq!(bench.truth().bed_target_c, 10.0);
}

#[test]
fn m155_reports_by_itself_until_it_is_switched_off() {
    let mut bench = Bench::plain();
    bench.say("M155 S2");
    assert_eq!(bench.wait(5.0).matches("T:22.00 /0.00").count(), 2);
    bench.say("M155 S0");
    assert_eq!((bench.wait(60.0), bench.printer.deadline()), (String::new(), None));
}

#[test]
fn the_bed_can_reach_110_degrees() {
    let mut bench = Bench::plain();
    let (_, took) = bench.done("M190 S110");
    assert!(took < Duration::from_secs(900), "{took:?}");
}

#[test]
fn the_form_of_the_report_is_as_configured() {
    let mut bench = Bench::new(SimConfig { report: ReportForm::Tight, ..plain_config() });
    assert_eq!(bench.say("M105"), "ok T0:22.0/0 B:22.0/0 @0:0 B@:0\n");
}

#[test]
fn what_is_seen_does_not_depend_on_how_often_one_looks() {
    let mut often = Bench::plain();
    often.say("M140 S80");
    let mut seldom = Bench { printer: often.printer.clone(), now: often.now };
    for _ in 0..2_000 {
        often.wait(0.25);
    }
    seldom.wait(500.0);
    assert_eq!(often.truth().bed_c.to_bits(), seldom.truth().bed_c.to_bits());
}
