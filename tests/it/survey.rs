//! The survey against real prints and published values.

use std::fs;
use std::io::BufReader;
use std::path::Path;

use nosebar::gcode::{Path as Way, Plane, Rules, Surveyor, Walker, lex_line, survey};
use nosebar::infeed::{Inspect, SharedSurvey};
use nosebar::job::{Footprint, Material, Reach, Survey};
use proptest::prelude::*;
use tokio_util::bytes::Bytes;

use crate::ground;

/// Densities as NETZSCH's and other data pages give them.
fn rules(material: Option<&str>) -> Rules {
    let known = |name: &str, density_g_cm3| Material { name: name.to_owned(), density_g_cm3, release_c: 30.0 };
    Rules {
        materials: vec![known("pla", 1.24), known("abs", 1.04)],
        material: material.map(str::to_owned),
        ..Rules::default()
    }
}

fn survey_of(path: &Path, material: Option<&str>) -> Survey {
    let file = fs::File::open(path).expect("the test file");
    survey(BufReader::new(file), &rules(material)).expect("a readable file")
}

fn survey_text(text: &str) -> Survey {
    survey(text.as_bytes(), &rules(None)).expect("memory can be read")
}

fn codes(findings: &[nosebar::job::Finding]) -> Vec<(&str, u64)> {
    findings.iter().map(|finding| (finding.code.as_str(), finding.line)).collect()
}

fn footprint(x: [f64; 2], y: [f64; 2]) -> Option<Footprint> {
    Some(Footprint { x_min_mm: x[0], x_max_mm: x[1], y_min_mm: y[0], y_max_mm: y[1] })
}

fn is_near(found: f64, wanted: f64, within: f64) -> bool {
    (found - wanted).abs() <= within
}

#[test]
fn two_threads_find_in_a_real_print_what_one_finds() {
    for path in [ground::random_3d_print(), ground::octcat(), ground::rustlogo()] {
        let mut shared = SharedSurvey::begin(&Rules::default()).expect("a thread to be had");
        let bytes = fs::read(&path).expect("the test file");
        for piece in bytes.chunks(100_003) {
            shared.handle_bytes(&Bytes::copy_from_slice(piece));
        }
        let mut surveyor = Surveyor::new(&Rules::default());
        surveyor.handle_bytes(&bytes);
        let alone = surveyor.finish();
        let found = Box::new(shared).finish(alone.file.sha256.clone());
        assert!((found.time_s - alone.time_s).abs() <= 1e-6, "{} s, {} s", found.time_s, alone.time_s);
        assert_eq!((found.file, found.layer_z_mm, found.filament), (alone.file, alone.layer_z_mm, alone.filament));
        assert_eq!((found.footprint, found.reach, found.purges), (alone.footprint, alone.reach, alone.purges));
    }
}

/// The file's own claim: `; filament used = 3130.0mm (7.5cm3)`; the figures behind it by two scripts independent of this
/// program, one of them in decimal arithmetic.
#[test]
fn a_small_real_print_is_measured_to_the_last_digit() {
    let found = survey_of(&ground::random_3d_print(), Some("pla"));
    assert_eq!((found.file.bytes, found.file.lines), (276_478, 10_061));
    assert_eq!(found.file.sha256, "b7a1e2974c308f7f0d871d1ee0c1f9e229b552c15fcfcd5ad3d651c40b7dd95a");
    assert_eq!(found.footprint, footprint([64.253, 135.747], [64.198, 135.802]));
    assert_eq!((found.height_mm, found.layers), (3.95, 13));
    let heights: Vec<f64> = (0..13).map(|layer| f64::from(350 + 300 * layer) / 1000.0).collect();
    assert_eq!(found.layer_z_mm, heights);
    let filament = found.filament[0];
    assert_eq!((found.filament.len(), filament.tool, filament.length_mm), (1, 0, 3129.99205));
    assert!(is_near(filament.volume_cm3, 7.528513, 5e-7), "{}", filament.volume_cm3);
    assert!(is_near(filament.mass_g.expect("PLA is known"), 9.335, 5e-4));
    assert!(is_near(found.feed_time_s, 2161.84, 0.005), "{}", found.feed_time_s);
    assert_eq!(found.purges, []);
    let heat = found.temperatures;
    assert_eq!((heat.bed_first_c, heat.bed_max_c), (Some(65.0), Some(65.0)));
    assert_eq!((heat.nozzle_first_c, heat.nozzle_max_c), (Some(200.0), Some(200.0)));
    assert_eq!(found.reach.map(|reach| reach.z_max_mm), Some(5.0));
    assert_eq!(found.first_layer, found.footprint, "the skirt of the first layer is the widest part");
    assert_eq!((codes(&found.concerns), codes(&found.refusals)), (vec![], vec![]));
    assert_eq!(found.dropped.iter().map(|d| (d.command.as_str(), d.count)).collect::<Vec<_>>(), [("M84", 1)]);
    // Its own comments stand at the foot: the diameter is there, the material is not.
    assert_eq!((found.filament_diameter_mm, found.material), (1.75, None));
}

