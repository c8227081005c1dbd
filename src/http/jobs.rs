//! `/api/v1/jobs`: the queue and what became of it.

use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::http::header::{ETAG, IF_MATCH};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::desk::{Cursor, Desk, JobList, page_size, shorten};
use super::error::HttpError;
use crate::foreman::{JobCommand, JobPatch, RefusedCode};
use crate::job::{CycleId, Job, JobId, PartWord, Survey, said};

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/jobs", get(list_jobs))
        .route("/jobs/{id}", get(show_job).patch(patch_job))
        .route("/jobs/{id}/survey", get(show_survey))
        .route("/jobs/{id}/move", post(move_job))
        .route("/jobs/{id}/hold", post(hold_job))
        .route("/jobs/{id}/release", post(release_job))
        .route("/jobs/{id}/cancel", post(cancel_job))
        .route("/jobs/{id}/restore", post(restore_job))
        .route("/jobs/{id}/cycles/{cycle}/judge", post(judge_copy))
        .route("/jobs/{id}/make-rest", post(make_rest))
}

/// A job as programs see it: what is kept of it, less the folder's key, plus the copies that wait.
pub(super) fn job_json(job: &Job) -> Value {
    let mut json = serde_json::to_value(job).expect("invariant: a job is JSON");
    if let Some(members) = json.as_object_mut() {
        members.remove("source_key");
        members.insert("copies_waiting".to_owned(), job.copies_waiting().into());
    }
    json
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
struct JobPage {
    jobs: Vec<Value>,
    /// `after` of the next page; `null` on the last one.
    next: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MoveBody {
    /// One place.
    direction: Option<Direction>,
    /// The open job before which it is to stand; `null` puts it behind all.
    #[serde(default, deserialize_with = "said")]
    before: Option<Option<JobId>>,
}

/// A person's word on a finished copy.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct JudgeBody {
    part: PartWord,
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum Direction {
    Up,
    Down,
}

async fn list_jobs(State(desk): State<Desk>, Query(query): Query<JobQuery>) -> Result<Json<JobPage>, HttpError> {
    let limit = page_size(query.limit)?;
    let after = query.after.as_deref().map(Cursor::parse).transpose()?;
    let page = desk.list_jobs(JobList::parse(query.state.as_deref())?, after, limit).await?;
    Ok(Json(JobPage { jobs: page.jobs.iter().map(job_json).collect(), next: page.next.map(|next| next.to_string()) }))
}

async fn show_job(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Response, HttpError> {
    let job = desk.job(&id).await?;
    let mut body = job_json(&job);
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
    let what = match (body.direction, body.before) {
        (Some(Direction::Up), None) => JobCommand::MoveUp,
        (Some(Direction::Down), None) => JobCommand::MoveDown,
        (None, Some(before)) => JobCommand::MoveBefore(before),
        _ => {
            let text = "expected either `direction` (up or down), or `before` (a job's number, or null for the end)";
            return Err(HttpError::Invalid { text: text.to_owned() });
        }
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

async fn restore_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Restore).await
}

/// Answers the job, and the number of the job that makes the copy again (`null` if none does).
async fn judge_copy(
    State(desk): State<Desk>,
    Path((id, cycle)): Path<(String, String)>,
    headers: HeaderMap,
    Json(body): Json<JudgeBody>,
) -> Result<Response, HttpError> {
    let cycle = cycle_id(&cycle)?;
    let job = changed_job(&desk, &id, &headers, JobCommand::Judge { cycle, part: body.part }).await?;
    let mut answer = job_json(&job);
    answer["remade_by"] = json!(desk.reader.remade_by(cycle).await?);
    Ok((etag(&job), Json(answer)).into_response())
}

async fn make_rest(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::MakeRest).await
}

async fn tell_job(desk: &Desk, id: &str, headers: &HeaderMap, what: JobCommand) -> Result<Response, HttpError> {
    changed_job(desk, id, headers, what).await.map(|job| job_answer(&job))
}

async fn changed_job(desk: &Desk, id: &str, headers: &HeaderMap, what: JobCommand) -> Result<Job, HttpError> {
    let job = desk.job(id).await?;
    let if_version = match headers.get(IF_MATCH) {
        None => None,
        Some(value) => wanted_version(value.to_str().unwrap_or(""), &job)?,
    };
    match desk.tell_job(job.id, what, if_version).await {
        // By the tag that it must be asked with next time.
        Err(HttpError::Refused(refused)) if refused.code == RefusedCode::Stale && if_version.is_some() => {
            let tag = format!("\"{}\"", desk.job(id).await?.version);
            Err(HttpError::Stale { now: tag })
        }
        told => told,
    }
}

/// The version that `If-Match` insists on; `None` for `*`. Strong comparison: weak tags match nothing (RFC 9110 §13.1.1).
///
/// Of several the present one; if it is not among them the first, which the foreman refuses as stale, but not where this very
/// request was done before.
fn wanted_version(if_match: &str, job: &Job) -> Result<Option<i64>, HttpError> {
    if if_match.trim() == "*" {
        return Ok(None);
    }
    let of_tag = |tag: &str| tag.trim().strip_prefix('"')?.strip_suffix('"')?.parse::<i64>().ok();
    let versions: Vec<i64> = if_match.split(',').filter_map(of_tag).collect();
    let wanted = versions.iter().find(|version| **version == job.version).or_else(|| versions.first());
    wanted.map(|version| Some(*version)).ok_or_else(|| HttpError::Stale { now: format!("\"{}\"", job.version) })
}

/// The cycle's number in an address; what is no number names none.
pub(super) fn cycle_id(text: &str) -> Result<CycleId, HttpError> {
    let number = text.parse().map_err(|_| HttpError::NoSuch { what: format!("cycle {:?}", shorten(text)) })?;
    Ok(CycleId(number))
}

/// The job's number in an address; what is no number names no job.
pub(super) fn job_id(text: &str) -> Result<JobId, HttpError> {
    let number = text.parse().map_err(|_| HttpError::NoSuch { what: format!("job {:?}", shorten(text)) })?;
    Ok(JobId(number))
}
