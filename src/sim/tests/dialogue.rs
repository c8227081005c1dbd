use super::*;
use crate::sim::InputConfig;
use proptest::prelude::*;

/// RepRap wiki, G-code page: the example of a resend.
#[test]
fn the_published_resend_dialogue_holds() {
    let mut bench = Bench::plain();
    bench.say("M110 N66554");
    assert_eq!(
        bench.say("N66555 G1 X131.338 Y133.349 E0.0091*91"),
        "echo:no cold extrusion, the nozzle is at 22.0\nok\n"
    );
    assert_eq!(
        bench.say("N66556 G1 X131.574 Y133.428 E0.0046*42"),
        "Error:checksum mismatch, Last Line: 66555\nResend: 66556\nok\n"
    );
    assert!(bench.say("N66556 G1 X131.574 Y133.428 E0.0046*92").ends_with("ok\n"));
    assert_eq!(bench.truth().lines_refused, 1);
}

#[test]
fn refused_lines_are_not_carried_out_and_are_asked_for_again() {
    let mut bench = Bench::plain();
    assert_eq!(bench.say("N0 M110 N0*125"), "ok\n");
    assert_eq!(bench.say("N1 M140 S0*101"), "Error:checksum mismatch, Last Line: 0\nResend: 1\nok\n");
    assert_eq!(bench.say("N1 M140 S60"), "Error:No Checksum with line number, Last Line: 0\nResend: 1\nok\n");
    assert_eq!(bench.say("N2 M105*37"), "Error:Line Number is not Last Line Number+1, Last Line: 0\nResend: 1\nok\n");
    assert_eq!(bench.truth().bed_target_c, 0.0);
    assert_eq!(bench.say("N1 M105*38"), "ok T:22.00 /0.00 B:22.00 /0.00 T0:22.00 /0.00 @:0 B@:0\n");
}

#[test]
fn lines_behind_a_refused_one_are_refused_each_or_flushed() {
    let send = |flush_on_error| {
        let mut bench =
            Bench::new(SimConfig { input: InputConfig { flush_on_error, ..InputConfig::default() }, ..plain_config() });
        bench.say("N1 M105*99\nN2 M105*37").matches("Resend: 1\n").count()
    };
    assert_eq!((send(false), send(true)), (2, 1));
}

#[test]
fn empty_lines_and_comments_get_no_answer() {
    let mut bench = Bench::plain();
    assert_eq!(bench.say("\n\r\n; nothing\n( nothing )"), "");
    assert_eq!(bench.say("G21 ; millimetres"), "ok\n");
}

#[test]
fn unknown_commands_are_named_and_answered() {
    let mut bench = Bench::plain();
    assert_eq!(bench.say("m2999 s1"), "echo:Unknown command: \"M2999 S1\"\nok\n");
    assert_eq!(bench.say("G1.5 X1"), "echo:Unknown command: \"G1.5 X1\"\nok\n");
    assert_eq!(bench.say("T7"), "echo:T7 is no tool of this machine\nok\n");
}

#[test]
fn reports_are_given() {
    let mut bench = Bench::plain();
    bench.all(&["G28", "G1 X10 Y20.5 Z3 F6000", "M400"]);
    assert_eq!(bench.say("M114"), "X:10.00 Y:20.50 Z:3.00 E:0.00 Count X:800 Y:1640 Z:240\nok\n");
    assert_eq!(bench.say("M119"), "Endstops:\nx_min: open\ny_min: open\nz_min: open\nnose: open\nok\n");
    let firmware = bench.say("M115");
    assert!(firmware.contains("EXTRUDER_COUNT:2\n") && firmware.contains("Cap:AUTOREPORT_TEMP:1\n"), "{firmware}");
}

#[test]
fn an_ok_waits_for_a_place_in_the_planner() {
    let mut bench = Bench::plain();
    bench.say("G91");
    // One second each: sixteen find a place, the seventeenth waits until the first is done.
    for count in 1..=16 {
        assert_eq!(bench.say("G1 X10 F600"), "ok\n", "move {count}");
    }
    assert_eq!(bench.say("G1 X10"), "");
    assert_eq!(bench.printer.deadline(), Some(Moment(1_000_000)));
    assert_eq!(bench.wait(0.999_999), "");
    assert_eq!(bench.wait(0.000_001), "ok\n");
}

#[test]
fn lines_that_find_the_input_full_are_lost() {
    let mut bench = Bench::plain();
    assert_eq!(bench.say("G4 S10\nM105\nM105\nM105\nM114"), "");
    let truth = bench.truth();
    assert_eq!(truth.bytes_lost, 5, "the fifth line and its end");
    let heard = bench.wait(10.0);
    assert_eq!(heard.lines().filter(|line| line.starts_with("ok")).count(), 4, "{heard}");
    assert!(!heard.contains("Count"), "{heard}");
}