/// The file's own claims: `;LAYER_COUNT:97`, `;Filament used: 3.18051m` (less the 3 mm purged before `G92`), `;Layer height: 0.1`.
#[test]
fn a_real_print_of_97_layers_is_measured_to_the_last_digit() {
    let found = survey_of(&ground::octcat(), Some("abs"));
    assert_eq!((found.file.bytes, found.file.lines), (4_326_135, 146_071));
    assert_eq!(found.file.sha256, "010ac134c5b68ace1399c2f09dc29f79d34920bd4a475d05d482e19a6b32f346");
    assert_eq!(found.footprint, footprint([67.233, 132.8], [59.818, 140.127]));
    assert_eq!((found.height_mm, found.layers), (9.9, 97));
    assert_eq!((found.layer_z_mm[0], found.layer_z_mm[1], found.layer_z_mm[96]), (0.3, 0.4, 9.9));
    assert_eq!(found.filament[0].length_mm, 3183.51321);
    assert!(is_near(found.feed_time_s, 5020.11, 0.005), "{}", found.feed_time_s);
    check_purge_and_heat(&found);
    // Without the 3 mm: 7.650031 cm³ and 7.956 g of ABS.
    let printed = (found.filament[0].length_mm - 3.0) / found.filament[0].length_mm;
    assert!(is_near(found.filament[0].volume_cm3 * printed, 7.650031, 1e-6));
    assert!(is_near(found.filament[0].mass_g.expect("ABS is known") * printed, 7.956, 5e-4));
}

/// The file's own claims: `;LAYER_COUNT:58`, `;Filament used: 3.05681m`.
#[test]
fn a_real_print_of_58_layers_is_measured_to_the_last_digit() {
    let found = survey_of(&ground::rustlogo(), Some("abs"));
    assert_eq!((found.file.bytes, found.file.lines), (5_800_823, 196_046));
    assert_eq!(found.file.sha256, "f8ef1eb4a88133a2f2821084c3e67a7eb45a35072b89ee438d32347534c7797e");
    assert_eq!(found.footprint, footprint([62.219, 137.793], [62.207, 137.793]));
    assert_eq!((found.height_mm, found.layers), (6.0, 58));
    assert_eq!(found.filament[0].length_mm, 3059.8059);
    assert!(is_near(found.feed_time_s, 4924.85, 0.005), "{}", found.feed_time_s);
    check_purge_and_heat(&found);
    let printed = (found.filament[0].length_mm - 3.0) / found.filament[0].length_mm;
    assert!(is_near(found.filament[0].volume_cm3 * printed, 7.352480, 1e-6));
    assert!(is_near(found.filament[0].mass_g.expect("ABS is known") * printed, 7.647, 5e-4));
}

fn check_purge_and_heat(found: &Survey) {
    let [purge] = found.purges[..] else { panic!("one purge and no un-retract: {:?}", found.purges) };
    assert_eq!((purge.line, purge.length_mm), (17, 3.0));
    assert_eq!((purge.x_mm, purge.y_mm, purge.z_mm), (0.0, 0.0, 15.0));
    let heat = found.temperatures;
    assert_eq!((heat.bed_first_c, heat.bed_max_c), (Some(90.0), Some(90.0)));
    assert_eq!((heat.nozzle_first_c, heat.nozzle_max_c), (Some(235.0), Some(235.0)));
    assert_eq!(found.reach.map(|reach| reach.z_max_mm), Some(15.0));
    assert_eq!((codes(&found.concerns), codes(&found.refusals)), (vec![], vec![]));
}

