//! Commissioning: `/api/v1/lines/{name}/commission` and what is tried on a line, for programs.

use axum::Json;
use axum::extract::{Path, State};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::body::{Object, or_none};
use super::desk::Desk;
use super::document::{Api, LineNow, LinePath, Stale, routes};
use super::error::HttpError;
use super::seen::Seen;
use crate::foreman::{Answer, Command, Commissioned, Jog, Leg, LineCommand, LineView, Measured, TrialView, guide};
use crate::units::Millimetres;

pub(super) fn router() -> Api {
    Api::new()
        .routes(routes!(show_guide, work_out))
        .routes(routes!(jog_line))
        .routes(routes!(heat_line))
        .routes(routes!(end_trial))
}

/// The guide, and the figures that it begins from.
#[derive(Serialize, ToSchema)]
struct GuideBody {
    /// The steps, in their order.
    #[schema(value_type = Vec<Leg>)]
    guide: &'static [Leg],
    /// What the line is set to.
    trial: TrialView,
}

/// A jog: `mm` is positive toward the nose.
#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct JogBody {
    /// How far, mm; below zero away from the nose.
    pub(super) mm: f64,
    /// How fast, mm/min; at most the line's `travel_mm_min`.
    #[schema(minimum = 1, format = "uint32")]
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

/// A run of the bed's heater.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct HeatBody {
    /// What the bed is heated to, °C; at most the line's `bed_max_c`.
    #[schema(format = "uint32")]
    bed_c: u32,
    /// The person's word that they have looked: nothing is on the bed.
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

/// The steps of commissioning
#[utoipa::path(get, path = "/lines/{name}/commission", params(LinePath),
    responses((status = 200, description = "The guide.", body = GuideBody)))]
async fn show_guide(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Json<GuideBody>, HttpError> {
    Ok(Json(GuideBody { guide: guide(), trial: desk.line(&name)?.trial }))
}

/// Work out what follows from what was measured
///
/// With the person's word, `write`, it goes into the config.
#[utoipa::path(post, path = "/lines/{name}/commission", params(LinePath), request_body = Measured,
    responses((status = 200, description = "What follows.", body = Commissioned), Stale))]
async fn work_out(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(measured): Object<Measured>,
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

/// Run the belt a little
#[utoipa::path(post, path = "/lines/{name}/jog", params(LinePath), request_body = JogBody, responses(LineNow, Stale))]
async fn jog_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<JogBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, body.command()?, body.since).await.map(Json)
}

/// Heat the bed once and watch it
#[utoipa::path(post, path = "/lines/{name}/heat-trial", params(LinePath), request_body = HeatBody, responses(LineNow, Stale))]
async fn heat_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(HeatBody { bed_c, looked, since }): Object<HeatBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::HeatTrial { bed_c, looked }, since).await.map(Json)
}

/// End the jog or heater run under way
#[utoipa::path(post, path = "/lines/{name}/end-trial", params(LinePath), request_body = Option<Seen>, responses(LineNow, Stale))]
async fn end_trial(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Option<Object<Seen>>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::EndTrial, or_none(seen).since).await.map(Json)
}
