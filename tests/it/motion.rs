//! Print time with acceleration: published profiles as G-code, and what slicers say of real files.

use std::fmt::Write as _;
use std::fs;
use std::io::BufReader;
use std::path::Path;

use nosebar::gcode::{Dialect, Rules, Surveyor, survey};
use nosebar::job::{MotionLimits, Survey};
use proptest::prelude::*;

use crate::ground;

/// A machine that hinders nothing but by the accelerations that a file sets itself.
fn unhindered() -> MotionLimits {
    MotionLimits { max_feed_mm_s: [1e6; 4], max_acceleration_mm_s2: [1e6; 4], ..MotionLimits::default() }
}

fn survey_with(text: &str, motion: MotionLimits) -> Survey {
    survey(text.as_bytes(), &Rules { motion, ..Rules::default() }).expect("memory can be read")
}

fn seconds(text: &str) -> f64 {
    survey_with(text, unhindered()).time_s
}

fn survey_file(path: &Path, motion: MotionLimits) -> Survey {
    let file = fs::File::open(path).expect("the test file");
    survey(BufReader::new(file), &Rules { motion, ..Rules::default() }).expect("a readable file")
}

fn is_near(found: f64, wanted: f64, within: f64) -> bool {
    (found - wanted).abs() <= within
}

/// Time of one move of many that go to and fro, each from rest to rest: the sum is told to a microsecond, a part of it finer.
fn each_of_a_thousand(settings: &str, there: &str, back: &str) -> f64 {
    seconds(&format!("G91\n{settings}\n{}", format!("{there}\nM400\n{back}\nM400\n").repeat(500))) / 1000.0
}

/// t = v/a + d/v, or 2·√(d/a) where v is never reached: computed with the formulae that a motor maker's page on trajectory
/// planning gives for trapezoids and triangles.
#[test]
fn trapezoids_and_triangles_take_the_time_of_their_formulae() {
    for (d, v, a, wanted) in [
        (500.0, 100.0, 200.0, 5.5),
        (300.0, 50.0, 1000.0, 6.05),
        (200.0, 20.0, 50.0, 10.4),
        (20.0, 100.0, 500.0, 0.4),
        (10.0, 100.0, 500.0, 0.282_842_712),
        (1.0, 100.0, 500.0, 0.089_442_719_1),
    ] {
        let settings = format!("M204 S{a}\nG1 F{}", v * 60.0);
        let found = each_of_a_thousand(&settings, &format!("G1 X{d}"), &format!("G1 X-{d}"));
        assert!(is_near(found, wanted, 1e-9), "{d} mm: {found}");
    }
}

/// A cylinder's stroke of 43.6 in with 0.3 s to speed up, 1.4 s at 24.563380 in/s and 0.45 s to slow down: 2.15 s in all
/// (a motor maker's worked example). Each part is a move with an acceleration of its own; they go over into one another.
#[test]
fn three_moves_in_line_make_one_profile() {
    let speed: f64 = 43.6 / 1.775;
    assert!(is_near(speed, 24.563_380, 5e-7));
    let mut text = format!("G20\nG91\nG1 F{}\n", speed * 60.0);
    for (way, seconds) in [(speed * 0.15, 0.3), (speed * 1.4, 1.0), (speed * 0.225, 0.45)] {
        writeln!(text, "M204 S{}\nG1 X{way}", speed * 25.4 / seconds).expect("memory takes it");
    }
    assert!(is_near(seconds(&text), 2.15, 1e-6), "{}", seconds(&text));
}

/// Time of a move from `from` mm/s over `top` to `to`.
fn ramped(d: f64, [from, top, to]: [f64; 3], a: f64) -> f64 {
    let on_ramps = (top * top - from * from) / (2.0 * a) + (top * top - to * to) / (2.0 * a);
    (top - from) / a + (top - to) / a + (d - on_ramps) / top
}

