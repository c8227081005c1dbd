//! The journal for people: `/log`, by job, by line and by day, and the same as CSV (RFC 4180) at `/log.csv`.

use askama::Template;
use axum::Router;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use futures_util::stream;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::desk::{Desk, line_name, shorten};
use super::error::HttpError;
use super::frame::{Frame, Here};
use super::pages::render;
use super::views::{EntrySight, Stamp};
use crate::job::{JobId, LineName};
use crate::store::{Entry, JournalFilter};
use crate::units::UnixMillis;

/// Entries on a page, and in a piece of the CSV.
const SHOWN: u32 = 100;
const PIECE: u32 = 500;

pub(super) fn router() -> Router<Desk> {
    Router::new().route("/log", get(show_log)).route("/log.csv", get(send_csv))
}

/// Which entries are asked for. Forms send every field; an empty one asks for nothing.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct LogQuery {
    job: String,
    line: String,
    /// A day, such as `2026-03-29`.
    day: String,
    /// The reader's time zone by its name in the tz database; UTC if absent.
    zone: String,
    /// Only entries with lesser numbers: the next page.
    before: String,
}

/// What a query asks for, read.
#[derive(Clone, Debug)]
struct Wanted {
    job: Option<JobId>,
    line: Option<LineName>,
    span: Option<(UnixMillis, UnixMillis)>,
    before: i64,
}

impl LogQuery {
    fn read(&self) -> Result<Wanted, HttpError> {
        let number = |field: &str, text: &str| match text.trim() {
            "" => Ok(None),
            text => text.parse::<i64>().map(Some).map_err(|_| HttpError::Invalid {
                text: format!("{field} is {:?}, expected a whole number", shorten(text)),
            }),
        };
        let span = (!self.day.trim().is_empty()).then(|| day_span(self.day.trim(), self.zone.trim())).transpose()?;
        let line = (!self.line.trim().is_empty()).then(|| line_name(self.line.trim())).transpose()?;
        let before = number("before", &self.before)?.unwrap_or(i64::MAX);
        Ok(Wanted { job: number("job", &self.job)?.map(JobId), line, span, before })
    }

    /// The same question, less the page, for an address.
    fn address(&self, path: &str, before: Option<i64>) -> String {
        let mut fields = form_urlencoded::Serializer::new(String::new());
        for (name, value) in [("job", &self.job), ("line", &self.line), ("day", &self.day), ("zone", &self.zone)] {
            if !value.trim().is_empty() {
                fields.append_pair(name, value.trim());
            }
        }
        if let Some(before) = before {
            fields.append_pair("before", &before.to_string());
        }
        match fields.finish() {
            empty if empty.is_empty() => path.to_owned(),
            fields => format!("{path}?{fields}"),
        }
    }
}

/// From the beginning of a day to its end where the reader is: not always 24 hours.
fn day_span(day: &str, zone: &str) -> Result<(UnixMillis, UnixMillis), HttpError> {
    let date: Date = day.parse().map_err(|_| HttpError::Invalid {
        text: format!("day is {:?}, expected a date such as 2026-03-29", shorten(day)),
    })?;
    let zone = if zone.is_empty() { TimeZone::UTC } else { zone_of(zone)? };
    let start = |date: Date| date.to_zoned_datetime(zone.clone()).map(|at| UnixMillis(at.timestamp().as_millisecond()));
    let ends = || Ok::<_, jiff::Error>((start(date)?, start(date.tomorrow()?)?));
    ends().map_err(|_| HttpError::Invalid { text: format!("day is {day:?}, which is too far away") })
}

fn zone_of(name: &str) -> Result<TimeZone, HttpError> {
    TimeZone::get(name).map_err(|_| HttpError::Invalid {
        text: format!("zone is {:?}, expected a name of the tz database such as Europe/Lisbon", shorten(name)),
    })
}

