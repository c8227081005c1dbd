use std::time::Duration;

use super::*;
use crate::belt::{Advance, Drive, DriveBy};
use crate::gcode::{Dialect, Policy};
use crate::job::Survey;
use crate::thermal::{Cooling, CoolingError};
use crate::units::{Celsius, Millimetres};

fn recipe(by: DriveBy) -> Recipe {
    Recipe {
        drive: Drive::plain(by),
        advance: Advance { approach_um: 84_198, peel_um: 71_604, overrun_um: 40_000 },
        release: Celsius(30.0),
        hottest: Celsius(60.0),
        cooling: Cooling::new(Celsius(22.0), Duration::from_secs(600)).expect("a cooling that can be"),
        cool_by: CoolBy::Reading,
        cool_lines: (Vec::new(), Vec::new()),
        park_z: Millimetres(15.0),
        z_max: Millimetres(250.0),
        policy: Policy::default(),
        dialect: Dialect::default(),
    }
}

fn composed(recipe: Recipe, file: &str) -> Result<(String, u64), Refused> {
    let mut composer = Composer::new(recipe).expect("the bed gets cool");
    let mut out = Vec::new();
    composer.begin("clip.gcode", "one", &Survey::default(), &mut out);
    for line in file.split_inclusive('\n') {
        composer.handle_line(line.as_bytes(), &mut out)?;
    }
    let left_out = composer.finish(&mut out);
    Ok((String::from_utf8(out).expect("text"), left_out))
}

/// What follows the file's last line, comments left out.
fn ending(recipe: Recipe, file: &str) -> String {
    let (text, _) = composed(recipe, file).expect("nothing is refused");
    let last = file.trim_end().rsplit('\n').next().expect("a last line");
    let (_, ending) = text.split_once(&format!("\n{last}\n")).expect("the file's last line");
    ending.lines().filter(|line| !line.starts_with(';')).collect::<Vec<_>>().join("|")
}

const FILE: &str = "; material = pla\r\nG28\nN3 g1 x10 y10 z5 f6000*99 ; there\nM84\nG1 X20 E2 F1500\n";

#[test]
fn the_file_is_as_it_would_be_sent_and_its_own_comments_stay() {
    let (text, left_out) = composed(recipe(DriveBy::Extruder(1)), FILE).expect("nothing is refused");
    assert!(text.starts_with("; composed by nosebar "), "{text}");
    assert!(
        text.contains("\nM221 S100\n; material = pla\nG28\nG1 X10 Y10 Z5 F6000\nG1 X20 E2 F1500\nM400\n"),
        "{text}"
    );
    assert_eq!(left_out, 1);
    assert!(text.contains("NO CLEAR CHECK"), "{text}");
}

#[test]
fn an_ending_cools_waits_and_runs_the_belt_in_pieces() {
    let wanted = "M400|M140 S0|M104 S0|M107|M220 S100|G91|G1 Z10.000 F600|G90|M400|M190 R30|M140 S0|G4 S60|G4 S11|T1|M83|\
                  M302 S0|G1 E42.099 F1500|G1 E42.099 F1500|G1 E35.802 F600|G1 E35.802 F600|G1 E40 F1500|M400|M302 S170|T0|\
                  M82|G92 E2|G1 F1500";
    // 600 s × ln(9/8) is 70.7 s, for the last kelvin.
    assert_eq!(ending(recipe(DriveBy::Extruder(1)), FILE), wanted);
}

#[test]
fn a_printer_that_cannot_wait_for_cooling_stands_still_for_twice_as_long_and_ten_minutes() {
    let recipe = Recipe { cool_by: CoolBy::Time, ..recipe(DriveBy::Axis('A')) };
    // 600 s × ln(38/8) is 934.9 s.
    assert_eq!(recipe.ending().map(|e| e.dwell.as_secs()), Ok(2 * 934 + 1 + 600));
    let text = composed(recipe.clone(), FILE).expect("nothing is refused").0;
    assert!(text.contains("CAUTION: a fixed wait") && !text.contains("M190 R"), "{text}");
    let dwell: u64 = text.lines().filter_map(|line| line.strip_prefix("G4 S")?.parse::<u64>().ok()).sum();
    assert_eq!(dwell, 2470);
    assert!(ending(recipe, FILE).contains("|G91|G1 A42.099 F1500|"));
}

#[test]
fn a_file_that_counts_in_inches_is_left_to_do_so() {
    let ending = ending(recipe(DriveBy::Extruder(1)), "G28\nG20\nG1 X1 E0.1 F100\n");
    assert!(ending.starts_with("G21|M400|") && ending.ends_with("|G92 E2.54|G1 F2540|G20"), "{ending}");
}

#[test]
fn what_may_not_be_sent_is_refused_with_its_line() {
    let refused = composed(recipe(DriveBy::Extruder(1)), "G28\n\nM500\n").expect_err("stored settings");
    assert_eq!(refused.line, 3);
    assert!(refused.to_string().starts_with("line 3 may not be sent: it writes or resets"), "{refused}");
}

#[test]
fn a_wait_without_end_is_never_composed() {
    let warm = Cooling::new(Celsius(29.8), Duration::from_secs(600)).expect("a cooling that can be");
    let never = Composer::new(Recipe { cooling: warm, ..recipe(DriveBy::Extruder(1)) });
    assert_eq!(never.err(), Some(CoolingError::Never { floor: Celsius(29.8), release: Celsius(30.0) }));
}

#[test]
fn a_fan_for_cooling_is_on_for_the_wait_and_off_before_the_belt_moves() {
    let fan = (vec!["M106 P1 S255".to_owned()], vec!["M106 P1 S0".to_owned()]);
    let recipe = Recipe { cool_lines: fan, ..recipe(DriveBy::Extruder(1)) };
    let (text, _) = composed(recipe, "G28\nG1 X1 Y1 Z1 F600\n").expect("a good file");
    let at = |line: &str| text.lines().position(|other| other == line).unwrap_or_else(|| panic!("no {line} in {text}"));
    let steps = ["M140 S0", "M106 P1 S255", "M190 R30", "M106 P1 S0", "T1"].map(at);
    assert!(steps.is_sorted(), "{steps:?}: {text}");
}
