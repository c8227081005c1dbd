//! Hostile pages and foreign names get nothing; our own page gets everything.

use std::fs;
use std::path::Path;

use axum::body::Body;
use axum::http::Method;

use super::fake::{Bench, a_job, request};
use super::problems::check_problem;

/// Every route that changes something, read from the program's own text, with names that exist put in: a new one is in here by
/// itself.
fn changing() -> Vec<(&'static str, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http");
    let mut found = Vec::new();
    for file in fs::read_dir(&folder).expect("the folder of the room") {
        let file = file.expect("a file").path();
        let text = fs::read_to_string(&file).expect("a text");
        for route in text.split(".route(").skip(1) {
            let address = route.split('"').nth(1).expect("an address in quotes");
            // Its handlers: up to the end of the call.
            let handlers = route.lines().next().expect("a line");
            for (call, method) in [("post(", "POST"), ("patch(", "PATCH"), ("put(", "PUT"), ("delete(", "DELETE")] {
                if handlers.contains(call) {
                    found.push((method, filled(address)));
                }
            }
        }
    }
    assert!(found.len() >= 30, "{found:?}");
    for known in ["/api/v1/jobs", "/do/proofs", "/api/v1/lines/belt-1/jog", "/do/lines/belt-1/belt/mark-flaw"] {
        assert!(found.iter().any(|(_, path)| path == known), "{known} is not among {found:?}");
    }
    found
}

/// What is not a form's address is the API's.
fn filled(address: &str) -> String {
    let id = if address.contains("/jobs/") { "cancel" } else { "stop" };
    let address =
        address.replace("{name}", "belt-1").replace("{id}", "1").replace("{what}", id).replace("{topic}", "loop");
    if address.starts_with("/do/") || address.starts_with("/api/") { address } else { format!("/api/v1{address}") }
}

#[tokio::test]
async fn a_foreign_origin_changes_nothing() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    for (method, path) in changing() {
        for origin in ["http://example.org", "http://127.0.0.1:9999", "null"] {
            let method = method.parse().expect("a method");
            let headers = [("origin", origin), ("content-type", "application/json")];
            let reply = bench.send(request(method, &path, &headers, Body::from("{}"))).await;
            check_problem(&reply, 403, "/problems/foreign-origin");
        }
    }
    assert!(bench.fake.lock().await.asked.is_empty());
}

#[tokio::test]
async fn a_page_on_a_foreign_site_that_hides_its_origin_changes_nothing() {
    let bench = Bench::open().await;
    let headers = [("sec-fetch-site", "cross-site")];
    let reply = bench.send(request(Method::POST, "/api/v1/lines/belt-1/stop", &headers, Body::empty())).await;
    check_problem(&reply, 403, "/problems/foreign-origin");
}

#[tokio::test]
async fn our_own_origin_and_no_origin_may_change_things() {
    let bench = Bench::open().await;
    for headers in [vec![("origin", "http://127.0.0.1:8017")], Vec::new()] {
        let reply = bench.send(request(Method::POST, "/api/v1/lines/belt-1/stop", &headers, Body::empty())).await;
        assert_eq!(reply.status, 200, "{}", reply.text);
    }
}

#[tokio::test]
async fn a_foreign_name_pointed_at_this_machine_reads_nothing() {
    let mut bench = Bench::open().await;
    for host in ["rebound.example.org", "rebound.example.org:8017", ""] {
        let reply = bench.send(request(Method::GET, "/api/v1/jobs", &[("host", host)], Body::empty())).await;
        check_problem(&reply, 421, "/problems/wrong-host");
    }
    bench.desk = bench.desk.with_host_names(vec!["nosebar.local".to_owned()]);
    for host in ["nosebar.local:8017", "localhost:8017", "[::1]:8017", "192.168.0.20"] {
        let reply = bench.send(request(Method::GET, "/api/v1/jobs", &[("host", host)], Body::empty())).await;
        assert_eq!(reply.status, 200, "{host}");
    }
}

#[tokio::test]
async fn every_answer_forbids_what_the_page_does_not_need() {
    let bench = Bench::open().await;
    for path in ["/", "/api/v1/lines", "/nothing", "/static/page.css"] {
        let reply = bench.read(path).await;
        let policy = reply.header("content-security-policy");
        for rule in ["default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "base-uri 'none'"] {
            assert!(policy.contains(rule), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(reply.header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(reply.header("referrer-policy"), "same-origin", "{path}");
    }
}

#[tokio::test]
async fn without_the_key_nothing_is_changed_and_everything_can_be_read() {
    let mut bench = Bench::open().await;
    bench.desk = bench.desk.clone().with_key("0123456789abcdef");
    bench.fake.lock().await.add_job(a_job(1)).await;
    let wrong = [
        vec![],
        vec![("authorization", "Bearer 0123456789abcde")],
        vec![("authorization", "Basic 0123456789abcdef")],
        vec![("cookie", "nosebar-key=guess")],
        vec![("cookie", "other=0123456789abcdef")],
    ];
    for (method, path) in changing() {
        for headers in &wrong {
            let method = method.parse().expect("a method");
            let headers: Vec<_> = headers.iter().copied().chain([("content-type", "application/json")]).collect();
            let reply = bench.send(request(method, &path, &headers, Body::from("{}"))).await;
            check_problem(&reply, 401, "/problems/no-key");
            assert!(reply.header("www-authenticate").starts_with("Bearer realm=\"nosebar\""));
        }
    }
    assert!(bench.fake.lock().await.asked.is_empty());
    for path in ["/", "/api/v1/lines", "/api/v1/jobs", "/api/v1/health"] {
        assert_eq!(bench.send(request(Method::GET, path, &[], Body::empty())).await.status, 200, "{path}");
    }
}

#[tokio::test]
async fn the_key_counts_as_a_bearer_token_and_as_the_cookie_that_it_is_exchanged_for() {
    let mut bench = Bench::open().await;
    bench.desk = bench.desk.clone().with_key("0123456789abcdef");
    let reply = bench.send(request(Method::GET, "/key/0123456789abcdef", &[], Body::empty())).await;
    assert_eq!(reply.status, 303);
    assert_eq!(reply.header("location"), "/");
    let cookie = reply.header("set-cookie").to_owned();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let pair = cookie.split(';').next().expect("a name and a value");
    for headers in [[("cookie", pair)], [("authorization", "Bearer 0123456789abcdef")]] {
        let reply = bench.send(request(Method::POST, "/api/v1/lines/belt-1/stop", &headers, Body::empty())).await;
        assert_eq!(reply.status, 200, "{}", reply.text);
    }
    let reply = bench.send(request(Method::GET, "/key/guess", &[], Body::empty())).await;
    check_problem(&reply, 401, "/problems/no-key");
}
