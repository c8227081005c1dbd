use super::*;
use crate::sim::{Fault, Happening, LineFault, SwitchCondition};

fn with(script: &str) -> Bench {
    Bench::new(SimConfig { faults: script.parse().expect("a good script"), ..plain_config() })
}

#[test]
fn a_garbled_line_is_asked_for_again() {
    let mut bench = with("line 2 garble\nline 4 lose-byte\nline 6 lose-line");
    assert_eq!(bench.number(1, "G21"), "ok\n");
    assert!(bench.number(2, "M105").starts_with("Error:"));
    assert!(bench.number(2, "M105").starts_with("ok T:"));
    assert!(bench.number(3, "M400").starts_with("Error:"));
    assert_eq!(bench.number(3, "M400"), "ok\n");
    assert_eq!(bench.number(4, "G91"), "", "lost without a trace");
    assert_eq!(bench.number(4, "G91"), "ok\n");
}

#[test]
fn a_resend_may_be_asked_for_without_need() {
    let mut bench = with("every 2 lines resend");
    assert_eq!(bench.number(1, "G21"), "ok\n");
    assert_eq!(bench.number(2, "M105"), "Error:checksum mismatch, Last Line: 1\nResend: 2\nok\n");
    assert!(bench.number(2, "M105").starts_with("ok T:"));
}

#[test]
fn an_ok_may_be_lost_or_doubled_in_time() {
    let mut bench = with("at 10s lose-ok\nat 20s double-ok");
    assert_eq!(bench.say("G21"), "ok\n");
    bench.wait(10.0);
    assert_eq!([bench.say("G21"), bench.say("G21")], ["", "ok\n"]);
    bench.wait(10.0);
    assert_eq!([bench.say("G21"), bench.say("G21")], ["ok\nok\n", "ok\n"]);
}

#[test]
fn a_reset_forgets_everything_but_belt_and_parts() {
    let mut bench = with("at 700s reset");
    bench.all(&[
        "M190 S60",
        "M109 S200",
        "G28",
        "M83",
        "G1 X90 Y100 Z0.2 F6000",
        "G1 X130 E2 F1800",
        "M302 P1",
        "T1",
        "G1 E30 F600",
        "M155 S1",
    ]);
    assert!(bench.now < Moment(700_000_000));
    bench.say("G4 S1000\nM105");
    let left = 700.0 - bench.now.since(Moment::ZERO).as_secs_f64();
    assert!(bench.wait(left).ends_with("start\n"));
    assert_eq!(bench.wait(2000.0), "", "no report, no ok for what was in flight");
    let truth = bench.truth();
    assert_eq!((truth.resets, truth.belt_um, truth.parts_on_belt.len()), (1, 30_000, 1));
    assert_eq!((truth.bed_target_c, truth.nozzle_target_c), (0.0, 0.0));
    assert!(bench.say("G1 E5").starts_with("echo:no cold extrusion"));
}

#[test]
fn a_print_after_a_reset_is_a_new_one() {
    let mut bench = Bench::plain();
    let print = ["M302 P1", "M83", "G1 Z5 F600", "G1 X50 E2 F1800", "M400"];
    bench.all(&print);
    bench.printer.fault(bench.now, Fault::Reset);
    bench.heard();
    bench.all(&print);
    assert_eq!((bench.truth().prints_begun, bench.truth().prints_over_a_part), (2, 1));
}

#[test]
fn boot_takes_its_time_and_hears_nothing() {
    let mut bench = Bench::plain();
    bench.printer = Printer::new(SimConfig { boot: Duration::from_secs(3), ..plain_config() }, Moment::ZERO);
    assert_eq!(bench.say("M105"), "");
    assert_eq!(bench.printer.deadline(), Some(Moment(3_000_000)));
    assert_eq!(bench.wait(3.0), "start\n");
    assert!(bench.say("M105").starts_with("ok"));
}

#[test]
fn silence_passes_and_what_was_sent_meanwhile_is_worked_on() {
    let mut bench = with("at 60s silence 20s");
    bench.say("M155 S5");
    bench.wait(59.0);
    bench.say("G91");
    bench.say("G1 X100 F120");
    bench.wait(1.0);
    assert_eq!(bench.say("M114"), "");
    assert_eq!(bench.wait(19.9), "");
    let heard = bench.wait(0.1);
    assert!(heard.contains("Count X:3360"), "the move went on for 21 s: {heard}");
    assert_eq!(heard.matches("T:").count(), 1, "what was missed is not made up for: {heard}");
}

