//! A household of phones: many that follow what happens, and some that ask. A process of its own.

use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::task::JoinHandle;

use crate::common::asked;
use crate::common::asking::Connection;
use crate::common::process::Process;
use crate::common::watch::now;

/// What is said to the process that is the crowd: whom it asks, and for how long.
const HOST: &str = "--crowd-host";
const SECONDS: &str = "--crowd-seconds";
/// Pages that have their events, and questions a second.
const STREAMS: usize = 200;
const EVERY: Duration = Duration::from_millis(20);
/// What a page and a program ask for, in turn.
const ASKED: [&str; 10] = [
    "/",
    "/parts/line/one",
    "/api/v1/lines",
    "/parts/queue",
    "/api/v1/jobs?limit=100",
    "/parts/journal",
    "/api/v1/forecast",
    "/api/v1/lines/one",
    "/parts/ended",
    "/api/v1/journal",
];
const WELCOME_MAX: Duration = Duration::from_secs(20);

/// A crowd at work.
pub(crate) struct Crowd(Process);

/// What a crowd has met with.
#[derive(Default)]
pub(crate) struct Met {
    /// How long answers took, s.
    pub(crate) answers_s: Vec<f64>,
    /// Bytes and events of all streams.
    pub(crate) bytes: u64,
    pub(crate) events: u64,
}

impl Crowd {
    /// Starts one that asks for so long, and waits until all its streams are open.
    pub(crate) fn start(host: &str, seconds: f64) -> Self {
        let mut process = Process::own(&[HOST, host, SECONDS, &seconds.to_string()]);
        assert_eq!(process.line(), "ready");
        Self(process)
    }

    /// Waits until it has done.
    pub(crate) fn end(mut self) -> Met {
        let line = self.0.line();
        let mut figures = line.split(' ').map(|figure| figure.parse::<f64>().expect("a figure"));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole numbers")]
        let mut count = || figures.next().expect("a figure") as u64;
        let (bytes, events) = (count(), count());
        Met { bytes, events, answers_s: figures.collect() }
    }
}

/// Works as a crowd if this process was started for that, and then does not return.
pub(crate) fn be_crowd_if_asked() {
    let host = asked::value(HOST, String::new());
    if host.is_empty() {
        return;
    }
    let seconds = asked::value(SECONDS, 1.0);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let met = runtime.block_on(crowd(&host, seconds));
    let answers: Vec<String> = met.answers_s.iter().map(|s| format!("{s:.6}")).collect();
    println!("{} {} {}", met.bytes, met.events, answers.join(" "));
    std::process::exit(0);
}

async fn crowd(host: &str, seconds: f64) -> Met {
    let mut streams = Vec::new();
    for _ in 0..STREAMS {
        streams.push(tokio::time::timeout(WELCOME_MAX, follow(host)).await.expect("streams open soon"));
    }
    println!("ready");
    let until = now() + Duration::from_secs_f64(seconds);
    let readers: Vec<JoinHandle<(u64, u64)>> =
        streams.into_iter().map(|stream| tokio::spawn(read(stream, until))).collect();
    let answers_s = ask(host, until).await;
    let mut met = Met { answers_s, ..Met::default() };
    for reader in readers {
        let (bytes, events) = reader.await.expect("it read");
        met.bytes += bytes;
        met.events += events;
    }
    met
}

/// Opens a stream of events, and waits for the first.
async fn follow(host: &str) -> Connection {
    let mut connection = Connection::open(host).await.expect("the daemon listens");
    let request = connection.get("/api/v1/events");
    let stream = connection.stream();
    stream.write_all(&request).await.expect("the daemon reads");
    let mut got = Vec::new();
    while !got.windows(7).any(|piece| piece == b"event: ") {
        assert!(stream.read_buf(&mut got).await.expect("the stream stays") > 0, "the stream ended");
    }
    connection
}

async fn read(mut connection: Connection, until: Instant) -> (u64, u64) {
    let mut piece = vec![0; 16 * 1024];
    let (mut bytes, mut events) = (0, 0);
    loop {
        let got = match tokio::time::timeout_at(until.into(), connection.stream().read(&mut piece)).await {
            Err(_) => return (bytes, events),
            Ok(got) => got.expect("the stream stays"),
        };
        assert!(got > 0, "the stream ended");
        bytes += got as u64;
        events += memchr::memmem::find_iter(&piece[..got], b"event: ").count() as u64;
    }
}

/// Asks at its pace, whether or not there was an answer to what was asked before.
async fn ask(host: &str, until: Instant) -> Vec<f64> {
    let mut pace = tokio::time::interval(EVERY);
    let (back, mut idle) = tokio::sync::mpsc::unbounded_channel::<Connection>();
    let mut asking = Vec::new();
    for path in ASKED.iter().cycle() {
        pace.tick().await;
        if now() >= until {
            break;
        }
        let connection = match idle.try_recv() {
            Ok(connection) => connection,
            Err(_) => Connection::open(host).await.expect("the daemon listens"),
        };
        let back = back.clone();
        asking.push(tokio::spawn(async move {
            let mut connection = connection;
            let request = connection.get(path);
            let begun = now();
            let status = connection.ask(&request).await.expect("an answer");
            let took = begun.elapsed().as_secs_f64();
            assert_eq!(status, 200, "{path}: {}", connection.text());
            // Nobody asks any more when this fails.
            drop(back.send(connection));
            took
        }));
    }
    let mut answers = Vec::new();
    for one in asking {
        answers.push(one.await.expect("it was answered"));
    }
    answers
}
