//! What is claimed of the demo jobs.

use std::f64::consts::{PI, SQRT_2};
use std::path::PathBuf;
use std::{env, fs};

use nosebar::gcode::{Rules, survey};
use nosebar::job::{Dropped, Footprint, Purge};

use super::parts::{parts, sliced};
use super::reader::{Laid, Read, read};

/// What a part ought to be, worked out by hand from its drawing.
struct Expected {
    file_name: &'static str,
    material: &'static str,
    /// Corners of the part's box on the bed: least and greatest X, least and greatest Y, mm.
    on_bed: [f64; 4],
    /// Which of these sides is a right-angled tip: a line's middle stays √2 times as far from that.
    tips: [bool; 4],
    height: f64,
    layers: u32,
    /// Plastic in the part, mm³.
    volume: f64,
}

/// Everything that differs from the drawing: rounded ends of infill lines, lines that do not divide the room evenly.
const VOLUME_TOLERANCE: f64 = 0.04;

fn expected() -> [Expected; 5] {
    [
        Expected {
            file_name: "plant-marker.2off.gcode",
            material: "pla",
            on_bed: [103.0, 117.0, 118.0, 182.0],
            tips: [false, false, true, false],
            height: 1.4,
            layers: 7,
            // Blade and point, less a square hole on its corner (diagonal 4).
            volume: (14.0 * 57.0 + 14.0 * 7.0 / 2.0 - 4.0 * 4.0 / 2.0) * 1.4,
        },
        Expected {
            file_name: "tray-clip.gcode",
            material: "petg",
            on_bed: [46.0, 74.0, 109.0, 131.0],
            tips: [false; 4],
            height: 6.0,
            layers: 24,
            // Six closed layers; in eighteen more, walls 1 mm thick inside and outside, and 40 % of what lies between.
            volume: (28.0 * 22.0 - 14.0 * 8.0) * 1.5
                + ((28.0 * 22.0 - 26.0 * 20.0) + (16.0 * 10.0 - 14.0 * 8.0) + 0.4 * (26.0 * 20.0 - 16.0 * 10.0)) * 4.5,
        },
        Expected {
            file_name: "drip-line-stake.gcode",
            material: "asa",
            on_bed: [114.5, 177.5, 64.5, 75.5],
            tips: [false; 4],
            height: 2.8,
            layers: 14,
            volume: (52.0 * 11.0 + PI * 5.5 * 5.5 - PI * 2.6 * 2.6) * 2.8,
        },
        Expected {
            file_name: "packet-holder.gcode",
            material: "pla",
            on_bed: [81.0, 139.0, 176.0, 192.0],
            tips: [false; 4],
            height: 24.9,
            layers: 83,
            // A floor of 58 × 16 without its corners, and a wall 0.6 thick around it, whose middle is 16 × 0.3 × tan 22.5°
            // shorter than the edge of the floor.
            volume: (58.0 * 16.0 - 4.0 * 4.5) * 0.9
                + (2.0 * (52.0 + 10.0) + 12.0 * SQRT_2 - 4.8 * (SQRT_2 - 1.0)) * 0.6 * 24.0,
        },
        Expected {
            file_name: "seed-scoop.gcode",
            material: "abs",
            on_bed: [58.0, 82.0, 20.0, 60.0],
            tips: [false, false, false, true],
            height: 9.2,
            layers: 46,
            // A floor, and a rim 1.35 thick.
            volume: (24.0 * 28.0 + 24.0 * 12.0 / 2.0) * 1.2 + scoop_rim_area() * 8.0,
        },
    ]
}

/// The scoop's outline less the same moved 1.35 mm inward: two straight sides and the back lose 1.35 each, the lip's tip
/// moves by √2 times as much.
fn scoop_rim_area() -> f64 {
    let (outer, inner_width) = (24.0 * 28.0 + 12.0 * 12.0, 24.0 - 2.7);
    let tip = 40.0 - 1.35 * SQRT_2;
    let inner_side = tip - inner_width / 2.0 - 1.35;
    outer - (inner_width * inner_side + inner_width * inner_width / 4.0)
}

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("demo-jobs")
}

