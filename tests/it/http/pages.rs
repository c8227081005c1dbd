//! The pages beside the first one, as text: the belt, a job with its copies, lists of jobs, the log. How they look is seen in
//! `tests/browser`.

use axum::body::Body;
use axum::http::Method;
use nosebar::foreman::{BeltView, FlawView, LineView};
use nosebar::job::{Job, JobReason, JobState};
use serde_json::json;

use super::fake::{Bench, NOON, a_job, idle_line, request};
use super::page::words;
use super::problems::check_problem;

fn belt() -> BeltView {
    BeltView {
        loop_mm: Some(600.0),
        bed_mm: [0.0, 220.0],
        overrun_mm: 20.0,
        splice_before_mm: Some(300.0),
        unsure_mm: 0.0,
        flaws: vec![FlawView { id: 2, before_mm: 40.0, length_mm: 25.0, note: "<b>glue</b>".to_owned() }],
        parts: Vec::new(),
        free_mm: Some(220.0),
        wear: None,
        placed_mm: None,
    }
}

#[tokio::test]
async fn the_belt_is_drawn_and_told_in_words() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(LineView { belt: Some(belt()), ..idle_line("belt-1") });
    for path in ["/", "/lines/belt-1/belt", "/parts/belt/belt-1"] {
        let page = bench.read(path).await;
        assert_eq!(page.status, 200, "{path}");
        let said = "Belt of 600 mm, the nose at the right. Splice 300 mm before the nose. Flaw 2 from 40 to 65 mm before the nose.";
        assert!(page.text.contains(&format!("aria-label=\"{said}\"")), "{path}: {}", page.text);
    }
    let page = bench.read("/lines/belt-1/belt").await.text;
    assert!(
        words(&page).contains("Flaw 2, 25.0 mm long, 40.0 mm before the nose: &#60;b&#62;glue&#60;/b&#62;"),
        "{page}"
    );
    check_problem(&bench.read("/lines/belt-9/belt").await, 404, "about:blank");
}

#[tokio::test]
async fn a_job_has_a_page_of_its_own_where_it_can_be_changed() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(Job { material: Some("petg".into()), ..a_job(6) }).await;
    let page = bench.read("/jobs/1").await;
    assert_eq!(page.status, 200);
    for field in ["name=\"version\" value=\"1\"", "name=\"copies\"", "value=\"petg\"", "action=\"/do/jobs/1/change\""] {
        assert!(page.text.contains(field), "{field}: {}", page.text);
    }
    check_problem(&bench.read("/jobs/7").await, 404, "about:blank");
}

#[tokio::test]
async fn ended_jobs_are_listed_page_by_page() {
    let bench = Bench::open().await;
    let mut fake = bench.fake.lock().await;
    let (state, reason) = (JobState::Completed, JobReason::JobCompletedSuccessfully);
    for _ in 0..120 {
        fake.add_job(Job { state, reason, completed: 1, ended_at: Some(NOON), ..a_job(1) }).await;
    }
    drop(fake);
    let mut path = "/jobs?state=ended".to_owned();
    let mut seen = Vec::new();
    for _ in 0..3 {
        let page = bench.read(&path).await.text;
        seen.push(page.matches("class=\"job ").count());
        let next = page.split("rel=\"next\"").next().and_then(|before| before.rsplit("href=\"").next());
        path = next.and_then(|next| next.split('"').next()).unwrap_or("").replace("&#38;", "&");
    }
    assert_eq!(seen, [50, 50, 20]);
    check_problem(&bench.read("/jobs?state=lost").await, 422, "/problems/invalid-value");
}

