//! `/api/v1/events`, read over a real connection.

use std::net::SocketAddr;
use std::time::Duration;

use axum::body::Body;
use axum::http::Method;
use futures_util::StreamExt;
use futures_util::stream::BoxStream;
use nosebar::foreman::KeyCommand;
use nosebar::http::serve;
use nosebar::job::{KeyId, Phase, Rights};
use serde_json::Value;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::time::timeout;
use tower::ServiceExt;

use super::fake::{Bench, a_job, busy_line, request};
use super::forecast::a_forecast;

const SOON: Duration = Duration::from_secs(10);

/// An event as it came.
#[derive(Debug)]
struct Event {
    name: String,
    id: Option<i64>,
    data: Value,
}

/// A reader of the stream.
struct Stream {
    bytes: BoxStream<'static, Vec<u8>>,
    text: String,
}

impl Stream {
    async fn open(at: SocketAddr, last: Option<&str>) -> Self {
        Self::open_with(at, None, last).await
    }

    async fn open_with(at: SocketAddr, key: Option<&str>, last: Option<&str>) -> Self {
        let mut request = reqwest::Client::new().get(format!("http://{at}/api/v1/events"));
        if let Some(key) = key {
            request = request.bearer_auth(key);
        }
        if let Some(last) = last {
            request = request.header("last-event-id", last);
        }
        let response = request.send().await.expect("an answer");
        assert_eq!(response.status(), 200);
        assert_eq!(response.headers()["content-type"], "text/event-stream");
        let bytes = response.bytes_stream().map(|piece| piece.map(|bytes| bytes.to_vec()).unwrap_or_default()).boxed();
        Self { bytes, text: String::new() }
    }

    /// The next event; `None` at the end of the stream.
    async fn next(&mut self) -> Option<Event> {
        loop {
            if let Some((block, rest)) = self.text.split_once("\n\n") {
                let event = parse(block);
                self.text = rest.to_owned();
                return Some(event);
            }
            let piece = timeout(SOON, self.bytes.next()).await.expect("something comes in time")?;
            self.text.push_str(&String::from_utf8(piece).expect("text"));
        }
    }

    /// The numbers of the next `count` journal entries.
    async fn numbers(&mut self, count: usize) -> Vec<i64> {
        let mut numbers = Vec::new();
        while numbers.len() < count {
            let event = self.next().await.expect("the stream goes on");
            if event.name == "journal" {
                assert_eq!(event.data["seq"], event.id.expect("journal entries have numbers"));
                numbers.extend(event.id);
            }
        }
        numbers
    }
}

/// A block of the stream, by the field rules of WHATWG HTML §9.2.6.
fn parse(block: &str) -> Event {
    let mut event = Event { name: String::new(), id: None, data: Value::Null };
    for line in block.lines() {
        match line.split_once(':').map(|(name, value)| (name, value.strip_prefix(' ').unwrap_or(value))) {
            Some(("event", name)) => name.clone_into(&mut event.name),
            Some(("id", id)) => event.id = Some(id.parse().expect("a number")),
            Some(("data", data)) => event.data = serde_json::from_str(data).expect("JSON"),
            other => panic!("unexpected field {other:?}"),
        }
    }
    event
}

/// The bench behind a real listener; dropping the sender shuts it down.
pub(super) async fn listening(bench: &Bench) -> (SocketAddr, oneshot::Sender<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let at = listener.local_addr().expect("an address");
    let (stop, stopped) = oneshot::channel();
    let desk = bench.desk.clone();
    tokio::spawn(async move {
        let shutdown = async { drop(stopped.await) };
        serve(listener, desk, shutdown).await.expect("it serves");
    });
    (at, stop)
}

#[tokio::test]
async fn a_stream_begins_with_the_lines_and_goes_on_with_what_happens() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    let mut stream = Stream::open(at, None).await;
    let first = stream.next().await.expect("an event");
    assert_eq!((first.name.as_str(), &first.data["name"], first.id), ("line", &Value::from("belt-1"), None));
    let mut fake = bench.fake.lock().await;
    fake.show(busy_line("belt-1", Phase::Print));
    fake.add_job(a_job(3)).await;
    drop(fake);
    let line = stream.next().await.expect("an event");
    assert_eq!((line.name.as_str(), &line.data["phase"]), ("line", &Value::from("print")));
    let job = stream.next().await.expect("an event");
    assert_eq!((job.name.as_str(), &job.data["copies_waiting"]), ("job", &Value::from(3)));
    let entry = stream.next().await.expect("an event");
    assert_eq!((entry.name.as_str(), entry.id), ("journal", Some(1)));
}

#[tokio::test]
async fn a_reader_that_comes_back_gets_what_it_missed_and_nothing_twice() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    for n in 1..=5 {
        bench.fake.lock().await.note("state", None, &format!("entry {n}")).await;
    }
    let mut stream = Stream::open(at, Some("2")).await;
    assert_eq!(stream.numbers(3).await, [3, 4, 5]);
    bench.fake.lock().await.note("state", None, "entry 6").await;
    assert_eq!(stream.numbers(1).await, [6]);
}

#[tokio::test]
async fn what_happens_while_the_journal_is_read_again_comes_once_and_in_order() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    // More than two pages of the journal, and news all the while.
    bench.fake.lock().await.note_quietly(450).await;
    let mut stream = Stream::open(at, Some("0")).await;
    let fake = std::sync::Arc::clone(&bench.fake);
    let writer = tokio::spawn(async move {
        for n in 0..50 {
            fake.lock().await.note("state", None, &format!("meanwhile {n}")).await;
        }
    });
    let numbers = stream.numbers(500).await;
    writer.await.expect("it wrote");
    assert_eq!(numbers, (1..=500).collect::<Vec<i64>>());
}

