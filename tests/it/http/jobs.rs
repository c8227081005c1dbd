//! `/api/v1/jobs` and `/api/v1/journal`.

use axum::body::Body;
use axum::http::Method;
use nosebar::foreman::{Command, JobCommand, JobPatch};
use nosebar::job::{CycleId, Job, JobId, JobReason, JobState, PartWord};
use nosebar::units::UnixMillis;
use serde_json::{Value, json};

use super::fake::{Bench, NOON, a_job, request};
use super::problems::check_problem;

fn names(page: &Value) -> Vec<&str> {
    let jobs = page["jobs"].as_array().expect("a list");
    jobs.iter().map(|job| job["name"].as_str().expect("a name")).collect()
}

fn named(name: &str) -> Job {
    Job { name: name.to_owned(), ..a_job(2) }
}

fn ended(name: &str, at: i64) -> Job {
    let (state, reason) = (JobState::Canceled, JobReason::JobCanceledByOperator);
    Job { state, reason, ended_at: Some(UnixMillis(NOON.0 + at)), ..named(name) }
}

#[tokio::test]
async fn jobs_are_listed_page_by_page_open_ones_first() {
    let bench = Bench::open().await;
    for job in [ended("old", 1), named("first"), named("second"), ended("new", 2), named("third")] {
        bench.fake.lock().await.add_job(job).await;
    }
    let mut seen = Vec::new();
    let mut path = "/api/v1/jobs?limit=2".to_owned();
    loop {
        let page = bench.read(&path).await.json();
        seen.extend(names(&page).into_iter().map(str::to_owned));
        assert!(seen.len() <= 5, "pages do not repeat: {seen:?}");
        let Some(next) = page["next"].as_str() else { break };
        path = format!("/api/v1/jobs?limit=2&after={next}");
    }
    assert_eq!(seen, ["first", "second", "third", "new", "old"]);
    assert_eq!(names(&bench.read("/api/v1/jobs?state=open").await.json()), ["first", "second", "third"]);
    assert_eq!(names(&bench.read("/api/v1/jobs?state=ended&limit=1").await.json()), ["new"]);
    assert_eq!(names(&bench.read("/api/v1/jobs?state=canceled").await.json()), ["new", "old"]);
    assert!(names(&bench.read("/api/v1/jobs?state=processing").await.json()).is_empty());
}

#[tokio::test]
async fn a_job_is_shown_with_its_copies_cycles_and_survey_and_without_the_folders_key() {
    let bench = Bench::open().await;
    let job = Job { source_key: Some("a folder's secret".to_owned()), completed: 3, in_work: 1, ..a_job(12) };
    bench.fake.lock().await.add_job(job).await;
    let reply = bench.read("/api/v1/jobs/1").await;
    assert_eq!(reply.status, 200);
    assert_eq!(reply.header("etag"), "\"1\"");
    let mut job = reply.json();
    let survey = job["survey"].take();
    assert_eq!(survey["file"]["lines"], 50);
    assert_eq!(bench.read("/api/v1/jobs/1/survey").await.json(), survey);
    insta::assert_json_snapshot!(job, @r#"
    {
      "canceled_from": null,
      "completed": 3,
      "copies": 12,
      "copies_waiting": 8,
      "created_at": 1748764800000,
      "cycles": [],
      "ended_at": null,
      "id": 1,
      "in_work": 1,
      "line": null,
      "material": "petg",
      "name": "tray-clip",
      "note": "",
      "rank": 1,
      "reason": "job-queued",
      "release_c": null,
      "restart_of": null,
      "reviewed": false,
      "scrapped": 0,
      "sha256": "0000000000000000000000000000000000000000000000000000000000000000",
      "started_at": null,
      "state": "pending",
      "survey": null,
      "unchecked": 0,
      "version": 1
    }
    "#);
}

#[tokio::test]
async fn a_job_that_is_not_there_is_not_found() {
    let bench = Bench::open().await;
    for path in ["/api/v1/jobs/1", "/api/v1/jobs/1/survey", "/api/v1/jobs/one", "/api/v1/jobs/99999999999999999999"] {
        check_problem(&bench.read(path).await, 404, "about:blank");
    }
    let cancel = bench.send(request(Method::POST, "/api/v1/jobs/1/cancel", &[], Body::empty())).await;
    check_problem(&cancel, 404, "about:blank");
    let patch = bench.send_json(Method::PATCH, "/api/v1/jobs/1", &json!({ "copies": 2 })).await;
    check_problem(&patch, 404, "about:blank");
}

#[tokio::test]
async fn every_command_reaches_the_foreman_and_is_answered_with_the_job() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(12)).await;
    let moved = json!({ "direction": "down" });
    let reply = bench.send_json(Method::POST, "/api/v1/jobs/1/move", &moved).await;
    assert_eq!(reply.json()["version"], 2);
    check_asked(&bench, &JobCommand::MoveDown).await;
    bench.send_json(Method::POST, "/api/v1/jobs/1/move", &json!({ "direction": "up" })).await;
    check_asked(&bench, &JobCommand::MoveUp).await;
    for (body, before) in [(json!({ "before": null }), None), (json!({ "before": 1 }), Some(JobId(1)))] {
        assert_eq!(bench.send_json(Method::POST, "/api/v1/jobs/1/move", &body).await.status, 200);
        check_asked(&bench, &JobCommand::MoveBefore(before)).await;
    }
    for body in [json!({}), json!({ "direction": "up", "before": null }), json!({ "before": "1" })] {
        assert_eq!(bench.send_json(Method::POST, "/api/v1/jobs/1/move", &body).await.status, 422, "{body}");
    }
    let patch = json!({ "copies": 20, "name": "tray clip" });
    let reply = bench.send_json(Method::PATCH, "/api/v1/jobs/1", &patch).await;
    assert_eq!((&reply.json()["copies"], &reply.json()["copies_waiting"]), (&json!(20), &json!(20)));
    assert_eq!(reply.header("etag"), "\"6\"");
    let expected = JobPatch { copies: Some(20), name: Some("tray clip".to_owned()), ..JobPatch::default() };
    check_asked(&bench, &JobCommand::Patch(expected)).await;
    for (path, state, expected) in [
        ("hold", "pending-held", JobCommand::Hold),
        ("release", "pending", JobCommand::Release),
        ("restore", "pending", JobCommand::Restore),
        ("cancel", "canceled", JobCommand::Cancel),
    ] {
        let path = format!("/api/v1/jobs/1/{path}");
        let reply = bench.send(request(Method::POST, &path, &[], Body::empty())).await;
        assert_eq!(reply.json()["state"], state);
        check_asked(&bench, &expected).await;
    }
    let judged = bench.send_json(Method::POST, "/api/v1/jobs/1/cycles/7/judge", &json!({ "part": "scrap" })).await;
    assert_eq!((&judged.json()["scrapped"], &judged.json()["remade_by"]), (&json!(1), &Value::Null));
    check_asked(&bench, &JobCommand::Judge { cycle: CycleId(7), part: PartWord::Scrap }).await;
    let rest = bench.send(request(Method::POST, "/api/v1/jobs/1/make-rest", &[], Body::empty())).await;
    assert_eq!((&rest.json()["id"], &rest.json()["restart_of"]), (&json!(2), &json!(1)));
    let again = bench.send(request(Method::POST, "/api/v1/jobs/1/cancel", &[], Body::empty())).await;
    check_problem(&again, 409, "/problems/not-in-this-state");
}