#[test]
fn bytes_that_find_the_input_full_are_lost() {
    let mut bench = Bench::plain();
    bench.say("G4 S1");
    bench.say(&format!("M117 {}", "x".repeat(80)));
    bench.say(&format!("M117 {}", "y".repeat(80)));
    // 6 + 86 bytes are taken: of the second message 35 bytes find room.
    assert_eq!(bench.truth().bytes_lost, 86 - 35);
}

#[test]
fn a_busy_machine_gives_signs_of_life() {
    let mut bench = Bench::plain();
    assert_eq!(bench.say("G4 P5000"), "");
    assert_eq!(bench.wait(4.5), "echo:busy: processing\necho:busy: processing\n");
    assert_eq!(bench.wait(0.5), "ok\n");
}

#[test]
fn waiting_for_a_person_ends_with_m108() {
    let mut bench = Bench::plain();
    bench.say("M0 take the tool");
    assert_eq!(bench.wait(2.0), "echo:busy: paused for user\n");
    // One `ok` for the wait, one for M108 itself.
    assert_eq!(bench.say("M108"), "ok\nok\n");
}

#[test]
fn an_emergency_stop_overtakes_what_waits_and_only_a_reset_helps() {
    let mut bench = Bench::plain();
    bench.say("M140 S60\nM104 S200\nG91\nG1 X100 F600\nG4 S10\nM105");
    assert_eq!(bench.say("M112"), "Error:emergency stop, stopped until a reset\n");
    let truth = bench.truth();
    assert!(truth.halted);
    assert_eq!((truth.bed_target_c, truth.nozzle_target_c), (0.0, 0.0));
    assert_eq!(bench.say("M105\nG28"), "");
    assert_eq!(bench.wait(100.0), "");
    bench.printer.fault(bench.now, crate::sim::Fault::Reset);
    assert_eq!(bench.heard(), "start\n");
    assert_eq!(bench.say("N1 M105*38").lines().count(), 1, "line numbers begin anew");
}

#[test]
fn without_emergency_parser_an_emergency_stop_waits_its_turn() {
    let config = SimConfig { input: InputConfig { emergency: false, ..InputConfig::default() }, ..plain_config() };
    let mut bench = Bench::new(config);
    bench.say("G4 S1\nM112");
    assert!(!bench.truth().halted);
    assert_eq!(bench.wait(1.0), "ok\nError:emergency stop, stopped until a reset\n");
}

#[test]
fn replies_leave_after_the_delay_of_the_link() {
    let input = InputConfig { reply_delay: Duration::from_millis(4), ..InputConfig::default() };
    let mut printer = Printer::new(SimConfig { input, ..plain_config() }, Moment::ZERO);
    printer.advance(Moment::ZERO);
    assert_eq!((printer.poll_output(), printer.deadline()), (None, Some(Moment(4_000))));
    printer.advance(Moment(4_000));
    assert!(printer.poll_output().is_some());
}

#[test]
fn the_last_commands_are_remembered() {
    let mut bench = Bench::new(SimConfig { commands_kept: 3, ..plain_config() });
    bench.all(&["G21", "g1 x1 (one) ; comment", "M105", "N0 M110 N0*125"]);
    assert_eq!(bench.printer.recent_commands().collect::<Vec<_>>(), ["G1 X1", "M105", "M110 N0"]);
    assert_eq!(bench.truth().commands, 4);
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(
        chunks in prop::collection::vec((prop::collection::vec(any::<u8>(), 0..60), 0_u64..5_000_000), 1..20),
    ) {
        let mut printer = Printer::new(SimConfig::default(), Moment::ZERO);
        let mut now = Moment::ZERO;
        for (bytes, pause) in chunks {
            printer.handle_bytes(now, &bytes);
            printer.poll_output();
            now = now + Duration::from_micros(pause);
        }
        prop_assert!(printer.truth().simulated_s <= 100.0);
    }

    #[test]
    fn no_commands_make_it_panic(
        lines in prop::collection::vec("[GMT][0-9]{1,3}( [XYZEFSPRIJKA]-?[0-9]{0,20}\\.?[0-9]{0,4}){0,5}", 1..40),
    ) {
        let mut bench = Bench::plain();
        for line in lines {
            bench.say(&line);
            bench.wait(100.0);
        }
        prop_assert!(bench.truth().bed_c.is_finite());
    }
}
