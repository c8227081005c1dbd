use super::*;
use crate::sim::{BeltConfig, BeltDrive, MotionConfig, TowardNose};
use proptest::prelude::*;

fn cold_allowed() -> Bench {
    let mut bench = Bench::plain();
    bench.all(&["M302 S0"]);
    bench
}

fn seconds(bench: &mut Bench, lines: &[&str]) -> f64 {
    bench.all(&lines[..lines.len() - 1]);
    bench.done("M400");
    let start = bench.now;
    bench.all(&[lines[lines.len() - 1], "M400"]);
    bench.now.since(start).as_secs_f64()
}

#[test]
fn a_move_takes_its_length_divided_by_its_feed() {
    let mut bench = cold_allowed();
    assert_eq!(seconds(&mut bench, &["G1 X30 Y40 F1500"]), 2.0);
    assert_eq!(seconds(&mut bench, &["M83", "G1 E5 F300"]), 1.0);
    // A half circle of radius 10 at 10 mm/s.
    assert!((seconds(&mut bench, &["G2 X50 I10 J0 F600"]) - std::f64::consts::PI).abs() < 1e-5);
    assert_eq!(seconds(&mut bench, &["M220 S200", "G1 X60 F600"]), 0.5);
}

#[test]
fn no_axis_goes_faster_than_it_can() {
    let mut bench = cold_allowed();
    assert_eq!(seconds(&mut bench, &["G1 Z24 F60000"]), 2.0);
    assert_eq!(seconds(&mut bench, &["G1 X150 F60000"]), 0.5);
    assert_eq!(seconds(&mut bench, &["M83", "G1 E120 F60000"]), 2.0);
}

#[test]
fn cold_and_overlong_extrusion_is_refused() {
    let mut bench = Bench::plain();
    bench.all(&["M83", "T1"]);
    assert_eq!(bench.say("G1 E50 F3000"), "echo:no cold extrusion, the nozzle is at 22.0\nok\n");
    bench.all(&["M302 P1"]);
    assert_eq!(bench.say("G1 E201"), "echo:no extrusion as long as 201\nok\n");
    bench.all(&["M400"]);
    assert_eq!(bench.truth().belt_um, 0);
    bench.all(&["G1 E200", "M302 P0", "G1 E10", "M400"]);
    assert_eq!(bench.truth().belt_um, 200_000);
}

#[test]
fn the_belt_is_where_its_extruder_was_sent() {
    let mut bench = cold_allowed();
    bench.all(&["T1", "M82", "G92 E0", "G1 E100.123 F6000", "G92 E0", "G1 E50", "G1 E40", "T0", "G1 E300", "M400"]);
    let truth = bench.truth();
    assert_eq!((truth.belt_um, truth.belt_forward_um, truth.belt_backward_um), (140_123, 150_123, 10_000));
}

#[test]
fn a_free_axis_can_drive_the_belt_the_other_way_round() {
    let belt = BeltConfig { drive: BeltDrive::Axis(b'A'), units_per_mm: 2.0, inverted: true };
    let mut bench = Bench::new(SimConfig { belt, ..plain_config() });
    bench.all(&["G91", "G1 A-300 F1200"]);
    bench.wait(1.0);
    assert_eq!(bench.truth().belt_um, 10_000, "20 units a second are 10 mm a second");
    bench.all(&["M400"]);
    assert_eq!(bench.truth().belt_um, 150_000);
}

#[test]
fn a_belt_move_cut_short_counts_as_far_as_it_got() {
    for how in ["M112", "M410", "reset"] {
        let mut bench = cold_allowed();
        bench.all(&["T1", "M83", "G1 E100 F600", "G1 E100"]);
        bench.wait(3.210_6);
        if how == "reset" {
            bench.printer.fault(bench.now, crate::sim::Fault::Reset);
        } else {
            bench.say(how);
        }
        assert_eq!(bench.truth().belt_um, 32_106, "{how}: 10 mm a second for 3.2106 s");
        bench.wait(60.0);
        assert_eq!(bench.truth().belt_um, 32_106, "{how}");
    }
}

#[test]
fn homing_makes_the_head_known_again_after_a_reset() {
    let mut bench = Bench::plain();
    bench.all(&["G28", "G1 X50 Y50 Z10 F6000", "M400"]);
    bench.printer.fault(bench.now, crate::sim::Fault::Reset);
    assert!(bench.say("M114").contains("X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:4000 Y:4000 Z:800"));
    let (heard, took) = bench.done("G28");
    assert!(heard.contains("busy"), "{heard}");
    assert!((took.as_secs_f64() - (1.0 + 1.0 + 10.0 / 12.0 + 3.0 * 1.5)).abs() < 1e-5, "{took:?}");
    bench.all(&["G1 X5", "M400"]);
    assert!(bench.say("M114").contains("X:5.00 Y:0.00 Z:0.00 E:0.00 Count X:400 Y:0 Z:0"));
}

