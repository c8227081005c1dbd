//! The main job on real wires: a file dropped in a folder becomes parts in the bin.

use serde_json::{Value, json};

use crate::ground;
use crate::plant::{By, Plant, tiny_print};

const SWITCH: &str = "kind = \"switch\"\ninput = \"nose\"";

async fn three_off(by: By) {
    let mut plant = Plant::start(by, 400, SWITCH, "");
    plant.say_clear().await;
    plant.drop_copy("random_3d_print.3off.gcode", &ground::random_3d_print());
    let jobs = plant.until_jobs("three copies made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
    assert_eq!(jobs.len(), 1);
    let job = &jobs[0];
    assert_eq!((&job["completed"], &job["scrapped"], &job["copies"]), (&json!(3), &json!(0), &json!(3)));
    assert_eq!(job["reason"], "job-completed-successfully");
    let truth = plant.truth();
    assert_eq!(truth["parts_fallen"], 3, "{truth:#}");
    assert_eq!(truth["prints_over_a_part"], 0);
    assert_eq!(truth["belt_moved_hot"], 0);
    assert_eq!(truth["belt_moved_while_head_low"], 0);
    let line = plant.line().await;
    // Law L6: Y 64.198 to 135.802, nose at 220, overrun 40: three times 195.802 mm.
    assert_eq!(line["belt_odometer_um"], 3 * 195_802);
    assert_eq!(truth["belt_um"], 3 * 195_802);
    let journal = plant.show("/journal?limit=500").await;
    let ends = journal["entries"].as_array().expect("a list").iter().filter(|entry| entry["kind"] == "cycle-end");
    let advances: Vec<_> = ends.map(|entry| entry["data"]["advance_um"].clone()).collect();
    assert_eq!(advances, [json!(195_802), json!(195_802), json!(195_802)], "each copy has the travel made for it");
    assert!(std::fs::read_dir(plant.infeed()).expect("the folder").all(|e| e.expect("an entry").path().is_dir()));
}

#[tokio::test]
async fn three_copies_are_made_over_a_pseudo_terminal() {
    three_off(By::PseudoTerminal).await;
}

#[tokio::test]
async fn three_copies_are_made_over_tcp() {
    three_off(By::Tcp).await;
}

#[tokio::test]
async fn a_part_that_will_not_let_go_holds_the_line_until_a_person_says_that_it_is_clear() {
    let mut plant = Plant::start(By::PseudoTerminal, 100, SWITCH, "part 1 sticks\n");
    plant.say_clear().await;
    plant.drop_file("first.gcode", &tiny_print());
    plant.drop_file("second.gcode", &tiny_print());
    let line = plant.until_line("held", |line| line["state"] == "held").await;
    assert_eq!(line["reason"], "part-not-cleared");
    assert!(line["question"].is_object());
    let truth = plant.truth();
    assert_eq!((&truth["bed_target_c"], &truth["nozzle_target_c"]), (&json!(0.0), &json!(0.0)));
    assert_eq!((&truth["prints_begun"], &truth["parts_fallen"]), (&json!(1), &json!(0)));
    let jobs = plant.jobs().await;
    let second = jobs.iter().find(|job| job["name"] == "second").expect("the second job");
    assert_eq!((&second["state"], &second["reason"]), (&json!("pending"), &json!("waiting-for-user-action")));

    plant.machine().type_line("take-off");
    let (status, answer) = plant.post("/lines/one/clear", json!({ "clear": true })).await;
    assert_eq!(status, 200, "{answer:#}");
    let done = |jobs: &[Value]| jobs.iter().filter(|job| job["state"] == "completed").count() == 2;
    let jobs = plant.until_jobs("both made", done).await;
    assert!(jobs.iter().all(|job| job["completed"] == 1 && job["scrapped"] == 0));
    let truth = plant.truth();
    assert_eq!((&truth["parts_taken_off"], &truth["parts_fallen"]), (&json!(1), &json!(1)));
    assert_eq!(truth["prints_over_a_part"], 0);
    assert_eq!(plant.line().await["belt_odometer_um"], truth["belt_um"]);
}

#[tokio::test]
async fn two_lines_share_a_job_and_a_folder_of_its_own_pins_another() {
    let line = |name: &str| {
        format!(
            "[[line]]\nname = {name:?}\nprinter = {{ link = \"simulated\", speed = 2000.0 }}\n\
             check = {{ kind = \"switch\", input = \"nose\" }}\n"
        )
    };
    let daemon = "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.3\nrescan_s = 1.0\n";
    let plant = Plant::with_config(&format!("{daemon}{}{}", line("left"), line("right")));
    plant.drop_file("shared.6off.gcode", &tiny_print());
    let folder = plant.infeed().join("right");
    for _ in 0..500 {
        if folder.is_dir() {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    plant.drop_file("right/pinned.2off.gcode", &tiny_print());
    let done = |jobs: &[Value]| jobs.len() == 2 && jobs.iter().all(|job| job["state"] == "completed");
    let jobs = plant.until_jobs("both made", done).await;
    for job in &jobs {
        let whole = plant.show(&format!("/jobs/{}", job["id"])).await;
        let cycles = whole["cycles"].as_array().expect("cycles");
        let on = |name: &str| cycles.iter().filter(|cycle| cycle["line"] == name).count();
        let copies = job["copies"].as_u64().and_then(|n| usize::try_from(n).ok()).expect("a count");
        assert_eq!((on("left") + on("right"), &job["completed"]), (copies, &job["copies"]));
        if job["name"] == "pinned" {
            assert_eq!(on("right"), 2);
        } else {
            assert!(on("left") > 0 && on("right") > 0, "both lines took copies");
        }
    }
    let lines = plant.show("/lines").await;
    let travelled: Vec<_> =
        lines["lines"].as_array().expect("lines").iter().map(|l| l["belt_odometer_um"].as_i64()).collect();
    assert_eq!(travelled.iter().flatten().sum::<i64>(), 8 * 160_000);
}

#[tokio::test]
async fn the_records_say_who_or_what_confirmed_each_copy() {
    let trust = format!("kind = \"trust\"\nstanding_word = {:?}", nosebar::config::STANDING_WORD);
    let looks = "kind = \"command\"\nprogram = [\"sh\", \"-c\", \"test $NOSEBAR_COPY = 1\"]";
    for (check, by, unchecked) in [(SWITCH, "switch", 0), (looks, "command", 0), (&trust, "nothing", 1)] {
        let plant = Plant::start(By::Inside, 2000, check, "");
        plant.drop_file("marker.gcode", &tiny_print());
        let jobs = plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
        assert_eq!(jobs[0]["unchecked"], unchecked, "{by}");
        let job = plant.show("/jobs/1").await;
        assert_eq!(job["cycles"][0]["checked_by"], by, "{job:#}");
        let journal = plant.show("/journal?after=0&limit=500").await;
        let ended = journal["entries"].as_array().expect("entries").iter().find(|e| e["kind"] == "cycle-end");
        let text = ended.and_then(|e| e["text"].as_str()).expect("the end of the cycle").to_owned();
        assert_eq!(text.contains("nothing checked"), unchecked == 1, "{text}");
        // Law L1: a standing word counts only with a second full advance.
        let line = plant.line().await;
        assert_eq!(line["belt_odometer_um"], 160_000 * (1 + unchecked), "{by}");
        assert_eq!(line["standing_word"].is_string(), unchecked == 1, "{by}");
    }
}

#[tokio::test]
async fn a_clear_check_program_that_gives_no_answer_holds_the_line() {
    let plant = Plant::start(By::Inside, 2000, "kind = \"command\"\nprogram = [\"sh\", \"-c\", \"exit 7\"]", "");
    plant.drop_file("marker.gcode", &tiny_print());
    let line = plant.until_line("held", |line| line["state"] == "held").await;
    assert_eq!(line["reason"], "check-unknown");
    assert!(line["question"]["happened"].as_str().is_some_and(|text| text.contains("status 7")), "{line:#}");
}

#[tokio::test]
async fn held_in_mid_print_and_resumed_the_part_is_whole() {
    let laid = async |hold: bool| {
        let mut plant = Plant::start(By::PseudoTerminal, 20, SWITCH, "");
        plant.say_clear().await;
        plant.drop_file("marker.gcode", &tiny_print());
        if hold {
            plant.until_plastic().await;
            let (status, answer) = plant.post("/lines/one/hold", json!({ "when": "now" })).await;
            assert_eq!(
                (status, &answer["state"], &answer["phase"]),
                (200, &json!("held"), &json!("print")),
                "{answer:#}"
            );
            tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
            let before = plant.truth()["plastic_mm"].clone();
            tokio::time::sleep(std::time::Duration::from_millis(500)).await;
            assert_eq!(plant.truth()["plastic_mm"], before, "held, nothing is laid");
            let (status, answer) = plant.post("/lines/one/resume", json!({})).await;
            assert_eq!(status, 200, "{answer:#}");
        }
        plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
        let part = plant.truth()["last_gone"].clone();
        ["tail_um", "lead_um", "left_um", "right_um", "layers"].map(|key| part[key].clone())
    };
    let (straight, held) = tokio::join!(laid(false), laid(true));
    assert_eq!(straight, held);
}

#[tokio::test]
async fn a_fault_of_the_printer_breaks_off_and_after_a_reset_and_a_word_the_copy_is_made() {
    let mut plant = Plant::start(By::PseudoTerminal, 50, SWITCH, "at 1s heater nozzle fails\n");
    plant.say_clear().await;
    plant.drop_file("marker.gcode", &tiny_print());
    let line = plant.until_line("broken off", |line| line["state"] == "aborted").await;
    assert_eq!(line["reason"], "printer-fault", "{line:#}");
    plant.machine().type_line("heater nozzle works");
    plant.machine().type_line("reset");
    plant.until_line("connected again", |line| line["connected"] == true).await;
    let (status, answer) = plant.post("/lines/one/clear", json!({ "clear": true })).await;
    assert_eq!(status, 200, "{answer:#}");
    let jobs = plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
    assert_eq!((&jobs[0]["completed"], &jobs[0]["scrapped"]), (&json!(1), &json!(0)));
}

#[tokio::test]
async fn an_emergency_stop_in_mid_print_stops_the_machine_and_asks() {
    let mut plant = Plant::start(By::PseudoTerminal, 20, SWITCH, "");
    plant.say_clear().await;
    plant.drop_file("marker.gcode", &tiny_print());
    plant.until_plastic().await;
    let (status, answer) = plant.post("/lines/one/emergency-stop", json!({})).await;
    assert_eq!((status, &answer["state"]), (200, &json!("aborted")), "{answer:#}");
    plant.until_line("asking", |line| line["reason"] == "emergency-stop" && line["question"].is_object()).await;
    let truth = plant.truth();
    assert_eq!((&truth["bed_target_c"], &truth["nozzle_target_c"]), (&json!(0.0), &json!(0.0)));
    let jobs = plant.until_jobs("ended", |jobs| jobs.iter().any(|job| job["state"] == "aborted")).await;
    assert_eq!((&jobs[0]["completed"], &jobs[0]["scrapped"]), (&json!(0), &json!(1)));
}

#[tokio::test]
async fn a_termination_signal_puts_the_heaters_off_and_the_next_start_asks() {
    let mut plant = Plant::start(By::PseudoTerminal, 20, SWITCH, "");
    plant.say_clear().await;
    plant.drop_file("marker.gcode", &tiny_print());
    plant.until_line("printing", |line| line["phase"] == "print").await;
    assert_eq!(plant.daemon().terminate(), Some(0));
    tokio::time::sleep(std::time::Duration::from_millis(200)).await;
    let truth = plant.truth();
    assert_eq!((&truth["bed_target_c"], &truth["nozzle_target_c"]), (&json!(0.0), &json!(0.0)));
    plant.start_daemon();
    let line = plant.until_line("connected", |line| line["connected"] == true).await;
    assert_eq!((&line["state"], &line["reason"]), (&json!("held"), &json!("restarted")));
}

/// Kills the daemon in one phase, starts it anew, and follows what comes of it.
async fn killed_in(phase: &str) {
    let mut plant = Plant::start(By::PseudoTerminal, 20, "kind = \"ask\"", "");
    plant.say_clear().await;
    plant.drop_file("marker.2off.gcode", &tiny_print());
    plant.until_line(phase, |line| line["phase"] == phase).await;
    plant.daemon().kill();
    plant.start_daemon();

    let line = plant.until_line("connected", |line| line["connected"] == true).await;
    assert_eq!((&line["state"], &line["reason"]), (&json!("held"), &json!("restarted")), "{phase}");
    assert!(line["question"].is_object(), "{phase}: the line asks");
    let jobs = plant.jobs().await;
    assert_eq!(jobs.len(), 1, "{phase}: no job lost or doubled");
    assert_eq!((&jobs[0]["state"], &jobs[0]["reason"]), (&json!("aborted"), &json!("aborted-by-system")), "{phase}");
    assert!(jobs[0]["note"].as_str().is_some_and(|note| note.contains(phase)), "{phase}: {}", jobs[0]["note"]);

    // Killed once more before anybody has answered: what is owed to the job is owed still.
    plant.daemon().kill();
    plant.start_daemon();
    let line = plant.until_line("connected again", |line| line["connected"] == true).await;
    assert_eq!((&line["state"], &line["reason"]), (&json!("held"), &json!("restarted")), "{phase}");

    // Nothing moves and nothing is begun before a person has answered.
    plant.drop_file("next.gcode", &tiny_print());
    plant.until_jobs("two", |jobs| jobs.len() == 2).await;
    tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
    let before = plant.truth();
    tokio::time::sleep(std::time::Duration::from_millis(500)).await;
    let after = plant.truth();
    assert_eq!(before["belt_um"], after["belt_um"], "{phase}: the belt stands");
    assert_eq!(before["plastic_mm"], after["plastic_mm"], "{phase}: nothing is laid");
    assert_eq!((&after["bed_target_c"], &after["nozzle_target_c"]), (&json!(0.0), &json!(0.0)), "{phase}");

    plant.machine().type_line("take-off");
    let (status, answer) = plant.post("/lines/one/clear", json!({ "clear": true })).await;
    assert_eq!(status, 200, "{phase}: {answer:#}");
    plant.until_line("at the question", |line| line["phase"] == "check" && line["question"].is_object()).await;
    let (status, _) = plant.post("/lines/one/clear", json!({ "clear": true })).await;
    assert_eq!(status, 200);
    let next_done = |jobs: &[Value]| jobs.iter().any(|job| job["name"] == "next" && job["state"] == "completed");
    let jobs = plant.until_jobs("the next one made", next_done).await;
    let cut = jobs.iter().find(|job| job["name"] == "marker").expect("the job that was cut short");
    let counts = ["completed", "scrapped", "in_work"].map(|key| cut[key].as_u64().expect("a count"));
    let expected = match phase {
        "warm" => [0, 0, 0],
        "print" => [0, 1, 0],
        // The person took a finished part off, and did not call it scrap.
        _ => [1, 0, 0],
    };
    assert_eq!(counts, expected, "{phase}");
    assert_eq!(plant.truth()["prints_over_a_part"], 0, "{phase}");

    // What was not made can be asked for again, once.
    let path = format!("/jobs/{}/make-rest", cut["id"]);
    let (status, rest) = plant.post(&path, json!({})).await;
    assert!((200..300).contains(&status), "{phase}: {rest:#}");
    assert_eq!((&rest["copies"], &rest["restart_of"]), (&json!(2 - expected[0]), &cut["id"]), "{phase}");
    let (status, answer) = plant.post(&path, json!({})).await;
    assert_eq!(status, 409, "{phase}: {answer:#}");
}

#[tokio::test]
async fn killed_while_warming_up() {
    killed_in("warm").await;
}

#[tokio::test]
async fn killed_while_printing() {
    killed_in("print").await;
}

#[tokio::test]
async fn killed_while_cooling() {
    killed_in("cool").await;
}

#[tokio::test]
async fn killed_while_the_belt_runs() {
    killed_in("advance").await;
}

#[tokio::test]
async fn killed_at_the_check() {
    killed_in("check").await;
}
