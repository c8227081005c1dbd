//! Every failed answer is problem details (RFC 9457 §3), whoever made it.

use axum::body::Body;
use axum::http::Method;
use nosebar::foreman::RefusedCode;
use serde_json::json;

use super::fake::{Bench, Reply, a_job, no, request};

/// The members of RFC 9457 §3.1 with their types, and the media type of §3.
pub(super) fn check_problem(reply: &Reply, status: u16, kind: &str) {
    assert_eq!(reply.status.as_u16(), status, "{}", reply.text);
    assert_eq!(reply.header("content-type"), "application/problem+json");
    let problem = reply.json();
    assert_eq!(problem["status"], status);
    assert_eq!(problem["type"], kind);
    assert!(problem["title"].as_str().is_some_and(|title| !title.is_empty()), "{problem}");
    assert!(problem["detail"].as_str().is_some_and(|detail| detail.len() > 10), "{problem}");
    assert!(problem["instance"].as_str().is_some_and(|instance| instance.starts_with('/')), "{problem}");
}

#[tokio::test]
async fn an_unknown_address_is_a_problem() {
    let bench = Bench::open().await;
    let reply = bench.read("/api/v1/nothing?a=1").await;
    check_problem(&reply, 404, "about:blank");
    insta::assert_json_snapshot!(reply.json(), @r#"
    {
      "detail": "there is no such address",
      "instance": "/api/v1/nothing",
      "status": 404,
      "title": "Not Found",
      "type": "about:blank"
    }
    "#);
    check_problem(&bench.read("/nothing").await, 404, "about:blank");
}

#[tokio::test]
async fn a_wrong_method_is_a_problem_that_lists_the_right_ones() {
    let bench = Bench::open().await;
    let reply = bench.send(request(Method::DELETE, "/api/v1/lines", &[], Body::empty())).await;
    check_problem(&reply, 405, "about:blank");
    assert_eq!(reply.header("allow"), "GET,HEAD");
}

#[tokio::test]
async fn a_body_that_is_not_the_json_expected_is_a_problem() {
    let bench = Bench::open().await;
    let hold = "/api/v1/lines/belt-1/hold";
    let typed = [("content-type", "application/json")];
    let broken = bench.send(request(Method::POST, hold, &typed, Body::from("{\"when\":"))).await;
    check_problem(&broken, 400, "about:blank");
    let untyped = bench.send(request(Method::POST, hold, &[], Body::from("{\"when\":\"now\"}"))).await;
    check_problem(&untyped, 415, "about:blank");
    let wrong = bench.send_json(Method::POST, hold, &json!({ "when": "tomorrow" })).await;
    check_problem(&wrong, 422, "about:blank");
    assert!(wrong.json()["detail"].as_str().expect("a detail").contains("now"), "{}", wrong.text);
    let unknown = bench.send_json(Method::POST, hold, &json!({ "when": "now", "wehn": 1 })).await;
    check_problem(&unknown, 422, "about:blank");
    let list = bench.send_json(Method::POST, hold, &json!(["now"])).await;
    check_problem(&list, 422, "/problems/invalid-value");
    let huge = Body::from(format!("{{\"when\":\"{}\"}}", "n".repeat(70_000)));
    check_problem(&bench.send(request(Method::POST, hold, &typed, huge)).await, 413, "about:blank");
    assert!(bench.fake.lock().await.asked.is_empty(), "nothing of this reached the foreman");
}

#[tokio::test]
async fn a_query_that_cannot_be_is_a_problem() {
    let bench = Bench::open().await;
    check_problem(&bench.read("/api/v1/jobs?limit=0").await, 422, "/problems/invalid-value");
    check_problem(&bench.read("/api/v1/jobs?limit=many").await, 400, "about:blank");
    check_problem(&bench.read("/api/v1/jobs?colour=red").await, 400, "about:blank");
    check_problem(&bench.read("/api/v1/jobs?state=asleep").await, 422, "/problems/invalid-value");
    check_problem(&bench.read("/api/v1/jobs?after=7").await, 422, "/problems/invalid-value");
    check_problem(&bench.read("/api/v1/journal?limit=501").await, 422, "/problems/invalid-value");
}

#[tokio::test]
async fn what_the_foreman_refuses_keeps_its_sentence_and_gets_its_status() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    let cases = [
        (RefusedCode::NotFound, 404, "about:blank"),
        (RefusedCode::Conflict, 409, "/problems/not-in-this-state"),
        (RefusedCode::Stale, 412, "/problems/stale"),
        (RefusedCode::KeyUsed, 422, "/problems/key-used-otherwise"),
        (RefusedCode::Invalid, 422, "/problems/invalid-value"),
        (RefusedCode::DoesNotFit, 422, "/problems/does-not-fit"),
        (RefusedCode::Busy, 503, "/problems/busy"),
        (RefusedCode::Store, 507, "/problems/store-failed"),
    ];
    for (code, status, kind) in cases {
        bench.fake.lock().await.refuses = Some(no(code, "it cannot be done today, try tomorrow"));
        let reply = bench.send(request(Method::POST, "/api/v1/jobs/1/hold", &[], Body::empty())).await;
        check_problem(&reply, status, kind);
        assert_eq!(reply.json()["detail"], "it cannot be done today, try tomorrow");
        assert_eq!(reply.header("retry-after"), if status == 503 { "1" } else { "" });
    }
}

#[tokio::test]
async fn a_daemon_whose_foreman_has_gone_is_not_well() {
    let mut bench = Bench::open().await;
    assert_eq!(bench.read("/api/v1/health").await.status, 200);
    bench.lose_foreman().await;
    check_problem(&bench.read("/api/v1/health").await, 503, "/problems/busy");
}

#[tokio::test]
async fn every_type_of_problem_says_at_its_address_what_it_means() {
    let bench = Bench::open().await;
    let reply = bench.read("/problems/stale").await;
    assert_eq!(reply.status, 200);
    assert!(reply.text.starts_with("Somebody changed it first (status 412)\n"), "{}", reply.text);
    check_problem(&bench.read("/problems/unheard-of").await, 404, "about:blank");
}

#[tokio::test]
async fn a_person_gets_a_page_instead() {
    let bench = Bench::open().await;
    let reply = bench.post_form("/do/lines/belt-1/resume", "").await;
    assert_eq!(reply.status, 409);
    assert!(reply.header("content-type").starts_with("text/html"));
    assert!(reply.text.contains("belt-1 is idle; there is nothing to go on with"), "{}", reply.text);
    assert!(reply.text.contains("href=\"/\""));
}