#[tokio::test]
async fn a_gap_in_the_news_is_filled_from_the_journal() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    let mut stream = Stream::open(at, None).await;
    stream.next().await.expect("the line");
    let mut fake = bench.fake.lock().await;
    fake.note("state", None, "heard").await;
    fake.note_quietly(3).await;
    fake.note("state", None, "heard again").await;
    drop(fake);
    assert_eq!(stream.numbers(5).await, [1, 2, 3, 4, 5]);
}

#[tokio::test]
async fn a_slow_reader_gets_the_lines_anew_and_every_entry() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    let mut stream = Stream::open(at, None).await;
    stream.next().await.expect("the line");
    // Far more than the channel holds, without giving the stream a turn: publishing does not wait.
    let mut fake = bench.fake.lock().await;
    fake.add_job(a_job(1)).await;
    fake.note_quietly(300).await;
    for _ in 0..500 {
        fake.show(busy_line("belt-1", Phase::Cool));
    }
    fake.note("state", None, "the last one").await;
    drop(fake);
    assert_eq!(stream.numbers(302).await, (1..=302).collect::<Vec<i64>>());
}

#[tokio::test]
async fn after_a_replay_the_jobs_that_it_speaks_of_are_sent_as_they_are_now() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    bench.fake.lock().await.add_job(a_job(7)).await;
    let mut stream = Stream::open(at, Some("0")).await;
    assert_eq!(stream.numbers(1).await, [1]);
    let job = stream.next().await.expect("an event");
    assert_eq!((job.name.as_str(), &job.data["copies"]), ("job", &Value::from(7)));
}

#[tokio::test]
async fn a_number_of_another_database_is_taken_for_none() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    for last in ["4000", "-3", "a title"] {
        let before = bench.fake.lock().await.last_seq();
        let mut stream = Stream::open(at, Some(last)).await;
        stream.next().await.expect("the line");
        bench.fake.lock().await.note("state", None, "new").await;
        assert_eq!(stream.numbers(1).await, [before + 1], "{last}");
    }
}

#[tokio::test]
async fn forecasts_come_with_pauses_and_the_last_one_counts() {
    let bench = Bench::open().await;
    let (at, _stop) = listening(&bench).await;
    bench.fake.lock().await.foretell(a_forecast());
    let mut stream = Stream::open(at, None).await;
    assert_eq!(stream.next().await.expect("an event").name, "line");
    // The one from before was on the page that the reader has; then a first one at once, and a crowd.
    for ratio in [1.0, 1.1, 1.2, 1.3] {
        let mut forecast = a_forecast();
        forecast.lines[0].print_ratio = ratio;
        bench.fake.lock().await.foretell(forecast);
        if ratio == 1.0 {
            let first = stream.next().await.expect("an event");
            assert_eq!((first.name.as_str(), &first.data["lines"][0]["print_ratio"]), ("forecast", &ratio.into()));
            assert_eq!(first.data["jobs"], Value::Null);
        }
    }
    assert!(timeout(Duration::from_millis(700), stream.bytes.next()).await.is_err(), "not twice in a second");
    let second = stream.next().await.expect("an event");
    assert_eq!((second.name.as_str(), &second.data["lines"][0]["print_ratio"]), ("forecast", &Value::from(1.3)));
}

#[tokio::test]
async fn a_stream_ends_when_the_daemon_shuts_down() {
    let bench = Bench::open().await;
    let (at, stop) = listening(&bench).await;
    let mut stream = Stream::open(at, None).await;
    stream.next().await.expect("the line");
    drop(stop);
    assert!(stream.next().await.is_none());
}

/// WHATWG HTML §9.2: a comment every 15 seconds or so keeps proxies from closing the connection.
#[tokio::test]
async fn a_quiet_stream_says_every_fifteen_seconds_that_it_is_alive() {
    let bench = Bench::open().await;
    let request = request(Method::GET, "/api/v1/events", &[], Body::empty());
    let response = bench.routes().oneshot(request).await.expect("routes do not fail");
    let mut pieces = response.into_body().into_data_stream();
    let line = pieces.next().await.expect("a piece").expect("bytes");
    assert!(line.starts_with(b"event: line\n"));
    tokio::time::pause();
    assert!(timeout(Duration::from_millis(14_900), pieces.next()).await.is_err(), "it is quiet at first");
    let beat =
        timeout(Duration::from_millis(200), pieces.next()).await.expect("in time").expect("a piece").expect("bytes");
    let text = String::from_utf8(beat.to_vec()).expect("text");
    assert!(text.starts_with(": ") && text.ends_with("\n\n"), "{text:?}");
}

#[tokio::test]
async fn a_revoked_key_ends_its_streams_at_once_and_no_others() {
    let mut bench = Bench::open().await;
    let (phone, screen) = (bench.keyed(Rights::Operate).await, bench.keyed(Rights::Watch).await);
    let (at, _stop) = listening(&bench).await;
    let mut of_phone = Stream::open_with(at, Some(&phone), None).await;
    let mut of_screen = Stream::open_with(at, Some(&screen), None).await;
    for stream in [&mut of_phone, &mut of_screen] {
        assert_eq!(stream.next().await.expect("an event").name, "line");
    }
    let revoke = KeyCommand::Revoke { id: KeyId(1), although_last: true };
    bench.fake.lock().await.do_to_key(revoke).expect("revoked");
    assert!(of_phone.next().await.is_none(), "the stream has ended");
    bench.fake.lock().await.note("state", None, "goes on").await;
    assert_eq!(of_screen.numbers(1).await, [1]);
    let again = reqwest::Client::new().get(format!("http://{at}/api/v1/events")).bearer_auth(&phone).send().await;
    assert_eq!(again.expect("an answer").status(), 401);
}
