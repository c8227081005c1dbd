//! `/api/v1/jobs`: the queue and what became of it.

use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::http::header::{ETAG, IF_MATCH};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::desk::{Cursor, Desk, JobList, page_size, shorten};
use super::error::HttpError;
use crate::foreman::{JobCommand, JobPatch};
use crate::job::{Job, JobId, Survey};

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/jobs", get(list_jobs))
        .route("/jobs/{id}", get(show_job).patch(patch_job))
        .route("/jobs/{id}/survey", get(show_survey))
        .route("/jobs/{id}/move", post(move_job))
        .route("/jobs/{id}/hold", post(hold_job))
        .route("/jobs/{id}/release", post(release_job))
        .route("/jobs/{id}/cancel", post(cancel_job))
        .route("/jobs/{id}/make-rest", post(make_rest))
}

/// A job as programs see it: what is kept of it, less the folder's key, plus the copies that wait. Written as it stands: a tree
/// of values in between took half of the time of a list.
#[derive(Serialize)]
pub(super) struct JobJson<'a> {
    #[serde(flatten)]
    job: &'a Job,
    copies_waiting: u32,
}

pub(super) fn job_json(job: &Job) -> JobJson<'_> {
    JobJson { job, copies_waiting: job.copies_waiting() }
}

/// A job with its version as `ETag`.
pub(super) fn job_answer(job: &Job) -> Response {
    (etag(job), Json(job_json(job))).into_response()
}

fn etag(job: &Job) -> [(axum::http::HeaderName, String); 1] {
    [(ETAG, format!("\"{}\"", job.version))]
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct JobQuery {
    /// `open`, `ended`, or a job state; when absent, open jobs in the order of the queue, then ended ones.
    state: Option<String>,
    limit: Option<u32>,
    /// The `next` of the page before.
    after: Option<String>,
}

#[derive(Serialize)]
struct JobPage<'a> {
    jobs: Vec<JobJson<'a>>,
    /// `after` of the next page; `null` on the last one.
    next: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MoveBody {
    direction: Direction,
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum Direction {
    Up,
    Down,
}

async fn list_jobs(State(desk): State<Desk>, Query(query): Query<JobQuery>) -> Result<Response, HttpError> {
    let limit = page_size(query.limit)?;
    let after = query.after.as_deref().map(Cursor::parse).transpose()?;
    let page = desk.list_jobs(JobList::parse(query.state.as_deref())?, after, limit).await?;
    let next = page.next.map(|next| next.to_string());
    Ok(Json(JobPage { jobs: page.jobs.iter().map(job_json).collect(), next }).into_response())
}

async fn show_job(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Response, HttpError> {
    let job = desk.job(&id).await?;
    let mut body = json!(job_json(&job));
    body["cycles"] = json!(desk.cycles_of(job.id).await?);
    body["survey"] = json!(desk.survey(&job).await?);
    Ok((etag(&job), Json(body)).into_response())
}

async fn show_survey(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Json<Survey>, HttpError> {
    let job = desk.job(&id).await?;
    let survey = desk.survey(&job).await?;
    survey.map(Json).ok_or_else(|| HttpError::NoSuch { what: format!("survey of job {} any more", job.id) })
}

async fn patch_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
    Json(patch): Json<JobPatch>,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Patch(patch)).await
}

async fn move_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
    Json(body): Json<MoveBody>,
) -> Result<Response, HttpError> {
    let what = match body.direction {
        Direction::Up => JobCommand::MoveUp,
        Direction::Down => JobCommand::MoveDown,
    };
    tell_job(&desk, &id, &headers, what).await
}

async fn hold_job(State(desk): State<Desk>, Path(id): Path<String>, headers: HeaderMap) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Hold).await
}

async fn release_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Release).await
}

async fn cancel_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Cancel).await
}

async fn make_rest(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::MakeRest).await
}

async fn tell_job(desk: &Desk, id: &str, headers: &HeaderMap, what: JobCommand) -> Result<Response, HttpError> {
    let job = desk.job(id).await?;
    let if_version = match headers.get(IF_MATCH) {
        None => None,
        Some(value) => wanted_version(value.to_str().unwrap_or(""), &job)?,
    };
    let job = desk.tell_job(job.id, what, if_version).await?;
    Ok(job_answer(&job))
}

/// The version that `If-Match` insists on; `None` for `*`. Strong comparison: weak tags match nothing (RFC 9110 §13.1.1).
fn wanted_version(if_match: &str, job: &Job) -> Result<Option<i64>, HttpError> {
    if if_match.trim() == "*" {
        return Ok(None);
    }
    let now = format!("\"{}\"", job.version);
    if if_match.split(',').any(|tag| tag.trim() == now) { Ok(Some(job.version)) } else { Err(HttpError::Stale { now }) }
}

/// The job's number in an address; what is no number names no job.
pub(super) fn job_id(text: &str) -> Result<JobId, HttpError> {
    let number = text.parse().map_err(|_| HttpError::NoSuch { what: format!("job {:?}", shorten(text)) })?;
    Ok(JobId(number))
}
