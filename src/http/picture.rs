//! `/api/v1/jobs/{id}/picture.png`: what a job's part looks like, and how it lies on the belt.

use axum::extract::{Path, Query, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG};
use axum::http::{HeaderMap, HeaderName, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::desk::Desk;
use super::document::{Api, Binary, JobPath, routes};
use super::error::HttpError;
use super::statics::has_it;
use super::views::PictureSight;
use super::words;
use crate::infeed::{PictureFault, Pictures, Plan};
use crate::job::{Job, LineName};

/// Widths of the picture on a line's card and in a row of the queue, pixels: twice those of the page, for fine screens.
pub(super) const CARD_PX: u32 = 640;
pub(super) const ROW_PX: u32 = 192;
/// Width unless asked otherwise, pixels.
const USUAL_PX: u32 = 512;

pub(super) fn router() -> Api {
    Api::new().routes(routes!(send_picture))
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct PictureQuery {
    /// Width, pixels: a multiple of 64 up to 2048. The height is three quarters of it.
    #[param(minimum = 64, maximum = 2048, multiple_of = 64, default = 512)]
    size: Option<u32>,
    /// The line on whose belt it is shown; otherwise the job's own, or the first one.
    #[param(pattern = "^[a-z0-9-]{1,32}$")]
    line: Option<String>,
    /// Tag of the picture that is expected. An address that names the right one may be kept for good.
    v: Option<String>,
}

/// What a job's part looks like, and how it lies on the belt
#[utoipa::path(get, path = "/jobs/{id}/picture.png", params(JobPath, PictureQuery,
    ("If-None-Match" = Option<String>, Header, description = "The `ETag` of the picture that the reader has.")),
    responses(
        (status = 200, description = "The picture.", content_type = "image/png", body = inline(Binary),
            headers(("ETag", description = "What changes whenever the picture does."))),
        (status = 304, description = "The reader has it.")))]
async fn send_picture(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Query(query): Query<PictureQuery>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    let job = desk.job(&id).await?;
    let none = || HttpError::NoSuch { what: format!("picture of job {}", job.id) };
    let pictures = desk.pictures.as_ref().ok_or_else(none)?;
    let paint = async |plan| {
        let survey = desk.survey(&job).await?.ok_or_else(none)?;
        Ok(pictures.png(plan, survey).await?)
    };
    answer(&desk, pictures, &job.sha256, job.line.as_ref(), (&query, &headers), paint).await
}

/// Answers with the picture of a file that is asked for, painted only where the asker has not got it. `own` is the line whose belt it is shown on unless the query names one.
pub(super) async fn answer(
    desk: &Desk,
    pictures: &Pictures,
    sha256: &str,
    own: Option<&LineName>,
    (query, headers): (&PictureQuery, &HeaderMap),
    paint: impl AsyncFnOnce(Plan) -> Result<Vec<u8>, HttpError>,
) -> Result<Response, HttpError> {
    let line = query.line.as_deref().map(|name| desk.line(name)).transpose()?.map(|view| view.name);
    let plan = pictures.plan(sha256, line.as_ref().or(own), query.size.unwrap_or(USUAL_PX))?;
    let version = version(sha256, &plan.tag);
    let keep =
        if query.v.as_ref() == Some(&version) { "private, max-age=31536000, immutable" } else { "private, no-cache" };
    let tag = format!("\"{version}\"");
    let about: [(HeaderName, String); 2] = [(ETAG, tag.clone()), (CACHE_CONTROL, keep.to_owned())];
    if has_it(headers, &tag) {
        return Ok((StatusCode::NOT_MODIFIED, about).into_response());
    }
    let png = paint(plan).await?;
    Ok((about, [(CONTENT_TYPE, "image/png")], png).into_response())
}

/// What changes whenever the picture does: the file's content hash, and the way it is shown.
pub(super) fn version(sha256: &str, tag: &str) -> String {
    format!("{}-{tag}", sha256.get(..16).unwrap_or(sha256))
}

/// The picture of a job's part for the page; `None` where there is nothing to be seen.
pub(super) async fn sight_of(
    desk: &Desk,
    job: &Job,
    line: Option<&LineName>,
    size: u32,
) -> Result<Option<PictureSight>, HttpError> {
    let Some(pictures) = &desk.pictures else { return Ok(None) };
    let Some(size_of_part) = desk.reader.part_size(&job.sha256).await? else { return Ok(None) };
    let Ok(plan) = pictures.plan(&job.sha256, line, size) else { return Ok(None) };
    let along_mm = pictures.along_belt_mm(&size_of_part.footprint, line).unwrap_or(0.0);
    let on = line.map(|name| format!("&line={name}")).unwrap_or_default();
    Ok(Some(PictureSight {
        address: format!("/api/v1/jobs/{}/picture.png?size={size}{on}&v={}", job.id, version(&job.sha256, &plan.tag)),
        words: words::picture(&job.name, along_mm, size_of_part.height_mm),
    }))
}

impl From<PictureFault> for HttpError {
    fn from(fault: PictureFault) -> Self {
        match fault {
            PictureFault::Size { .. } => Self::Invalid { text: fault.to_string() },
            PictureFault::NoLine => Self::NoSuch { what: format!("picture: {fault}") },
            PictureFault::Store(error) => error.into(),
            PictureFault::Broken => {
                tracing::error!("{fault}");
                Self::Internal
            }
        }
    }
}
