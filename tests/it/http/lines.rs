//! `/api/v1/lines`.

use axum::body::Body;
use axum::http::Method;
use nosebar::foreman::{Command, LineCommand};
use nosebar::job::{PartWord, Phase};
use serde_json::json;

use super::fake::{Bench, NOON, asking_line, busy_line, request};
use super::problems::check_problem;

#[tokio::test]
async fn the_lines_are_listed_as_they_are_now() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Cool));
    let reply = bench.read("/api/v1/lines").await;
    assert_eq!(reply.status, 200);
    assert_eq!(reply.header("cache-control"), "no-store");
    insta::assert_json_snapshot!(reply.json(), @r#"
    {
      "lines": [
        {
          "alarms": [],
          "belt": null,
          "belt_clear": false,
          "belt_odometer_um": 12345678,
          "belt_uncertain_um": 0,
          "check": "ask",
          "commands": [
            "hold-after-part",
            "hold-now",
            "stop",
            "emergency-stop"
          ],
          "connected": true,
          "deadline": 1748766360000,
          "hold_after_part": false,
          "material": "petg",
          "name": "belt-1",
          "phase": "cool",
          "phase_ends": null,
          "question": null,
          "reason": "none",
          "since": 1748764800000,
          "standing_word": null,
          "state": "execute",
          "temperatures": {
            "at": 1748764800000,
            "bed_c": 47.24,
            "bed_target_c": 0.0,
            "nozzle_c": 58.0,
            "nozzle_target_c": 0.0
          },
          "trial": {
            "bed_max_c": 110.0,
            "heat_run": null,
            "inverted": false,
            "nose_mm": 220.0,
            "travel_mm_min": 1500.0,
            "units_per_mm": 1.5
          },
          "waits_for": "the bed to fall to 32 °C",
          "words": "Cooling: 47.2 °C, lets go at 32 °C",
          "work": {
            "advance_mm": 182.5,
            "copies": 12,
            "copy": 2,
            "cycle": 2,
            "done": 0.64,
            "job": 1,
            "name": "tray-clip",
            "release_c": 32.0,
            "sent": 0.64
          }
        }
      ],
      "seq": 0
    }
    "#);
}

#[tokio::test]
async fn one_line_is_shown_and_an_unknown_one_is_not_there() {
    let bench = Bench::open().await;
    assert_eq!(bench.read("/api/v1/lines/belt-1").await.json()["state"], "idle");
    check_problem(&bench.read("/api/v1/lines/belt-9").await, 404, "about:blank");
    check_problem(&bench.read("/api/v1/lines/%3Cscript%3E").await, 404, "about:blank");
    let unknown = bench.send_json(Method::POST, "/api/v1/lines/belt-9/hold", &json!({ "when": "now" })).await;
    check_problem(&unknown, 404, "about:blank");
}

#[tokio::test]
async fn every_command_reaches_the_foreman_and_is_answered_with_the_line() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Print));
    let cases = [
        ("hold", json!({ "when": "now" }), LineCommand::HoldNow),
        ("hold", json!({ "when": "after-part" }), LineCommand::HoldAfterPart),
        ("clear", json!({ "clear": true }), LineCommand::BeltClear { part: None }),
        ("clear", json!({ "clear": true, "part": "scrap" }), LineCommand::BeltClear { part: Some(PartWord::Scrap) }),
        ("clear", json!({ "clear": false }), LineCommand::NotClear),
    ];
    for (path, body, expected) in cases {
        let reply = bench.send_json(Method::POST, &format!("/api/v1/lines/belt-1/{path}"), &body).await;
        assert_eq!(reply.status, 200, "{}", reply.text);
        assert_eq!(reply.json()["name"], "belt-1");
        check_asked(&bench, &expected).await;
    }
    let bare =
        [("resume", LineCommand::Resume), ("stop", LineCommand::Stop), ("emergency-stop", LineCommand::EmergencyStop)];
    for (path, expected) in bare {
        let path = format!("/api/v1/lines/belt-1/{path}");
        let reply = bench.send(request(Method::POST, &path, &[], Body::empty())).await;
        assert_eq!(reply.status, 200, "{}", reply.text);
        check_asked(&bench, &expected).await;
    }
}

