//! The real foreman, store, intake and driver behind the real routes, without a socket; and a power cut.

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
use serde_json::Value;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use super::fake::request;

const CONFIG: &str = "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\n[line.check]\nkind = \"ask\"\n";

/// A daemon without a socket.
pub(super) struct House {
    pub(super) handle: Handle,
    pub(super) routes: Router,
    pub(super) machine: SimulatedHandle,
    tasks: Vec<JoinHandle<()>>,
}

impl House {
    pub(super) async fn open(dir: &Path) -> Self {
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
    pub(super) async fn die(self) {
        for task in self.tasks {
            task.abort();
            drop(task.await);
        }
    }

    pub(super) async fn send(
        &self,
        method: Method,
        path: &str,
        key: &str,
        body: impl Into<Body>,
    ) -> (StatusCode, Value) {
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

    pub(super) async fn post(&self, path: &str, key: &str, body: &Value) -> (StatusCode, Value) {
        self.send(Method::POST, path, key, body.to_string()).await
    }

    /// A job that waits until it is released.
    pub(super) async fn upload(&self, key: &str, wishes: &str) -> (StatusCode, Value) {
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-jobs/tray-clip.gcode");
        let bytes = std::fs::read(file).expect("a demo job");
        let path = format!("/api/v1/jobs?name=tray-clip.gcode&hold=true{wishes}");
        self.send(Method::POST, &path, key, bytes).await
    }

    pub(super) async fn jobs(&self) -> usize {
        let (_, page) = self.send(Method::GET, "/api/v1/jobs", "\"read\"", Body::empty()).await;
        page["jobs"].as_array().map_or(0, Vec::len)
    }

    /// A page as a browser gets it.
    pub(super) async fn page(&self, path: &str) -> String {
        let answer = self.routes.clone().oneshot(request(Method::GET, path, &[], Body::empty())).await;
        let bytes = to_bytes(answer.expect("an answer").into_body(), 1 << 20).await.expect("a whole body");
        String::from_utf8(bytes.to_vec()).expect("text")
    }

    pub(super) async fn until(&self, state: LineState) {
        let mut lines = self.handle.watch();
        drop(
            lines.wait_for(|live| live.lines[0].state == state && live.lines[0].connected).await.expect("it is there"),
        );
    }
}
