//! `/api/v1/events`: what happens, as it happens, as server-sent events (WHATWG HTML §9.2).
//!
//! `journal` events bear their number as id, and come without gap or double: whatever a reader missed, by a lost connection or
//! by being slow, is read again from the journal. `line` and `job` events say what something looks like now; after a gap the
//! present state of whatever changed is sent again. `forecast` events say that the forecast looks different; they tell the times
//! of the lines, and come at most once in a second.

use std::collections::{BTreeSet, VecDeque};
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::header::HeaderName;
use axum::http::{Extensions, HeaderMap};
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::stream;
use serde::Serialize;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::watch;
use tokio::time::Sleep;

use super::desk::Desk;
use super::document::{Api, routes};
use super::door::Leave;
use super::error::HttpError;
use super::jobs::JobBody;
use crate::foreman::{ForecastView, LineForecastView, Live, News};
use crate::job::JobId;
use crate::store::Entry;
use crate::units::UnixMillis;

/// Entries read from the journal at a time.
const PAGE: u32 = 200;
/// A quiet stream says this often that it is alive, so that neither end nor a proxy gives it up.
const QUIET_MAX: Duration = Duration::from_secs(15);
/// Between two `forecast` events.
const FORECAST_PAUSE: Duration = Duration::from_secs(1);

pub(super) fn router() -> Api {
    Api::new().routes(routes!(stream_events))
}

/// What happens, as it happens
///
/// A stream without end of server-sent events, whose data are JSON. `journal`: an entry of the journal, with its number as id;
/// they come without gap. `line` and `job`: what it looks like now. `forecast`: times of the lines that look different now.
/// `beat`: nothing has happened for a quarter of a minute.
#[utoipa::path(get, path = "/events",
    params(("Last-Event-ID" = Option<i64>, Header,
        description = "The last journal number that the reader has; what came after it is sent first.")),
    responses((status = 200, description = "The stream.", content_type = "text/event-stream", body = String)))]
async fn stream_events(
    State(desk): State<Desk>,
    headers: HeaderMap,
    extensions: Extensions,
) -> Result<impl IntoResponse, HttpError> {
    let leave = Leave::of(&desk, extensions.get().copied());
    let asked = headers.get("last-event-id").and_then(|value| value.to_str().ok()).and_then(|id| id.parse().ok());
    let feed = Feed::open(desk, leave, asked).await?;
    let events = stream::unfold(feed, |mut feed| async {
        let event = feed.next().await?;
        Some((Ok::<_, Infallible>(event), feed))
    });
    // Scripts do not see comments: the event tells them too that the line is not dead.
    let beat = Event::default().comment("still here").event("beat").data("{}");
    let unbuffered = [(HeaderName::from_static("x-accel-buffering"), "no")];
    Ok((unbuffered, Sse::new(events).keep_alive(KeepAlive::new().interval(QUIET_MAX).event(beat))))
}

/// One reader's place in what happens.
struct Feed {
    desk: Desk,
    /// Over when the reader's key is revoked.
    leave: Leave,
    news: Receiver<News>,
    /// The last journal number that was sent, or that the reader has.
    last: i64,
    /// Whether the journal has, or may have, entries that the reader missed.
    behind: bool,
    /// Jobs that changed among what is being read again.
    changed: BTreeSet<JobId>,
    ready: VecDeque<Event>,
    forecasts: Forecasts,
}

impl Feed {
    /// Listens first and reads afterwards, so that nothing falls between.
    async fn open(desk: Desk, leave: Leave, asked: Option<i64>) -> Result<Self, HttpError> {
        let news = desk.handle.subscribe();
        let live = desk.handle.live();
        let last = match asked {
            Some(id) if desk.journal_has(id).await? => id,
            // None, or a number from another database.
            _ => live.seq,
        };
        let ready = lines(&live).collect();
        let forecasts = Forecasts::of(desk.handle.watch_forecast());
        Ok(Self { desk, leave, news, last, behind: asked.is_some(), changed: BTreeSet::new(), ready, forecasts })
    }