/// Sum of the ways of a program: moves, feed length, rapid length, and the walker at its end.
fn walk(path: &Path) -> (u32, f64, f64, Walker) {
    let (mut count, mut feed, mut rapid) = (0, 0.0, 0.0);
    let mut walker = Walker::default();
    let mut words = Vec::new();
    for text in fs::read(path).expect("the test file").split(|byte| *byte == b'\n') {
        let line = lex_line(text, &mut words);
        let Some(motion) = walker.handle_line(&line, &words).motion else { continue };
        count += 1;
        *if motion.rapid { &mut rapid } else { &mut feed } += motion.length_mm();
    }
    (count, feed, rapid, walker)
}

/// NISTIR 6556, App. C.1, whose own comment says "between X=0 and X=81 millimeters"; lengths by an independent interpreter.
#[test]
fn the_engraving_program_of_nistir_6556_stays_in_its_box() {
    let path = ground::nist_appendix_c(1);
    let found = survey_of(&path, None);
    let reach = Reach { x_min_mm: 0.0, x_max_mm: 81.0, y_min_mm: 0.0, y_max_mm: 10.0, z_min_mm: -0.5, z_max_mm: 50.0 };
    assert_eq!(found.reach, Some(reach));
    assert_eq!(found.footprint, None);
    let (moves, feed, rapid, walker) = walk(&path);
    assert_eq!(moves, 59);
    assert!(is_near(feed, 183.430466, 5e-7), "{feed}");
    assert!(is_near(rapid, 252.052801, 5e-7), "{rapid}");
    assert_eq!(walker.machine_mm(), [81.0, 5.0, 50.0]);
    assert!(codes(&found.refusals).contains(&("nothing-printed", 0)));
}

/// `G2 R12.6 Y12.6` from (121.019, −12.6) and its mirror image: semicircles about (±121.019, 0) of 39.584067 mm, computed.
#[test]
fn semicircles_given_by_radius_are_whole() {
    let mut walker = Walker::default();
    let mut words = Vec::new();
    let mut semicircles = 0;
    for text in fs::read(ground::machining("reprap_cnc.gcode")).expect("the test file").split(|byte| *byte == b'\n') {
        let line = lex_line(text, &mut words);
        let walked = walker.handle_line(&line, &words);
        assert_eq!(walked.fault, None, "{}", String::from_utf8_lossy(text));
        let Some(motion) = walked.motion else { continue };
        let Way::Arc(arc) = motion.path else { continue };
        assert_eq!(arc.plane, Plane::Xy);
        if is_near(arc.radius, 12.6, 1e-9) {
            semicircles += 1;
            assert!(is_near(motion.length_mm(), 39.584067, 5e-7));
            assert!(is_near(arc.centre[0].abs(), 121.019, 1e-9) && is_near(arc.centre[1], 0.0, 1e-9));
        }
    }
    assert_eq!(semicircles, 2);
    let reach = survey_of(&ground::machining("reprap_cnc.gcode"), None).reach.expect("it moves");
    assert_eq!((reach.x_min_mm, reach.x_max_mm, reach.y_min_mm, reach.y_max_mm), (-141.6, 141.6, -44.6, 50.6));
}

#[test]
fn snippets_of_other_dialects_are_told_line_by_line() {
    // The bracket M28 … M29 writes to the card: its moves are none.
    let card = survey_of(&ground::program("program_4.gcode"), None);
    assert_eq!(codes(&card.concerns), [("card", 3), ("card", 8), ("card", 9), ("card", 10)]);
    assert_eq!((card.reach, card.feed_time_s), (None, 0.0));
    // `G91; relative positioning`: the semicolon is glued to the word, and the Z of the next line is a way.
    let end = survey_of(&ground::machining("arc_end.gcode"), None);
    assert_eq!(codes(&end.refusals), [("nothing-printed", 0), ("outside-bed", 10)]);
    assert!(end.refusals[1].text.contains("Y 300 mm") && end.refusals[1].text.contains("225 mm"), "{:?}", end.refusals);
    let other = survey_of(&ground::machining("_ffcp_end.gcode"), None);
    assert_eq!(
        codes(&other.concerns),
        [("unknown-command", 7), ("no-such-tool", 10), ("unknown-command", 12), ("unknown-command", 13)]
    );
    let settings = survey_of(&ground::machining("bondtech_estep.gcode"), None);
    assert_eq!(codes(&settings.refusals), [("nothing-printed", 0), ("step-settings", 2), ("stored-settings", 3)]);
}

