//! `/api/v1/lines`: the lines as they are now, and what a person can tell them.

use axum::Json;
use axum::extract::{Path, State};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::body::{Object, or_none};
use super::desk::Desk;
use super::document::{Api, LineNow, LinePath, Stale, routes};
use super::error::HttpError;
use super::seen::Seen;
use crate::foreman::{LineCommand, LineView};
use crate::job::{AlarmKind, PartWord};

pub(super) fn router() -> Api {
    Api::new()
        .routes(routes!(list_lines))
        .routes(routes!(show_line))
        .routes(routes!(hold_line))
        .routes(routes!(resume_line))
        .routes(routes!(stop_line))
        .routes(routes!(stop_line_in_emergency))
        .routes(routes!(answer_clear))
        .routes(routes!(acknowledge_alarm))
}

/// The lines as they are now.
#[derive(Serialize, ToSchema)]
struct LineList {
    /// In the order of the config.
    lines: Vec<LineView>,
    /// The journal's last number when this was made: `GET /events` with it as `Last-Event-ID` goes on from here.
    seq: i64,
}

/// When a line is held.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct HoldBody {
    when: HoldWhen,
    /// The `since` of the line as the person saw it, here and below: what was meant for an older state is refused.
    #[serde(default)]
    since: Option<i64>,
}

/// At once, or when the part under way has left.
#[derive(Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
enum HoldWhen {
    Now,
    AfterPart,
}

/// A person's word on the belt.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct ClearBody {
    /// Whether nothing is on the belt.
    clear: bool,
    /// Whether the part that has left it is any good; left out when `clear` is false.
    #[serde(default)]
    part: Option<PartWord>,
    /// The `since` of the line as the person saw it: an answer to an older question is refused.
    #[serde(default)]
    since: Option<i64>,
}

/// The alarm that a person knows of.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct AcknowledgeBody {
    alarm: AlarmKind,
    #[serde(default)]
    since: Option<i64>,
}

/// The lines as they are now
#[utoipa::path(get, path = "/lines", responses((status = 200, description = "All of them.", body = LineList)))]
async fn list_lines(State(desk): State<Desk>) -> Json<LineList> {
    let live = desk.handle.live();
    Json(LineList { lines: live.lines.clone(), seq: live.seq })
}

/// A line as it is now
#[utoipa::path(get, path = "/lines/{name}", params(LinePath), responses(LineNow))]
async fn show_line(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Json<LineView>, HttpError> {
    desk.line(&name).map(Json)
}

/// Hold a line, now or when the part under way has left
#[utoipa::path(post, path = "/lines/{name}/hold", params(LinePath), request_body = HoldBody, responses(LineNow, Stale))]
async fn hold_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<HoldBody>,
) -> Result<Json<LineView>, HttpError> {
    let what = match body.when {
        HoldWhen::Now => LineCommand::HoldNow,
        HoldWhen::AfterPart => LineCommand::HoldAfterPart,
    };
    desk.tell_line_seen(&name, what, body.since).await.map(Json)
}

/// Let a held or stopped line go on
#[utoipa::path(post, path = "/lines/{name}/resume", params(LinePath), request_body = Option<Seen>, responses(LineNow, Stale))]
async fn resume_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Option<Object<Seen>>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::Resume, or_none(seen).since).await.map(Json)
}

/// Stop a line; a print under way is scrap
#[utoipa::path(post, path = "/lines/{name}/stop", params(LinePath), request_body = Option<Seen>, responses(LineNow, Stale))]
async fn stop_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Option<Object<Seen>>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::Stop, or_none(seen).since).await.map(Json)
}

/// Stop at once: heaters off, motors off
///
/// Whatever is sent along, and however old what the person saw: it is stopped.
#[utoipa::path(post, path = "/lines/{name}/emergency-stop", params(LinePath), responses(LineNow))]
async fn stop_line_in_emergency(
    State(desk): State<Desk>,
    Path(name): Path<String>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, LineCommand::EmergencyStop).await.map(Json)
}

/// Answer whether the belt is clear
#[utoipa::path(post, path = "/lines/{name}/clear", params(LinePath), request_body = ClearBody,
    responses(LineNow, Stale))]
async fn answer_clear(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<ClearBody>,
) -> Result<Json<LineView>, HttpError> {
    let what = match (body.clear, body.part) {
        (true, part) => LineCommand::BeltClear { part },
        (false, None) => LineCommand::NotClear,
        (false, Some(_)) => {
            let text = "a part that is still on the belt is neither good nor scrap yet: leave `part` out".to_owned();
            return Err(HttpError::Invalid { text });
        }
    };
    desk.tell_line_seen(&name, what, body.since).await.map(Json)
}

/// Acknowledge an alarm
#[utoipa::path(post, path = "/lines/{name}/acknowledge", params(LinePath), request_body = AcknowledgeBody,
    responses(LineNow, Stale))]
async fn acknowledge_alarm(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<AcknowledgeBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::Acknowledge(body.alarm), body.since).await.map(Json)
}
