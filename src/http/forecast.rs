//! `/api/v1/forecast`: when everything will be done, as the foreman last worked it out.

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;
use utoipa::ToSchema;

use super::desk::Desk;
use super::document::{Api, JobPath, routes};
use super::error::HttpError;
use crate::foreman::{CopyForecastView, ForecastView, JobForecastView};
use crate::units::UnixMillis;

pub(super) fn router() -> Api {
    Api::new().routes(routes!(show_forecast)).routes(routes!(show_job_forecast))
}

/// One job, copy by copy and phase by phase.
#[derive(Serialize, ToSchema)]
struct JobForecast {
    /// When the forecast was made.
    at: UnixMillis,
    #[serde(flatten)]
    job: JobForecastView,
    /// Its copies that are to come or under way.
    copies: Vec<CopyForecastView>,
    /// How many copies further are not spelled out.
    copies_left_out: u32,
}

/// When everything will be done
#[utoipa::path(get, path = "/forecast",
    responses((status = 200, description = "As last worked out.", body = ForecastView)))]
async fn show_forecast(State(desk): State<Desk>) -> Json<ForecastView> {
    Json(ForecastView::clone(&desk.handle.forecast()))
}

/// When a job will be done, copy by copy and phase by phase
#[utoipa::path(get, path = "/jobs/{id}/forecast", params(JobPath),
    responses((status = 200, description = "As last worked out.", body = JobForecast)))]
async fn show_job_forecast(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Json<JobForecast>, HttpError> {
    let job = desk.job(&id).await?;
    let forecast = desk.handle.forecast();
    let Some(told) = forecast.job(job.id) else {
        let what = if job.state.is_terminal() { "forecast of a job that has ended" } else { "forecast of it yet" };
        return Err(HttpError::NoSuch { what: what.to_owned() });
    };
    let mut job = told.clone();
    let copies = std::mem::take(&mut job.copies);
    Ok(Json(JobForecast { at: forecast.at, copies, copies_left_out: job.copies_left_out, job }))
}
