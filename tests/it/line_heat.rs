//! Heat through the whole daemon: waits that never end, and what a line learns of its bed.

use nosebar::job::HeatWay;
use nosebar::store::Store;
use serde_json::Value;

use crate::plant::{Plant, tiny_print};

fn config(release_c: f64) -> String {
    format!(
        "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.3\nrescan_s = 1.0\n[materials.pla]\ndensity_g_cm3 = 1.24\nrelease_c = {release_c:?}\n\
         [[line]]\nname = \"one\"\nprinter = {{ link = \"simulated\", speed = 300.0 }}\n\
         check = {{ kind = \"switch\", input = \"nose\" }}\nheat = {{ cool_begin_lines = [\"M106 S255\"], cool_end_lines = [\"M107\"] }}\n"
    )
}

fn at(entries: &[Value], kind: &str, text: &str) -> Option<i64> {
    let found = entries.iter().find(|e| e["kind"] == kind && e["text"].as_str().is_some_and(|t| t.contains(text)));
    found.and_then(|e| e["at"].as_i64())
}

#[tokio::test]
async fn a_part_that_would_never_let_go_in_this_room_is_held_early_and_both_numbers_are_said() {
    // The simulated room has 22 °C, and its bed a time constant of 600 s.
    let plant = Plant::with_config(&config(19.0));
    plant.drop_file("marker.gcode", &tiny_print());
    let line = plant.until_line("held", |line| line["state"] == "held").await;
    assert_eq!(line["reason"], "never-cools", "{line:#}");
    let words = line["words"].as_str().expect("words");
    assert!(words.contains("lets go at 19.0 °C") && words.contains("cools to 2"), "{words}");
    // A line is held first, and puts its heaters off once that is written down.
    let told = |entries: &[Value]| at(entries, "step-begin", "heaters off, nothing more is sent").is_some();
    let entries = plant.until_journal("the heaters are off", told).await;
    let held = at(&entries, "state", "lets go at 19.0 °C").expect("the line was held");
    let waited = held - at(&entries, "step-begin", "heaters off, head up").expect("the part was let cool");
    assert!(waited < 150_000, "a quarter of the time constant is 150 s; it took {waited} ms");
}

#[tokio::test]
async fn the_end_of_a_wait_is_foreseen_and_a_finished_one_is_learned_from() {
    let mut plant = Plant::with_config(&config(28.0));
    plant.drop_file("marker.2off.gcode", &tiny_print());
    let line = plant
        .until_line("cooling with an end in sight", |line| line["phase"] == "cool" && line["phase_ends"]["at"].is_i64())
        .await;
    let ends = &line["phase_ends"];
    let of = |key: &str| ends[key].as_i64();
    assert!(of("from") <= of("at") && of("until").is_none_or(|until| until >= of("at").expect("an end")), "{ends:#}");
    let words = line["words"].as_str().expect("words");
    assert!(words.contains("about"), "{words}");
    let done = |jobs: &[Value]| jobs.iter().any(|job| job["state"] == "completed");
    plant.until_jobs("both made", done).await;
    assert_eq!(plant.line().await["phase_ends"], Value::Null);
    // What was learned outlives the daemon.
    plant.daemon().terminate();
    let data = plant.infeed().with_file_name("data").join("nosebar.db");
    let store = Store::open(&data).await.expect("a store");
    let runs = store.load().await.expect("readable").heat_runs;
    let cooled: Vec<_> = runs.iter().filter(|run| run.way == HeatWay::Cool).collect();
    assert_eq!(cooled.len(), 2, "{runs:#?}");
    for run in cooled {
        assert!((run.ambient_c - 22.0).abs() < 2.0 && (run.tau_s / 600.0 - 1.0).abs() < 0.2, "{run:?}");
        assert_eq!((run.fan.as_deref(), run.material.as_deref()), (Some("on"), Some("pla")));
    }
}
