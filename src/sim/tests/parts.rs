use super::*;
use crate::sim::{Happening, ReleaseStep};

/// Prints a part from y = 100 to y = 120 and lifts the head; the bed is at 60 °C then. The nose is at 220 mm.
fn print(bench: &mut Bench) {
    bench.all(&["M190 S60", "M109 S200", "G28", "G90", "M83", "G1 Z0.2 F600", "G1 X90 Y100 F6000"]);
    bench.all(&[
        "G1 X130 E2 F1800",
        "G1 Y120 E1",
        "G1 X90 E2",
        "G1 Z0.4",
        "G1 Y100 E1",
        "G1 E-2",
        "G1 Z50 F600",
        "M104 S0",
        "M140 S0",
        "M400",
    ]);
}

fn advance(bench: &mut Bench, mm: f64) {
    bench.all(&["M400", "T1", "M83", "M302 P1"]);
    bench.all(&[&format!("G1 E{mm} F1200"), "M400", "M302 P0", "T0"]);
}

#[test]
fn a_part_is_what_was_laid_where_it_was_laid() {
    let mut bench = Bench::plain();
    print(&mut bench);
    bench.done("M400");
    let truth = bench.truth();
    let part = &truth.parts_on_belt[0];
    assert_eq!([part.tail_um, part.lead_um, part.left_um, part.right_um], [100_000, 120_000, 90_000, 130_000]);
    assert_eq!((part.height_mm, part.layers, part.sticks), (0.4, 2, true));
    assert!((part.filament_mm - 6.0).abs() < 1e-9);
}

#[test]
fn a_cold_part_falls_at_the_very_micrometre_and_frees_the_switch() {
    let mut bench = Bench::plain();
    print(&mut bench);
    bench.done("M190 R31");
    bench.say("M140 S0");
    advance(&mut bench, 119.999);
    let truth = bench.truth();
    assert_eq!((truth.parts_fallen, truth.parts_on_belt[0].tail_um), (0, 219_999));
    assert!(bench.say("M119").contains("nose: TRIGGERED"));
    advance(&mut bench, 0.001);
    let truth = bench.truth();
    assert_eq!((truth.parts_fallen, truth.parts_on_belt.len(), truth.belt_um), (1, 0, 120_000));
    assert_eq!((truth.belt_moved_hot, truth.belt_moved_while_head_low), (0, 0));
    assert!(bench.say("M119").contains("nose: open"));
}

#[test]
fn the_switch_changes_while_the_belt_runs() {
    let mut bench = Bench::plain();
    print(&mut bench);
    bench.done("M190 R31");
    bench.all(&["M400", "T1", "M83", "M302 P1", "G1 E150 F600"]);
    // At 10 mm a second the part reaches the nose after 10 s and has left it after 12.
    let pressed = [9.9, 0.2, 1.8, 0.2].map(|pause| {
        bench.wait(pause);
        bench.say("M119").contains("nose: TRIGGERED")
    });
    assert_eq!(pressed, [false, true, true, false]);
    let fell =
        std::iter::from_fn(|| bench.printer.poll_note()).find(|note| note.what == Happening::PartFell { part: 1 });
    let fell = fell.expect("the part fell");
    // To the microsecond at which rounding makes 120.000 mm of it.
    let start = bench.now.0 - 12_100_000;
    assert_eq!(fell.at.0 - start, 11_999_950);
}

#[test]
fn a_warm_part_hangs_at_the_nose_until_the_bed_has_cooled() {
    let mut bench = Bench::plain();
    print(&mut bench);
    advance(&mut bench, 130.0);
    let truth = bench.truth();
    assert_eq!((truth.belt_moved_hot, truth.parts_fallen, truth.parts_on_belt[0].hangs), (1, 0, true));
    assert!(bench.say("M119").contains("nose: TRIGGERED"));
    bench.wait(3600.0);
    assert_eq!(bench.truth().parts_fallen, 1);
    assert!(bench.say("M119").contains("nose: open"));
}

#[test]
fn a_part_that_hangs_comes_back_with_the_belt() {
    let mut bench = Bench::plain();
    print(&mut bench);
    advance(&mut bench, 130.0);
    advance(&mut bench, -60.0);
    let part = &bench.truth().parts_on_belt[0];
    assert_eq!((part.tail_um, part.hangs), (170_000, false));
    assert!(bench.say("M119").contains("nose: open"));
}

#[test]
fn a_print_over_a_part_is_counted_once() {
    let mut bench = Bench::plain();
    print(&mut bench);
    print(&mut bench);
    assert_eq!((bench.truth().prints_begun, bench.truth().prints_over_a_part), (2, 1));
    // Over two of them.
    print(&mut bench);
    assert_eq!(bench.truth().prints_over_a_part, 2);
}

#[test]
fn a_print_begun_while_a_part_hangs_is_over_a_part() {
    let mut bench = Bench::plain();
    print(&mut bench);
    advance(&mut bench, 300.0);
    print(&mut bench);
    assert_eq!((bench.truth().parts_on_belt.len(), bench.truth().prints_over_a_part), (2, 1));
}

#[test]
fn prints_without_homing_in_between_are_told_apart_by_the_bed_or_the_belt() {
    let again = ["G1 Z0.2 F600", "G1 X90 Y100 F6000", "G1 X130 E9 F1800", "M400"];
    let mut bench = Bench::plain();
    print(&mut bench);
    bench.all(&["M190 S60", "M109 S200"]);
    bench.all(&again);
    assert_eq!(
        (bench.truth().prints_begun, bench.truth().prints_over_a_part),
        (2, 1),
        "the bed was switched off in between"
    );

    let mut bench = Bench::plain();
    print(&mut bench);
    bench.done("M190 R31");
    advance(&mut bench, 50.0);
    bench.all(&["M190 S60", "M109 S200"]);
    bench.all(&again);
    assert_eq!((bench.truth().prints_begun, bench.truth().prints_over_a_part), (2, 1), "the belt has moved in between");
}

