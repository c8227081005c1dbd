//! Forms about a job that have fields: its place in the queue, what is set of it, a word on one of its copies.

use axum::Router;
use axum::extract::{Form, Path, State};
use axum::response::Redirect;
use axum::routing::post;
use serde::Deserialize;

use super::desk::{Desk, shorten};
use super::error::HttpError;
use super::jobs::{cycle_id, job_id};
use crate::foreman::{JobCommand, JobPatch};
use crate::job::{Job, PartWord};

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/do/jobs/{id}/move-before", post(move_before))
        .route("/do/jobs/{id}/change", post(change))
        .route("/do/jobs/{id}/cycles/{cycle}/judge", post(judge))
}

/// The job before which it is to stand; empty for the end.
#[derive(Deserialize)]
struct PlaceForm {
    #[serde(default)]
    before: String,
}

#[derive(Deserialize)]
struct JudgeForm {
    part: PartWord,
}

/// What is set of a job. A field that is not there leaves it as it is; so does an empty one for the copies and the name, which a
/// job always has. Of the others an empty one takes away what was set: as the file says, on any line.
#[derive(Deserialize)]
struct ChangeForm {
    copies: Option<String>,
    name: Option<String>,
    material: Option<String>,
    release_c: Option<String>,
    line: Option<String>,
    /// The job's version when the form was written: what somebody has changed since then is not written over.
    version: Option<String>,
}

impl ChangeForm {
    fn read(self) -> Result<(JobPatch, Option<i64>), HttpError> {
        let said = |field: Option<String>| field.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
        let copies = said(self.copies).map(|text| number(&text, "copies", "a whole number")).transpose()?;
        let version = said(self.version).map(|text| number(&text, "version", "a whole number")).transpose()?;
        let release_c = self.release_c.map(|text| match text.trim() {
            "" => Ok(None),
            text => number(&text.replace(',', "."), "release_c", "a temperature in °C").map(Some),
        });
        let patch = JobPatch {
            copies,
            name: said(self.name),
            material: self.material.map(Some),
            release_c: release_c.transpose()?,
            line: self.line.map(Some),
        };
        Ok((patch, version))
    }
}

async fn move_before(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Form(form): Form<PlaceForm>,
) -> Result<Redirect, HttpError> {
    let before = Some(form.before.trim()).filter(|before| !before.is_empty()).map(job_id).transpose()?;
    let job = desk.tell_job(job_id(&id)?, JobCommand::MoveBefore(before), None).await?;
    Ok(back(&job))
}

async fn change(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Form(form): Form<ChangeForm>,
) -> Result<Redirect, HttpError> {
    let (patch, if_version) = form.read()?;
    let job = desk.tell_job(job_id(&id)?, JobCommand::Patch(patch), if_version).await?;
    Ok(back(&job))
}

async fn judge(
    State(desk): State<Desk>,
    Path((id, cycle)): Path<(String, String)>,
    Form(form): Form<JudgeForm>,
) -> Result<Redirect, HttpError> {
    let what = JobCommand::Judge { cycle: cycle_id(&cycle)?, part: form.part };
    let job = desk.tell_job(job_id(&id)?, what, None).await?;
    Ok(back(&job))
}

fn back(job: &Job) -> Redirect {
    Redirect::to(&format!("/#job-{}", job.id))
}

fn number<T: std::str::FromStr>(text: &str, field: &str, expected: &str) -> Result<T, HttpError> {
    let wrong = |_| HttpError::Invalid { text: format!("{field} is {:?}, expected {expected}", shorten(text)) };
    text.parse().map_err(wrong)
}