/// Reads the journal backwards, a piece at a time.
struct Pages {
    desk: Desk,
    wanted: Wanted,
    filter: JournalFilter,
    /// Entries with lesser numbers were written before the day.
    first: i64,
}

impl Pages {
    async fn open(desk: Desk, wanted: Wanted) -> Result<Self, HttpError> {
        let span = match wanted.span {
            None => Some((i64::MIN, i64::MAX)),
            Some((from, until)) => desk.reader.journal_span(from, until).await?,
        };
        // An empty day: nothing has a lesser number than the first one.
        let (first, last) = span.unwrap_or((i64::MAX, 0));
        let filter = match (&wanted.job, &wanted.line) {
            (Some(job), _) => JournalFilter::Job(*job),
            (None, Some(line)) => JournalFilter::Line(line.clone()),
            (None, None) => JournalFilter::All,
        };
        let before = wanted.before.min(last.saturating_add(1));
        Ok(Self { desk, wanted: Wanted { before, ..wanted }, filter, first })
    }

    /// Up to about `limit` entries, the newest first, and whether there are more.
    async fn next(&mut self, limit: u32) -> Result<(Vec<Entry>, bool), HttpError> {
        let read = self.desk.reader.journal_before(&self.filter, self.wanted.before, limit).await?;
        let more = read.len() == limit as usize && read.last().is_some_and(|entry| entry.seq > self.first);
        if let Some(last) = read.last() {
            self.wanted.before = last.seq;
        }
        let Wanted { job, line, span, .. } = &self.wanted;
        let fits = |entry: &Entry| {
            entry.seq >= self.first
                && span.is_none_or(|(from, until)| (from..until).contains(&entry.at))
                && job.is_none_or(|job| entry.job == Some(job))
                && line.as_ref().is_none_or(|line| entry.line.as_ref() == Some(line))
        };
        Ok((read.into_iter().filter(|entry| fits(entry)).collect(), more))
    }
}

/// Entries of one day.
struct Day {
    /// Its date in the zone that was asked for, in words.
    date: String,
    entries: Vec<EntrySight>,
}

#[derive(Template)]
#[template(path = "log.html", config = "web/askama.toml")]
struct LogTemplate {
    frame: Frame,
    query: LogQuery,
    line_names: Vec<LineName>,
    days: Vec<Day>,
    older: Option<String>,
    csv: String,
    /// This page's own address.
    here: String,
    /// Whether this is the newest page, which goes on while it is looked at.
    newest: bool,
}

async fn show_log(State(desk): State<Desk>, Query(query): Query<LogQuery>) -> Result<Html<String>, HttpError> {
    let wanted = query.read()?;
    let newest = wanted.before == i64::MAX;
    let zone = if query.zone.trim().is_empty() { TimeZone::UTC } else { zone_of(query.zone.trim())? };
    let mut pages = Pages::open(desk.clone(), wanted).await?;
    let (entries, more) = pages.next(SHOWN).await?;
    let page = LogTemplate {
        frame: Frame::new(Here::Log),
        line_names: desk.handle.live().lines.iter().map(|view| view.name.clone()).collect(),
        days: days(entries, &zone),
        older: more.then(|| query.address("/log", Some(pages.wanted.before))),
        csv: query.address("/log.csv", None),
        here: query.address("/log", None),
        newest,
        query,
    };
    render(&page).map(Html)
}

fn days(entries: Vec<Entry>, zone: &TimeZone) -> Vec<Day> {
    let date = |at: UnixMillis| {
        let at = Timestamp::from_millisecond(at.0).unwrap_or(Timestamp::UNIX_EPOCH);
        at.to_zoned_datetime(zone.clone()).date()
    };
    let mut days: Vec<(Date, Day)> = Vec::new();
    for entry in entries {
        let of = date(entry.at);
        match days.last_mut() {
            Some((last, day)) if *last == of => day.entries.push(EntrySight { entry }),
            _ => days.push((
                of,
                Day { date: of.strftime("%A, %-d %B %Y").to_string(), entries: vec![EntrySight { entry }] },
            )),
        }
    }
    days.into_iter().map(|(_, day)| day).collect()
}

