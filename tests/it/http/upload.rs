//! Files over HTTP: raw bodies and forms, whole and broken.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::Method;
use nosebar::foreman::{Arrival, Command, Handle, RefusedCode};
use nosebar::http::serve;
use nosebar::infeed::{Inspect, Intake};
use nosebar::job::{FileFacts, Finding, LineName, Survey};
use nosebar::store::FileStore;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::fake::{Bench, Reply, a_survey, no, request};
use super::problems::check_problem;

/// A survey that counts, and refuses lines that write to the printer's settings.
#[derive(Default)]
struct Glance {
    bytes: Vec<u8>,
}

impl Inspect for Glance {
    fn handle_bytes(&mut self, bytes: &Bytes) {
        self.bytes.extend_from_slice(bytes);
    }

    fn finish(self: Box<Self>, sha256: String) -> Survey {
        let text = String::from_utf8_lossy(&self.bytes);
        let refusals = text.lines().zip(1..).filter(|(line, _)| line.starts_with("M500")).map(|(_, line)| {
            let text = "M500 writes to the printer's settings; take it out".to_owned();
            Finding { code: "writes-settings".to_owned(), line, text }
        });
        let file = FileFacts { bytes: self.bytes.len() as u64, lines: text.lines().count() as u64, sha256 };
        Survey { file, refusals: refusals.collect(), ..a_survey() }
    }
}

/// A real way in with that survey.
pub(super) fn intake(dir: &Path, handle: &Handle) -> Intake {
    let files = FileStore::open_in(dir).expect("a file store");
    Intake::new(files, Arc::new(|| Box::new(Glance::default())), handle.clone())
}

/// Files in the file store, and files half-way in.
pub(super) fn kept(bench: &Bench) -> (usize, usize) {
    let count = |dir: &str| {
        let entries = std::fs::read_dir(bench.dir.path().join(dir)).expect("a folder");
        entries.filter(|entry| entry.as_ref().expect("an entry").path().is_file()).count()
    };
    (count("files"), count("files/incoming"))
}

pub(super) async fn upload_to(bench: &Bench, path: &str, body: &str) -> Reply {
    bench.send(request(Method::POST, path, &[], Body::from(body.to_owned()))).await
}

async fn upload(bench: &Bench, query: &str, body: &str) -> Reply {
    upload_to(bench, &format!("/api/v1/jobs{query}"), body).await
}

pub(super) async fn admitted(bench: &Bench) -> Arrival {
    match bench.fake.lock().await.asked.pop() {
        Some(Command::Admit(arrival)) => *arrival,
        other => panic!("{other:?} admits nothing"),
    }
}

pub(super) const GOOD: &str = "G28\nG1 X10 E1\n";

/// A form as a browser sends it.
pub(super) fn form(fields: &[(&str, &str)], file: Option<(&str, &str)>) -> String {
    let mut body = String::new();
    for (name, value) in fields {
        body.push_str(&format!("--seam\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n"));
    }
    if let Some((name, content)) = file {
        body.push_str(&format!(
            "--seam\r\nContent-Disposition: form-data; name=\"file\"; filename=\"{name}\"\r\n\
             Content-Type: application/octet-stream\r\n\r\n{content}\r\n"
        ));
    }
    body
}

pub(super) async fn send_form(bench: &Bench, path: &str, body: String) -> Reply {
    let headers = [("content-type", "multipart/form-data; boundary=seam")];
    bench.send(request(Method::POST, path, &headers, Body::from(body))).await
}

#[tokio::test]
async fn a_raw_body_becomes_a_job_with_what_was_asked_for() {
    let bench = Bench::open().await;
    let query = "?name=tray-clip.3off.gcode&copies=5&line=belt-1&material=PETG&release_c=31.5&hold=true";
    let reply = upload(&bench, query, GOOD).await;
    assert_eq!(reply.status, 201, "{}", reply.text);
    assert_eq!((reply.header("location"), reply.header("etag")), ("/api/v1/jobs/1", "\"1\""));
    assert_eq!(reply.json()["state"], "pending-held");
    let arrival = admitted(&bench).await;
    assert_eq!((arrival.file_name.as_str(), arrival.copies, arrival.hold), ("tray-clip.3off.gcode", 5, true));
    assert_eq!(arrival.line, Some(LineName::new("belt-1").expect("a good name")));
    assert_eq!((arrival.material.as_deref(), arrival.release_c), (Some("petg"), Some(31.5)));
    assert_eq!(kept(&bench), (1, 0));
    assert_eq!(bench.read(reply.header("location")).await.json()["survey"]["file"]["bytes"], 14);
}

