//! The document at `/api/v1/openapi.json` is whole, is true of what is answered, and names every operation that must be guarded.

use std::collections::BTreeSet;

use axum::body::Body;
use axum::http::Method;
use serde_json::{Value, json};

use super::fake::{Bench, Reply, a_job, request};
use super::problems::check_problem;
use super::schema::{check_refs, faults};
use nosebar::job::Rights;

const ADDRESS: &str = "/api/v1/openapi.json";
const METHODS: [&str; 7] = ["get", "head", "options", "post", "put", "patch", "delete"];

/// One operation of the document.
pub(super) struct Operation<'a> {
    pub(super) method: &'a str,
    pub(super) address: &'a str,
    pub(super) said: &'a Value,
}

impl Operation<'_> {
    pub(super) fn changes_something(&self) -> bool {
        !matches!(self.method, "get" | "head" | "options")
    }

    /// Its address with things that are there.
    pub(super) fn filled(&self) -> String {
        let filled = self.address.replace("{name}", "belt-1").replace("{id}", "1").replace("{cycle}", "1");
        assert!(!filled.contains('{'), "say here what is to stand in {filled}");
        filled
    }
}

pub(super) fn operations(document: &Value) -> Vec<Operation<'_>> {
    let paths = document["paths"].as_object().expect("paths");
    let mut found = Vec::new();
    for (address, item) in paths {
        for (method, said) in item.as_object().expect("operations") {
            assert!(METHODS.contains(&method.as_str()), "{address}: {method}");
            found.push(Operation { method, address, said });
        }
    }
    found
}

pub(super) async fn document(bench: &Bench) -> Value {
    let reply = bench.read(ADDRESS).await;
    assert_eq!((reply.status.as_u16(), reply.header("content-type")), (200, "application/json"));
    reply.json()
}

/// `OpenAPI` 3.1.1, §4.8: what a reader of the document relies on.
#[tokio::test]
async fn the_document_holds_to_the_rules_of_openapi() {
    let document = document(&Bench::open().await).await;
    assert!(document["openapi"].as_str().is_some_and(|version| version.starts_with("3.1.")), "{}", document["openapi"]);
    let info = &document["info"];
    assert_eq!((&info["title"], &info["version"]), (&json!("Nosebar"), &json!(env!("CARGO_PKG_VERSION"))));
    assert!(info["license"]["name"].is_string() && info["description"].is_string(), "{info}");
    assert_eq!(document["servers"][0]["url"], "/");
    assert!(check_refs(&document, &document) > 100, "it refers to what it has in common");
    let operations = operations(&document);
    assert!(operations.len() >= 30, "{}", operations.len());
    let mut ids = BTreeSet::new();
    let tags: Vec<&Value> = document["tags"].as_array().expect("tags").iter().map(|tag| &tag["name"]).collect();
    for Operation { method, address, said } in operations {
        let at = format!("{method} {address}");
        assert!(address.starts_with("/api/v1/"), "{at}");
        assert!(ids.insert(said["operationId"].as_str().expect("an id")), "{at}: the id is there twice");
        assert!(said["summary"].as_str().is_some_and(|summary| summary.len() > 8), "{at}: no summary");
        assert!(tags.contains(&&said["tags"][0]), "{at}: the tag {} is not described", said["tags"]);
        let answers = said["responses"].as_object().expect("answers");
        assert!(answers.keys().any(|status| status.starts_with('2')), "{at}: nothing for the good end");
        let declared: BTreeSet<&str> = said["parameters"]
            .as_array()
            .into_iter()
            .flatten()
            .filter(|parameter| parameter["in"] == "path")
            .map(|parameter| {
                assert_eq!(parameter["required"], true, "{at}: {parameter}");
                parameter["name"].as_str().expect("a name")
            })
            .collect();
        let used: BTreeSet<&str> =
            address.split('{').skip(1).map(|piece| piece.split('}').next().expect("its end")).collect();
        assert_eq!(declared, used, "{at}");
    }
}

