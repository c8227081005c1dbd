//! Commissioning: `/api/v1/lines/{name}/commission` and what is tried on a line, for programs.

use axum::extract::{Path, State};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::desk::Desk;
use super::error::HttpError;
use super::seen::Seen;
use crate::foreman::{Answer, Command, Commissioned, Jog, Leg, LineCommand, LineView, Measured, TrialView, guide};
use crate::units::Millimetres;

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/lines/{name}/commission", get(show_guide).post(work_out))
        .route("/lines/{name}/jog", post(jog_line))
        .route("/lines/{name}/heat-trial", post(heat_line))
        .route("/lines/{name}/end-trial", post(end_trial))
}

/// The guide, and the figures that it begins from.
#[derive(Serialize)]
struct GuideBody {
    guide: &'static [Leg],
    trial: TrialView,
}

/// A jog: `mm` is positive toward the nose.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct JogBody {
    pub(super) mm: f64,
    pub(super) feed_mm_min: u32,
    /// The person's word that they have looked: nothing is in the way.
    #[serde(default)]
    pub(super) looked: bool,
    /// The person's word that the belt may move although the bed is warm.
    #[serde(default)]
    pub(super) although_warm: bool,
    /// The `since` of the line as the person saw it.
    #[serde(default)]
    pub(super) since: Option<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HeatBody {
    bed_c: u32,
    #[serde(default)]
    looked: bool,
    #[serde(default)]
    since: Option<i64>,
}

impl JogBody {
    pub(super) fn command(self) -> Result<LineCommand, HttpError> {
        if !self.mm.is_finite() {
            return Err(HttpError::Invalid { text: "mm is not a number".to_owned() });
        }
        let Self { mm, feed_mm_min, looked, although_warm, since: _ } = self;
        Ok(LineCommand::Jog(Jog { travel: Millimetres(mm).to_micrometres(), feed_mm_min, looked, although_warm }))
    }
}

async fn show_guide(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Json<GuideBody>, HttpError> {
    Ok(Json(GuideBody { guide: guide(), trial: desk.line(&name)?.trial }))
}

async fn work_out(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Json(measured): Json<Measured>,
) -> Result<Json<Commissioned>, HttpError> {
    commission(&desk, &name, measured).await.map(Json)
}

/// Has the foreman work it out, and write it if that is asked for.
pub(super) async fn commission(desk: &Desk, name: &str, measured: Measured) -> Result<Commissioned, HttpError> {
    let line = desk.line(name)?.name;
    match desk.ask(Command::Commission { line, measured: Box::new(measured) }).await? {
        Answer::Commissioned(commissioned) => Ok(*commissioned),
        Answer::Line(_) | Answer::Job(_) | Answer::Key(_) | Answer::Done => Err(HttpError::Internal),
    }
}

async fn jog_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Json(body): Json<JogBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, body.command()?, body.since).await.map(Json)
}

async fn heat_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Json(HeatBody { bed_c, looked, since }): Json<HeatBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::HeatTrial { bed_c, looked }, since).await.map(Json)
}

async fn end_trial(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Seen,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::EndTrial, seen.since).await.map(Json)
}