#[tokio::test]
async fn the_name_may_come_in_a_content_disposition_and_asks_for_copies() {
    let bench = Bench::open().await;
    let headers = [("content-disposition", "attachment; filename=\"tray-clip.3off.gcode\"")];
    let reply = bench.send(request(Method::POST, "/api/v1/jobs", &headers, Body::from(GOOD))).await;
    assert_eq!(reply.status, 201, "{}", reply.text);
    assert_eq!(admitted(&bench).await.copies, 3);
    let nameless = upload(&bench, "", GOOD).await;
    check_problem(&nameless, 400, "about:blank");
    assert!(nameless.json()["detail"].as_str().expect("a detail").contains("?name="));
}

#[tokio::test]
async fn a_form_becomes_a_job() {
    let bench = Bench::open().await;
    let fields = [("copies", "4"), ("line", ""), ("material", ""), ("release_c", "")];
    let body = form(&fields, Some(("marker.gcode", GOOD))) + "--seam--\r\n";
    let reply = send_form(&bench, "/api/v1/jobs", body).await;
    assert_eq!(reply.status, 201, "{}", reply.text);
    let arrival = admitted(&bench).await;
    assert_eq!((arrival.file_name.as_str(), arrival.copies, arrival.line), ("marker.gcode", 4, None));
}