/// Round a right angle each axis' speed changes by the whole speed. The deviation's speed is v² = a·δ·s/(1 − s), s = sin 45°.
#[test]
fn a_corner_is_taken_at_the_speed_that_jerk_or_deviation_allow() {
    let corner = |setting: &str| seconds(&format!("M204 S1000\n{setting}\nG1 X50 F6000\nG1 Y50"));
    let at = |speed: f64| ramped(50.0, [0.0, 100.0, speed], 1000.0) + ramped(50.0, [speed, 100.0, 0.0], 1000.0);
    assert!(is_near(corner("M205 X12 Y20"), at(12.0), 1e-6));
    assert!(is_near(corner("M205 X12 Y8"), at(8.0), 1e-6));
    assert!(is_near(corner("M205 X500 Y500"), at(100.0), 1e-6));
    assert!(is_near(corner("M566 X720 Y900"), at(12.0), 1e-6), "mm/min");
    let sine = std::f64::consts::FRAC_1_SQRT_2;
    assert!(is_near(corner("M205 J0.05"), at((1000.0 * 0.05 * sine / (1.0 - sine)).sqrt()), 1e-6));
    // In line there is no corner, and straight back there is nothing but one.
    let line = |setting: &str| seconds(&format!("M204 S1000\n{setting}\nG1 X50 F6000\nG1 X100"));
    assert!(is_near(line("M205 J0.05"), ramped(100.0, [0.0, 100.0, 0.0], 1000.0), 1e-6));
    let back = |setting: &str| seconds(&format!("M204 S1000\n{setting}\nG1 X50 F6000\nG1 X0"));
    assert!(is_near(back("M205 J0.05"), at(0.0), 1e-6));
    assert!(is_near(back("M205 X12"), at(6.0), 1e-6));
}

#[test]
fn the_head_stands_where_a_command_waits_for_motion_to_end() {
    let with = |between: &str| seconds(&format!("M204 S1000\nG1 X50 F6000\n{between}\nG1 X100"));
    let (through, stopped) = (1.1, 1.2);
    for command in ["", "M104 S200", "M140 S60", "M106 S255", "G92 E0", "M117 layer 2", "T0", "; M400"] {
        assert!(is_near(with(command), through, 1e-6), "{command}: {}", with(command));
    }
    for command in ["M400", "G4 P0", "M109 S200", "M190 S60", "T1", "M0", "M600", "G28 Z"] {
        assert!(is_near(with(command), stopped, 1e-6), "{command}: {}", with(command));
    }
    assert!(is_near(with("G4 S2"), stopped + 2.0, 1e-6));
    assert!(is_near(with("M28 stake.gco\nM400\nM29"), through, 1e-6), "what is written to the card is not carried out");
}

#[test]
fn each_axis_holds_the_others_back() {
    let limits = MotionLimits { max_feed_mm_s: [300.0, 300.0, 5.0, 25.0], ..unhindered() };
    let text = "M204 S1000\nG1 X30 Z10 F6000";
    // √1000 mm with Z at 5 mm/s and X at 15 mm/s.
    let wanted = ramped(1000_f64.sqrt(), [0.0, 250_f64.sqrt(), 0.0], 1000.0);
    assert!(is_near(survey_with(text, limits).time_s, wanted, 1e-6));
    let limits = MotionLimits { max_acceleration_mm_s2: [1e6, 1e6, 100.0, 1e6], ..unhindered() };
    let wanted = ramped(1000_f64.sqrt(), [0.0, 20.0, 0.0], 1000_f64.sqrt() * 10.0);
    assert!(is_near(survey_with("M204 S1000\nG1 X30 Z10 F1200", limits).time_s, wanted, 1e-6));
    // Filament pushed fast along a short way holds back the head.
    let limits = MotionLimits { max_feed_mm_s: [300.0, 300.0, 5.0, 25.0], ..unhindered() };
    let found = survey_with("M204 S100000\nM83\nG1 X1 E50 F6000", limits).time_s;
    assert!(is_near(found, ramped(1.0, [0.0, 0.5, 0.0], 2e4), 1e-6), "{found}");
}

#[test]
fn the_file_s_own_limits_count_from_where_they_stand() {
    let profile = |v: f64, a: f64| ramped(50.0, [0.0, v, 0.0], a);
    let pair = |setting: &str| seconds(&format!("M204 S1000\nG1 X50 F6000\nM400\n{setting}\nG1 X100"));
    let before = profile(100.0, 1000.0);
    for (setting, after) in [
        ("M201 X500", profile(100.0, 500.0)),
        ("M203 X50", profile(50.0, 1000.0)),
        ("M204 T500", profile(100.0, 500.0)),
        ("M204 P500 R500", before),
        ("M204 S500", profile(100.0, 500.0)),
        ("M205 T110", profile(110.0, 1000.0)),
        // What no machine can be told is not taken.
        ("M201 X0", before),
        ("M203 X-50", before),
        ("M204 S0", before),
        ("M204 T-5", before),
        ("M205 J0", before),
        ("M203 X", before),
    ] {
        assert!(is_near(pair(setting), before + after, 1e-6), "{setting}: {}", pair(setting));
    }
    let extreme = |digits: &str| [pair(&format!("M204 S{digits}")), pair(&format!("M203 X{digits}"))];
    for digits in ["9".repeat(300), format!("0.{}1", "0".repeat(300))] {
        assert!(extreme(&digits).iter().all(|time| *time > 1.0 && *time < 1e5), "{:?}", extreme(&digits));
    }
}

