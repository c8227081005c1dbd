//! The page, and the parts of it that a living page fetches anew.

use askama::Template;
use axum::Router;
use axum::extract::{Path, RawQuery, State};
use axum::response::Html;
use axum::routing::get;

use super::curve::{self, CurveSight};
use super::desk::{Cursor, Desk, JobList};
use super::error::HttpError;
use super::frame::{Frame, Here};
use super::picture::{CARD_PX, ROW_PX, sight_of};
use super::proof_sight::proofs;
use super::strip::{Reach, Strip};
use super::views::{Due, EntrySight, JobSight, LineSight, PictureSight};
use super::words::{self, Tone};
use crate::foreman::{ForecastView, LineView};
use crate::job::Job;
use crate::store::JobSet;

/// Jobs and entries that the page shows; programs get the rest from the API.
const OPEN_SHOWN: u32 = 50;
const ENDED_SHOWN: u32 = 20;
const ENTRIES_SHOWN: u32 = 15;

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/", get(show_page))
        .route("/parts/line/{name}", get(show_line))
        .route("/parts/queue", get(show_queue))
        .route("/parts/proofs", get(show_proofs))
        .route("/parts/ended", get(show_ended))
        .route("/parts/journal", get(show_journal))
}

#[derive(Template)]
#[template(path = "page.html", config = "web/askama.toml")]
struct PageTemplate {
    frame: Frame,
    title: String,
    /// The longest file that is taken, bytes.
    upload_max: u64,
    /// Whether it loads itself anew where scripts do not run.
    reloads: bool,
    lines: Vec<String>,
    queue: String,
    proofs: String,
    ended: String,
    journal: String,
}

#[derive(Template)]
#[template(path = "line.html", config = "web/askama.toml")]
struct LineTemplate<'a> {
    view: &'a LineView,
    sight: LineSight<'a>,
    picture: Option<PictureSight>,
    /// The whole belt, to scale.
    strip: Option<Strip>,
    curve: Option<CurveSight>,
}

#[derive(Template)]
#[template(path = "queue.html", config = "web/askama.toml")]
struct QueueTemplate {
    open: Vec<JobSight>,
    /// Where those are that are not shown.
    next: Option<String>,
    /// When everything that has a time is made, where that is more than one job.
    all_due: Option<Due>,
    /// How many jobs have none.
    without_time: usize,
}

#[derive(Template)]
#[template(path = "ended.html", config = "web/askama.toml")]
struct EndedTemplate {
    ended: Vec<JobSight>,
    /// Where those are that are not shown.
    next: Option<String>,
}

#[derive(Template)]
#[template(path = "journal.html", config = "web/askama.toml")]
struct JournalTemplate {
    entries: Vec<EntrySight>,
}

/// `GET /`; with `?still` it does not load itself anew where scripts do not run.
async fn show_page(State(desk): State<Desk>, RawQuery(query): RawQuery) -> Result<Html<String>, HttpError> {
    let (live, forecast) = (desk.handle.live(), desk.handle.forecast());
    let mut views: Vec<_> = live.lines.iter().collect();
    // Whoever needs a person comes first; otherwise the order of the config.
    views.sort_by_key(|view| std::cmp::Reverse(view.question.is_some()));
    let mut lines = Vec::with_capacity(views.len());
    for view in &views {
        lines.push(line(&desk, view, &forecast).await?);
    }
    let page = PageTemplate {
        frame: Frame::new(Here::Lines),
        title: title(&views),
        upload_max: desk.upload_max,
        reloads: query.as_deref() != Some("still"),
        lines,
        queue: queue(&desk).await?,
        proofs: proofs(&desk)?,
        ended: ended(&desk).await?,
        journal: journal(&desk).await?,
    };
    render(&page).map(Html)
}