/// A request, and the status that it is answered with.
fn sample() -> Vec<(&'static str, &'static str, Value, u16)> {
    let none = Value::Null;
    vec![
        ("get", "/api/v1/health", none.clone(), 200),
        ("get", "/api/v1/jobs", none.clone(), 200),
        ("get", "/api/v1/jobs?limit=0", none.clone(), 422),
        ("get", "/api/v1/jobs?limit=many", none.clone(), 400),
        ("get", "/api/v1/jobs/1", none.clone(), 200),
        ("get", "/api/v1/jobs/7", none.clone(), 404),
        ("get", "/api/v1/jobs/%ff", none.clone(), 400),
        ("get", "/api/v1/jobs/1/survey", none.clone(), 200),
        ("get", "/api/v1/jobs/1/forecast", none.clone(), 404),
        ("get", "/api/v1/jobs/1/picture.png", none.clone(), 404),
        ("get", "/api/v1/lines", none.clone(), 200),
        ("get", "/api/v1/lines/belt-1", none.clone(), 200),
        ("get", "/api/v1/lines/belt-9", none.clone(), 404),
        ("get", "/api/v1/lines/belt-1/commission", none.clone(), 200),
        ("get", "/api/v1/journal", none.clone(), 200),
        ("get", "/api/v1/journal?limit=501", none.clone(), 422),
        ("get", "/api/v1/forecast", none.clone(), 200),
        ("get", ADDRESS, none.clone(), 200),
        ("patch", "/api/v1/jobs/1", json!({ "copies": 3 }), 200),
        ("patch", "/api/v1/jobs/1", json!({ "copis": 3 }), 422),
        ("patch", "/api/v1/jobs/1", none.clone(), 415),
        ("post", "/api/v1/jobs/1/move", json!({ "direction": "up" }), 200),
        ("post", "/api/v1/jobs/1/hold", none.clone(), 200),
        ("post", "/api/v1/lines/belt-1/resume", none.clone(), 409),
        ("post", "/api/v1/lines/belt-1/hold", json!({ "when": "now" }), 200),
        ("post", "/api/v1/lines/belt-1/hold", json!({ "when": "n".repeat(70_000) }), 413),
        ("post", "/api/v1/lines/belt-1/clear", json!({ "clear": true, "since": 1 }), 412),
        ("post", "/api/v1/lines/belt-1/commission", json!({ "topic": "loop", "values": { "loop_mm": 3000 } }), 200),
        ("post", "/api/v1/jobs", none, 400),
    ]
}

async fn ask(bench: &Bench, method: &str, path: &str, body: &Value) -> Reply {
    let method: Method = method.to_uppercase().parse().expect("a method");
    match body {
        Value::Null => bench.send(request(method, path, &[], Body::empty())).await,
        body => bench.send_json(method, path, body).await,
    }
}

#[tokio::test]
async fn what_is_answered_is_what_the_document_says() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(2)).await;
    let document = document(&bench).await;
    let operations = operations(&document);
    for (method, path, body, status) in sample() {
        let reply = ask(&bench, method, path, &body).await;
        let at = format!("{method} {path}");
        assert_eq!(reply.status, status, "{at}: {}", reply.text);
        let plain = path.split('?').next().expect("a path");
        let operation = operations
            .iter()
            .find(|said| said.method == method && (said.address == plain || is_of(said.address, plain)))
            .unwrap_or_else(|| panic!("{at} is not in the document"));
        check_answer(&document, operation, &reply, &at);
    }
}

fn is_of(address: &str, path: &str) -> bool {
    let (address, path): (Vec<_>, Vec<_>) = (address.split('/').collect(), path.split('/').collect());
    address.len() == path.len()
        && address.iter().zip(path).all(|(wanted, found)| wanted.contains('{') || *wanted == found)
}

/// Status, media type, headers and body of an answer are those of the document, and the body has no member that is not in it.
fn check_answer(document: &Value, operation: &Operation<'_>, reply: &Reply, at: &str) {
    let said = &operation.said["responses"][reply.status.as_str()];
    let said = match said["$ref"].as_str() {
        Some(place) => document.pointer(place.trim_start_matches('#')).expect("what is referred to"),
        None => said,
    };
    assert!(said.is_object(), "{at}: the status {} is not in the document", reply.status);
    for header in said["headers"].as_object().into_iter().flat_map(|headers| headers.keys()) {
        assert!(!reply.header(header).is_empty(), "{at}: no header {header}");
    }
    let schema = &said["content"][reply.header("content-type")]["schema"];
    assert!(schema.is_object(), "{at}: the content type {} is not in the document", reply.header("content-type"));
    let faults = faults(document, schema, &reply.json());
    assert!(faults.is_empty(), "{at}: {faults:#?}\n{}", reply.text);
}