/// RepRap wiki, `M203`: mm/min on one family of firmware, mm/s on the other.
#[test]
fn the_dialect_gives_m203_its_unit() {
    let text = "M204 S1000\nM203 X3000\nG1 X50 F6000";
    let rules = |m203_per_minute| Rules {
        motion: unhindered(),
        dialect: Dialect { m203_per_minute, ..Dialect::default() },
        ..Rules::default()
    };
    let found = |per_minute| survey(text.as_bytes(), &rules(per_minute)).expect("memory can be read").time_s;
    assert!(is_near(found(false), ramped(50.0, [0.0, 100.0, 0.0], 1000.0), 1e-6));
    assert!(is_near(found(true), ramped(50.0, [0.0, 50.0, 0.0], 1000.0), 1e-6));
}

#[test]
fn retracts_have_an_acceleration_and_the_firmware_s_own_a_length_and_feeds() {
    let retract = |mm: f64, feed: f64| ramped(mm, [0.0, feed, 0.0], 500.0);
    let settings = "M83\nM204 P1000 T1000 R500\nM207 S4 F1800\nM208 F600\n";
    let time = |lines: &str| seconds(&format!("{settings}{lines}"));
    assert!(is_near(time("G1 E-4 F1800"), retract(4.0, 30.0), 1e-6));
    assert!(is_near(time("G10"), retract(4.0, 30.0), 1e-6));
    assert!(is_near(time("G10\nG10"), retract(4.0, 30.0), 1e-6), "there is no more to draw back");
    assert!(is_near(time("G10\nM400\nG11"), retract(4.0, 30.0) + retract(4.0, 10.0), 1e-6));
    assert_eq!(time("G11"), 0.0);
    // The older form: S for the head, T for filament alone.
    assert!(is_near(seconds("M83\nM204 S1000 T500\nG1 E-4 F1800"), retract(4.0, 30.0), 1e-6));
    let own = MotionLimits { retract_mm: 5.0, retract_mm_s: 20.0, retract_acceleration_mm_s2: 500.0, ..unhindered() };
    assert!(is_near(survey_with("G10", own).time_s, retract(5.0, 20.0), 1e-6));
}

/// On a circle v²/r is an acceleration as well: 1 mm at 100 mm/s² is no faster than 10 mm/s.
#[test]
fn arcs_are_as_long_as_they_are_and_no_faster_than_they_can_be_held() {
    let length = std::f64::consts::TAU;
    let found = seconds("M204 S100\nG1 F6000\nG2 I1 J0");
    assert!(is_near(found, ramped(length, [0.0, 10.0, 0.0], 100.0), 1e-6), "{found}");
    // Two half circles are one circle: there is no corner between them.
    let halves = seconds("M204 S100\nG1 F6000\nG2 X2 Y0 I1 J0\nG2 X0 Y0 I-1 J0");
    assert!(is_near(halves, found, 1e-6), "{halves}");
    // A line that meets a circle as a tangent goes over into it at the circle's speed.
    let joined = seconds("M204 S100\nG1 Y50 F3600\nG2 I1 J0");
    let wanted = ramped(50.0, [0.0, 60.0, 10.0], 100.0) + ramped(length, [10.0, 10.0, 0.0], 100.0);
    assert!(is_near(joined, wanted, 1e-6), "{joined} and {wanted}");
}

/// As firmware of family M commonly shipped in the years of these files: common practice, from memory, one set for both.
fn of_these_years() -> MotionLimits {
    MotionLimits { jerk_mm_s: [20.0, 20.0, 0.4, 5.0], ..MotionLimits::default() }
}

/// The files' own claims: `;TIME:5373` and `;TIME:5409`, and at the foot of each layer `;TIME_ELAPSED:`.
#[test]
fn the_time_of_real_prints_is_what_their_slicer_says() {
    for (file, claim) in [(ground::octcat(), 5373.0), (ground::rustlogo(), 5409.0)] {
        let found = survey_file(&file, of_these_years());
        assert!(is_near(found.time_s, claim, 0.01 * claim), "{}: {}", file.display(), found.time_s);
        let text = fs::read(&file).expect("the test file");
        let mut layers = 0;
        let mut at = 0;
        for line in text.split_inclusive(|byte| *byte == b'\n') {
            at += line.len() as u64;
            let Some(elapsed) = line.strip_prefix(b";TIME_ELAPSED:") else { continue };
            let elapsed: f64 = std::str::from_utf8(elapsed).expect("digits").trim().parse().expect("a number");
            layers += 1;
            let off = (found.time_at(at) - elapsed).abs();
            assert!(off < 0.01 * claim, "{}: {off} s after {elapsed} s", file.display());
        }
        assert!(layers > 50, "{layers}");
        // A machine that is not known is timed by what is common now.
        let common = survey_file(&file, MotionLimits::default());
        assert!(is_near(common.time_s, claim, 0.05 * claim), "{}: {}", file.display(), common.time_s);
    }
}

