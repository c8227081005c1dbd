//! Who may ask: a hostile page in the same browser, or a foreign name that was pointed at this machine, gets nothing.
//!
//! Requests that change something must come from our own page or from no page at all. Every answer forbids what the page does
//! not need.

use std::net::IpAddr;

use axum::extract::Request;
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, HOST, ORIGIN, REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, Uri};
use axum::response::Response;

use super::desk::{Desk, shorten};
use super::error::HttpError;

/// Nothing but our own files; no inline script, no inline style, no frames.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; \
    form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// How many headers are put on every answer.
const SECURITY_HEADERS: usize = 7;

/// Refuses foreign hosts, and foreign origins where something would change.
pub(super) fn check_sender(desk: &Desk, request: &Request) -> Result<(), HttpError> {
    let host = host_of(request.headers(), request.uri());
    let ours = |host: &str| may_be_called(host, &desk.host_names) || desk.door.is_sealed_for(host);
    if !host.is_some_and(ours) {
        return Err(HttpError::WrongHost { host: shorten(host.unwrap_or("")) });
    }
    if !is_safe(request.method()) {
        check_origin(request.headers(), host.unwrap_or(""))?;
    }
    Ok(())
}

/// Puts the headers that forbid what we do not need on every answer.
pub(super) fn add_security_headers(response: &mut Response) {
    let headers = response.headers_mut();
    headers.reserve(SECURITY_HEADERS);
    let mut set = |name: HeaderName, value: &'static str| headers.insert(name, HeaderValue::from_static(value));
    set(CONTENT_SECURITY_POLICY, POLICY);
    set(X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(X_FRAME_OPTIONS, "DENY");
    // With `no-referrer` a browser sends `Origin: null` from our own forms; this tells other sites just as little.
    set(REFERRER_POLICY, "same-origin");
    set(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    if !headers.contains_key(CACHE_CONTROL) {
        headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}

/// By which name or address a request calls this machine.
pub(super) fn host_of<'a>(headers: &'a HeaderMap, uri: &'a Uri) -> Option<&'a str> {
    let header = headers.get(HOST).and_then(|host| host.to_str().ok());
    header.or_else(|| uri.authority().map(|authority| authority.as_str()))
}

/// Methods that change nothing (RFC 9110 §9.2.1).
pub(super) fn is_safe(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}

fn check_origin(headers: &HeaderMap, host: &str) -> Result<(), HttpError> {
    let foreign = |origin: &str| Err(HttpError::ForeignOrigin { origin: shorten(origin) });
    if let Some(origin) = headers.get(ORIGIN) {
        let origin = origin.to_str().unwrap_or("an unreadable origin");
        let ours = origin.split_once("://").is_some_and(|(_, place)| place.eq_ignore_ascii_case(host));
        return if ours { Ok(()) } else { foreign(origin) };
    }
    match headers.get("sec-fetch-site").and_then(|site| site.to_str().ok()) {
        Some("cross-site" | "same-site") => foreign("another site"),
        _ => Ok(()),
    }
}

/// An IP literal, localhost, or a name from the config; with or without a port. Other names may have been pointed here by
/// somebody else.
fn may_be_called(host: &str, names: &[String]) -> bool {
    if let Some(inside) = host.strip_prefix('[') {
        return inside.split_once(']').is_some_and(|(address, _)| address.parse::<IpAddr>().is_ok());
    }
    let name = host.rsplit_once(':').map_or(host, |(name, _)| name);
    name.parse::<IpAddr>().is_ok()
        || name.eq_ignore_ascii_case("localhost")
        || names.iter().any(|known| known.eq_ignore_ascii_case(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_localhost_and_configured_names_are_ours() {
        let names = ["bench.local".to_owned()];
        for host in
            ["127.0.0.1:8017", "127.0.0.1", "[::1]:8017", "[::1]", "localhost:8017", "LOCALHOST", "Bench.local:80"]
        {
            assert!(may_be_called(host, &names), "{host}");
        }
        for host in ["example.org", "example.org:8017", "127.0.0.1.example.org", "", "[::1", "localhost.example.org"] {
            assert!(!may_be_called(host, &names), "{host}");
        }
    }

    #[test]
    fn a_request_of_another_origin_is_foreign_and_one_without_origin_is_not() {
        let of = |pairs: &[(&'static str, &'static str)]| {
            let mut headers = HeaderMap::new();
            for (name, value) in pairs {
                headers.insert(*name, HeaderValue::from_static(value));
            }
            check_origin(&headers, "127.0.0.1:8017").is_ok()
        };
        assert!(of(&[]));
        assert!(of(&[("origin", "http://127.0.0.1:8017")]));
        assert!(of(&[("sec-fetch-site", "same-origin")]));
        assert!(!of(&[("origin", "http://127.0.0.1:8018")]));
        assert!(!of(&[("origin", "http://example.org")]));
        assert!(!of(&[("origin", "null")]));
        assert!(!of(&[("sec-fetch-site", "cross-site")]));
    }
}