#[test]
fn plastic_is_what_leaves_beyond_the_farthest_place_so_far() {
    let mut bench = cold_allowed();
    bench.all(&["M83", "G1 X10 E5 F600", "G1 E-2", "G1 X20 E2", "G1 X30 E1", "M400"]);
    let truth = bench.truth();
    assert!((truth.plastic_mm - 6.0).abs() < 1e-9, "{}", truth.plastic_mm);
    let part = &truth.parts_on_belt[0];
    assert_eq!((part.left_um, part.right_um), (0, 30_000));
}

#[test]
fn flow_changes_what_an_extruder_truly_does() {
    let mut bench = cold_allowed();
    bench.all(&["M221 S50", "M83", "G1 X10 E4 F600", "T1", "G1 E10", "M221 S90 T1", "G1 E10", "M400"]);
    assert!((bench.truth().plastic_mm - 2.0).abs() < 1e-9);
    assert_eq!(bench.truth().belt_um, 19_000);
}

#[test]
fn an_arc_leaves_the_box_of_its_whole_way() {
    let mut bench = cold_allowed();
    bench.all(&["G1 X20 Y20 F6000", "M83", "G2 X40 Y20 I10 J0 E2", "M400"]);
    let part = &bench.truth().parts_on_belt[0];
    assert_eq!((part.left_um, part.right_um, part.tail_um, part.lead_um), (20_000, 40_000, 20_000, 30_000));
}

#[test]
fn the_frame_decides_what_is_along_the_belt() {
    let mut config = plain_config();
    config.frame.toward_nose = TowardNose::MinusX;
    config.frame.nose_mm = 0.0;
    config.motion = MotionConfig { cold_below_c: 0.0, ..config.motion };
    let mut bench = Bench::new(config);
    bench.all(&["G1 X20 Y30 F6000", "M83", "G1 X60 Y35 E2", "M400"]);
    let part = &bench.truth().parts_on_belt[0];
    assert_eq!((part.tail_um, part.lead_um, part.left_um, part.right_um), (-60_000, -20_000, 30_000, 35_000));
}

#[test]
fn the_path_has_the_same_fingerprint_however_it_is_watched() {
    let lay = |pause: f64| {
        let mut bench = cold_allowed();
        bench.all(&["M83", "G1 X10 Y3 E5 F600", "G1 X20 E2", "G3 X30 Y3 I5 J0 E1"]);
        for _ in 0..400 {
            bench.wait(pause);
        }
        (bench.truth().path_hash, bench.truth().plastic_mm.to_bits())
    };
    assert_eq!(lay(0.017), lay(0.5));
}

proptest! {
    #[test]
    fn pieces_of_belt_travel_add_up_to_the_micrometre(
        pieces in prop::collection::vec(-60_000_i64..60_000, 1..40),
        cut_after_us in 0_u64..400_000_000,
    ) {
        let mut bench = cold_allowed();
        bench.all(&["T1", "M83"]);
        let cut = bench.now + Duration::from_micros(cut_after_us);
        let mut spent_us = 0.0;
        let mut expected = 0.0;
        for piece in pieces {
            let sign = if piece < 0 { "-" } else { "" };
            let line = format!("G1 E{sign}{}.{:03} F600", piece.abs() / 1000, piece.abs() % 1000);
            #[expect(clippy::cast_precision_loss, reason = "small")]
            let (um, time_us) = (piece as f64, piece.abs() as f64 * 100.0);
            #[expect(clippy::cast_precision_loss, reason = "small")]
            let left_us = (cut_after_us as f64 - spent_us).clamp(0.0, time_us);
            expected += if time_us > 0.0 { um * left_us / time_us } else { 0.0 };
            spent_us += time_us;
            let mut heard = bench.say(&line);
            while !heard.ends_with("ok\n") && bench.now < cut {
                bench.now = bench.printer.deadline().unwrap_or(cut).min(cut);
                bench.printer.advance(bench.now);
                heard = bench.heard();
            }
        }
        bench.now = cut;
        bench.printer.fault(cut, crate::sim::Fault::Reset);
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let off = bench.truth().belt_um as f64 - expected;
        prop_assert!(off.abs() < 0.51, "{} against {expected}", bench.truth().belt_um);
    }
}