fn check_timetable(found: &Survey) {
    let marks = &found.timetable;
    assert!((2..=400).contains(&marks.len()), "{}", marks.len());
    assert_eq!((marks[0].bytes, marks[0].time_s), (0, 0.0));
    let last = marks[marks.len() - 1];
    assert_eq!((last.bytes, last.time_s), (found.file.bytes, found.time_s));
    for pair in marks.windows(2) {
        assert!(pair[0].bytes < pair[1].bytes && pair[0].time_s <= pair[1].time_s, "{pair:?}");
    }
}

#[test]
fn a_timetable_has_a_few_hundred_marks_however_long_the_print() {
    let real = survey_file(&ground::random_3d_print(), MotionLimits::default());
    check_timetable(&real);
    assert!(real.timetable.len() > 150);
    // No mark is farther from the next than a hundredth of the print.
    for pair in real.timetable.windows(2) {
        assert!(pair[1].time_s - pair[0].time_s < 0.02 * real.time_s, "{pair:?}");
    }
    for text in ["G1 X1 F600\n", "G1 X1 F600", "G4 S5\n", "G1 X1 F600\n; the end\n"] {
        check_timetable(&survey_with(text, unhindered()));
    }
    let slow = survey_with(&"G1 X9 F0.01\nG1 X0\n".repeat(1000), unhindered());
    check_timetable(&slow);
    assert!(slow.time_s > 1e6);
    // A line that stands still in the middle of a file is where it says.
    let still = survey_with("G1 X10 F600\nG4 S100\nG1 X20\n", unhindered());
    assert!(still.time_at(12) < 2.0 && still.time_at(20) > 100.0, "{:?}", still.timetable);
    assert_eq!(survey_with("; nothing\n", unhindered()).timetable, []);
}

#[test]
fn pieces_of_any_size_give_the_same_time_and_timetable() {
    let bytes = fs::read(ground::random_3d_print()).expect("the test file");
    let whole = survey_file(&ground::random_3d_print(), MotionLimits::default());
    for size in [1, 7, 4096] {
        let mut surveyor = Surveyor::new(&Rules::default());
        bytes.chunks(size).for_each(|piece| surveyor.handle_bytes(piece));
        let found = surveyor.finish();
        assert_eq!((found.time_s, &found.timetable), (whole.time_s, &whole.timetable), "{size}");
    }
}

/// A line of a made-up program, with settings among the moves.
fn any_line() -> impl Strategy<Value = String> {
    let at = -200.0..200.0;
    prop_oneof![
        8 => (at.clone(), at.clone(), 0.0..50.0, 1.0..20_000.0)
            .prop_map(|(x, y, e, f)| format!("G1 X{x:.3} Y{y:.3} E{e:.5} F{f:.0}")),
        8 => (at.clone(), at.clone()).prop_map(|(x, y)| format!("G0 X{x:.3} Y{y:.3}")),
        4 => (-1.0..1.0, -1.0..1.0).prop_map(|(x, y)| format!("G91\nG1 X{x:.3} Y{y:.3}\nG90")),
        1 => (at.clone(), at).prop_map(|(i, j)| format!("G3 I{i:.3} J{j:.3}")),
        1 => (0.0..100.0).prop_map(|z| format!("G1 Z{z:.2}")),
        1 => (1.0..9999.0, 0.0..500.0).prop_map(|(a, v)| format!("M204 P{a:.0} T{a:.0}\nM203 X{v:.1}")),
        1 => (0.0..50.0).prop_map(|jerk| format!("M205 X{jerk:.1} Y{jerk:.1}")),
        1 => (0.0..0.2).prop_map(|deviation| format!("M205 J{deviation:.3}")),
        1 => Just("G4 P250".to_owned()),
        1 => Just("G10\nG11\nM400".to_owned()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Acceleration takes time and never saves any.
    #[test]
    fn no_print_is_faster_than_its_feeds(lines in prop::collection::vec(any_line(), 1..400)) {
        let found = survey_with(&lines.join("\n"), MotionLimits::default());
        prop_assert!(found.time_s >= found.feed_time_s - 2e-6, "{} and {}", found.time_s, found.feed_time_s);
        prop_assert!(found.time_s.is_finite());
    }
}
