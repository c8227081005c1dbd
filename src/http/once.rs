//! `Idempotency-Key` (draft-ietf-httpapi-idempotency-key-header-07): a request that is sent again with its key is not done again.
//!
//! The phone that got no answer cannot know whether the belt has moved; with a key it may ask again. What was done with a key is
//! kept with its effect, so that a restart in between changes nothing. The print of a small request is made of its method,
//! address and body here; that of an upload where the file has come in, from what it is and what was asked for with it.
//! Handlers know nothing of this: the key goes along with the task ([`OnceKey::bear`]), and the desk and the intake take it.

use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, Request};
use axum::http::{HeaderMap, Method};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::desk::shorten;
use super::error::HttpError;
use crate::foreman::OnceKey;

/// The header's name.
const HEADER: &str = "idempotency-key";
/// The longest key, characters.
const KEY_MAX: usize = 255;

/// For requests whose body is small: it belongs to what was asked.
pub(super) async fn with_body(request: Request, next: Next) -> Result<Response, HttpError> {
    let Some((key, head)) = key_of(&request)? else { return Ok(next.run(request).await) };
    let (parts, body) = request.into_parts();
    let bytes = match Bytes::from_request(Request::from_parts(parts.clone(), body), &()).await {
        Ok(bytes) => bytes,
        Err(refused) => return Ok(refused.into_response()),
    };
    let request = Request::from_parts(parts, Body::from(bytes.clone()));
    Ok(OnceKey::new(key, &[head.as_bytes(), &bytes]).bear(next.run(request)).await)
}

/// For files: the intake knows what came.
pub(super) async fn without_body(request: Request, next: Next) -> Result<Response, HttpError> {
    let Some((key, head)) = key_of(&request)? else { return Ok(next.run(request).await) };
    Ok(OnceKey::new(key, &[head.as_bytes()]).bear(next.run(request)).await)
}

/// The key, and what the request's first line asks for; `None` where there is no key or nothing is changed.
fn key_of(request: &Request) -> Result<Option<(String, String)>, HttpError> {
    // What no route takes is refused as such, whatever its key.
    if !matches!(*request.method(), Method::POST | Method::PATCH | Method::DELETE) {
        return Ok(None);
    }
    let key = read_header(request.headers())?;
    Ok(key.map(|key| (key, format!("{} {}", request.method(), request.uri()))))
}

fn read_header(headers: &HeaderMap) -> Result<Option<String>, HttpError> {
    let mut values = headers.get_all(HEADER).iter();
    let Some(value) = values.next() else { return Ok(None) };
    let wrong = |found: &str| HttpError::BadRequest {
        text: format!(
            "Idempotency-Key is {found}, expected one string of 1 to {KEY_MAX} printable characters, such as \"8e03978e\""
        ),
    };
    if values.next().is_some() {
        return Err(wrong("there more than once"));
    }
    let text = value.to_str().map_err(|_| wrong("not printable"))?;
    let key = read_string(text.trim()).ok_or_else(|| wrong(&format!("{:?}", shorten(text))))?;
    if key.is_empty() || key.len() > KEY_MAX {
        return Err(wrong(&format!("{} characters long", key.len())));
    }
    Ok(Some(key))
}

/// A string of structured fields (RFC 9651 §4.2.5), whose parameters say nothing here; or the bare characters of a token, since
/// many send them so.
fn read_string(text: &str) -> Option<String> {
    let Some(quoted) = text.strip_prefix('"') else {
        let bare = |c: char| c.is_ascii_alphanumeric() || "!#$%&'*+-.^_`|~:/=".contains(c);
        return text.chars().all(bare).then(|| text.to_owned());
    };
    let mut key = String::new();
    let mut rest = quoted.chars();
    loop {
        match rest.next()? {
            '"' => break,
            '\\' => key.push(rest.next().filter(|c| matches!(c, '"' | '\\'))?),
            c @ ' '..='~' => key.push(c),
            _ => return None,
        }
    }
    let after = rest.as_str();
    (after.is_empty() || after.trim_start().starts_with(';')).then_some(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The draft's example, and RFC 9651 §3.3.3.
    #[test]
    fn a_key_is_a_quoted_string_or_a_bare_token() {
        let uuid = "8e03978e-40d5-43dd-bc93-6894a57f9324";
        assert_eq!(read_string(&format!("\"{uuid}\"")).as_deref(), Some(uuid));
        assert_eq!(read_string(uuid).as_deref(), Some(uuid));
        assert_eq!(read_string("\"a \\\"b\\\" \\\\c\"").as_deref(), Some("a \"b\" \\c"));
        assert_eq!(read_string("\"a\";x=1").as_deref(), Some("a"));
        for text in ["\"a", "\"a\\b\"", "\"a\" b", "a b", "a,b", "\"é\""] {
            assert_eq!(read_string(text), None, "{text}");
        }
    }

    #[test]
    fn a_key_that_is_empty_too_long_or_there_twice_is_refused() {
        let headers = |values: &[&str]| {
            let mut headers = HeaderMap::new();
            for value in values {
                headers.append(HEADER, value.parse().expect("a header"));
            }
            headers
        };
        assert_eq!(read_header(&headers(&[])).expect("no key"), None);
        let longest = "k".repeat(KEY_MAX);
        assert_eq!(read_header(&headers(&[&longest])).expect("a key"), Some(longest.clone()));
        for values in [&["\"\""][..], &[""], &["a", "b"], &[&(longest + "k")]] {
            assert!(read_header(&headers(values)).is_err(), "{values:?}");
        }
    }
}
