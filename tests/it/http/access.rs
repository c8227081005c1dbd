//! Hostile pages and foreign names get nothing; our own page gets everything.

use axum::body::Body;
use axum::http::Method;

use super::fake::{Bench, a_job, request};
use super::problems::check_problem;
use super::routes::{filled, routes};

#[tokio::test]
async fn a_foreign_origin_changes_nothing() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    for (method, route) in routes().into_iter().filter(|(method, _)| *method != "GET") {
        for origin in ["http://example.org", "http://127.0.0.1:9999", "null"] {
            let method = method.parse().expect("a method");
            let headers = [("origin", origin), ("content-type", "application/json")];
            let reply = bench.send(request(method, &filled(&route), &headers, Body::from("{}"))).await;
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
