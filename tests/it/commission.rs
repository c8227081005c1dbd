//! Commissioning with the real binary: the guide in the terminal, its sums, and the daemon's jogs.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};

use crate::plant::{By, Plant, Process, tiny_print};

const BINARY: &str = env!("CARGO_BIN_EXE_nosebar");

/// A machine whose belt truly needs 1/0.95 units for a millimetre, and a config that believes in one.
struct Shop {
    machine: Process,
    dir: tempfile::TempDir,
}

impl Shop {
    fn open() -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let units = (1.0_f64 / 0.95).to_string();
        let machine = Process::start(&["simulate", "--tcp", "127.0.0.1:0", "--speed", "100", "--units-per-mm", &units]);
        let address = machine.line_after("ready: tcp");
        let config = format!(
            "# My lines.\n[[line]]\nname = \"one\"   # the left one\n[line.printer]\nlink = \"tcp\"\naddress = {address:?}\n\
             [line.belt]\noverrun_mm = 40.0\n# units_per_mm = 1.0\n[line.check]\nkind = \"ask\"\n"
        );
        fs::write(dir.path().join("nosebar.toml"), config).expect("a file");
        Self { machine, dir }
    }

    fn config(&self) -> String {
        fs::read_to_string(self.dir.path().join("nosebar.toml")).expect("it is there")
    }

    /// The guide, with these answers typed one after the other; what it said.
    fn walk(&self, answers: &[&str]) -> String {
        walk(&self.dir.path().join("nosebar.toml"), answers)
    }

    fn belt_um(&mut self) -> i64 {
        self.machine.type_line("truth");
        let truth: Value = serde_json::from_str(&format!("{{{}", self.machine.line_after("{"))).expect("JSON");
        truth["belt_um"].as_i64().expect("whole micrometres")
    }
}

fn walk(config: &Path, answers: &[&str]) -> String {
    let input = config.with_extension("answers");
    fs::write(&input, answers.join("\n") + "\n").expect("a file");
    let output = Command::new(BINARY)
        .args(["commission", "--config", config.to_str().expect("a path in UTF-8")])
        .stdin(fs::File::open(input).expect("a file"))
        .output()
        .expect("the binary runs");
    let said = String::from_utf8(output.stdout).expect("UTF-8");
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    said
}

/// Leaves out ratio and direction, jogs 100 mm with the word that nothing is in the way, enters what was measured.
fn jog_and_measure(measured: &'static str, rest: &[&'static str]) -> Vec<&'static str> {
    [&["n", "n", "y", "100", "y", "", "", measured][..], rest].concat()
}

#[test]
fn a_belt_that_runs_short_is_measured_set_right_and_runs_true_the_second_time() {
    let mut shop = Shop::open();
    let before = shop.config();
    let said = shop.walk(&jog_and_measure("95", &["y", "n", "n", "n", "n"]));
    assert_eq!(shop.belt_um(), 95_000, "{said}");
    assert!(said.contains("belt.units_per_mm: found was 1.052632"), "{said}");
    let line = "units_per_mm = 1.052632  # measured ";
    let after = shop.config();
    let written = after.lines().find(|written| written.starts_with(line)).unwrap_or_else(|| panic!("{after}\n{said}"));
    assert!(written.ends_with(": 100 mm asked, 95 mm run"), "{written}");
    assert_eq!(after.replace(&format!("{written}\n"), ""), before, "nothing else has changed");

    let said = shop.walk(&jog_and_measure("100", &["q"]));
    assert_eq!(shop.belt_um() - 95_000, 100_000, "{said}");
    assert!(said.contains("nothing needs to change"), "{said}");
    assert_eq!(shop.config(), after);
}

#[test]
fn a_value_that_a_person_wrote_stays_unless_they_say_yes() {
    let shop = Shop::open();
    let path = shop.dir.path().join("nosebar.toml");
    let mine = shop.config().replace("# units_per_mm = 1.0", "units_per_mm = 1.0 # as the maker says");
    fs::write(&path, &mine).expect("a file");
    // An empty answer is no.
    let said = shop.walk(&jog_and_measure("95", &["", "q"]));
    assert!(said.contains("belt.units_per_mm: the config says 1.0, found was 1.052632"), "{said}");
    assert_eq!(shop.config(), mine);
    let said = shop.walk(&jog_and_measure("95", &["y", "q"]));
    assert!(shop.config().contains(": 100 mm asked, 95 mm run  # as the maker says\n"), "{}\n{said}", shop.config());
}

#[test]
fn the_guide_can_be_left_at_any_question_and_the_line_stays_held() {
    let dir = tempfile::tempdir().expect("a folder");
    let config = dir.path().join("nosebar.toml");
    fs::write(&config, "[[line]]\nname = \"one\"\ncheck = { kind = \"ask\" }\n").expect("a file");
    for answers in [&["q"][..], &["y", "200", "q"], &[]] {
        let said = walk(&config, answers);
        assert!(said.contains("The line stays held"), "{said}");
        assert!(said.contains("take care: The nose and the rollers draw in fingers"), "{said}");
    }
}