/// The C.3 program has typographic quotes in its comments, and C.2 nothing but expressions, which nobody works out here.
#[test]
fn comments_hold_any_text_and_expressions_are_told() {
    let cycles = survey_of(&ground::nist_appendix_c(3), None);
    assert!(cycles.concerns.iter().all(|concern| concern.code != "not-understood"), "{:?}", cycles.concerns);
    let expressions = survey_of(&ground::nist_appendix_c(2), None);
    let mut told = expressions.concerns.iter().filter(|concern| concern.code == "expression");
    assert_eq!(told.clone().count(), 21, "twenty, and one that counts the rest");
    assert!(told.next_back().expect("the last").text.starts_with("21 more"), "{:?}", expressions.concerns);
    // `*` begins a checksum: lines that multiply cannot be sent at all.
    let cut = expressions.refusals.iter().filter(|refusal| refusal.code == "cut-text");
    assert_eq!(cut.count(), 5, "{:?}", expressions.refusals);
}

/// Lines that begin a print and lay a first stroke, so that only what is added is at fault.
const GOOD: &str = "G28\nM83\nG1 X10 Y10 Z0.2 F3000\nG1 X20 E1\n";

#[test]
fn every_bad_file_gets_one_clear_sentence() {
    let long_line = format!("{GOOD}G1 {}\n", "X1 ".repeat(50));
    let cases: [(&[u8], &str, u64, &str); 14] = [
        (b"", "empty", 0, "the file is empty"),
        (b"solid part\n facet normal 0 0 1\n", "not-gcode", 0, "an STL model"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "not-gcode", 0, "a PNG image"),
        (b"PK\x03\x04 3D/3dmodel.model", "not-gcode", 0, "a ZIP archive"),
        (&[0; 4096], "not-gcode", 1, "zero bytes"),
        (b"G28\nG1 X5\n\0\0\0", "not-gcode", 3, "not copied whole"),
        (b"G28\nG1 X5 Y5 F3000\n", "nothing-printed", 0, "lays plastic"),
        (b"G28\nM83\nG1 X1 E1 F600\nG1 X12.5 Y", "cut-off", 4, "`G1 X12.5 Y`"),
        (b"G28\nM83\nG1 X1 E1 F600\nM104 S", "cut-off", 4, "`M104 S`"),
        (b"G28\nM83\nG1 X1 E1 F600\nM140 S500\n", "too-hot", 4, "500"),
        (b"G28\nM83\nG1 X1 E1 F600\nG1 X1220\n", "outside-bed", 4, "X 1220 mm, above the machine's 225 mm"),
        (b"G28\nM83\nG1 X1 E1 F600\nG1 Z300\n", "too-high", 4, "Z 300 mm, above the machine's 250 mm"),
        (b"G28\nM83\nG1 X1 E1 F600\nG1 Z-5\n", "too-low", 4, "Z -5 mm, below the machine's -1 mm"),
        (long_line.as_bytes(), "line-too-long", 5, "the printer takes 81"),
    ];
    for (bytes, code, line, words) in cases {
        let found = survey(bytes, &rules(None)).expect("memory can be read");
        assert_eq!(codes(&found.refusals), [(code, line)], "{:?}", found.refusals);
        assert!(found.refusals[0].text.contains(words), "{:?}", found.refusals);
    }
    // A binary STL: 80 bytes, the number of its triangles, 50 bytes for each.
    let mut stl = vec![b' '; 84 + 50 * 3];
    stl[80..84].copy_from_slice(&3_u32.to_le_bytes());
    let found = survey(&stl[..], &rules(None)).expect("memory can be read");
    assert!(found.refusals[0].text.contains("STL"), "{:?}", found.refusals);
}