#[test]
fn a_print_after_the_part_has_left_is_over_nothing() {
    let mut bench = Bench::plain();
    for count in 1..=3 {
        print(&mut bench);
        bench.done("M190 R31");
        bench.say("M140 S0");
        advance(&mut bench, 125.0);
        assert_eq!((bench.truth().parts_fallen, bench.truth().prints_over_a_part), (count, 0));
    }
    assert_eq!(bench.truth().belt_um, 375_000);
}

#[test]
fn a_print_that_was_held_and_gone_on_with_is_one_print() {
    let mut bench = Bench::plain();
    print(&mut bench);
    // Heaters off for a while, then on above the layers that are there.
    bench.wait(60.0);
    bench.all(&["M190 S60", "M109 S200", "G1 X90 Y100 Z0.6 F6000", "G1 X130 E4 F1800", "M400"]);
    assert_eq!((bench.truth().prints_begun, bench.truth().prints_over_a_part), (1, 0));
    assert_eq!(bench.truth().parts_on_belt[0].layers, 3);
}

#[test]
fn the_file_s_last_commands_do_not_make_its_last_moves_a_new_print() {
    // Sixteen moves are still in the planner when the bed is switched off.
    let mut bench = Bench::plain();
    bench.all(&["M190 S60", "M109 S200", "G28", "M83", "G1 X90 Y100 Z0.2 F6000", "G91"]);
    for _ in 0..15 {
        bench.say("G1 X1 E0.1 F60");
    }
    bench.all(&["M140 S0", "M400"]);
    assert_eq!(bench.truth().prints_begun, 1);
}

#[test]
fn a_purge_over_the_bed_belongs_to_the_part_and_one_beside_it_does_not() {
    let mut bench = Bench::plain();
    bench.all(&["M109 S200", "G28", "M83", "G1 X10 Y-5 Z5 F6000", "G1 E3 F300", "M400"]);
    assert_eq!((bench.truth().prints_begun, bench.truth().plastic_mm), (0, 3.0));
    bench.all(&["G1 X10 Y5", "G1 E3 F300", "M400"]);
    let truth = bench.truth();
    let part = &truth.parts_on_belt[0];
    assert_eq!((part.tail_um, part.lead_um, part.height_mm), (5_000, 5_000, 0.0));
}

#[test]
fn the_belt_under_a_low_head_is_counted() {
    let mut bench = Bench::plain();
    print(&mut bench);
    bench.all(&["M190 R31", "G1 Z0.3"]);
    advance(&mut bench, 10.0);
    assert_eq!((bench.truth().belt_moved_while_head_low, bench.truth().belt_moved_hot), (1, 0));
    bench.all(&["G1 Z0.4"]);
    advance(&mut bench, 10.0);
    assert_eq!(bench.truth().belt_moved_while_head_low, 1);
}

#[test]
fn materials_differ_by_the_bed_that_they_are_printed_on() {
    let mut config = plain_config();
    config.release.steps =
        vec![ReleaseStep { bed_from_c: 0.0, release_c: 30.0 }, ReleaseStep { bed_from_c: 55.0, release_c: 45.0 }];
    let mut bench = Bench::new(config);
    print(&mut bench);
    bench.done("M190 R45");
    bench.say("M140 S0");
    advance(&mut bench, 120.0);
    assert_eq!((bench.truth().parts_fallen, bench.truth().belt_moved_hot), (1, 0));
}

#[test]
fn parts_taken_off_by_hand_are_gone() {
    let mut bench = Bench::plain();
    print(&mut bench);
    bench.done("M400");
    bench.printer.take_parts_off(bench.now);
    let truth = bench.truth();
    assert_eq!((truth.parts_on_belt.len(), truth.parts_taken_off, truth.parts_fallen), (0, 1, 0));
    assert_eq!(truth.last_gone.map(|part| part.number), Some(1));
    print(&mut bench);
    assert_eq!(bench.truth().prints_over_a_part, 0);
}

#[test]
fn truth_is_json() {
    let mut bench = Bench::plain();
    print(&mut bench);
    let json = serde_json::to_value(bench.truth()).expect("plain data");
    assert_eq!((&json["prints_begun"], &json["parts_on_belt"][0]["lead_um"]), (&1.into(), &120_000.into()));
}

#[test]
fn a_print_over_a_keep_out_is_counted_once_however_the_belt_came_round() {
    // The splice is 190 to 200 mm along at the start; prints lie from 100 to 120 mm.
    let config = SimConfig { loop_um: Some(300_000), keep_outs: vec![[190_000, 200_000]], ..plain_config() };
    let mut bench = Bench::new(config);
    print(&mut bench);
    bench.done("M190 R31");
    bench.say("M140 S0");
    advance(&mut bench, 150.0);
    assert_eq!((bench.truth().prints_begun, bench.truth().prints_over_a_keep_out), (1, 0));
    // 215 mm on, it stands at 105 mm of the next turn.
    advance(&mut bench, 65.0);
    print(&mut bench);
    assert_eq!((bench.truth().prints_begun, bench.truth().prints_over_a_keep_out), (2, 1));
}