async fn show_line(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Html<String>, HttpError> {
    line(&desk, &desk.line(&name)?, &desk.handle.forecast()).await.map(Html)
}

async fn show_queue(State(desk): State<Desk>) -> Result<Html<String>, HttpError> {
    queue(&desk).await.map(Html)
}

async fn show_proofs(State(desk): State<Desk>) -> Result<Html<String>, HttpError> {
    proofs(&desk).map(Html)
}

async fn show_ended(State(desk): State<Desk>) -> Result<Html<String>, HttpError> {
    ended(&desk).await.map(Html)
}

async fn show_journal(State(desk): State<Desk>) -> Result<Html<String>, HttpError> {
    journal(&desk).await.map(Html)
}

/// The worst of the lines, for the browser's tab.
fn title(views: &[&LineView]) -> String {
    // Of several, the first one in the order of the page.
    let worst = views.iter().rev().max_by_key(|view| words::tone_of_line(view));
    let Some(view) = worst else { return "Nosebar".to_owned() };
    let name_and_state = format!("{} · {}", view.name, words::line_state(view.state));
    match words::tone_of_line(view) {
        Tone::Calm if views.len() == 1 => name_and_state,
        Tone::Calm => format!("Nosebar · {} lines", views.len()),
        tone => format!("{}: {name_and_state}", tone.word()),
    }
}

async fn line(desk: &Desk, view: &LineView, forecast: &ForecastView) -> Result<String, HttpError> {
    let job = match &view.work {
        Some(work) => desk.find_job(work.job).await?,
        None => None,
    };
    let picture = match job {
        Some(job) => sight_of(desk, &job, Some(&view.name), CARD_PX).await?,
        None => None,
    };
    let strip = view.belt.as_ref().and_then(|belt| Strip::new(belt, Reach::Loop));
    let (sight, curve) = (LineSight::new(view, forecast), curve::sight_of(desk, view));
    render(&LineTemplate { view, sight, picture, strip, curve })
}

async fn queue(desk: &Desk) -> Result<String, HttpError> {
    let (open, next) = rows(desk, JobSet::Open, OPEN_SHOWN).await?;
    let forecast = desk.handle.forecast();
    let (all_due, without_time) = (Due::of_all(&forecast), forecast.jobs_without_figure);
    render(&QueueTemplate {
        open,
        next: next.map(|next| format!("/jobs?state=open&after={next}")),
        all_due,
        without_time,
    })
}

async fn ended(desk: &Desk) -> Result<String, HttpError> {
    let (ended, next) = rows(desk, JobSet::Ended, ENDED_SHOWN).await?;
    render(&EndedTemplate { ended, next: next.map(|next| format!("/jobs?state=ended&after={next}")) })
}

/// The first jobs of a set, and where they go on.
async fn rows(desk: &Desk, set: JobSet, limit: u32) -> Result<(Vec<JobSight>, Option<Cursor>), HttpError> {
    let page = desk.list_jobs(JobList::One(set), None, limit).await?;
    let forecast = desk.handle.forecast();
    let mut sights = Vec::with_capacity(page.jobs.len());
    for job in page.jobs {
        sights.push(job_sight(desk, job, &forecast).await?);
    }
    Ok((sights, page.next))
}

/// A job with what is foretold of it, what a person should read, and its picture.
pub(super) async fn job_sight(desk: &Desk, job: Job, forecast: &ForecastView) -> Result<JobSight, HttpError> {
    let mut sight = JobSight::new(job).foretold(forecast);
    if sight.for_review() {
        sight.concerns = desk.survey(&sight.job).await?.map(|survey| survey.concerns).unwrap_or_default();
    }
    if sight.job.state.is_terminal() {
        sight.lacking = desk.lacking(&sight.job).await?;
    } else {
        sight.picture = sight_of(desk, &sight.job, sight.job.line.as_ref(), ROW_PX).await?;
    }
    Ok(sight)
}

async fn journal(desk: &Desk) -> Result<String, HttpError> {
    let entries = desk.journal_end(ENTRIES_SHOWN).await?;
    render(&JournalTemplate { entries: entries.into_iter().map(|entry| EntrySight { entry }).collect() })
}

pub(super) fn render(template: &impl Template) -> Result<String, HttpError> {
    template.render().map_err(|error| {
        tracing::error!("a page could not be written: {error}");
        HttpError::Internal
    })
}