#[test]
fn a_hundred_megabytes_on_one_line_are_refused_in_constant_memory() {
    let mut surveyor = Surveyor::new(&rules(None));
    surveyor.handle_bytes(GOOD.as_bytes());
    let piece = b"X1 Y2 ".repeat(10_000);
    let mut sent = GOOD.len();
    while sent < 100_000_000 {
        surveyor.handle_bytes(&piece);
        sent += piece.len();
    }
    let found = surveyor.finish();
    assert_eq!(found.file.bytes, sent as u64);
    assert_eq!(codes(&found.refusals), [("line-too-long", 5)]);
    // A comment may be as long: it is not sent.
    let mut surveyor = Surveyor::new(&rules(None));
    surveyor.handle_bytes(GOOD.as_bytes());
    surveyor.handle_bytes(b"; thumbnail ");
    for _ in 0..10 {
        surveyor.handle_bytes(&piece);
    }
    surveyor.handle_bytes(b"\nG1 X30 E1\n");
    let found = surveyor.finish();
    assert_eq!((codes(&found.refusals), codes(&found.concerns)), (vec![], vec![]));
    assert_eq!(found.filament[0].length_mm, 2.0);
}

#[test]
fn plastic_is_laid_only_beyond_the_highest_e() {
    // Retract, travel, un-retract by as much: nothing is laid standing still. By 0.5 mm more: a purge.
    let found = survey_text(
        "G28\nM83\nG1 X10 Y10 Z0.2 F3000\nG1 X20 E1\nG1 E-2\nG0 X50 Y50\nG1 E2\nG1 X60 E1\nG1 E-2\nG0 X80\nG1 E2.5\n",
    );
    assert_eq!(found.footprint, footprint([10.0, 60.0], [10.0, 50.0]));
    assert_eq!(found.filament[0].length_mm, 2.5);
    let [purge] = found.purges[..] else { panic!("one purge: {:?}", found.purges) };
    assert_eq!((purge.line, purge.x_mm, purge.y_mm, purge.length_mm), (11, 80.0, 50.0, 0.5));
    // An un-retract on the way lays nothing there.
    let found = survey_text("G28\nM83\nG1 X10 Y10 Z0.2 F3000\nG1 X20 E1\nG1 E-2\nG1 X90 E2\nG1 X80 E0.1\n");
    assert_eq!(found.footprint, footprint([10.0, 90.0], [10.0, 10.0]));
}

#[test]
fn a_dwell_behind_another_word_waits_for_the_moves_before_it() {
    let moves = "G28\nM83\nG1 X10 Y10 Z0.2 F600\nG1 X60 E1\n";
    for dwell in ["G4 P90\n", "G G4 P90\n"] {
        let found = survey_text(&format!("{moves}{dwell}G1 X10 E1\n"));
        let rises = |pair: &[nosebar::job::TimeMark]| pair[0].bytes < pair[1].bytes && pair[0].time_s < pair[1].time_s;
        assert!(found.timetable.windows(2).all(rises), "{dwell:?}: {:?}", found.timetable);
        let without = survey_text(&format!("{moves}M400\nG1 X10 E1\n"));
        assert!(is_near(found.time_s, without.time_s + 0.09, 2e-6), "{dwell:?}: {} s", found.time_s);
    }
}

#[test]
fn each_tool_counts_its_own_filament_and_g92_counts_for_nothing() {
    let rules = Rules { limits: nosebar::job::Limits { tools: 2, ..Default::default() }, ..rules(None) };
    let text =
        "; material = PLA;ABS\nG28\nM82\nG1 X10 Y10 Z0.2 F3000\nG1 X20 E5\nG92 E0\nG1 X10 E5\nT1\nG92 E0\nG1 X20 E2\n";
    let found = survey(text.as_bytes(), &rules).expect("memory can be read");
    let lengths: Vec<_> = found.filament.iter().map(|filament| (filament.tool, filament.length_mm)).collect();
    assert_eq!(lengths, [(0, 10.0), (1, 2.0)]);
    // Area of 1.75 mm filament: 2.405282 mm² (RepRap wiki, M200, for the diameter).
    assert!(is_near(found.filament[0].mass_g.expect("PLA"), 10.0 * 2.405282 / 1000.0 * 1.24, 1e-6));
    assert!(is_near(found.filament[1].mass_g.expect("ABS"), 2.0 * 2.405282 / 1000.0 * 1.04, 1e-6));
    assert_eq!(found.material.as_deref(), Some("pla"));
    assert_eq!(codes(&found.concerns), []);
}