fn all() -> Vec<(Expected, String, Read)> {
    let texts = parts().into_iter().map(|part| (part.file_name, sliced(&part)));
    let both = expected().into_iter().zip(texts).map(|(expected, (name, text))| {
        assert_eq!(expected.file_name, name);
        let read = read(&text);
        (expected, text, read)
    });
    both.collect()
}

#[test]
fn the_folder_holds_what_the_generator_makes() {
    let made: Vec<(&str, String)> = parts().into_iter().map(|part| (part.file_name, sliced(&part))).collect();
    if env::var_os("NOSEBAR_WRITE_DEMO_JOBS").is_some_and(|value| value == "1") {
        fs::create_dir_all(folder()).expect("demo-jobs can be made");
        for (name, text) in &made {
            fs::write(folder().join(name), text).expect("demo-jobs can be written");
        }
    }
    let mut names: Vec<String> = fs::read_dir(folder())
        .expect("demo-jobs is there")
        .map(|entry| entry.expect("demo-jobs can be read").file_name().into_string().expect("plain names"))
        .collect();
    names.sort();
    let mut wanted: Vec<&str> = made.iter().map(|(name, _)| *name).collect();
    wanted.sort_unstable();
    assert_eq!(names, wanted);
    for (name, text) in made {
        let found = fs::read(folder().join(name)).expect("the file can be read");
        assert!(found == text.as_bytes(), "{name} is not what the generator makes; see DEVELOPERS.md, Demo jobs");
    }
}

#[test]
fn each_part_holds_the_plastic_of_its_drawing() {
    for (expected, _, read) in all() {
        let [x0, x1, y0, y1] = expected.on_bed;
        let inside =
            |laid: &&Laid| laid.x.0 >= x0 - 0.5 && laid.x.1 <= x1 + 0.5 && laid.y.0 >= y0 - 0.5 && laid.y.1 <= y1 + 0.5;
        let filament: f64 = read.laid.iter().filter(inside).map(|laid| laid.filament).sum();
        let volume = filament * PI * 1.75 * 1.75 / 4.0;
        let off = volume / expected.volume - 1.0;
        assert!(off.abs() < VOLUME_TOLERANCE, "{}: {volume} mm³, {} by hand", expected.file_name, expected.volume);
    }
}

#[test]
fn each_part_lies_where_its_drawing_says() {
    for (expected, _, read) in all() {
        let half: f64 = read.facts["line_width"].parse::<f64>().expect("a number") / 2.0;
        let inset = |side: usize| if expected.tips[side] { half * SQRT_2 } else { half };
        let [x0, x1, y0, y1] = expected.on_bed;
        // Prime line, skirt and purge are laid below the second layer or standing still.
        let part: Vec<_> = read.laid.iter().filter(|laid| laid.moving && laid.z > 0.35).collect();
        let least = |of: fn(&Laid) -> f64| part.iter().map(|laid| of(laid)).fold(f64::MAX, f64::min);
        let most = |of: fn(&Laid) -> f64| part.iter().map(|laid| of(laid)).fold(f64::MIN, f64::max);
        let found = [least(|l| l.x.0), most(|l| l.x.1), least(|l| l.y.0), most(|l| l.y.1)];
        let wanted = [x0 + inset(0), x1 - inset(1), y0 + inset(2), y1 - inset(3)];
        for (found, wanted) in found.into_iter().zip(wanted) {
            assert!((found - wanted).abs() < 0.002, "{}: {found}, {wanted} by hand", expected.file_name);
        }
        assert!((most(|l| l.z) - expected.height).abs() < 0.001, "{}: {}", expected.file_name, most(|l| l.z));
    }
}

#[test]
fn each_file_keeps_within_a_common_small_machine() {
    for (expected, text, read) in all() {
        let name = expected.file_name;
        for [x, y, z] in &read.ends {
            assert!((0.0..=220.0).contains(x) && (0.0..=220.0).contains(y) && (0.0..250.0).contains(z), "{name}");
        }
        assert!((50.0..=110.0).contains(&read.bed) && (190.0..=275.0).contains(&read.nozzle), "{name}");
        assert_eq!(read.facts["material"], expected.material);
        assert_eq!(read.facts["filament_diameter"], "1.75");
        // `N`, up to six digits and a blank before; `*` and up to three digits after: 96 bytes in all.
        let longest = text.lines().map(str::len).max().expect("a file has lines");
        assert!(longest <= 84, "{name}: a line of {longest} bytes");
        let lines = text.lines().count();
        assert!((500..=6000).contains(&lines), "{name}: {lines} lines");
        let minutes = read.seconds / 60.0;
        assert!((3.0..=12.0).contains(&minutes), "{name}: {minutes} min at the commanded feed");
    }
}

