//! `/api/v1/jobs`: the queue and what became of it.

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::http::header::{ETAG, IF_MATCH};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::body::Object;
use super::desk::{Cursor, Desk, JobList, page_size, shorten};
use super::document::{Api, CyclePath, IfMatch, JobNow, JobPath, routes};
use super::error::HttpError;
use crate::foreman::{JobCommand, JobPatch, RefusedCode};
use crate::job::{Cycle, CycleId, Job, JobId, JobState, PartWord, Survey, said};

pub(super) fn router() -> Api {
    Api::new()
        .routes(routes!(list_jobs))
        .routes(routes!(show_job, patch_job))
        .routes(routes!(show_survey))
        .routes(routes!(move_job))
        .routes(routes!(hold_job))
        .routes(routes!(release_job))
        .routes(routes!(cancel_job))
        .routes(routes!(restore_job))
        .routes(routes!(judge_copy))
        .routes(routes!(make_rest))
}

/// A job as programs see it.
#[derive(Serialize, ToSchema)]
pub(super) struct JobBody<'a> {
    #[serde(flatten)]
    job: &'a Job,
    /// How many copies no line has begun.
    copies_waiting: u32,
}

impl<'a> JobBody<'a> {
    pub(super) fn of(job: &'a Job) -> Self {
        Self { job, copies_waiting: job.copies_waiting() }
    }
}

/// A job with all that is kept of it.
#[derive(Serialize, ToSchema)]
struct WholeJob<'a> {
    #[serde(flatten)]
    job: JobBody<'a>,
    /// Its copies so far, in the order in which they were begun.
    cycles: Vec<Cycle>,
    /// What was found in its file; `null` when that is no longer kept.
    survey: Option<Survey>,
}

/// A job with its version as `ETag`.
pub(super) fn job_answer(job: &Job) -> Response {
    (etag(job), Json(JobBody::of(job))).into_response()
}

fn etag(job: &Job) -> [(axum::http::HeaderName, String); 1] {
    [(ETAG, format!("\"{}\"", job.version))]
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct JobQuery {
    /// `open`, `ended`, or a job state; when absent, open jobs in the order of the queue, then ended ones.
    #[param(schema_with = which_jobs)]
    state: Option<String>,
    /// At most so many.
    #[param(minimum = 1, maximum = 500, default = 50)]
    limit: Option<u32>,
    /// The `next` of the page before.
    #[param(pattern = r"^(queue|ended)\.-?[0-9]{1,18}\.[0-9]{1,18}$")]
    after: Option<String>,
}

/// What `state` may be; empty, as forms send it, is as if it were not there.
fn which_jobs() -> utoipa::openapi::Object {
    let words = ["", "open", "ended"].into_iter().chain(JobState::ALL.iter().map(|state| state.as_str()));
    utoipa::openapi::ObjectBuilder::new().schema_type(utoipa::openapi::Type::String).enum_values(Some(words)).build()
}

/// Some jobs.
#[derive(Serialize, ToSchema)]
struct JobPage<'a> {
    jobs: Vec<JobBody<'a>>,
    /// `after` of the next page; `null` on the last one.
    next: Option<String>,
}

/// A place forward or back in the queue.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct MoveBody {
    /// One place; `up` is forward.
    direction: Option<Direction>,
    /// The open job before which it is to stand; `null` puts it behind all.
    #[serde(default, deserialize_with = "said")]
    #[schema(value_type = Option<i64>, minimum = 1)]
    before: Option<Option<JobId>>,
}

/// A person's word on a finished copy.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct JudgeBody {
    part: PartWord,
}

/// A job, and which job makes the copy again.
#[derive(Serialize, ToSchema)]
struct JudgedJob<'a> {
    #[serde(flatten)]
    job: JobBody<'a>,
    /// The job that makes it again; `null` if none does.
    remade_by: Option<JobId>,
}

/// Which way in the queue.
#[derive(Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
enum Direction {
    Up,
    Down,
}

/// Jobs, page by page
///
/// Open ones in the order of the queue, then ended ones, the last one first.
#[utoipa::path(get, path = "/jobs", params(JobQuery),
    responses((status = 200, description = "Some jobs, and where the next page begins.", body = JobPage)))]