/// A square wall of 20 mm sides on `flat` layers of 0.2 mm, then climbing for `turns` in steps of a quarter turn.
fn spiral(flat: u32, turns: u32, digits: usize) -> String {
    let mut text = String::from("G28\nM83\n");
    let corners = [(60, 40), (60, 60), (40, 60), (40, 40)];
    for layer in 1..=flat {
        text += &format!("G0 X40 Y40 Z{:.3} F3000\n", f64::from(layer) * 0.2);
        for (x, y) in corners {
            text += &format!("G1 X{x} Y{y} E1\n");
        }
    }
    if flat == 0 {
        text += "G0 X40 Y40 Z0.2 F3000\n";
    }
    let base = f64::from(flat.max(1)) * 0.2;
    for step in 1..=turns * 80 {
        let along = f64::from(step % 80);
        let place =
            |offset: f64| 40.0 + ((along + 60.0 - offset).rem_euclid(80.0) - 40.0).abs().clamp(10.0, 30.0) - 10.0;
        let z = base + f64::from(step) * 0.2 / 80.0;
        text += &format!("G1 X{:.3} Y{:.3} Z{z:.digits$} E0.05\n", place(0.0), place(20.0));
    }
    text
}

#[test]
fn a_spiral_has_layers_by_its_nominal_step() {
    for digits in [3, 5] {
        let found = survey_text(&spiral(3, 20, digits));
        assert_eq!((found.layers, found.height_mm), (23, 4.6), "{digits} digits: {:?}", found.layer_z_mm);
        assert!(is_near(found.layer_z_mm[22], 4.6, 0.005), "{:?}", found.layer_z_mm);
        let found = survey_text(&spiral(0, 20, digits));
        assert_eq!(found.layers, 21, "the turn that starts at 0.2 mm and 20 above it: {:?}", found.layer_z_mm);
        assert_eq!(found.first_layer, footprint([40.0, 60.0], [40.0, 60.0]));
    }
    let stated = survey_text(&format!("; layer_height = 0.2\n{}", spiral(3, 20, 4)));
    assert_eq!(stated.layer_z_mm.last(), Some(&4.6));
    assert_eq!(stated.layers, 23);
}

#[test]
fn hops_and_ramped_seams_add_no_layers() {
    let mut text = String::from("G28\nM83\n");
    for layer in 1..=5 {
        let z = f64::from(layer) * 0.2;
        // Begins each loop with a ramp from half the layer's height, then goes on flat, hops and travels.
        text += &format!(
            "G0 X10 Y10 Z{:.2} F3000\nG1 X15 Z{z:.2} E0.1\nG1 X40 E1\nG1 Y40 E1\nG1 X10 E1\nG1 Y10 E1\n",
            z - 0.1
        );
        text += &format!("G1 E-1\nG0 Z{:.2}\nG0 X20 Y20\nG0 Z{z:.2}\nG1 E1\nG1 X30 E1\nG1 Y30 E1\n", z + 0.4);
    }
    let found = survey_text(&text);
    assert_eq!(found.layer_z_mm, [0.2, 0.4, 0.6, 0.8, 1.0]);
}

#[test]
fn homing_and_unknown_places_stay_out_of_the_box() {
    let reach = |text: &str| survey_text(text).reach.map(|r| (r.x_min_mm, r.x_max_mm, r.z_min_mm, r.z_max_mm));
    assert_eq!(reach("G28\nG1 X50 Y50 Z5 F3000\nG1 X60\n"), Some((50.0, 60.0, 5.0, 5.0)));
    assert_eq!(reach("G1 X50 Z5 F3000\n"), Some((50.0, 50.0, 5.0, 5.0)));
    assert_eq!(reach("G91\nG1 Z10 F600\nG90\nG28\nG1 X5 Z2\n"), Some((5.0, 5.0, 2.0, 2.0)));
    assert_eq!(reach("G28\nM104 S0\n"), None);
}

#[test]
fn waiting_for_a_cool_bed_is_left_to_the_line() {
    let found = survey_text(&format!("M190 R60\n{GOOD}M190 S0\nM190 R30\n"));
    assert_eq!(codes(&found.concerns), [("waits-for-cooling", 7)]);
}

