//! `/jobs/{id}`: one job with all that is known of it, its copies, and what can be changed. `/jobs`: the jobs page by page.

use askama::Template;
use axum::Router;
use axum::extract::{Path, Query, State};
use axum::response::Html;
use axum::routing::get;
use serde::Deserialize;

use super::desk::{Cursor, Desk, JobList};
use super::error::HttpError;
use super::frame::{Frame, Here};
use super::pages::{job_sight, render};
use super::picture::{CARD_PX, sight_of};
use super::proof_sight::filament;
use super::views::{JobSight, PictureSight, Stamp};
use super::words;
use crate::job::{CheckedBy, Cycle, LineName, Outcome, Survey};
use crate::store::JobSet;

/// Jobs on a page of the list.
const SHOWN: u32 = 50;

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/jobs", get(show_list))
        .route("/jobs/{id}", get(show_job))
        .route("/parts/job/{id}", get(show_part))
}

#[derive(Template)]
#[template(path = "job_page.html", config = "web/askama.toml")]
struct PageTemplate {
    frame: Frame,
    name: String,
    id: i64,
    part: String,
}

#[derive(Template)]
#[template(path = "job.html", config = "web/askama.toml")]
struct PartTemplate {
    sight: JobSight,
    picture: Option<PictureSight>,
    survey: Option<Survey>,
    copies: Vec<CopySight>,
    line_names: Vec<LineName>,
}

#[derive(Template)]
#[template(path = "job_list.html", config = "web/askama.toml")]
struct ListTemplate {
    frame: Frame,
    ended: bool,
    jobs: Vec<JobSight>,
    next: Option<String>,
}

/// A copy, ready for its template.
struct CopySight {
    cycle: Cycle,
}

impl CopySight {
    /// How it stands: "good, a person said so", "scrapped", "under way: Cool".
    fn standing(&self) -> String {
        match self.cycle.outcome {
            None => format!("under way: {}", words::phase(self.cycle.phase)),
            Some(Outcome::Returned) => "given back before anything was printed".to_owned(),
            Some(Outcome::Scrapped) => "scrapped".to_owned(),
            Some(Outcome::Completed) => match self.cycle.checked_by {
                Some(CheckedBy::Person) => "good, a person says".to_owned(),
                Some(CheckedBy::Switch) => "left the belt, the switch says".to_owned(),
                Some(CheckedBy::Command) => "left the belt, the program says".to_owned(),
                Some(CheckedBy::Nothing) | None => "made, nothing checked it".to_owned(),
            },
        }
    }

    fn ended(&self) -> Option<Stamp> {
        self.cycle.ended_at.map(Stamp::full)
    }

    fn may_be_scrap(&self) -> bool {
        self.cycle.outcome == Some(Outcome::Completed)
    }

    fn may_be_good(&self) -> bool {
        self.cycle.outcome == Some(Outcome::Scrapped)
    }
}

impl PartTemplate {
    fn filament(&self) -> Option<String> {
        self.survey.as_ref().map(filament)
    }

    fn height(&self) -> Option<String> {
        self.survey.as_ref().map(|survey| format!("{:.1} mm in {} layers", survey.height_mm, survey.layers))
    }

    /// Footprint along X and Y.
    fn size(&self) -> Option<String> {
        let print = self.survey.as_ref()?.footprint?;
        Some(format!("{:.0} × {:.0} mm", print.x_max_mm - print.x_min_mm, print.y_max_mm - print.y_min_mm))
    }

    fn takes(&self) -> Option<String> {
        self.survey.as_ref().filter(|survey| survey.time_s > 0.0).map(|survey| words::span(survey.time_s))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ListQuery {
    /// `open` or `ended`.
    state: Option<String>,
    after: Option<String>,
}

async fn show_job(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Html<String>, HttpError> {
    let job = desk.job(&id).await?;
    let (name, id) = (job.name.clone(), job.id.0);
    let part = part(&desk, job).await?;
    render(&PageTemplate { frame: Frame::new(Here::Elsewhere), name, id, part }).map(Html)
}

async fn show_part(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Html<String>, HttpError> {
    let job = desk.job(&id).await?;
    part(&desk, job).await.map(Html)
}

async fn part(desk: &Desk, job: crate::job::Job) -> Result<String, HttpError> {
    let cycles = desk.cycles_of(job.id).await?;
    let survey = desk.survey(&job).await?;
    let picture = sight_of(desk, &job, job.line.as_ref(), CARD_PX).await?;
    let sight = job_sight(desk, job, &desk.handle.forecast()).await?;
    // The last copy is looked at first.
    let copies = cycles.into_iter().rev().map(|cycle| CopySight { cycle }).collect();
    let line_names = desk.handle.live().lines.iter().map(|view| view.name.clone()).collect();
    render(&PartTemplate { sight, picture, survey, copies, line_names })
}

async fn show_list(State(desk): State<Desk>, Query(query): Query<ListQuery>) -> Result<Html<String>, HttpError> {
    let ended = match query.state.as_deref() {
        None | Some("" | "open") => false,
        Some("ended") => true,
        Some(_) => {
            let text = "state must be open or ended".to_owned();
            return Err(HttpError::Invalid { text });
        }
    };
    let after = query.after.as_deref().map(Cursor::parse).transpose()?;
    let set = if ended { JobSet::Ended } else { JobSet::Open };
    let page = desk.list_jobs(JobList::One(set), after, SHOWN).await?;
    let forecast = desk.handle.forecast();
    let mut jobs = Vec::with_capacity(page.jobs.len());
    for job in page.jobs {
        jobs.push(job_sight(&desk, job, &forecast).await?);
    }
    let state = if ended { "ended" } else { "open" };
    let next = page.next.map(|next| format!("/jobs?state={state}&after={next}"));
    render(&ListTemplate { frame: Frame::new(Here::Elsewhere), ended, jobs, next }).map(Html)
}