async fn list_jobs(State(desk): State<Desk>, Query(query): Query<JobQuery>) -> Result<Response, HttpError> {
    let limit = page_size(query.limit)?;
    let after = query.after.as_deref().map(Cursor::parse).transpose()?;
    let page = desk.list_jobs(JobList::parse(query.state.as_deref())?, after, limit).await?;
    let jobs = page.jobs.iter().map(JobBody::of).collect();
    Ok(Json(JobPage { jobs, next: page.next.map(|next| next.to_string()) }).into_response())
}

/// A job with its cycles and survey
#[utoipa::path(get, path = "/jobs/{id}", params(JobPath), responses(
    (status = 200, description = "The job.", body = WholeJob, headers(("ETag", description = "Its version."))))
)]
async fn show_job(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Response, HttpError> {
    let job = desk.job(&id).await?;
    let (cycles, survey) = (desk.cycles_of(job.id).await?, desk.survey(&job).await?);
    let body = WholeJob { job: JobBody::of(&job), cycles, survey };
    Ok((etag(&job), Json(body)).into_response())
}

/// What was found in a job's file
#[utoipa::path(get, path = "/jobs/{id}/survey", params(JobPath),
    responses((status = 200, description = "The survey.", body = Survey)))]
async fn show_survey(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Json<Survey>, HttpError> {
    let job = desk.job(&id).await?;
    let survey = desk.survey(&job).await?;
    survey.map(Json).ok_or_else(|| HttpError::NoSuch { what: format!("survey of job {} any more", job.id) })
}

/// Change what is set of a job
///
/// What is left out stays as it is.
#[utoipa::path(patch, path = "/jobs/{id}", params(JobPath, IfMatch), request_body = JobPatch, responses(JobNow))]
async fn patch_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
    Object(patch): Object<JobPatch>,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Patch(patch)).await
}

/// Move a job by one place in the queue
#[utoipa::path(post, path = "/jobs/{id}/move", params(JobPath, IfMatch), request_body = MoveBody, responses(JobNow))]
async fn move_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
    Object(body): Object<MoveBody>,
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

/// Begin no further copy until released
#[utoipa::path(post, path = "/jobs/{id}/hold", params(JobPath, IfMatch), responses(JobNow))]
async fn hold_job(State(desk): State<Desk>, Path(id): Path<String>, headers: HeaderMap) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Hold).await
}

/// Let a job be made
///
/// Also the person's yes to what the survey found.
#[utoipa::path(post, path = "/jobs/{id}/release", params(JobPath, IfMatch), responses(JobNow))]
async fn release_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Release).await
}

/// Make no further copy
#[utoipa::path(post, path = "/jobs/{id}/cancel", params(JobPath, IfMatch), responses(JobNow))]
async fn cancel_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Cancel).await
}

/// Take a cancel back
///
/// The job stands where it stood, held if it was held.
#[utoipa::path(post, path = "/jobs/{id}/restore", params(JobPath, IfMatch), responses(JobNow))]
async fn restore_job(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    tell_job(&desk, &id, &headers, JobCommand::Restore).await
}

/// Say of a finished copy whether it is good
///
/// Scrap is made again: by the job itself, or by a new one if it has ended.
#[utoipa::path(post, path = "/jobs/{id}/cycles/{cycle}/judge", params(JobPath, CyclePath, IfMatch),
    request_body = JudgeBody,
    responses((status = 200, description = "The job as it is now.", body = inline(JudgedJob),
        headers(("ETag" = String, description = "The job's version, for `If-Match`.")))))]
async fn judge_copy(
    State(desk): State<Desk>,
    Path((id, cycle)): Path<(String, String)>,
    headers: HeaderMap,
    Object(body): Object<JudgeBody>,
) -> Result<Response, HttpError> {
    let cycle = cycle_id(&cycle)?;
    let job = changed_job(&desk, &id, &headers, JobCommand::Judge { cycle, part: body.part }).await?;
    let remade_by = desk.reader.remade_by(cycle).await?;
    Ok((etag(&job), Json(JudgedJob { job: JobBody::of(&job), remade_by })).into_response())
}

/// A new job for the copies that an ended one did not make
///
/// Answers the new job.
#[utoipa::path(post, path = "/jobs/{id}/make-rest", params(JobPath, IfMatch), responses(JobNow))]
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