#[test]
fn a_last_move_without_its_line_feed_is_a_concern() {
    let found = survey_text(&format!("{GOOD}G1 X12.5 Y4"));
    assert_eq!((codes(&found.concerns), codes(&found.refusals)), (vec![("cut-off", 5)], vec![]));
    let whole = survey_text(&format!("{GOOD}M84"));
    assert_eq!((codes(&whole.concerns), codes(&whole.refusals)), (vec![], vec![]));
}

#[test]
fn many_purges_keep_the_outermost_and_say_so() {
    let mut text = String::from("G28\nM83\nG1 X100 Y100 Z0.2 F3000\nG1 X110 E1\n");
    for step in 0..500 {
        let place = if step == 450 { 200.0 } else { 100.0 + f64::from(step % 7) };
        text += &format!("G0 X{place} Y100\nG1 E0.5\n");
    }
    let found = survey_text(&text);
    assert!(found.purges.len() <= 204, "{}", found.purges.len());
    assert!(found.purges.iter().any(|purge| purge.x_mm == 200.0));
    assert_eq!(codes(&found.concerns), [("many-purges", 0)]);
    assert_eq!(found.filament[0].length_mm, 251.0);
}

#[test]
fn the_json_report_has_its_keys_and_short_numbers() {
    let found = survey_of(&ground::octcat(), None);
    let json = serde_json::to_value(&found).expect("a survey has string keys and finite numbers");
    assert_eq!(json["footprint"]["x_max_mm"].to_string(), "132.8");
    assert_eq!(json["purges"][0]["length_mm"].to_string(), "3.0");
    assert_eq!(json["layer_z_mm"][2].to_string(), "0.5");
    for key in
        ["file", "footprint", "reach", "height_mm", "layers", "filament", "feed_time_s", "purges", "temperatures"]
    {
        assert!(!json[key].is_null(), "{key}");
    }
    let text = json.to_string();
    let longest = text.split([',', ':', '}', ']']).filter(|part| part.parse::<f64>().is_ok()).map(str::len).max();
    assert!(longest < Some(14), "six decimals at most");
}

fn in_pieces(bytes: &[u8], cuts: &[usize]) -> Survey {
    let mut surveyor = Surveyor::new(&rules(None));
    let mut rest = bytes;
    for cut in cuts {
        let (head, tail) = rest.split_at((*cut).min(rest.len()));
        surveyor.handle_bytes(head);
        rest = tail;
    }
    surveyor.handle_bytes(rest);
    surveyor.finish()
}

proptest! {
    #[test]
    fn any_pieces_give_the_same_survey(
        lines in proptest::collection::vec("(G[0123] X[0-9]{1,3}(\\.[0-9]{0,3})? Y-?[0-9]{1,2} E[0-9]|;[ -~]{0,30}|M[0-9]{1,3} S[0-9]{1,3}|G9[012]|\\PC{0,12})(\r)?", 0..60),
        cuts in proptest::collection::vec(0_usize..40, 0..60),
    ) {
        let text = lines.join("\n");
        prop_assert_eq!(in_pieces(text.as_bytes(), &cuts), in_pieces(text.as_bytes(), &[]));
    }

    #[test]
    fn no_bytes_make_a_survey_panic(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let found = in_pieces(&bytes, &[]);
        prop_assert_eq!(found.file.bytes, bytes.len() as u64);
        prop_assert!(!found.refusals.is_empty());
    }
}

#[test]
fn a_line_longer_than_what_is_looked_at_reads_alike_in_any_pieces() {
    let long = format!("{GOOD}G1 X1 {}; {}\nG1 X5 E1\n", " ".repeat(70_000), "c".repeat(70_000));
    let whole = in_pieces(long.as_bytes(), &[]);
    assert_eq!(in_pieces(long.as_bytes(), &[100, 65_000, 1000, 5]), whole);
    assert_eq!(codes(&whole.refusals), [("line-too-long", 5)]);
    for hidden in ["(a)", "(a", ""] {
        let long = format!("{GOOD}{hidden}{}M500\n", " ".repeat(70_000));
        assert_eq!(codes(&in_pieces(long.as_bytes(), &[]).refusals), [("line-too-long", 5)], "behind {hidden:?}");
    }
}
