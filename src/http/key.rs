//! The key without which nothing can be changed from another machine: as a bearer token (RFC 6750) or as a cookie.

use axum::Router;
use axum::extract::{Path, Request, State};
use axum::http::header::{AUTHORIZATION, COOKIE, SET_COOKIE, WWW_AUTHENTICATE};
use axum::http::{HeaderMap, HeaderValue};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use sha2::{Digest, Sha256};

use super::access::is_safe;
use super::desk::Desk;
use super::error::HttpError;

const COOKIE_NAME: &str = "nosebar-key";
/// A year: the phone on the workbench need not be told the key every morning.
const COOKIE_AGE_S: u32 = 365 * 24 * 3600;

/// What a key is compared by; the key itself is not kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct KeyHash([u8; 32]);

impl KeyHash {
    pub(super) fn of(key: &str) -> Self {
        Self(Sha256::digest(key.as_bytes()).into())
    }
}

pub(super) fn router() -> Router<Desk> {
    Router::new().route("/key/{key}", get(exchange_key))
}

/// Law L11: a request that changes something must carry the key, where there is one.
pub(super) async fn check_key(State(desk): State<Desk>, request: Request, next: Next) -> Response {
    let wanted = desk.key.as_ref().filter(|_| !is_safe(request.method()));
    let Some(wanted) = wanted else { return next.run(request).await };
    match presented(request.headers()) {
        Some(key) if KeyHash::of(key) == *wanted => next.run(request).await,
        found => challenge(found.is_some()),
    }
}

/// The address that is printed at the start: puts the key into a cookie that no script and no other site can use.
async fn exchange_key(State(desk): State<Desk>, Path(key): Path<String>) -> Response {
    if desk.key.as_ref().is_some_and(|wanted| KeyHash::of(&key) != *wanted) {
        return challenge(true);
    }
    let cookie = format!("{COOKIE_NAME}={key}; Path=/; Max-Age={COOKIE_AGE_S}; HttpOnly; SameSite=Strict");
    let mut response = Redirect::to("/").into_response();
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        response.headers_mut().insert(SET_COOKIE, cookie);
    }
    response
}

/// RFC 6750 §3: without any credentials there is no error code in the challenge.
fn challenge(wrong: bool) -> Response {
    let challenge = match wrong {
        true => "Bearer realm=\"nosebar\", error=\"invalid_token\", error_description=\"this is not the key\"",
        false => "Bearer realm=\"nosebar\"",
    };
    let mut response = HttpError::NoKey { wrong }.into_response();
    response.headers_mut().insert(WWW_AUTHENTICATE, HeaderValue::from_static(challenge));
    response
}

fn presented(headers: &HeaderMap) -> Option<&str> {
    if let Some(header) = headers.get(AUTHORIZATION) {
        let (scheme, key) = header.to_str().ok()?.split_once(' ')?;
        return scheme.eq_ignore_ascii_case("bearer").then_some(key.trim());
    }
    let pairs =
        headers.get_all(COOKIE).iter().filter_map(|header| header.to_str().ok()).flat_map(|line| line.split(';'));
    pairs.filter_map(|pair| pair.trim().split_once('=')).find(|(name, _)| *name == COOKIE_NAME).map(|(_, key)| key)
}
