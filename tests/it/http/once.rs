//! Requests that are sent again with their key: the real foreman, store, intake and driver behind the real routes.

use std::path::Path;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, StatusCode};
use nosebar::cli::{driver_settings, simulated_machine, survey_rules};
use nosebar::clock::Clock;
use nosebar::config::Config;
use nosebar::foreman::{Foreman, Handle};
use nosebar::http::{Desk, router};
use nosebar::infeed::{Intake, surveyors};
use nosebar::job::LineState;
use nosebar::printer::{Driver, SimulatedConnect, SimulatedHandle};
use nosebar::store::{FileStore, Store};
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use super::fake::request;

const CONFIG: &str = "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\n[line.check]\nkind = \"ask\"\n";

/// A daemon without a socket.
struct House {
    handle: Handle,
    routes: Router,
    machine: SimulatedHandle,
    tasks: Vec<JoinHandle<()>>,
}

impl House {
    async fn open(dir: &Path) -> Self {
        let config = Config::parse(CONFIG, "once.toml".as_ref()).expect("a good config");
        let clock = Clock::warped(1000.0);
        let files = FileStore::open_in(dir).expect("a file store");
        let store = Store::open(&dir.join("nosebar.db")).await.expect("a store");
        let snapshot = store.load().await.expect("readable");
        let reader = store.reader();
        let line = &config.lines[0];
        let connect = SimulatedConnect::new(simulated_machine(line), clock.clone());
        let machine = connect.handle();
        let (orders, orders_out) = mpsc::channel(64);
        let (reports_in, reports) = mpsc::channel(256);
        let driver = Driver::new(Box::new(connect), driver_settings(line), clock.clone(), 0, orders_out, reports_in);
        let opened = Foreman::open(&config, store, snapshot, files.clone(), clock, vec![orders], reports);
        let (foreman, handle) = opened.await.expect("the foreman begins");
        let intake = Intake::new(files, surveyors(survey_rules(&config)), handle.clone());
        let routes = router(Desk::new(handle.clone(), reader, intake));
        let foreman = async { drop(foreman.run(CancellationToken::new()).await) };
        Self { handle, routes, machine, tasks: vec![tokio::spawn(foreman), tokio::spawn(driver.run())] }
    }

    /// The power is cut: nobody says good-bye to anybody.
    async fn die(self) {
        for task in self.tasks {
            task.abort();
            drop(task.await);
        }
    }

    async fn send(&self, method: Method, path: &str, key: &str, body: impl Into<Body>) -> (StatusCode, Value) {
        let mut headers = vec![("idempotency-key", key)];
        if !path.starts_with("/api/v1/jobs?") {
            headers.push(("content-type", "application/json"));
        }
        let request = request(method, path, &headers, body.into());
        let answer = self.routes.clone().oneshot(request).await.expect("an answer");
        let status = answer.status();
        let bytes = to_bytes(answer.into_body(), 1 << 20).await.expect("a whole body");
        (status, serde_json::from_slice(&bytes).unwrap_or(Value::Null))
    }

    async fn post(&self, path: &str, key: &str, body: &Value) -> (StatusCode, Value) {
        self.send(Method::POST, path, key, body.to_string()).await
    }

    /// A job that waits until it is released.
    async fn upload(&self, key: &str, wishes: &str) -> (StatusCode, Value) {
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-jobs/tray-clip.gcode");
        let bytes = std::fs::read(file).expect("a demo job");
        let path = format!("/api/v1/jobs?name=tray-clip.gcode&hold=true{wishes}");
        self.send(Method::POST, &path, key, bytes).await
    }

    async fn jobs(&self) -> usize {
        let (_, page) = self.send(Method::GET, "/api/v1/jobs", "\"read\"", Body::empty()).await;
        page["jobs"].as_array().map_or(0, Vec::len)
    }

    async fn until(&self, state: LineState) {
        let mut lines = self.handle.watch();
        drop(
            lines.wait_for(|live| live.lines[0].state == state && live.lines[0].connected).await.expect("it is there"),
        );
    }
}

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