    /// The next event; `None` ends the stream, and the reader comes again.
    async fn next(&mut self) -> Option<Event> {
        loop {
            if self.leave.is_over() {
                return None;
            }
            if let Some(event) = self.ready.pop_front() {
                return Some(event);
            }
            if self.behind {
                self.read_again().await?;
                continue;
            }
            let closing = self.desk.closing.clone();
            let news = tokio::select! {
                () = closing.cancelled() => return None,
                () = self.leave.over() => return None,
                news = self.news.recv() => news,
                forecast = self.forecasts.next() => {
                    self.ready.push_back(forecast);
                    continue;
                }
            };
            match news {
                Ok(news) => self.take(&news),
                Err(RecvError::Lagged(missed)) => {
                    tracing::debug!(missed, "a slow reader of the events reads the journal again");
                    self.behind = true;
                    self.ready.extend(lines(&self.desk.handle.live()));
                }
                Err(RecvError::Closed) => return None,
            }
        }
    }

    fn take(&mut self, news: &News) {
        match news {
            News::Journal(entry) if entry.seq <= self.last => {}
            News::Journal(entry) if entry.seq == self.last + 1 => self.push_entry(entry),
            // It is in the store already, with those before it.
            News::Journal(_) => self.behind = true,
            News::Line(line) => self.ready.push_back(event("line", &**line)),
            News::Job(job) => self.ready.push_back(event("job", &JobBody::of(job))),
        }
    }

    /// Sends one page of the journal; after the last one, the jobs that it speaks of.
    async fn read_again(&mut self) -> Option<()> {
        let entries = self.desk.journal_after(self.last, PAGE).await.ok()?;
        self.behind = entries.len() == PAGE as usize;
        for entry in &entries {
            self.push_entry(entry);
            self.changed.extend(entry.job);
        }
        if !self.behind {
            for id in std::mem::take(&mut self.changed) {
                let job = self.desk.find_job(id).await.ok()?;
                self.ready.extend(job.map(|job| event("job", &JobBody::of(&job))));
            }
        }
        Some(())
    }

    fn push_entry(&mut self, entry: &Entry) {
        self.last = entry.seq;
        self.ready.push_back(event("journal", entry).id(entry.seq.to_string()));
    }
}

/// The forecasts of one reader, with pauses.
struct Forecasts {
    /// `None` when there are no more.
    watch: Option<watch::Receiver<Arc<ForecastView>>>,
    pause: Option<Pin<Box<Sleep>>>,
}

/// What a `forecast` event tells: jobs may be many, and are asked for by those who want them.
#[derive(Serialize)]
struct ForecastNews<'a> {
    at: UnixMillis,
    lines: &'a [LineForecastView],
}

impl Forecasts {
    /// The present one is known to whoever has just read the page.
    fn of(mut watch: watch::Receiver<Arc<ForecastView>>) -> Self {
        watch.mark_unchanged();
        Self { watch: Some(watch), pause: None }
    }

    /// The next one that looks different. Safe to cancel.
    async fn next(&mut self) -> Event {
        loop {
            if let Some(pause) = &mut self.pause {
                pause.await;
                self.pause = None;
            }
            let Some(watch) = &mut self.watch else { return std::future::pending().await };
            if watch.changed().await.is_err() {
                self.watch = None;
                continue;
            }
            self.pause = Some(Box::pin(tokio::time::sleep(FORECAST_PAUSE)));
            let forecast = watch.borrow_and_update();
            return event("forecast", &ForecastNews { at: forecast.at, lines: &forecast.lines });
        }
    }
}

fn lines(live: &Arc<Live>) -> impl Iterator<Item = Event> {
    live.lines.iter().map(|line| event("line", line))
}

fn event(name: &str, data: &impl Serialize) -> Event {
    // JSON has no line breaks, so this is one `data` field.
    let text = serde_json::to_string(data).expect("invariant: views are JSON");
    Event::default().event(name).data(text)
}
