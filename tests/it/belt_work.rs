//! The belt's marks at work, through the whole program: no print on the splice, and a job without room waits with the numbers.

use serde_json::json;

use crate::plant::{Plant, tiny_print};

const SWITCH: &str = "kind = \"switch\"\ninput = \"nose\"";

/// A belt of 270 mm with a splice of 6 mm whose middle is at the nose when the machine is switched on.
///
/// The tiny print lies from 100 to 120 mm and its advance is 160 mm, so without a word on the splice the second copy
/// would lie on it: 220 + 160 − 270 = 110 mm.
fn plant() -> Plant {
    Plant::start_on_belt(400, SWITCH, (270, "217..223"), "loop_mm = 270.0\nsplice_width_mm = 6.0")
}

async fn make_five(plant: &mut Plant) -> (i64, serde_json::Value) {
    plant.drop_file("marker.5off.gcode", &tiny_print());
    plant.until_jobs("five made", |jobs| jobs.iter().any(|job| job["completed"] == 5)).await;
    let odometer = plant.line().await["belt_odometer_um"].as_i64().expect("a number");
    (odometer, plant.truth())
}

#[tokio::test]
async fn no_copy_is_laid_over_the_splice_also_after_a_restart() {
    let mut plant = plant();
    plant.say_clear().await;
    let (status, line) = plant.post("/lines/one/belt/splice-at-nose", json!({})).await;
    assert_eq!((status, &line["belt"]["splice_before_mm"]), (200, &json!(0.0)), "{line:#}");
    assert_eq!(plant.daemon().terminate(), Some(0));
    plant.start_daemon();
    let line = plant.until_line("connected", |line| line["connected"] == true && line["state"] == "idle").await;
    assert_eq!((&line["belt"]["loop_mm"], &line["belt"]["splice_before_mm"]), (&json!(270.0), &json!(0.0)), "{line:#}");

    let (odometer, truth) = make_five(&mut plant).await;
    assert_eq!((&truth["prints_begun"], &truth["prints_over_a_keep_out"]), (&json!(5), &json!(0)), "{truth:#}");
    assert_eq!((&truth["prints_over_a_part"], &truth["belt_moved_hot"]), (&json!(0), &json!(0)));
    // Law L6, with the moves to the places counted: 104 mm had to go on to 120 mm once at least.
    assert_eq!(truth["belt_um"], odometer);
    assert!(odometer >= 5 * 160_000 + 16_000, "{odometer}");
    let belt = plant.line().await["belt"].clone();
    assert_eq!(
        (&belt["parts"], &belt["wear"]["most"].as_u64().is_some_and(|n| n > 0)),
        (&json!([]), &true),
        "{belt:#}"
    );
    let before = belt["splice_before_mm"].as_f64().expect("it is known");
    let travelled = nosebar::units::Micrometres(odometer).to_millimetres().0;
    assert!(((before + travelled) / 270.0).fract().abs() < 1e-9, "{before} mm before the nose");
}

#[tokio::test]
async fn without_a_word_on_the_splice_a_copy_is_laid_over_it() {
    let mut plant = plant();
    plant.say_clear().await;
    let (odometer, truth) = make_five(&mut plant).await;
    assert_eq!((&truth["prints_begun"], odometer), (&json!(5), 5 * 160_000));
    assert!(truth["prints_over_a_keep_out"].as_u64().is_some_and(|n| n > 0), "{truth:#}");
}

#[tokio::test]
async fn a_job_without_room_is_held_with_both_lengths_and_made_when_the_flaw_is_cleared() {
    let mut plant = plant();
    plant.say_clear().await;
    let flaw = json!({ "before_mm": 0.0, "length_mm": 250.0, "note": "torn" });
    let (status, line) = plant.post("/lines/one/belt/mark-flaw", flaw).await;
    assert_eq!((status, &line["belt"]["flaws"][0]["note"]), (200, &json!("torn")), "{line:#}");
    plant.drop_file("marker.gcode", &tiny_print());
    let jobs = plant.until_jobs("held", |jobs| jobs.iter().any(|job| job["state"] == "pending-held")).await;
    assert_eq!(jobs[0]["reason"], "resources-are-not-ready");
    let note = jobs[0]["note"].as_str().expect("a sentence");
    assert!(note.contains("needs 20 mm free, longest free stretch 14 mm"), "{note}");
    assert_eq!(plant.truth()["prints_begun"], 0);

    let (status, answer) = plant.post("/lines/one/belt/clear-flaw", json!({ "flaw": 7 })).await;
    assert_eq!(status, 409, "{answer:#}");
    let (status, answer) = plant.post("/lines/one/belt/mark-flaw", json!({ "length_mm": 0 })).await;
    assert!((400..500).contains(&status), "{status} {answer:#}");
    let (status, _) = plant.post("/lines/one/belt/clear-flaw", json!({ "flaw": 1 })).await;
    assert_eq!(status, 200);
    plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
}
