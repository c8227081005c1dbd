//! `nosebar compose`: the file for a card, and what a printer that is fed from one makes of it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use nosebar::belt::Advance;
use nosebar::cli::{simulated_machine, survey_rules};
use nosebar::config::Config;
use nosebar::gcode::survey;
use nosebar::job::Survey;
use nosebar::sim::{Printer, Truth};
use nosebar::units::Moment;

use crate::ground;

const DRIVES: [&str; 4] = [
    "drive = \"extruder\"\nextruder = 1",
    "drive = \"extruder\"\nextruder = 1\nunits_per_mm = 0.333\npiece_mm = 30.0",
    "drive = \"axis\"\naxis = \"A\"\nunits_per_mm = 2.5\ninverted = true",
    "drive = \"lines\"\nlines = [\"T1\", \"M83\", \"M302 S0\", \"G1 E{mm} F{feed}\"]",
];

fn compose(file: &Path, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nosebar")).arg("compose").arg(file).args(more).output().expect("nosebar runs")
}

fn config(dir: &Path, drive: &str, printer: &str) -> PathBuf {
    let path = dir.join("lines.toml");
    let text = format!(
        "[[line]]\nname = \"one\"\nprinter = {{ {printer} }}\ncheck = {{ kind = \"ask\" }}\n[line.belt]\n{drive}\n"
    );
    fs::write(&path, text).expect("a writable folder");
    path
}

/// As a card prints: a line is read when the one before it was taken.
fn printed(config: &Config, text: &str) -> Truth {
    let mut now = Moment::ZERO;
    let mut printer = Printer::new(simulated_machine(&config.lines[0]), now);
    printer.advance(now);
    printer.poll_output();
    for line in
        text.lines().map(|line| line.split(';').next().unwrap_or_default().trim()).filter(|line| !line.is_empty())
    {
        printer.handle_bytes(now, format!("{line}\n").as_bytes());
        let mut said = String::new();
        loop {
            said += &String::from_utf8(printer.poll_output().unwrap_or_default()).expect("text");
            assert!(!said.contains("Unknown") && !said.contains("no cold extrusion"), "{line}: {said}");
            if said.lines().any(|reply| reply.starts_with("ok")) {
                break;
            }
            now = printer
                .deadline()
                .expect("something happens until the line is taken")
                .max(now + Duration::from_micros(1));
            printer.advance(now);
        }
    }
    printer.truth()
}

fn surveyed(bytes: &[u8], config: &Config) -> Survey {
    survey(bytes, &survey_rules(config)).expect("memory can be read")
}

fn prints() -> Vec<PathBuf> {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-jobs");
    let jobs = ["plant-marker.2off", "tray-clip", "drip-line-stake", "packet-holder", "seed-scoop"];
    let demo = jobs.map(|job| demo.join(format!("{job}.gcode")));
    demo.into_iter().chain([ground::random_3d_print()]).collect()
}

#[test]
fn a_printer_fed_from_a_card_makes_the_part_and_ejects_it() {
    let dir = tempfile::tempdir().expect("a folder");
    for (number, drive) in DRIVES.into_iter().enumerate() {
        for printer in ["", "m190_waits_for_cooling = false"] {
            let path = config(dir.path(), drive, printer);
            let config = Config::read(&path).expect("a good config");
            // Every print once, and two of them on every machine.
            for file in prints().into_iter().skip(if number == 0 && printer.is_empty() { 0 } else { 4 }) {
                let what = format!("{} with {drive} {printer}", file.display());
                let output = compose(&file, &["-o", "-", "--yes", "--config", path.to_str().expect("UTF-8")]);
                assert!(output.status.success(), "{what}: {}", String::from_utf8_lossy(&output.stderr));
                let before = surveyed(&fs::read(&file).expect("a sliced file"), &config);
                let after = surveyed(&output.stdout, &config);
                let print = |survey: &Survey| (survey.footprint, survey.filament[0], survey.height_mm, survey.layers);
                assert_eq!(print(&after), print(&before), "{what}");
                let line = &config.lines[0];
                let extent = line.frame.extent(&before).expect("it lays plastic on the bed");
                let truth = printed(&config, &String::from_utf8_lossy(&output.stdout));
                let advance = Advance::plan(extent, line.frame.nose, line.overrun).total();
                assert_eq!((truth.belt_um, truth.belt_backward_um), (advance.0, 0), "{what}");
                assert_eq!((truth.parts_fallen, truth.prints_begun), (1, 1), "{what}: {truth:#?}");
                assert_eq!((truth.belt_moved_hot, truth.belt_moved_while_head_low), (0, 0), "{what}: {truth:#?}");
                assert_eq!((truth.bed_target_c, truth.nozzle_target_c), (0.0, 0.0), "{what}");
            }
        }
    }
}