#[tokio::test]
async fn no_operation_of_the_document_changes_anything_without_the_key() {
    let mut bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    let document = document(&bench).await;
    bench.keyed(Rights::Operate).await;
    let asked = bench.fake.lock().await.asked.len();
    let changing: Vec<_> = operations(&document).into_iter().filter(Operation::changes_something).collect();
    assert!(changing.len() >= 20, "{}", changing.len());
    for operation in &changing {
        let method: Method = operation.method.to_uppercase().parse().expect("a method");
        let headers = [("content-type", "application/json")];
        let reply = bench.send(request(method.clone(), &operation.filled(), &headers, Body::from("{}"))).await;
        check_problem(&reply, 401, "/problems/no-key");
        check_answer(&document, operation, &reply, operation.address);
    }
    assert_eq!(bench.fake.lock().await.asked.len(), asked, "nothing of this reached the foreman");
}

/// A list would be read as an object whose members have no names.
#[tokio::test]
async fn no_operation_takes_a_list_for_an_object() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    let document = document(&bench).await;
    let of_json = |operation: &Operation<'_>| operation.said["requestBody"]["content"]["application/json"].is_object();
    let operations: Vec<_> = operations(&document).into_iter().filter(of_json).collect();
    assert!(operations.len() >= 20, "{}", operations.len());
    for operation in &operations {
        let method: Method = operation.method.to_uppercase().parse().expect("a method");
        for list in [json!([]), json!([1]), json!(["now", null, 1])] {
            let reply = bench.send_json(method.clone(), &operation.filled(), &list).await;
            assert_eq!(reply.status, 422, "{} of {list}: {}", operation.address, reply.text);
            check_answer(&document, operation, &reply, operation.address);
        }
    }
    assert!(bench.fake.lock().await.asked.is_empty(), "nothing of this reached the foreman");
}

/// What was sent for something must not be left out because it is called something else, or nothing.
#[tokio::test]
async fn a_body_that_may_be_left_out_is_never_passed_over() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    let document = document(&bench).await;
    let may_be_left_out = |operation: &Operation<'_>| {
        let one_of = &operation.said["requestBody"]["content"]["application/json"]["schema"]["oneOf"];
        one_of.as_array().is_some_and(|one_of| one_of.contains(&json!({ "type": "null" })))
    };
    let operations: Vec<_> = operations(&document).into_iter().filter(may_be_left_out).collect();
    assert!(operations.len() >= 7, "{}", operations.len());
    for operation in &operations {
        let address = operation.filled();
        let named = [("content-type", "application/json")];
        let form = [("content-type", "application/x-www-form-urlencoded")];
        for headers in [&[] as &[_], &form] {
            let reply = bench.send(request(Method::POST, &address, headers, Body::from(r#"{"since":1}"#))).await;
            check_problem(&reply, 415, "about:blank");
            check_answer(&document, operation, &reply, operation.address);
        }
        assert!(bench.fake.lock().await.asked.is_empty(), "nothing of this reached the foreman");
        for (headers, nothing) in [(&[] as &[_], ""), (&named, ""), (&named, " \n"), (&named, "null"), (&form, "")] {
            let reply = bench.send(request(Method::POST, &address, headers, Body::from(nothing))).await;
            assert!(![400, 415, 422].contains(&reply.status.as_u16()), "{address} with {nothing:?}: {}", reply.text);
            bench.fake.lock().await.asked.clear();
        }
    }
}

/// The event stream has no end, so that the tool that tries all other operations leaves it out.
#[tokio::test]
async fn the_event_stream_is_what_the_document_says() {
    let bench = Bench::open().await;
    let document = document(&bench).await;
    let said = &document["paths"]["/api/v1/events"]["get"];
    let closing = bench.routes();
    let answer = tower::ServiceExt::oneshot(closing, request(Method::GET, "/api/v1/events", &[], Body::empty()));
    let answer = answer.await.expect("routes do not fail");
    let said = &said["responses"][answer.status().as_str()]["content"];
    let kind = answer.headers()["content-type"].to_str().expect("text");
    assert!(said[kind].is_object(), "{kind}: {said}");
    for last in ["0", "-1", "9999999999999999999999", "%00", ""] {
        let headers = [("last-event-id", last)];
        let answer =
            tower::ServiceExt::oneshot(bench.routes(), request(Method::GET, "/api/v1/events", &headers, Body::empty()));
        assert_eq!(answer.await.expect("routes do not fail").status(), 200, "{last:?}");
    }
}