/// `GET /log.csv`: all that was asked for, the newest first, piece by piece.
async fn send_csv(State(desk): State<Desk>, Query(query): Query<LogQuery>) -> Result<Response, HttpError> {
    let pages = Pages::open(desk, query.read()?).await?;
    let head = row(&["number", "at", "line", "job", "cycle", "kind", "text"])?;
    let pieces = stream::try_unfold((Some(pages), head), |(pages, head)| async move {
        let Some(mut pages) = pages else { return Ok::<_, HttpError>(None) };
        let (entries, more) = pages.next(PIECE).await?;
        let mut text = head;
        for entry in &entries {
            text.extend(row(&fields(entry).each_ref().map(String::as_str))?);
        }
        Ok(Some((text, (more.then_some(pages), Vec::new()))))
    });
    let about = [
        (CONTENT_TYPE, "text/csv; charset=utf-8; header=present"),
        (CONTENT_DISPOSITION, "attachment; filename=\"nosebar-log.csv\""),
    ];
    Ok((about, Body::from_stream(pieces)).into_response())
}

fn fields(entry: &Entry) -> [String; 7] {
    let or_nothing = |text: Option<String>| text.unwrap_or_default();
    [
        entry.seq.to_string(),
        Stamp::full(entry.at).iso(),
        or_nothing(entry.line.as_ref().map(ToString::to_string)),
        or_nothing(entry.job.map(|job| job.to_string())),
        or_nothing(entry.cycle.map(|cycle| cycle.to_string())),
        entry.kind.clone(),
        harmless(&entry.text),
    ]
}

/// A spreadsheet takes a cell that begins like this for a formula; an apostrophe makes it text.
fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

fn row(fields: &[&str]) -> Result<Vec<u8>, HttpError> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let written = writer.write_record(fields).map_err(|error| error.to_string());
    written.and_then(|()| writer.into_inner().map_err(|error| error.to_string())).map_err(|error| {
        tracing::error!(error, "a line of CSV could not be written");
        HttpError::Internal
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The tz database, Europe/Lisbon: on 2026-03-29 clocks go from 01:00 to 02:00 (rule of the European Union: last Sunday of
    /// March, 01:00 UTC).
    #[test]
    fn a_day_is_the_reader_s_own_and_not_always_24_hours() {
        let hours = |day, zone| {
            let (from, until) = day_span(day, zone).expect("a day");
            (until.0 - from.0) / 3_600_000
        };
        assert_eq!(hours("2026-03-28", "Europe/Lisbon"), 24);
        assert_eq!(hours("2026-03-29", "Europe/Lisbon"), 23);
        assert_eq!(hours("2026-10-25", "Europe/Lisbon"), 25);
        assert_eq!(day_span("1970-01-02", "").expect("a day"), (UnixMillis(86_400_000), UnixMillis(172_800_000)));
        for (day, zone) in [("yesterday", ""), ("2026-02-30", ""), ("2026-03-29", "Nowhere/Atall"), ("9999-12-31", "")]
        {
            assert!(day_span(day, zone).is_err(), "{day} {zone}");
        }
    }

    #[test]
    fn a_cell_that_looks_like_a_formula_is_text() {
        assert_eq!(harmless("=1+1"), "'=1+1");
        assert_eq!(harmless("@sum"), "'@sum");
        assert_eq!(harmless("job 1 was taken in"), "job 1 was taken in");
    }

    #[test]
    fn a_question_goes_into_an_address_and_empty_fields_do_not() {
        let query = LogQuery { job: " 7".to_owned(), zone: "Asia/Tokyo".to_owned(), ..LogQuery::default() };
        assert_eq!(query.address("/log", Some(90)), "/log?job=7&zone=Asia%2FTokyo&before=90");
        assert_eq!(LogQuery::default().address("/log", None), "/log");
    }
}
