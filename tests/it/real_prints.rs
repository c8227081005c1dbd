//! Real prints on the simulated printer: what truly lies on its belt afterwards, against what two independent scripts read out
//! of the same files.

use std::fs;
use std::path::Path;

use nosebar::sim::{Printer, SimConfig, Truth};
use nosebar::units::Moment;

use crate::ground;

/// Sends the lines of a file that `wanted` admits, each after the `ok` of the one before, and lets all moves end.
fn print(file: &Path, config: SimConfig, wanted: impl Fn(&str) -> bool) -> Truth {
    let text = String::from_utf8_lossy(&fs::read(file).expect("a readable file")).into_owned();
    let mut printer = Printer::new(config, Moment::ZERO);
    printer.advance(Moment::ZERO);
    printer.poll_output();
    let mut now = Moment::ZERO;
    let commands = text.lines().map(|line| line.split(';').next().unwrap_or_default().trim());
    for command in commands.filter(|command| !command.is_empty() && wanted(command)).chain(["M400"]) {
        printer.handle_bytes(now, format!("{command}\n").as_bytes());
        let mut heard = printer.poll_output().unwrap_or_default();
        while !String::from_utf8_lossy(&heard).lines().any(|line| line.starts_with("ok")) {
            now = printer.deadline().unwrap_or_else(|| panic!("{command} is never done"));
            printer.advance(now);
            heard.extend(printer.poll_output().unwrap_or_default());
        }
    }
    printer.truth()
}

/// A machine that makes every move at the feed that the file asks for, hot or cold.
fn unhindered() -> SimConfig {
    let mut config = SimConfig::default();
    config.motion.max_feed_xyz = [f64::INFINITY; 3];
    config.motion.max_feed_e = f64::INFINITY;
    config.motion.cold_below_c = 0.0;
    config
}

#[test]
fn a_real_print_leaves_the_part_that_its_file_describes() {
    let truth = print(&ground::random_3d_print(), SimConfig::default(), |_| true);
    let [part] = &truth.parts_on_belt[..] else { panic!("one part, not {:?}", truth.parts_on_belt) };
    assert_eq!([part.left_um, part.right_um], [64_253, 135_747]);
    assert_eq!([part.tail_um, part.lead_um], [64_198, 135_802]);
    assert_eq!((part.layers, part.height_mm), (13, 3.95));
    assert!((part.filament_mm - 3_129.992_05).abs() < 1e-6, "{}", part.filament_mm);
    assert_eq!((truth.prints_begun, truth.prints_over_a_part, truth.belt_um), (1, 0, 0));
}

#[test]
fn filament_and_time_are_those_published_to_the_last_digit() {
    let moves = |command: &str| {
        let word = command.split_ascii_whitespace().next().unwrap_or_default();
        matches!(word, "G0" | "G1" | "G21" | "G90" | "G91" | "G92" | "M82" | "M83")
    };
    // Greatest running sum of E, the purge of 3 mm included; seconds at the feeds asked for, without acceleration.
    for (file, filament_mm, seconds) in [
        (ground::random_3d_print(), 3_129.992_05, 2161.84),
        (ground::octcat(), 3_183.513_21, 5020.11),
        (ground::rustlogo(), 3_059.805_90, 4924.85),
    ] {
        let truth = print(&file, unhindered(), moves);
        assert!((truth.plastic_mm - filament_mm).abs() < 1e-6, "{}: {}", file.display(), truth.plastic_mm);
        assert!((truth.simulated_s - seconds).abs() < 0.01, "{}: {}", file.display(), truth.simulated_s);
        assert_eq!(truth.prints_begun, 1, "{}", file.display());
    }
}
