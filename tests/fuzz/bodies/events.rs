//! What happens, as server-sent events: whatever words it comes in, one thing that happened is one event.

use std::sync::Arc;

use axum::body::Body;
use axum::http::{HeaderValue, Request};
use futures_util::{FutureExt, StreamExt};
use nosebar::foreman::News;
use nosebar::job::{Job, JobId};
use nosebar::units::UnixMillis;
use serde_json::Value;

use super::house::{House, KEPT_ENTRIES, entry};

/// Things that happen at most in one go.
const NEWS_MAX: usize = 24;

/// Opens the stream and lets things happen. Bytes up to the first 0xFF are the `Last-Event-ID`, each stretch behind it is
/// the words of a job or of an entry of the journal, in turn.
///
/// # Panics
/// If an event is missing, is more than one, comes out of turn, or says something else than what happened.
pub fn check(house: &House, data: &[u8]) {
    let mut stretches = data.split(|byte| *byte == 0xFF);
    let last = stretches.next().unwrap_or_default();
    let words: Vec<String> =
        stretches.take(NEWS_MAX).map(|stretch| String::from_utf8_lossy(stretch).into_owned()).collect();
    let request = Request::get("/api/v1/events").header("host", "127.0.0.1:8017");
    let request = match HeaderValue::from_bytes(last) {
        Ok(last) => request.header("last-event-id", last),
        Err(_) => request,
    };
    let request = request.body(Body::empty()).expect("a good request");
    house.block_on(read_along(house, request, first_of(last), &words));
}

/// Number of the first entry that the reader has not seen. A number that the journal has not means nothing.
fn first_of(last: &[u8]) -> i64 {
    let last = std::str::from_utf8(last).ok().and_then(|text| text.parse().ok());
    last.filter(|last| (0..=KEPT_ENTRIES).contains(last)).unwrap_or(KEPT_ENTRIES) + 1
}

async fn read_along(house: &House, request: Request<Body>, first: i64, words: &[String]) {
    let response = house.ask(request).await;
    assert_eq!(response.status(), 200);
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    let mut body = response.into_body().into_data_stream();
    let mut next = async || {
        let bytes = body.next().await.expect("the stream goes on").expect("the stream is whole");
        parse(std::str::from_utf8(&bytes).expect("events are UTF-8"))
    };
    for seq in first..=KEPT_ENTRIES {
        let event = next().await;
        assert_eq!((event.name.as_str(), event.id), ("journal", Some(seq)));
    }
    for (at, text) in (0..).zip(words) {
        house.publish(news(at, text));
    }
    for (at, text) in (0..).zip(words) {
        let event = next().await;
        if at % 2 == 0 {
            assert_eq!((event.name.as_str(), event.id), ("job", None));
            assert_eq!((event.data["id"].as_i64(), event.data["name"].as_str()), (Some(at), Some(text.as_str())));
        } else {
            let seq = seq_of(at);
            assert_eq!((event.name.as_str(), event.id), ("journal", Some(seq)));
            assert_eq!((event.data["seq"].as_i64(), event.data["text"].as_str()), (Some(seq), Some(text.as_str())));
            assert_eq!((event.data["kind"].as_str(), &event.data["data"]), (Some(text.as_str()), &facts(text)));
        }
    }
    assert!(next().now_or_never().is_none(), "an event that nothing stands for");
}

fn seq_of(at: i64) -> i64 {
    KEPT_ENTRIES + 1 + at / 2
}

fn news(at: i64, text: &str) -> News {
    if at % 2 == 0 {
        News::Job(Arc::new(Job::waiting(JobId(at), text.to_owned(), "0".repeat(64), 1, UnixMillis(0))))
    } else {
        News::Journal(Arc::new(entry(seq_of(at), text, text, facts(text))))
    }
}

/// The words as facts for programs: what they say if they are JSON, else themselves.
fn facts(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|_| text.into())
}

#[derive(Debug, Default)]
struct Event {
    name: String,
    id: Option<i64>,
    data: Value,
}

/// The fields of one event by WHATWG HTML §9.2.6, where a line ends with LF, CR LF or CR.
fn parse(text: &str) -> Event {
    let block = text.strip_suffix("\n\n").unwrap_or_else(|| panic!("{text:?} does not end an event"));
    let mut event = Event::default();
    let mut seen = Vec::new();
    for line in block.split(['\n', '\r']) {
        let (field, value) = line.split_once(':').unwrap_or_else(|| panic!("{line:?} is no field"));
        let value = value.strip_prefix(' ').unwrap_or(value);
        assert!(!seen.contains(&field), "{field} twice in {text:?}");
        seen.push(field);
        match field {
            "event" => value.clone_into(&mut event.name),
            "id" => event.id = Some(value.parse().expect("a number")),
            "data" => event.data = serde_json::from_str(value).expect("JSON"),
            _ => panic!("{line:?} is no field of ours"),
        }
    }
    event
}