#[test]
fn in_silence_the_input_still_overflows() {
    let mut bench = with("silence 20s");
    bench.wait(1.0);
    for _ in 0..30 {
        bench.say("M105");
    }
    assert_eq!(bench.truth().bytes_lost, 150 - 127);
}

#[test]
fn a_slow_heater_takes_longer() {
    let usual = Bench::plain().done("M190 S60").1;
    let slow = with("heater bed slow 3").done("M190 S60").1;
    assert!((slow.as_secs_f64() / usual.as_secs_f64() - 3.0).abs() < 1e-6);
}

#[test]
fn a_failed_heater_is_noticed_by_the_machine_or_is_not() {
    let mut bench = with("at 100s heater nozzle fails");
    bench.say("M104 S200");
    assert_eq!(bench.wait(159.0), "");
    assert_eq!(bench.wait(1.0), "Error:the nozzle does not heat, stopped until a reset\nok\n".trim_end_matches("ok\n"));
    assert!(bench.truth().halted);

    let mut bench = with("at 100s heater nozzle fails unnoticed");
    bench.say("M104 S200");
    assert_eq!(bench.wait(3600.0), "");
    assert!(bench.truth().nozzle_c < 22.1);
}

#[test]
fn the_switch_may_be_stuck() {
    let mut bench = with("at 1s switch stuck pressed\nat 2s switch stuck open\nat 3s switch works");
    let mut pressed = || {
        bench.wait(1.0);
        bench.say("M119").contains("nose: TRIGGERED")
    };
    assert_eq!([pressed(), pressed(), pressed()], [true, false, false]);
    bench.printer.fault(bench.now, Fault::Switch(SwitchCondition::StuckPressed));
    assert!(bench.say("M119").contains("nose: TRIGGERED"));
}

#[test]
fn a_part_that_will_not_let_go_hangs_until_it_is_taken_off_by_hand() {
    let mut bench = with("part 1 sticks");
    bench.all(&["M302 P1", "M83", "G1 Y100 F6000", "G1 Y120 E2", "T1", "G1 E130 F1200", "M400"]);
    let truth = bench.truth();
    assert_eq!((truth.parts_fallen, truth.parts_on_belt[0].hangs, truth.belt_moved_hot), (0, true, 0));
    assert!(bench.say("M119").contains("nose: TRIGGERED"));
    bench.printer.take_parts_off(bench.now);
    assert!(bench.say("M119").contains("nose: open"));
}

#[test]
fn stick_means_the_part_on_the_belt_or_the_next() {
    let mut bench = Bench::plain();
    bench.printer.fault(bench.now, Fault::LastPartSticks);
    bench.all(&["M302 P1", "M83", "G1 Y120 E2 F600", "M400"]);
    assert!(bench.truth().parts_on_belt[0].sticks);
}

#[test]
fn a_slipping_belt_loses_its_share_even_in_mid_move() {
    let mut bench = with("at 5s belt slips 10%");
    bench.all(&["M302 P1", "M83", "T1", "G1 E100 F600", "M400"]);
    assert_eq!(bench.truth().belt_um, 95_000);
}

#[test]
fn a_cut_link_loses_what_was_said_and_the_machine_goes_on() {
    let mut bench = with("at 100s cut");
    bench.say("M190 S60");
    bench.wait(99.0);
    bench.now = bench.now + Duration::from_millis(1_500);
    assert_eq!(bench.printer.cuts(), 0);
    bench.printer.fault(bench.now, Fault::LoseOk);
    assert_eq!(bench.printer.cuts(), 1);
    bench.wait(300.0);
    assert_eq!(bench.truth().bed_c, 60.0, "the machine goes on");
    let cut = std::iter::from_fn(|| bench.printer.poll_note()).find(|note| note.what == Happening::LinkCut);
    assert_eq!(cut.map(|note| note.at), Some(Moment(100_000_000)));
}

#[test]
fn a_fault_by_hand_befalls_the_next_line() {
    let mut bench = Bench::plain();
    bench.printer.fault(bench.now, Fault::Line(LineFault::Lose));
    assert_eq!([bench.say("G21"), bench.say("G21")], ["", "ok\n"]);
}
