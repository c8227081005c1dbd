//! `/lines/{name}/belt`: a line's belt, to scale, with everything that is marked on it by hand.

use askama::Template;
use axum::Router;
use axum::extract::{Path, State};
use axum::response::Html;
use axum::routing::get;

use super::desk::Desk;
use super::error::HttpError;
use super::frame::{Frame, Here};
use super::guide::trial_part;
use super::pages::render;
use super::strip::{Reach, Strip};
use crate::foreman::LineView;

pub(super) fn router() -> Router<Desk> {
    Router::new().route("/lines/{name}/belt", get(show_page)).route("/parts/belt/{name}", get(show_part))
}

#[derive(Template)]
#[template(path = "belt_page.html", config = "web/askama.toml")]
struct PageTemplate<'a> {
    frame: Frame,
    view: &'a LineView,
    part: String,
}

#[derive(Template)]
#[template(path = "belt.html", config = "web/askama.toml")]
struct PartTemplate<'a> {
    view: &'a LineView,
    /// What the line does, what is tried on it, and how it is ended.
    trial: String,
    /// What lies on the bed, and the whole loop where its length is known.
    on_bed: Option<Strip>,
    whole: Option<Strip>,
}

async fn show_page(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Html<String>, HttpError> {
    let view = desk.line(&name)?;
    let part = part(&view)?;
    render(&PageTemplate { frame: Frame::new(Here::Elsewhere), view: &view, part }).map(Html)
}

async fn show_part(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Html<String>, HttpError> {
    part(&desk.line(&name)?).map(Html)
}

fn part(view: &LineView) -> Result<String, HttpError> {
    let belt = view.belt.as_ref();
    let strip = |reach| belt.and_then(|belt| Strip::new(belt, reach));
    let whole = strip(Reach::Loop).filter(|_| belt.is_some_and(|belt| belt.loop_mm.is_some()));
    render(&PartTemplate { view, trial: trial_part(view)?, on_bed: strip(Reach::Bed), whole })
}