async fn check_asked(bench: &Bench, expected: &LineCommand) {
    let asked = bench.fake.lock().await.asked.pop().expect("something was asked");
    let Command::Line { name, what, .. } = asked else { panic!("{asked:?} is not for a line") };
    assert_eq!((name.as_str(), &what), ("belt-1", expected));
}

#[tokio::test]
async fn what_a_line_cannot_do_now_is_a_conflict() {
    let bench = Bench::open().await;
    let reply = bench.send(request(Method::POST, "/api/v1/lines/belt-1/resume", &[], Body::empty())).await;
    check_problem(&reply, 409, "/problems/not-in-this-state");
}

#[tokio::test]
async fn a_part_that_is_still_there_is_neither_good_nor_scrap() {
    let bench = Bench::open().await;
    let body = json!({ "clear": false, "part": "good" });
    let reply = bench.send_json(Method::POST, "/api/v1/lines/belt-1/clear", &body).await;
    check_problem(&reply, 422, "/problems/invalid-value");
    assert!(bench.fake.lock().await.asked.is_empty());
}

#[tokio::test]
async fn an_answer_to_a_question_that_is_not_asked_any_more_is_refused() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(asking_line("belt-1"));
    let old = json!({ "clear": true, "since": NOON.0 - 60_000 });
    let reply = bench.send_json(Method::POST, "/api/v1/lines/belt-1/clear", &old).await;
    check_problem(&reply, 412, "/problems/stale");
    assert_eq!(bench.read("/api/v1/lines/belt-1").await.json()["belt_clear"], false);
    let fresh = json!({ "clear": true, "since": NOON.0 });
    assert_eq!(bench.send_json(Method::POST, "/api/v1/lines/belt-1/clear", &fresh).await.status, 200);
}

#[tokio::test]
async fn what_was_meant_for_an_older_state_of_the_line_is_refused_but_for_the_emergency_stop() {
    let bench = Bench::open().await;
    let since = NOON.0 - 1;
    let commands = [
        ("hold", json!({ "when": "now", "since": since })),
        ("resume", json!({ "since": since })),
        ("stop", json!({ "since": since })),
        ("acknowledge", json!({ "alarm": "no-temperature", "since": since })),
        ("jog", json!({ "mm": 1.0, "feed_mm_min": 100, "since": since })),
        ("heat-trial", json!({ "bed_c": 60, "since": since })),
        ("end-trial", json!({ "since": since })),
        ("belt/splice-at-nose", json!({ "since": since })),
        ("belt/forget-splice", json!({ "since": since })),
        ("belt/mark-flaw", json!({ "length_mm": 5.0, "since": since })),
        ("belt/clear-flaw", json!({ "flaw": 1, "since": since })),
    ];
    for (path, body) in commands {
        let reply = bench.send_json(Method::POST, &format!("/api/v1/lines/belt-1/{path}"), &body).await;
        assert_eq!(reply.status, 412, "{path}: {}", reply.text);
    }
    let form = format!("since={since}&length_mm=5&flaw=1&mm=1&feed_mm_min=100&bed_c=60");
    for path in [
        "stop",
        "hold-now",
        "belt/splice-at-nose",
        "belt/forget-splice",
        "belt/mark-flaw",
        "jog",
        "heat-trial",
        "end-trial",
    ] {
        let reply = bench.post_form(&format!("/do/lines/belt-1/{path}"), &form).await;
        assert_eq!(reply.status, 412, "{path}: {}", reply.text);
    }
    let reply = bench.send_json(Method::POST, "/api/v1/lines/belt-1/resume", &json!({ "sinec": 1 })).await;
    // As a misspelt member of every other body is.
    check_problem(&reply, 422, "about:blank");
    assert!(reply.text.contains("unknown field `sinec`, expected `since`"), "{}", reply.text);
    let stop = json!({ "since": since });
    assert_eq!(bench.send_json(Method::POST, "/api/v1/lines/belt-1/emergency-stop", &stop).await.status, 200);
}

#[tokio::test]
async fn health_says_version_and_lines() {
    let bench = Bench::open().await;
    let reply = bench.read("/api/v1/health").await;
    assert_eq!(reply.json(), json!({ "version": env!("CARGO_PKG_VERSION"), "lines": 1, "seq": 0 }));
}