async fn check_asked(bench: &Bench, expected: &JobCommand) {
    let asked = bench.fake.lock().await.asked.pop().expect("something was asked");
    let Command::Job { what, .. } = asked else { panic!("{asked:?} is not for a job") };
    assert_eq!(what, *expected);
}

#[tokio::test]
async fn a_patch_with_an_unknown_member_or_a_value_that_cannot_be_changes_nothing() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(12)).await;
    let unknown = bench.send_json(Method::PATCH, "/api/v1/jobs/1", &json!({ "copeis": 2 })).await;
    check_problem(&unknown, 422, "about:blank");
    let zero = bench.send_json(Method::PATCH, "/api/v1/jobs/1", &json!({ "copies": 0 })).await;
    check_problem(&zero, 422, "/problems/invalid-value");
    assert_eq!(bench.read("/api/v1/jobs/1").await.json()["copies"], 12);
}

/// RFC 9110 §13.1.1: strong comparison; `*` means any; a list means one of them.
#[tokio::test]
async fn a_change_to_a_version_that_is_gone_is_refused() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(12)).await;
    let patch = async |tag: &str, copies: u32| {
        let headers = [("content-type", "application/json"), ("if-match", tag)];
        let body = Body::from(json!({ "copies": copies }).to_string());
        bench.send(request(Method::PATCH, "/api/v1/jobs/1", &headers, body)).await
    };
    assert_eq!(patch("\"1\"", 13).await.header("etag"), "\"2\"");
    let stale = patch("\"1\"", 14).await;
    check_problem(&stale, 412, "/problems/stale");
    assert!(stale.json()["detail"].as_str().expect("a detail").contains("\"2\""), "{}", stale.text);
    check_problem(&patch("W/\"2\"", 14).await, 412, "/problems/stale");
    check_problem(&patch("2", 14).await, 412, "/problems/stale");
    assert_eq!(patch("\"1\", \"2\"", 15).await.header("etag"), "\"3\"");
    assert_eq!(patch("*", 16).await.header("etag"), "\"4\"");
    let headers = [("if-match", "\"1\"")];
    let cancel = bench.send(request(Method::POST, "/api/v1/jobs/1/cancel", &headers, Body::empty())).await;
    check_problem(&cancel, 412, "/problems/stale");
    let job = bench.read("/api/v1/jobs/1").await.json();
    assert_eq!((&job["copies"], &job["state"]), (&json!(16), &json!("pending")));
}

#[tokio::test]
async fn the_journal_is_read_page_by_page() {
    let bench = Bench::open().await;
    for n in 1..=3 {
        bench.fake.lock().await.note("state", None, &format!("entry {n}")).await;
    }
    let first = bench.read("/api/v1/journal?limit=2").await.json();
    assert_eq!((first["entries"].as_array().map(Vec::len), &first["next"]), (Some(2), &json!(2)));
    let second = bench.read("/api/v1/journal?limit=2&after=2").await.json();
    assert_eq!(second["next"], Value::Null);
    insta::assert_json_snapshot!(second["entries"], @r#"
    [
      {
        "at": 1748764800000,
        "cycle": null,
        "data": null,
        "job": null,
        "kind": "state",
        "line": null,
        "seq": 3,
        "text": "entry 3"
      }
    ]
    "#);
}