#[tokio::test]
async fn the_log_is_read_by_job_by_line_and_by_day_and_as_csv() {
    let bench = Bench::open().await;
    let mut fake = bench.fake.lock().await;
    let id = fake.add_job(a_job(1)).await.id;
    fake.note("state", None, "=the line says \"hello\", twice").await;
    fake.note("state", Some(id), "job 1 was looked at").await;
    drop(fake);
    let day = words(&bench.read("/log?day=2025-06-01").await.text);
    assert!(day.contains("Sunday, 1 June 2025") && day.contains("job 1 was looked at"), "{day}");
    for nothing in ["/log?day=2025-06-02", "/log?job=99", "/log?line=belt-7", "/log?day=2025-05-31"] {
        assert!(words(&bench.read(nothing).await.text).contains("Nothing of that kind was written down."), "{nothing}");
    }
    let of_job = words(&bench.read("/log?job=1").await.text);
    assert!(of_job.contains("job 1 was looked at") && !of_job.contains("hello"), "{of_job}");
    // Noon by UTC is the next day where it is 13 hours later.
    let late = bench.read("/log?day=2025-06-01&zone=Pacific/Auckland").await.text;
    assert!(words(&late).contains("job 1 was looked at"), "{late}");
    for wrong in ["/log?day=soon", "/log?job=x", "/log?zone=Moon%2FSea&day=2025-06-01", "/log?line=..%2Fx"] {
        check_problem(&bench.read(wrong).await, 422, "/problems/invalid-value");
    }
    let csv = bench.read("/log.csv").await;
    assert_eq!(csv.header("content-type"), "text/csv; charset=utf-8; header=present");
    let mut rows = csv.text.lines();
    assert_eq!(rows.next(), Some("number,at,line,job,cycle,kind,text"));
    // RFC 4180 §2.7: quotes within quotes are doubled; and what looks like a formula is text.
    assert!(
        csv.text.contains("2025-06-01T08:00:00Z,,,,state,\"'=the line says \"\"hello\"\", twice\""),
        "{}",
        csv.text
    );
}

#[tokio::test]
async fn the_whole_log_comes_as_csv_piece_by_piece() {
    let bench = Bench::open().await;
    for at in 0..1_203 {
        bench.fake.lock().await.note("state", None, &format!("entry {at}")).await;
    }
    let csv = bench.read("/log.csv").await.text;
    assert_eq!(csv.lines().count(), 1 + 1_203);
    assert!(csv.lines().nth(1).is_some_and(|last| last.ends_with("entry 1202")), "the newest first");
    let page = bench.read("/log").await.text;
    assert_eq!(page.matches("<li><time").count(), 100);
    let older = page.split("rel=\"next\"").next().and_then(|before| before.rsplit("href=\"").next()).expect("a link");
    let older = older.split('"').next().expect("an address").replace("&#38;", "&");
    assert!(words(&bench.read(&older).await.text).contains("entry 1102"));
}

#[tokio::test]
async fn a_phone_can_put_the_page_among_its_programs() {
    let bench = Bench::open().await;
    let manifest = bench.read("/manifest.webmanifest").await;
    assert_eq!(manifest.header("content-type"), "application/manifest+json");
    let manifest = manifest.json();
    assert_eq!((&manifest["start_url"], &manifest["display"]), (&json!("/"), &json!("standalone")));
    for icon in manifest["icons"].as_array().expect("icons") {
        let address = icon["src"].as_str().expect("an address");
        let answer = tower::ServiceExt::oneshot(bench.routes(), request(Method::GET, address, &[], Body::empty()));
        let answer = answer.await.expect("routes do not fail");
        assert_eq!(answer.status(), 200, "{address}");
        assert_eq!(answer.headers()["content-type"], icon["type"].as_str().expect("a type"));
    }
}

#[tokio::test]
async fn pages_travel_packed_and_streams_do_not() {
    let bench = Bench::open().await;
    let ask = async |path| {
        let asked = request(Method::GET, path, &[("accept-encoding", "gzip")], Body::empty());
        let answer = tower::ServiceExt::oneshot(bench.routes(), asked).await.expect("routes do not fail");
        answer.headers().get("content-encoding").map(|coding| coding.to_str().expect("text").to_owned())
    };
    for path in ["/", "/static/page.css", "/api/v1/lines"] {
        assert_eq!(ask(path).await.as_deref(), Some("gzip"), "{path}");
    }
    assert_eq!(ask("/api/v1/events").await, None);
}