#[tokio::test]
async fn a_rejected_file_is_answered_with_each_finding_and_leaves_only_a_note() {
    let bench = Bench::open().await;
    let reply = upload(&bench, "?name=bad.gcode", "G28\nM500\nG1 X1 E1\nM500\n").await;
    check_problem(&reply, 422, "/problems/file-rejected");
    insta::assert_json_snapshot!(reply.json(), @r#"
    {
      "detail": "line 2: M500 writes to the printer's settings; take it out (and 1 more)",
      "findings": [
        {
          "code": "writes-settings",
          "line": 2,
          "text": "M500 writes to the printer's settings; take it out"
        },
        {
          "code": "writes-settings",
          "line": 4,
          "text": "M500 writes to the printer's settings; take it out"
        }
      ],
      "instance": "/api/v1/jobs",
      "status": 422,
      "title": "The file was rejected",
      "type": "/problems/file-rejected"
    }
    "#);
    assert_eq!(kept(&bench), (0, 0));
    let asked = bench.fake.lock().await.asked.pop();
    assert!(matches!(&asked, Some(Command::NoteRejection { name, .. }) if name == "bad.gcode"), "{asked:?}");
    let headers = [("content-type", "multipart/form-data; boundary=seam"), ("accept", "text/html")];
    let body = form(&[], Some(("bad.gcode", "M500\n"))) + "--seam--\r\n";
    let page = bench.send(request(Method::POST, "/do/proofs", &headers, Body::from(body))).await;
    assert_eq!(page.status, 422);
    assert!(page.text.contains("<bdi>line 1: M500 writes to the printer"), "{}", page.text);
}

#[tokio::test]
async fn requests_that_cannot_be_are_refused_before_anything_is_kept() {
    let bench = Bench::open().await;
    for query in [
        "?name=a.gcode&copies=two",
        "?name=a.gcode&line=../x",
        // The document allows no line and a line's name, and no space.
        "?name=a.gcode&line=%20",
        "?name=a.gcode&line=belt-1%20",
        "?name=a.gcode&hold=maybe",
        "?naem=a.gcode",
    ] {
        check_problem(&upload(&bench, query, GOOD).await, 422, "/problems/invalid-value");
    }
    let late = form(&[], Some(("a.gcode", GOOD))) + &form(&[("copies", "3")], None) + "--seam--\r\n";
    let reply = send_form(&bench, "/api/v1/jobs", late).await;
    check_problem(&reply, 422, "/problems/invalid-value");
    assert!(reply.json()["detail"].as_str().expect("a detail").contains("comes after the file"), "{}", reply.text);
    let empty = send_form(&bench, "/api/v1/jobs", "--seam--\r\n".to_owned()).await;
    check_problem(&empty, 400, "about:blank");
    let unchosen = send_form(&bench, "/api/v1/jobs", form(&[], Some(("", ""))) + "--seam--\r\n").await;
    check_problem(&unchosen, 400, "about:blank");
    let wordy = form(&[("material", &"x".repeat(10_000))], Some(("a.gcode", GOOD))) + "--seam--\r\n";
    check_problem(&send_form(&bench, "/api/v1/jobs", wordy).await, 413, "about:blank");
    assert_eq!(kept(&bench), (0, 0));
    assert!(bench.fake.lock().await.asked.iter().all(|command| !matches!(command, Command::Admit(_))));
}

#[tokio::test]
async fn a_body_beyond_the_limit_is_refused_and_leaves_nothing() {
    let mut bench = Bench::open().await;
    bench.desk = bench.desk.with_upload_max(1_000);
    let long = "G1 X1\n".repeat(200);
    check_problem(&upload(&bench, "?name=a.gcode", &long).await, 413, "about:blank");
    let said = [("content-length", "1001")];
    let early = bench.send(request(Method::POST, "/api/v1/jobs?name=a.gcode", &said, Body::empty())).await;
    check_problem(&early, 413, "about:blank");
    let body = form(&[], Some(("a.gcode", &long))) + "--seam--\r\n";
    check_problem(&send_form(&bench, "/api/v1/jobs", body).await, 413, "about:blank");
    assert_eq!(kept(&bench), (0, 0));
    assert!(bench.fake.lock().await.asked.is_empty());
    let exact = "G1 X1234567\n".repeat(84)[..1_000].to_owned();
    assert_eq!(upload(&bench, "?name=a.gcode", &exact).await.status, 201);
}

#[tokio::test]
async fn a_form_that_breaks_off_leaves_nothing() {
    let bench = Bench::open().await;
    let whole = form(&[("copies", "2")], Some(("a.gcode", GOOD))) + "--seam--\r\n";
    for length in [whole.len() - 8, whole.len() - 20, 90, 10] {
        let reply = send_form(&bench, "/api/v1/jobs", whole[..length].to_owned()).await;
        check_problem(&reply, 400, "about:blank");
    }
    assert_eq!(kept(&bench), (0, 0));
    assert!(bench.fake.lock().await.asked.is_empty());
}

/// A sender that announces more than it sends, over a real connection.
#[tokio::test]
async fn a_raw_body_that_ends_early_leaves_nothing_and_the_daemon_goes_on() {
    let bench = Bench::open().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let at = listener.local_addr().expect("an address");
    let desk = bench.desk.clone();
    tokio::spawn(async move { serve(listener, desk, std::future::pending()).await });
    let mut sender = TcpStream::connect(at).await.expect("connected");
    let head = format!("POST /api/v1/jobs?name=a.gcode HTTP/1.1\r\nHost: {at}\r\nContent-Length: 1000\r\n\r\nG28\n");
    sender.write_all(head.as_bytes()).await.expect("sent");
    while kept(&bench) != (0, 1) {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    sender.shutdown().await.expect("closed");
    let mut answer = String::new();
    sender.read_to_string(&mut answer).await.expect("read to the end");
    while kept(&bench) != (0, 0) {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert!(bench.fake.lock().await.asked.is_empty());
    let health = reqwest::get(format!("http://{at}/api/v1/health")).await.expect("an answer");
    assert_eq!(health.status(), 200);
}

#[tokio::test]
async fn what_the_foreman_does_not_admit_is_answered_with_its_reason() {
    let bench = Bench::open().await;
    bench.fake.lock().await.refuses = Some(no(RefusedCode::DoesNotFit, "the part is 300 mm long, belt-1 takes 250 mm"));
    check_problem(&upload(&bench, "?name=a.gcode", GOOD).await, 422, "/problems/does-not-fit");
    bench.fake.lock().await.refuses = Some(no(RefusedCode::Store, "no space is left; free some on that disk"));
    check_problem(&upload(&bench, "?name=a.gcode", GOOD).await, 507, "/problems/store-failed");
}

#[tokio::test]
async fn hostile_file_names_become_harmless_text_and_go_nowhere_else() {
    let bench = Bench::open().await;
    let long = "x".repeat(4_000);
    let mut admitted = Vec::new();
    for name in ["../../etc/passwd.gcode", "<script>alert(1)</script>.gcode", "\u{202e}edocg.gcode", &long] {
        let query: String = name.bytes().map(|byte| format!("%{byte:02X}")).collect();
        let reply = upload(&bench, &format!("?name={query}"), GOOD).await;
        assert_eq!(reply.status, 201, "{}", reply.text);
        admitted.push(self::admitted(&bench).await.file_name);
    }
    assert_eq!(admitted[..3], ["passwd.gcode", "script>.gcode", "edocg.gcode"]);
    assert_eq!(kept(&bench), (1, 0));
    assert!(!bench.read("/").await.text.contains("<script>alert"));
}