#[test]
fn a_composed_file_is_refused_at_the_door() {
    let dir = tempfile::tempdir().expect("a folder");
    for drive in DRIVES {
        let path = config(dir.path(), drive, "");
        let args = ["-o", "-", "--yes", "--config", path.to_str().expect("UTF-8")];
        let composed = compose(&ground::random_3d_print(), &args).stdout;
        let config = Config::read(&path).expect("a good config");
        let survey = surveyed(&composed, &config);
        assert_eq!((survey.refusals[0].code.as_str(), survey.refusals[0].line), ("composed", 1), "{drive}");
        // Also where somebody has taken its comments out: it is looked at by a person, or refused.
        let text = String::from_utf8(composed).expect("text");
        let bare: String = text.lines().filter(|line| !line.starts_with(';')).map(|line| format!("{line}\n")).collect();
        let survey = surveyed(bare.as_bytes(), &config);
        let codes: Vec<&str> = survey.concerns.iter().chain(&survey.refusals).map(|f| f.code.as_str()).collect();
        assert!(codes.contains(&"waits-for-cooling"), "{drive}: {codes:?}");
        // And it is not composed once more.
        let twice = dir.path().join("twice.gcode");
        fs::write(&twice, &text).expect("a file");
        let output = compose(&twice, &args);
        assert_eq!(output.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&output.stderr).contains("composed for a card"), "{output:?}");
    }
}

#[test]
fn what_is_there_stays_and_what_is_asked_for_is_looked_at() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("clip.3off.gcode");
    fs::copy(Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-jobs/tray-clip.gcode"), &file).expect("a copy");
    let said = |output: &Output| String::from_utf8_lossy(&output.stderr).into_owned();
    let first = compose(&file, &[]);
    assert!(first.status.success(), "{}", said(&first));
    assert!(said(&first).contains("no clear check") && said(&first).contains("asks for 3 copies"), "{}", said(&first));
    let composed = dir.path().join("clip.composed.gcode");
    let text = fs::read_to_string(&composed).expect("beside the file, named after it");
    assert!(text.starts_with("; composed by nosebar"), "{}", &text[..80]);
    fs::write(&composed, "mine").expect("a file");
    let second = compose(&file, &[]);
    assert_eq!(second.status.code(), Some(2));
    assert!(said(&second).contains("--force"), "{}", said(&second));
    assert_eq!(fs::read_to_string(&composed).expect("it is there"), "mine");
    assert!(compose(&file, &["--force"]).status.success());
    assert_eq!(fs::read_to_string(&composed).expect("it is there"), text);
    let many = compose(&file, &["--copies", "3"]);
    assert_eq!(many.status.code(), Some(1));
    assert!(said(&many).contains("printed over it"), "{}", said(&many));
    assert_eq!(fs::read_dir(dir.path()).expect("a folder").count(), 2, "nothing half-written is left");
}

#[test]
fn refusals_and_concerns_are_told_with_their_lines_and_a_concern_needs_a_yes() {
    let dir = tempfile::tempdir().expect("a folder");
    let job =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-jobs/tray-clip.gcode")).expect("text");
    let try_with = |line: &str, more: &[&str]| {
        let file = dir.path().join("clip.gcode");
        fs::write(&file, format!("{line}\n{job}")).expect("a file");
        let output = compose(&file, &[&["-o", "-"], more].concat());
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned(), output.stdout.len())
    };
    let (status, said, bytes) = try_with("M502", &["--yes"]);
    assert_eq!((status, bytes), (Some(1), 0));
    assert!(said.contains("line 1: `M502` writes or resets the printer's stored settings"), "{said}");
    let (status, said, bytes) = try_with("M600", &[]);
    assert_eq!((status, bytes), (Some(1), 0));
    assert!(said.contains("line 1: `M600` stops and waits for a person") && said.contains("--yes"), "{said}");
    let (status, _, bytes) = try_with("M600", &["--yes"]);
    assert_eq!(status, Some(0));
    assert!(bytes > 1000);
    let (status, said, _) = try_with("", &["--line", "two"]);
    assert_eq!(status, Some(2));
    assert!(said.contains("there is no line two; the config has one"), "{said}");
}