#[test]
fn the_files_differ_where_a_line_must_cope() {
    let all = all();
    let by_command = |command: &str| {
        let with = all.iter().filter(|(_, _, read)| read.commands.iter().any(|c| c == command));
        with.map(|(expected, _, _)| expected.file_name).collect::<Vec<_>>()
    };
    assert_eq!(by_command("M82"), ["plant-marker.2off.gcode", "drip-line-stake.gcode"]);
    assert_eq!(by_command("M83"), ["tray-clip.gcode", "packet-holder.gcode", "seed-scoop.gcode"]);
    assert_eq!(by_command("G2"), ["drip-line-stake.gcode"]);
    assert_eq!(by_command("G3"), ["drip-line-stake.gcode"]);
    let purging = all.iter().filter(|(_, _, read)| read.laid.iter().any(|laid| !laid.moving));
    assert_eq!(purging.map(|(expected, _, _)| expected.file_name).collect::<Vec<_>>(), ["tray-clip.gcode"]);
    let mut depths: Vec<f64> = all.iter().map(|(expected, _, _)| expected.on_bed[3] - expected.on_bed[2]).collect();
    depths.sort_by(f64::total_cmp);
    assert!(depths.windows(2).all(|pair| pair[1] - pair[0] > 3.0), "{depths:?}");
}

#[test]
fn the_survey_finds_in_each_file_what_the_reader_finds_and_nothing_wrong() {
    for (expected, text, read) in all() {
        let name = expected.file_name;
        let found = survey(text.as_bytes(), &Rules::default()).expect("memory can be read");
        assert_eq!((found.refusals, found.concerns), (Vec::new(), Vec::new()), "{name}");
        assert_eq!(found.dropped, [Dropped { command: "M84".to_owned(), count: 1 }], "{name}");
        assert_eq!(found.material.as_deref(), Some(expected.material), "{name}");
        assert!((found.height_mm - expected.height).abs() < 1e-6, "{name}: {}", found.height_mm);
        assert_eq!(found.layers, expected.layers, "{name}");
        let asked = found.temperatures;
        assert_eq!((asked.bed_max_c, asked.nozzle_max_c), (Some(read.bed), Some(read.nozzle)), "{name}");
        let laid: f64 = read.laid.iter().map(|laid| laid.filament).sum();
        assert!(
            (found.filament[0].length_mm - laid).abs() < 1e-3,
            "{name}: {} and {laid}",
            found.filament[0].length_mm
        );
        assert!((found.feed_time_s - read.seconds).abs() < 0.5, "{name}: {} and {}", found.feed_time_s, read.seconds);
        let wanted = footprint_of(&read);
        let footprint = found.footprint.expect("plastic is laid");
        for (found, wanted) in sides(footprint).into_iter().zip(sides(wanted)) {
            assert!((found - wanted).abs() < 0.002, "{name}: {footprint:?} and {wanted:?}");
        }
        let purge = Purge { line: 21, x_mm: 12.0, y_mm: 90.0, z_mm: 1.0, length_mm: 15.0 };
        assert_eq!(found.purges, if name == "tray-clip.gcode" { vec![purge] } else { Vec::new() }, "{name}");
    }
}

fn footprint_of(read: &Read) -> Footprint {
    let nothing = Footprint { x_min_mm: f64::MAX, x_max_mm: f64::MIN, y_min_mm: f64::MAX, y_max_mm: f64::MIN };
    read.laid.iter().filter(|laid| laid.moving).fold(nothing, |f, laid| Footprint {
        x_min_mm: f.x_min_mm.min(laid.x.0),
        x_max_mm: f.x_max_mm.max(laid.x.1),
        y_min_mm: f.y_min_mm.min(laid.y.0),
        y_max_mm: f.y_max_mm.max(laid.y.1),
    })
}

fn sides(footprint: Footprint) -> [f64; 4] {
    [footprint.x_min_mm, footprint.x_max_mm, footprint.y_min_mm, footprint.y_max_mm]
}