#[test]
fn the_splice_is_run_once_around_and_then_said_to_be_at_the_nose() {
    let dir = tempfile::tempdir().expect("a folder");
    let config = dir.path().join("nosebar.toml");
    let text =
        "[[line]]\nname = \"one\"\nprinter = { link = \"simulated\", speed = 20000.0 }\ncheck = { kind = \"ask\" }\n";
    fs::write(&config, text).expect("a file");
    let around = ["m", "500", "420.5", "m", "", "", "", "", "", "", "y"];
    let answers = [&["n", "n", "n", "n", "y"][..], &around, &["y", "35", "", "y", "q"]].concat();
    let said = walk(&config, &answers);
    assert!(said.contains("From mark to mark: 920.500 mm."), "{said}");
    let after = fs::read_to_string(&config).expect("it is there");
    assert!(after.contains("[line.belt]\nloop_mm = 920.5  # measured ") && after.starts_with(text), "{after}\n{said}");
    assert!(said.contains("Noted: the splice is at the nose now"), "{said}");
    // Without a loop there is nothing that a splice could be marked on.
    fs::write(&config, text).expect("a file");
    fs::remove_dir_all(dir.path().join("data")).expect("it is there");
    let said = walk(&config, &["n", "n", "n", "n", "n", "y", "", "y", "q"]);
    assert!(said.contains("Not done: "), "{said}");
}

#[test]
fn a_heat_and_cool_run_finds_the_simulated_bed_s_own_figures() {
    let dir = tempfile::tempdir().expect("a folder");
    let config = dir.path().join("nosebar.toml");
    let text =
        "[[line]]\nname = \"one\"\nprinter = { link = \"simulated\", speed = 20000.0 }\ncheck = { kind = \"ask\" }\n";
    fs::write(&config, text).expect("a file");
    let said = walk(&config, &["n", "n", "n", "n", "n", "n", "y", "60", "y", "y"]);
    let after = fs::read_to_string(&config).expect("it is there");
    let value = |key: &str| -> f64 {
        let line = after.lines().find(|line| line.starts_with(key)).unwrap_or_else(|| panic!("{key}: {after}\n{said}"));
        line.split(['=', '#']).nth(1).expect("a value").trim().parse().expect("a number")
    };
    let bed = nosebar::sim::SimConfig::default();
    let (ambient, tau) = (bed.bed.ambient_c, bed.bed.tau_s);
    assert!((value("ambient_c") - ambient).abs() < 0.5, "{after}\n{said}");
    assert!((value("cooling_time_constant_s") / tau - 1.0).abs() < 0.03, "{after}\n{said}");
}

#[test]
fn the_sums_alone_touch_nothing() {
    let sum = |arguments: &[&str]| {
        let output = Command::new(BINARY).arg("commission").args(arguments).output().expect("the binary runs");
        let text = String::from_utf8([output.stdout, output.stderr].concat()).expect("UTF-8");
        (output.status.code(), text)
    };
    // A 20-tooth pulley of 2 mm pitch has a pitch diameter of 40/π mm: 80 steps/mm at 200 × 16 (calculators of the trade).
    let (code, text) = sum(&["ratio", "--roller", "12.732395", "--belt", "0", "--firmware-steps", "80"]);
    assert!(
        code == Some(0) && text.contains("80.0000 motor steps") && text.ends_with("belt.units_per_mm = 1.0\n"),
        "{text}"
    );
    let (code, text) = sum(&["measure", "--old", "80", "--commanded", "100", "--measured", "95"]);
    assert!(code == Some(0) && text.ends_with("belt.units_per_mm = 84.210526\n"), "{text}");
    let (code, text) = sum(&["loop", "--roller", "20", "--centres", "300", "--belt", "1"]);
    assert!(code == Some(0) && text.ends_with("belt.loop_mm = 665.973\n"), "{text}");
    let (code, text) = sum(&["measure", "--old", "80", "--commanded", "100", "--measured", "0"]);
    assert!(code == Some(2) && text.contains("both must be above zero"), "{text}");
}

#[tokio::test]
async fn the_daemon_s_jogs_are_true_and_keep_jobs_waiting() {
    let mut plant = Plant::start(By::Tcp, 100, "kind = \"switch\"\ninput = \"nose\"", "");
    plant.say_clear().await;
    plant.until_line("ready", |line| line["temperatures"]["bed_c"].is_number() && line["state"] == "idle").await;
    let jog = |mm: f64| json!({ "mm": mm, "feed_mm_min": 1500 });
    let (status, answer) = plant.post("/lines/one/jog", jog(120.5)).await;
    assert_eq!(
        (status, &answer["state"], &answer["reason"]),
        (200, &json!("execute"), &json!("commissioning")),
        "{answer:#}"
    );
    plant.drop_file("waits.gcode", &tiny_print());
    let line = plant.until_line("held", |line| line["state"] == "held").await;
    assert_eq!((&line["belt_odometer_um"], &line["reason"]), (&json!(120_500), &json!("commissioning")));
    assert_eq!(plant.truth()["belt_um"], 120_500);
    let jobs = plant.until_jobs("there", |jobs| jobs.len() == 1).await;
    assert_eq!(jobs[0]["state"], "pending");
    let (status, refused) = plant.post("/lines/one/jog", jog(501.0)).await;
    assert_eq!(status, 409, "{refused:#}");
    // While the daemon has the line, the terminal says where its page is.
    let config = plant.dir.path().join("nosebar.toml");
    let output = Command::new(BINARY)
        .args(["commission", "--config", config.to_str().expect("a path in UTF-8")])
        .output()
        .expect("the binary runs");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code() == Some(2) && said.contains("/lines/one/commission"), "{said}");
    assert_eq!(plant.post("/lines/one/resume", json!({})).await.0, 200);
    plant.until_jobs("made", |jobs| jobs[0]["state"] == "completed").await;
    let line = plant.line().await;
    assert_eq!(line["belt_odometer_um"], plant.truth()["belt_um"]);
}
