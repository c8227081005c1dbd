//! `/api/v1/lines/{name}/belt/…`: what a person marks on a line's belt. The page's forms for the same.

use axum::extract::{Form, Path, State};
use axum::response::Redirect;
use axum::routing::post;
use axum::{Json, Router};
use serde::Deserialize;
use utoipa::ToSchema;

use super::body::{Object, or_none};
use super::desk::Desk;
use super::document::{Api, LineNow, LinePath, Stale, routes};
use super::error::HttpError;
use super::guide::number;
use super::seen::{Seen, SeenForm};
use crate::foreman::{LineCommand, LineView};
use crate::units::Millimetres;

/// Longest note on a flaw, characters.
const NOTE_MAX: usize = 200;

pub(super) fn api() -> Api {
    Api::new()
        .routes(routes!(say_splice))
        .routes(routes!(forget_splice))
        .routes(routes!(mark_flaw))
        .routes(routes!(clear_flaw))
}

pub(super) fn forms() -> Router<Desk> {
    Router::new()
        .route("/do/lines/{name}/belt/splice-at-nose", post(form_splice))
        .route("/do/lines/{name}/belt/forget-splice", post(form_forget))
        .route("/do/lines/{name}/belt/mark-flaw", post(form_mark))
        .route("/do/lines/{name}/belt/clear-flaw", post(form_clear))
}

/// A bad stretch, counted from the nose.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct FlawBody {
    /// How far before the nose its near end is, mm; below zero beyond it.
    #[serde(default)]
    #[schema(minimum = -1e6, maximum = 1e6)]
    before_mm: f64,
    /// Its length, mm.
    #[schema(exclusive_minimum = 0, maximum = 1e6)]
    length_mm: f64,
    /// A person's words.
    #[serde(default)]
    #[schema(max_length = 200)]
    note: String,
    /// The `since` of the line as the person saw it, here and below.
    #[serde(default)]
    since: Option<i64>,
}

/// As a person enters it.
#[derive(Deserialize)]
struct FlawForm {
    /// At the nose where it is left out.
    #[serde(default = "nose")]
    before_mm: String,
    length_mm: f64,
    #[serde(default)]
    note: String,
    #[serde(default)]
    since: Option<i64>,
}

/// Which flaw.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct FlawNumber {
    /// Its number.
    #[schema(format = "uint64")]
    flaw: u64,
    #[serde(default)]
    since: Option<i64>,
}

/// Say that the splice is at the nose now
#[utoipa::path(post, path = "/lines/{name}/belt/splice-at-nose", params(LinePath), request_body = Option<Seen>, responses(LineNow, Stale))]
async fn say_splice(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Option<Object<Seen>>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::SpliceAtNose, or_none(seen).since).await.map(Json)
}

/// Say that nobody knows any more where the splice is
#[utoipa::path(post, path = "/lines/{name}/belt/forget-splice", params(LinePath), request_body = Option<Seen>, responses(LineNow, Stale))]
async fn forget_splice(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    seen: Option<Object<Seen>>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::ForgetSplice, or_none(seen).since).await.map(Json)
}

/// Mark a bad stretch
#[utoipa::path(post, path = "/lines/{name}/belt/mark-flaw", params(LinePath), request_body = FlawBody,
    responses(LineNow, Stale))]
async fn mark_flaw(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<FlawBody>,
) -> Result<Json<LineView>, HttpError> {
    let what = flaw(body.before_mm, body.length_mm, body.note)?;
    desk.tell_line_seen(&name, what, body.since).await.map(Json)
}

/// Take a bad stretch for good again
#[utoipa::path(post, path = "/lines/{name}/belt/clear-flaw", params(LinePath), request_body = FlawNumber,
    responses(LineNow, Stale))]
async fn clear_flaw(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<FlawNumber>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line_seen(&name, LineCommand::ClearFlaw(body.flaw), body.since).await.map(Json)
}

async fn form_splice(
    desk: State<Desk>,
    name: Path<String>,
    Form(SeenForm { since }): Form<SeenForm>,
) -> Result<Redirect, HttpError> {
    say_splice(desk, name, Some(Object(Seen { since }))).await.map(|line| back(&line))
}

async fn form_forget(
    desk: State<Desk>,
    name: Path<String>,
    Form(SeenForm { since }): Form<SeenForm>,
) -> Result<Redirect, HttpError> {
    forget_splice(desk, name, Some(Object(Seen { since }))).await.map(|line| back(&line))
}

async fn form_mark(desk: State<Desk>, name: Path<String>, Form(form): Form<FlawForm>) -> Result<Redirect, HttpError> {
    let FlawForm { before_mm, length_mm, note, since } = form;
    let before_mm = number("before_mm", &before_mm)?;
    let body = FlawBody { before_mm, length_mm, note, since };
    mark_flaw(desk, name, Object(body)).await.map(|line| back(&line))
}

async fn form_clear(
    desk: State<Desk>,
    name: Path<String>,
    Form(form): Form<FlawNumber>,
) -> Result<Redirect, HttpError> {
    clear_flaw(desk, name, Object(form)).await.map(|line| back(&line))
}

fn nose() -> String {
    "0".to_owned()
}

fn back(line: &LineView) -> Redirect {
    Redirect::to(&format!("/lines/{}/belt", line.name))
}

fn flaw(before_mm: f64, length_mm: f64, note: String) -> Result<LineCommand, HttpError> {
    let sane = |mm: f64| mm.is_finite() && mm.abs() <= 1e6;
    if !(sane(before_mm) && sane(length_mm) && length_mm > 0.0) {
        let text = format!(
            "a flaw of {length_mm} mm, {before_mm} mm before the nose, cannot be; the length must be above zero and both at most 1000000"
        );
        return Err(HttpError::Invalid { text });
    }
    let length = note.chars().count();
    if length > NOTE_MAX {
        let text = format!("the note has {length} characters, expected at most {NOTE_MAX}");
        return Err(HttpError::Invalid { text });
    }
    let near = Millimetres(before_mm).to_micrometres();
    Ok(LineCommand::MarkFlaw { near, far: near + Millimetres(length_mm).to_micrometres(), note })
}
