//! Requests that are sent again with their key.

use axum::body::Body;
use axum::http::Method;
use nosebar::job::LineState;
use serde_json::{Value, json};
use tempfile::TempDir;
use tower::ServiceExt;

use super::fake::request;
use super::house::House;

fn kept(dir: &TempDir) -> usize {
    let files = std::fs::read_dir(dir.path().join("files")).expect("a folder");
    files.filter(|file| file.as_ref().is_ok_and(|file| file.path().is_file())).count()
}

#[tokio::test]
async fn an_upload_that_is_sent_again_is_one_job_also_when_the_daemon_died_in_between() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    let (status, job) = house.upload("\"8e03978e\"", "").await;
    assert_eq!((status.as_u16(), &job["id"]), (201, &json!(1)), "{job}");
    let (status, _) = house.post("/api/v1/jobs/1/release", "\"r\"", &Value::Null).await;
    assert_eq!(status, 200);
    house.die().await;
    let house = House::open(dir.path()).await;
    // As a bare token this time.
    let (status, again) = house.upload("8e03978e", "").await;
    assert_eq!((status.as_u16(), &again["id"], kept(&dir), house.jobs().await), (201, &json!(1), 1, 1));
    assert_ne!(again["state"], job["state"], "the answer is the job as it is now");
    let (status, problem) = house.upload("8e03978e", "&copies=2").await;
    assert_eq!((status.as_u16(), &problem["type"]), (422, &json!("/problems/key-used-otherwise")), "{problem}");
    let (status, other) = house.upload("8e03978f", "").await;
    assert_eq!((status.as_u16(), &other["id"], house.jobs().await), (201, &json!(2), 2), "another key, another job");
    house.die().await;
}

#[tokio::test]
async fn the_rest_of_a_job_is_made_once_and_the_second_answer_is_the_first_ones_job() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.upload("u", "&copies=3").await;
    let (status, _) = house.post("/api/v1/jobs/1/make-rest", "rest", &Value::Null).await;
    assert_eq!(status, 409, "the job has not ended");
    house.post("/api/v1/jobs/1/cancel", "cancel", &Value::Null).await;
    let (status, rest) = house.post("/api/v1/jobs/1/make-rest", "rest", &Value::Null).await;
    assert_eq!((status.as_u16(), &rest["id"]), (200, &json!(2)), "what was refused has not used the key up: {rest}");
    house.die().await;
    let house = House::open(dir.path()).await;
    let (status, again) = house.post("/api/v1/jobs/1/make-rest", "rest", &Value::Null).await;
    assert_eq!((status.as_u16(), &again["id"], house.jobs().await), (200, &json!(2), 2));
    let (status, problem) = house.post("/api/v1/jobs/2/cancel", "rest", &Value::Null).await;
    assert_eq!((status.as_u16(), &problem["type"]), (422, &json!("/problems/key-used-otherwise")), "{problem}");
    house.die().await;
}

#[tokio::test]
async fn a_change_with_its_version_is_answered_again_although_the_version_has_moved_on() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.upload("u", "").await;
    let patch = async |key: &str| {
        let headers = [("idempotency-key", key), ("if-match", "\"1\""), ("content-type", "application/json")];
        let request = request(Method::PATCH, "/api/v1/jobs/1", &headers, Body::from("{\"copies\":5}"));
        house.routes.clone().oneshot(request).await.expect("an answer").status().as_u16()
    };
    assert_eq!((patch("p").await, patch("p").await, patch("q").await), (200, 200, 412));
    house.die().await;
}

#[tokio::test]
async fn a_jog_that_is_sent_twice_moves_once() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.until(LineState::Idle).await;
    let (status, held) = house.post("/api/v1/lines/one/hold", "h", &json!({ "when": "now" })).await;
    assert_eq!(status, 200, "{held}");
    house.until(LineState::Held).await;
    let jog = json!({ "mm": 20.0, "feed_mm_min": 1000, "looked": true, "since": held["since"] });
    for _ in 0..2 {
        let (status, line) = house.post("/api/v1/lines/one/jog", "j", &jog).await;
        assert_eq!((status.as_u16(), &line["name"]), (200, &json!("one")), "{line}");
        house.until(LineState::Held).await;
    }
    assert_eq!(house.machine.truth().belt_um, 20_000);
    assert_eq!(house.handle.live().lines[0].belt_odometer_um, 20_000);
    let (status, problem) = house.post("/api/v1/lines/one/jog", "k", &jog).await;
    assert_eq!(
        (status.as_u16(), &problem["type"]),
        (412, &json!("/problems/stale")),
        "it was meant for a line at rest"
    );
    house.die().await;
}

#[tokio::test]
async fn a_key_that_is_none_is_refused_and_nothing_is_done() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.until(LineState::Idle).await;
    for key in ["\"\"", "\"open", "two words", &"k".repeat(256)] {
        let (status, problem) = house.post("/api/v1/lines/one/stop", key, &Value::Null).await;
        assert_eq!((status.as_u16(), &problem["type"]), (400, &json!("about:blank")), "{key}: {problem}");
    }
    assert_eq!(house.handle.live().lines[0].state, LineState::Idle);
    house.die().await;
}

#[tokio::test]
async fn two_of_one_key_at_the_same_time_are_one() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    let (first, second) = tokio::join!(house.upload("twin", ""), house.upload("twin", ""));
    assert_eq!((&first.1["id"], &second.1["id"], house.jobs().await), (&json!(1), &json!(1), 1));
    house.die().await;
}
