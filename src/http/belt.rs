//! `/api/v1/lines/{name}/belt/…`: what a person marks on a line's belt. The page's forms for the same.

use axum::extract::{Form, Path, State};
use axum::response::Redirect;
use axum::routing::post;
use axum::{Json, Router};
use serde::Deserialize;
use utoipa::ToSchema;
use utoipa_axum::routes;

use super::body::Object;
use super::desk::Desk;
use super::document::{Api, LineNow, LinePath};
use super::error::HttpError;
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
}

/// The page marks what is at the nose: the flaw reaches as far to either side.
#[derive(Deserialize)]
struct FlawForm {
    length_mm: f64,
    #[serde(default)]
    note: String,
}

/// Which flaw.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct FlawNumber {
    /// Its number.
    #[schema(format = "uint64")]
    flaw: u64,
}

/// Say that the splice is at the nose now
#[utoipa::path(post, path = "/lines/{name}/belt/splice-at-nose", params(LinePath), responses(LineNow))]
async fn say_splice(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, LineCommand::SpliceAtNose).await.map(Json)
}

/// Say that nobody knows any more where the splice is
#[utoipa::path(post, path = "/lines/{name}/belt/forget-splice", params(LinePath), responses(LineNow))]
async fn forget_splice(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, LineCommand::ForgetSplice).await.map(Json)
}

/// Mark a bad stretch
#[utoipa::path(post, path = "/lines/{name}/belt/mark-flaw", params(LinePath), request_body = FlawBody,
    responses(LineNow))]
async fn mark_flaw(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<FlawBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, flaw(body.before_mm, body.length_mm, body.note)?).await.map(Json)
}

/// Take a bad stretch for good again
#[utoipa::path(post, path = "/lines/{name}/belt/clear-flaw", params(LinePath), request_body = FlawNumber,
    responses(LineNow))]
async fn clear_flaw(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<FlawNumber>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, LineCommand::ClearFlaw(body.flaw)).await.map(Json)
}

async fn form_splice(desk: State<Desk>, name: Path<String>) -> Result<Redirect, HttpError> {
    say_splice(desk, name).await.map(|line| back(&line))
}

async fn form_forget(desk: State<Desk>, name: Path<String>) -> Result<Redirect, HttpError> {
    forget_splice(desk, name).await.map(|line| back(&line))
}

async fn form_mark(desk: State<Desk>, name: Path<String>, Form(form): Form<FlawForm>) -> Result<Redirect, HttpError> {
    let FlawForm { length_mm, note } = form;
    let body = FlawBody { before_mm: -length_mm / 2.0, length_mm, note };
    mark_flaw(desk, name, Object(body)).await.map(|line| back(&line))
}

async fn form_clear(
    desk: State<Desk>,
    name: Path<String>,
    Form(form): Form<FlawNumber>,
) -> Result<Redirect, HttpError> {
    clear_flaw(desk, name, Object(form)).await.map(|line| back(&line))
}

fn back(line: &LineView) -> Redirect {
    Redirect::to(&format!("/#line-{}", line.name))
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
