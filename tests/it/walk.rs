//! Moves of the real prints, one by one: counts, ways and boxes by two scripts independent of this program.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use nosebar::gcode::{Walker, lex_line};

use crate::ground;

/// What a print does, move by move.
#[derive(Default)]
struct Tally {
    commands: BTreeMap<String, u32>,
    extruding: u32,
    extruding_mm: f64,
    travel_mm: f64,
    pushed_mm: f64,
    drawn_mm: f64,
    retracts: u32,
    pushes_standing: u32,
    /// Least and greatest X, Y and Z of extruding moves, by what the file's comments say they make.
    boxes: BTreeMap<String, [[f64; 2]; 3]>,
}

fn tally(path: &Path) -> Tally {
    let mut tally = Tally::default();
    let mut walker = Walker::default();
    let mut words = Vec::new();
    let mut kind = String::new();
    for text in fs::read(path).expect("a readable test file").split(|byte| *byte == b'\n') {
        let line = lex_line(text, &mut words);
        if let Some(named) = line.comment.and_then(|comment| comment.strip_prefix(b"TYPE:")) {
            kind = String::from_utf8_lossy(named).trim().to_owned();
        }
        if let Some((letter, number, _)) = words.first().and_then(|word| word.code()) {
            *tally.commands.entry(format!("{}{number}", char::from(letter))).or_default() += 1;
        }
        let Some(motion) = walker.handle_line(&line, &words).motion else { continue };
        let e = motion.extrusion_mm();
        *if e > 0.0 { &mut tally.pushed_mm } else { &mut tally.drawn_mm } += e;
        if !motion.is_over_bed() {
            tally.retracts += u32::from(e < 0.0);
            tally.pushes_standing += u32::from(e > 0.0);
        }
        if e <= 0.0 {
            tally.travel_mm += motion.length_mm();
        } else if motion.is_over_bed() {
            tally.extruding += 1;
            tally.extruding_mm += motion.length_mm();
            let (least, greatest) = motion.extents();
            let sides = tally.boxes.entry(kind.clone()).or_insert([[f64::INFINITY, f64::NEG_INFINITY]; 3]);
            for axis in 0..3 {
                sides[axis] = [sides[axis][0].min(least[axis]), sides[axis][1].max(greatest[axis])];
            }
        }
    }
    tally
}

fn is_near(found: f64, wanted: f64, within: f64) -> bool {
    (found - wanted).abs() <= within
}

fn check(found: &Tally, commands: &[(&str, u32)], extruding: u32, ways: [f64; 2], pushed: f64, drawn: f64) {
    for (command, count) in commands {
        assert_eq!(found.commands.get(*command), Some(count), "{command}");
    }
    assert_eq!(found.extruding, extruding);
    assert!(is_near(found.extruding_mm, ways[0], 5e-4), "{}", found.extruding_mm);
    assert!(is_near(found.pushed_mm, pushed, 1e-5), "{}", found.pushed_mm);
    assert!(is_near(found.drawn_mm, drawn, 1e-5), "{}", found.drawn_mm);
    assert!(is_near(found.travel_mm, ways[1], 5e-4), "{}", found.travel_mm);
}

#[test]
fn the_small_print_is_walked_move_by_move() {
    let found = tally(&ground::random_3d_print());
    let commands = [("G1", 9787), ("G92", 76), ("M107", 7), ("M106", 6), ("M104", 2), ("G28", 2), ("M84", 1)];
    check(&found, &commands, 8183, [57_479.797, 4_348.862], 3277.99205, -150.0);
    assert_eq!((found.retracts, found.pushes_standing), (75, 74));
}

#[test]
fn the_print_of_97_layers_is_walked_move_by_move() {
    let found = tally(&ground::octcat());
    let commands = [("G1", 107_930), ("G0", 37_408), ("M104", 4), ("M107", 3), ("G28", 3), ("G91", 1), ("M117", 1)];
    check(&found, &commands, 107_778, [171_084.440, 42_435.026], 3658.01321, -487.0);
    assert_eq!(found.pushes_standing, 74, "one purge and 73 un-retracts");
    assert_eq!(found.boxes["WALL-OUTER"], [[75.218, 124.815], [67.814, 132.130], [0.3, 9.9]]);
    assert_eq!(found.boxes["WALL-INNER"][0], [75.618, 124.415]);
    assert_eq!(found.boxes["SKIN"][0], [75.798, 124.234]);
    assert_eq!(found.boxes["FILL"][0], [75.779, 124.170]);
    assert_eq!(found.boxes["SKIRT"][2], [0.3, 0.3]);
}

#[test]
fn the_print_of_58_layers_is_walked_move_by_move() {
    let found = tally(&ground::rustlogo());
    check(&found, &[("G1", 149_438), ("G0", 46_239)], 149_428, [164_868.992, 60_305.703], 3072.8059, -25.5);
    assert_eq!(found.pushes_standing, 3);
    assert_eq!(found.boxes["WALL-OUTER"][..2], [[70.202, 129.798], [70.202, 129.798]]);
    assert_eq!(found.boxes["FILL"][..2], [[71.306, 128.694], [71.307, 128.694]]);
}
