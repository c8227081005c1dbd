//! A device hands in its key, and gets a cookie for it; or hands the cookie back. Programs send it as a bearer token (RFC 6750).

use std::net::IpAddr;

use askama::Template;
use axum::Router;
use axum::extract::{Form, Path, State};
use axum::http::header::{AUTHORIZATION, COOKIE, SET_COOKIE};
use axum::http::{Extensions, HeaderMap, HeaderName};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use serde::Deserialize;

use super::desk::Desk;
use super::door::peer;
use super::error::HttpError;
use super::frame::{Frame, Here};
use super::pages::render;
use crate::job::Rights;

const COOKIE_NAME: &str = "nosebar-key";
/// A year: the phone on the workbench need not be told the key every morning.
const COOKIE_AGE_S: u32 = 365 * 24 * 3600;

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/key", get(show_field).post(exchange_typed_key))
        .route("/key/forget", post(forget_key))
        .route("/key/{key}", get(exchange_key))
}

/// Asks a person for a key.
#[derive(Template)]
#[template(path = "key.html", config = "web/askama.toml")]
pub(super) struct KeyPage {
    /// Why it is asked for, if something was refused.
    pub(super) why: Option<String>,
    /// Whether this device has a key already.
    pub(super) has_key: bool,
    pub(super) frame: Frame,
}

/// Sends a browser on to the page in a step of its own.
#[derive(Template)]
#[template(path = "taken.html", config = "web/askama.toml")]
struct TakenPage {
    frame: Frame,
}

#[derive(Deserialize)]
struct KeyForm {
    key: String,
}

async fn show_field(headers: HeaderMap) -> Result<Html<String>, HttpError> {
    let has_key = presented(&headers).is_some();
    render(&KeyPage { why: None, has_key, frame: Frame::new(Here::Outside) }).map(Html)
}

/// The address that a QR code has.
async fn exchange_key(
    State(desk): State<Desk>,
    Path(key): Path<String>,
    headers: HeaderMap,
    extensions: Extensions,
) -> Result<Response, HttpError> {
    let taken = exchange(&desk, peer(&extensions), &key)?;
    let site = headers.get("sec-fetch-site").and_then(|site| site.to_str().ok());
    // Who followed a link on another site is still on its way from there: a browser would not send a strict cookie along with a
    // redirect. From a page of ours it does.
    if matches!(site, Some("cross-site" | "same-site")) {
        return Ok((taken, Html(render(&TakenPage { frame: Frame::new(Here::Outside) })?)).into_response());
    }
    Ok((taken, Redirect::to("/")).into_response())
}

async fn exchange_typed_key(
    State(desk): State<Desk>,
    extensions: Extensions,
    Form(form): Form<KeyForm>,
) -> Result<Response, HttpError> {
    // Who pastes the whole address means the key at its end.
    let key = form.key.trim().trim_end_matches('/').rsplit('/').next().unwrap_or("");
    let taken = exchange(&desk, peer(&extensions), key)?;
    Ok((taken, Redirect::to("/")).into_response())
}

type CookieHeader = Option<[(HeaderName, String); 1]>;

/// Puts the key into a cookie that no script and no other site can use. Where no keys are asked for there is none to keep.
fn exchange(desk: &Desk, from: Option<IpAddr>, key: &str) -> Result<CookieHeader, HttpError> {
    if !desk.door.asks {
        return Ok(None);
    }
    desk.admit(from, Some(key), Rights::Watch)?;
    Ok(Some([(SET_COOKIE, cookie(desk, key, COOKIE_AGE_S))]))
}

async fn forget_key(State(desk): State<Desk>) -> Response {
    ([(SET_COOKIE, cookie(&desk, "", 0))], Redirect::to("/key")).into_response()
}

/// RFC 6265 §4.1.2; `SameSite` by its successor's draft.
fn cookie(desk: &Desk, value: &str, age_s: u32) -> String {
    let secure = if desk.door.tls { "; Secure" } else { "" };
    format!("{COOKIE_NAME}={value}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Strict{secure}")
}

/// What a request bears as a key: the bearer token, else the cookie. Other schemes bear none.
pub(super) fn presented(headers: &HeaderMap) -> Option<&str> {
    if let Some(header) = headers.get(AUTHORIZATION) {
        let (scheme, key) = header.to_str().ok()?.split_once(' ')?;
        return scheme.eq_ignore_ascii_case("bearer").then_some(key.trim());
    }
    let pairs =
        headers.get_all(COOKIE).iter().filter_map(|header| header.to_str().ok()).flat_map(|line| line.split(';'));
    let mut named = pairs.filter_map(|pair| pair.trim().split_once('=')).filter(|(name, _)| *name == COOKIE_NAME);
    named.find_map(|(_, key)| (!key.is_empty()).then_some(key))
}
