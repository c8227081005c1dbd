//! `/api/v1/lines`: the lines as they are now, and what a person can tell them.

use axum::extract::{Path, State};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::desk::Desk;
use super::error::HttpError;
use super::seen::Seen;
use crate::foreman::{LineCommand, LineView};
use crate::job::{AlarmKind, PartWord};

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/lines", get(list_lines))
        .route("/lines/{name}", get(show_line))
        .route("/lines/{name}/hold", post(hold_line))
        .route("/lines/{name}/resume", post(resume_line))
        .route("/lines/{name}/stop", post(stop_line))
        .route("/lines/{name}/emergency-stop", post(stop_line_in_emergency))
        .route("/lines/{name}/clear", post(answer_clear))
        .route("/lines/{name}/acknowledge", post(acknowledge_alarm))
}

#[derive(Serialize)]
struct LineList {
    lines: Vec<LineView>,
    /// The journal's last number when this was made: `GET /events` with it as `Last-Event-ID` goes on from here.
    seq: i64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HoldBody {
    when: HoldWhen,
    /// The `since` of the line as the person saw it, here and below: what was meant for an older state is refused.
    #[serde(default)]
    since: Option<i64>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum HoldWhen {
    Now,
    AfterPart,
}

/// A person's word on the belt.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ClearBody {
    clear: bool,
    #[serde(default)]
    part: Option<PartWord>,
    /// The `since` of the line as the person saw it: an answer to an older question is refused.
    #[serde(default)]
    since: Option<i64>,
}

/// The alarm that a person knows of.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AcknowledgeBody {
    alarm: AlarmKind,
    #[serde(default)]
    since: Option<i64>,
}

async fn list_lines(State(desk): State<Desk>) -> Json<LineList> {
    let live = desk.handle.live();
    Json(LineList { lines: live.lines.clone(), seq: live.seq })
}

async fn show_line(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Json<LineView>, HttpError> {
    desk.line(&name).map(Json)
}

async fn hold_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Json(body): Json<HoldBody>,
) -> Result<Json<LineView>, HttpError> {
    let what = match body.when {
        HoldWhen::Now => LineCommand::HoldNow,
        HoldWhen::AfterPart => LineCommand::HoldAfterPart,
    };
    desk.tell_line_seen(&name, what, body.since).await.map(Json)
}

async fn resume_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Seen,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::Resume, seen.since).await.map(Json)
}

async fn stop_line(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Seen,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::Stop, seen.since).await.map(Json)
}

/// Whatever is sent along, and however old what the person saw: it is stopped.
async fn stop_line_in_emergency(
    State(desk): State<Desk>,
    Path(name): Path<String>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, LineCommand::EmergencyStop).await.map(Json)
}

async fn answer_clear(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Json(body): Json<ClearBody>,
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

async fn acknowledge_alarm(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Json(body): Json<AcknowledgeBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::Acknowledge(body.alarm), body.since).await.map(Json)
}
