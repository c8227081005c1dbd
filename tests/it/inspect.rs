//! `nosebar inspect` as a person or a script runs it.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::{Value, json};

use crate::ground;

fn inspect(file: &Path, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nosebar")).arg("inspect").arg(file).args(more).output().expect("nosebar runs")
}

fn json_of(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("one JSON object")
}

/// The footprint is Y 64.198 to 135.802; with the sample's nose at Y 220 and 40 mm of overrun the rest follows.
#[test]
fn the_report_says_how_the_part_leaves() {
    let output = inspect(&ground::random_3d_print(), &["--json"]);
    assert_eq!(output.status.code(), Some(0));
    let report = json_of(&output);
    let eject = json!({
        "release_c": 30.0, "tail_mm": 64.198, "lead_mm": 135.802,
        "approach_mm": 84.198, "peel_mm": 71.604, "overrun_mm": 40.0, "advance_mm": 195.802,
    });
    assert_eq!(report["eject"], eject);
    assert_eq!(report["file"]["lines"], 10_061);
    assert_eq!(report["filament"][0]["length_mm"], 3129.99205);
    // A purge over the bed must leave too.
    assert_eq!(json_of(&inspect(&ground::octcat(), &["--json"]))["eject"]["tail_mm"], 0.0);
}

#[test]
fn a_config_sets_limits_belt_and_material() {
    let folder = tempfile::tempdir().expect("a folder");
    let config = folder.path().join("lines.toml");
    let sample = nosebar::config::SAMPLE;
    let changed = sample
        .replace("# material = \"pla\"", "material = \"petg\"")
        .replace("toward_nose = \"+y\"", "toward_nose = \"+x\"");
    fs::write(&config, changed.replace("z_max_mm = 250.0", "z_max_mm = 3.0")).expect("a writable folder");
    let output =
        inspect(&ground::random_3d_print(), &["--json", "--config", config.to_str().expect("a path in UTF-8")]);
    assert_eq!(output.status.code(), Some(1));
    let report = json_of(&output);
    assert_eq!(report["refusals"][0]["code"], "too-high");
    assert_eq!((&report["eject"]["tail_mm"], &report["eject"]["release_c"]), (&json!(64.253), &json!(40.0)));
    assert!(report["filament"][0]["mass_g"].is_f64());
}

#[test]
fn the_status_tells_refused_from_unreadable() {
    let refused = inspect(&ground::machining("bondtech_estep.gcode"), &[]);
    assert_eq!(refused.status.code(), Some(1));
    let text = String::from_utf8_lossy(&refused.stdout);
    assert!(text.contains("line 3: `M500` writes or resets the printer's stored settings"), "{text}");
    for (file, more) in [("no-such-file.gcode", &[][..]), ("tests", &[]), ("Cargo.toml", &["--config", "no-such.toml"])]
    {
        let output = inspect(Path::new(file), more);
        assert_eq!(output.status.code(), Some(2), "{file}");
        let why = String::from_utf8_lossy(&output.stderr);
        assert!(why.contains("cannot be read: ") && why.contains(more.last().unwrap_or(&file)), "{why}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn a_person_reads_the_same_in_words() {
    let output = inspect(&ground::octcat(), &[]);
    let text = String::from_utf8_lossy(&output.stdout);
    for wanted in [
        "146071 lines",
        "X 67.233 to 132.8, Y 59.818 to 140.127 mm",
        "9.9 mm in 97 layers",
        "line 17: 3 mm of filament at X 0, Y 0, Z 15",
        "tool 0: 3183.51321 mm",
        "print time  5553 s with acceleration",
        "feed time   5020 s at the commanded feed",
        "M84 1x",
    ] {
        assert!(text.contains(wanted), "{wanted} in {text}");
    }
}

#[test]
fn a_picture_is_written_whole_over_an_older_one_or_not_at_all() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("part.png");
    fs::write(&out, b"older").expect("a writable folder");
    let name = out.to_str().expect("a path in UTF-8");
    assert_eq!(inspect(&ground::random_3d_print(), &["--picture", name]).status.code(), Some(0));
    let picture = tiny_skia::Pixmap::load_png(&out).expect("a PNG");
    assert_eq!((picture.width(), picture.height()), (1024, 768));
    assert_eq!(fs::read_dir(folder.path()).expect("a folder").count(), 1, "nothing half-made remains");
    let nowhere = folder.path().join("none/part.png");
    let output = inspect(&ground::random_3d_print(), &["--picture", nowhere.to_str().expect("a path in UTF-8")]);
    assert_eq!(output.status.code(), Some(2));
    let why = String::from_utf8_lossy(&output.stderr);
    assert!(why.contains("cannot be written: "), "{why}");
}
