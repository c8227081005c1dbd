//! The only place that knows status codes: what went wrong, as problem details of RFC 9457 for programs and as a page for people.

use askama::Template;
use axum::Json;
use axum::body::to_bytes;
use axum::extract::{Path, Request};
use axum::http::header::{ACCEPT, CONTENT_LANGUAGE, CONTENT_TYPE, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, Uri};
use axum::response::{Html, IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

use super::frame::{Frame, Here};
use super::key::KeyPage;
use crate::foreman::{Refused, RefusedCode};
use crate::job::Finding;

/// Why a request was not done.
#[derive(Debug, thiserror::Error)]
pub(super) enum HttpError {
    #[error(transparent)]
    Refused(#[from] Refused),
    #[error("there is no {what}")]
    NoSuch { what: String },
    #[error("{text}")]
    BadRequest { text: String },
    #[error("{text}")]
    Invalid { text: String },
    #[error("{text}")]
    Rejected { text: String, findings: Vec<Finding> },
    #[error("the body is longer than the {limit} bytes that are taken; send less, or raise the limit in the config")]
    TooLarge { limit: u64 },
    #[error("{why}")]
    CutShort { why: String },
    #[error("expected {expected}, found the content type {found:?}")]
    Unsupported { expected: &'static str, found: String },
    #[error("the version that you have is not the one that is there now ({now}); read it again, then decide")]
    Stale { now: String },
    #[error("this request comes from a page of {origin}, which has no business here")]
    ForeignOrigin { origin: String },
    #[error(
        "the host {host:?} is not one that this daemon answers to: use its address or localhost, or name the host in the config"
    )]
    WrongHost { host: String },
    #[error("{}; open the address that came with the key, enter it, or send it as a bearer token", .lack.words())]
    NoKey { lack: Lack },
    #[error("this key may look at the lines and change nothing; ask for one that may operate")]
    KeyTooWeak,
    #[error(
        "too many keys that are none have come from where you are; try again in {wait_s} seconds, or with a right one now"
    )]
    TooManyFailures { wait_s: u64 },
    #[error("{text}")]
    Store { text: String },
    #[error("something broke inside; the daemon's log says what")]
    Internal,
}

/// What is the matter with the key of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lack {
    Missing,
    Wrong,
    Revoked,
}

impl Lack {
    const fn words(self) -> &'static str {
        match self {
            Self::Missing => "nothing can be seen or done from here without a key",
            Self::Wrong => "this is not a key of this daemon",
            Self::Revoked => "this key was revoked",
        }
    }

    /// RFC 6750 §3: without any credentials there is no error code in the challenge.
    const fn challenge(self) -> &'static str {
        match self {
            Self::Missing => "Bearer realm=\"nosebar\"",
            Self::Wrong => {
                "Bearer realm=\"nosebar\", error=\"invalid_token\", error_description=\"this is not a key of this daemon\""
            }
            Self::Revoked => {
                "Bearer realm=\"nosebar\", error=\"invalid_token\", error_description=\"this key was revoked\""
            }
        }
    }
}

/// A kind of problem with an address of its own: `/problems/{code}`.
struct Kind {
    code: &'static str,
    status: StatusCode,
    title: &'static str,
    meaning: &'static str,
}

/// Kinds that mean more than their status code. The others are `about:blank` (RFC 9457 §4.2.1).
static KINDS: [Kind; 13] = [
    Kind {
        code: "not-in-this-state",
        status: StatusCode::CONFLICT,
        title: "Not in this state",
        meaning: "The job or line is in a state in which this cannot be done. The detail says what it is doing.",
    },
    Kind {
        code: "stale",
        status: StatusCode::PRECONDITION_FAILED,
        title: "Somebody changed it first",
        meaning: "The version or moment that the request named is not the present one. Read it again, then decide.",
    },
    Kind {
        code: "invalid-value",
        status: StatusCode::UNPROCESSABLE_ENTITY,
        title: "A value that cannot be",
        meaning: "The request was understood, but one of its values cannot be taken. The detail says which and why.",
    },
    Kind {
        code: "key-used-otherwise",
        status: StatusCode::UNPROCESSABLE_ENTITY,
        title: "The key was used for something else",
        meaning: "Another request was done with the same Idempotency-Key. Nothing was done now; make up a new key for each request.",
    },
    Kind {
        code: "does-not-fit",
        status: StatusCode::UNPROCESSABLE_ENTITY,
        title: "It does not fit",
        meaning: "The file cannot be made on the line asked for, or on any line.",
    },
    Kind {
        code: "file-rejected",
        status: StatusCode::UNPROCESSABLE_ENTITY,
        title: "The file was rejected",
        meaning: "The file contains something that no line may run. The member `findings` lists each with its line number.",
    },
    Kind {
        code: "busy",
        status: StatusCode::SERVICE_UNAVAILABLE,
        title: "Too much to do",
        meaning: "The daemon has too much to do or is shutting down. Nothing was changed; try again in a moment.",
    },
    Kind {
        code: "store-failed",
        status: StatusCode::INSUFFICIENT_STORAGE,
        title: "The store failed",
        meaning: "The database or the file store could not be read or written. The disk may be full. Nothing was changed.",
    },
    Kind {
        code: "foreign-origin",
        status: StatusCode::FORBIDDEN,
        title: "From a foreign page",
        meaning: "A page of another origin tried to change something. Only this daemon's own page may.",
    },
    Kind {
        code: "no-key",
        status: StatusCode::UNAUTHORIZED,
        title: "Without a key",
        meaning: "Whoever is not at the daemon's own machine needs a key: one that may watch to see the lines, one that may operate to change anything.",
    },
    Kind {
        code: "key-too-weak",
        status: StatusCode::FORBIDDEN,
        title: "The key may only look",
        meaning: "The key is right, but its rights are `watch`. What was asked needs one with the rights `operate`.",
    },
    Kind {
        code: "too-many-failures",
        status: StatusCode::TOO_MANY_REQUESTS,
        title: "Too many wrong keys",
        meaning: "From this address came many keys that are none. The header Retry-After says how long to wait before the next guess; a right key is taken at any time.",
    },
    Kind {
        code: "wrong-host",
        status: StatusCode::MISDIRECTED_REQUEST,
        title: "Wrong host",
        meaning: "The Host of the request is neither an address, nor localhost, nor a name from the config.",
    },
];

/// Problem details (RFC 9457 §3.1) with one member of ours.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(super) struct Problem {
    /// What kind of problem; its address says what it means. `about:blank` is no more than its status code.
    #[serde(rename = "type")]
    kind: String,
    /// The kind in a few words.
    title: String,
    /// The status code.
    #[serde(serialize_with = "as_number")]
    #[schema(value_type = u16, minimum = 400, maximum = 599)]
    status: StatusCode,
    /// What was found, what was expected, what to do next.
    detail: String,
    /// The address of the request.
    instance: String,
    /// What was found in a rejected file.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    findings: Vec<Finding>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
fn as_number<S: serde::Serializer>(status: &StatusCode, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_u16(status.as_u16())
}

impl Problem {
    fn plain(status: StatusCode, detail: String) -> Self {
        let title = status.canonical_reason().unwrap_or("Error").to_owned();
        Self { kind: "about:blank".to_owned(), title, status, detail, instance: String::new(), findings: Vec::new() }
    }

    fn of_kind(code: &str, detail: String) -> Self {
        let kind = KINDS.iter().find(|kind| kind.code == code).expect("invariant: the code is in the table");
        let address = format!("/problems/{code}");
        Self { kind: address, title: kind.title.to_owned(), ..Self::plain(kind.status, detail) }
    }
}

impl From<&HttpError> for Problem {
    fn from(error: &HttpError) -> Self {
        let detail = error.to_string();
        match error {
            HttpError::Refused(refused) => match refused.code {
                RefusedCode::NotFound => Self::plain(StatusCode::NOT_FOUND, detail),
                RefusedCode::Conflict => Self::of_kind("not-in-this-state", detail),
                RefusedCode::Stale => Self::of_kind("stale", detail),
                RefusedCode::KeyUsed => Self::of_kind("key-used-otherwise", detail),
                RefusedCode::Invalid => Self::of_kind("invalid-value", detail),
                RefusedCode::DoesNotFit => Self::of_kind("does-not-fit", detail),
                RefusedCode::Busy => Self::of_kind("busy", detail),
                RefusedCode::Store => Self::of_kind("store-failed", detail),
            },
            HttpError::NoSuch { .. } => Self::plain(StatusCode::NOT_FOUND, detail),
            HttpError::BadRequest { .. } | HttpError::CutShort { .. } => Self::plain(StatusCode::BAD_REQUEST, detail),
            HttpError::Invalid { .. } => Self::of_kind("invalid-value", detail),
            HttpError::Rejected { findings, .. } => {
                Self { findings: findings.clone(), ..Self::of_kind("file-rejected", detail) }
            }
            HttpError::TooLarge { .. } => Self::plain(StatusCode::PAYLOAD_TOO_LARGE, detail),
            HttpError::Unsupported { .. } => Self::plain(StatusCode::UNSUPPORTED_MEDIA_TYPE, detail),
            HttpError::Stale { .. } => Self::of_kind("stale", detail),
            HttpError::ForeignOrigin { .. } => Self::of_kind("foreign-origin", detail),
            HttpError::NoKey { .. } => Self::of_kind("no-key", detail),
            HttpError::KeyTooWeak => Self::of_kind("key-too-weak", detail),
            HttpError::TooManyFailures { .. } => Self::of_kind("too-many-failures", detail),
            HttpError::WrongHost { .. } => Self::of_kind("wrong-host", detail),
            HttpError::Store { .. } => Self::of_kind("store-failed", detail),
            HttpError::Internal => Self::plain(StatusCode::INTERNAL_SERVER_ERROR, detail),
        }
    }
}

impl HttpError {
    /// What programs read beside the problem: how to come in, what is missing (RFC 6750 §3), when to come again.
    fn header(&self) -> Option<(HeaderName, HeaderValue)> {
        let weak = "Bearer realm=\"nosebar\", error=\"insufficient_scope\", scope=\"operate\"";
        match self {
            Self::NoKey { lack } => Some((WWW_AUTHENTICATE, HeaderValue::from_static(lack.challenge()))),
            Self::KeyTooWeak => Some((WWW_AUTHENTICATE, HeaderValue::from_static(weak))),
            Self::TooManyFailures { wait_s } => Some((RETRY_AFTER, HeaderValue::from(*wait_s))),
            _ => None,
        }
    }
}

/// Carries the problem to [`Asked::write_problem`], which knows the request.
impl IntoResponse for HttpError {
    fn into_response(self) -> Response {
        let problem = Problem::from(&self);
        if problem.status.is_server_error() {
            tracing::warn!(status = problem.status.as_u16(), "a request failed: {self}");
        }
        let mut response = problem.status.into_response();
        response.extensions_mut().insert(problem);
        if let Some((name, value)) = self.header() {
            response.headers_mut().insert(name, value);
        }
        response
    }
}

#[derive(Template)]
#[template(path = "problem.html", config = "web/askama.toml")]
struct ProblemPage<'a> {
    problem: &'a Problem,
    frame: Frame,
}

/// What of a request the answer to it depends on when it has failed.
pub(super) struct Asked {
    uri: Uri,
    for_person: bool,
}

impl Asked {
    pub(super) fn of(request: &Request) -> Self {
        let uri = request.uri().clone();
        let for_person = !uri.path().starts_with("/api/") && wants_html(request.headers());
        Self { uri, for_person }
    }

    /// Writes a failed answer, the framework's own too, as problem details or, for a person's browser, as a page.
    pub(super) async fn write_problem(self, response: Response) -> Response {
        if response.status().is_client_error() || response.status().is_server_error() {
            self.written(response).await
        } else {
            response
        }
    }

    async fn written(self, response: Response) -> Response {
        let (mut parts, body) = response.into_parts();
        let mut problem = match parts.extensions.remove::<Problem>() {
            Some(problem) => problem,
            None => {
                // The framework's own refusals are a line of text.
                let text = to_bytes(body, 4096).await.unwrap_or_default();
                Problem::plain(parts.status, String::from_utf8_lossy(&text).into_owned())
            }
        };
        if problem.detail.is_empty() {
            problem.detail = match parts.status {
                StatusCode::NOT_FOUND => "there is nothing at this address".to_owned(),
                StatusCode::METHOD_NOT_ALLOWED => {
                    "this address does not take this method; the Allow header lists those it takes".to_owned()
                }
                _ => "the request could not be done".to_owned(),
            };
        }
        self.uri.path().clone_into(&mut problem.instance);
        let mut answer = if self.for_person { html(&problem) } else { Json(&problem).into_response() };
        *answer.status_mut() = problem.status;
        let headers = answer.headers_mut();
        if !self.for_person {
            headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        }
        headers.insert(CONTENT_LANGUAGE, HeaderValue::from_static("en"));
        if problem.status == StatusCode::SERVICE_UNAVAILABLE {
            headers.insert(RETRY_AFTER, HeaderValue::from_static("1"));
        }
        for (name, value) in &parts.headers {
            if name != CONTENT_TYPE && name != axum::http::header::CONTENT_LENGTH {
                headers.insert(name, value.clone());
            }
        }
        answer
    }
}

fn html(problem: &Problem) -> Response {
    let page = match problem.status {
        // What can be done about it is on the page itself.
        StatusCode::UNAUTHORIZED => {
            let why = problem.detail.split(';').next().map(str::to_owned);
            KeyPage { why, has_key: false, frame: Frame::new(Here::Outside) }.render()
        }
        // A right key helps at once.
        StatusCode::TOO_MANY_REQUESTS => {
            KeyPage { why: Some(problem.detail.clone()), has_key: false, frame: Frame::new(Here::Outside) }.render()
        }
        _ => ProblemPage { problem, frame: Frame::new(Here::Elsewhere) }.render(),
    };
    match page {
        Ok(text) => Html(text).into_response(),
        Err(_) => problem.detail.clone().into_response(),
    }
}

fn wants_html(headers: &HeaderMap) -> bool {
    headers.get(ACCEPT).and_then(|value| value.to_str().ok()).is_some_and(|accept| accept.contains("text/html"))
}

/// `GET /problems/{code}`: what a problem's type means.
pub(super) async fn explain_problem(Path(code): Path<String>) -> Result<String, HttpError> {
    let kind = KINDS.iter().find(|kind| kind.code == code);
    let kind = kind.ok_or_else(|| HttpError::NoSuch { what: "kind of problem with this name".to_owned() })?;
    Ok(format!("{} (status {})\n\n{}\n", kind.title, kind.status.as_u16(), kind.meaning))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_refusal_of_the_foreman_has_its_status() {
        let status = |code| Problem::from(&HttpError::from(Refused { code, text: "no".to_owned() })).status.as_u16();
        assert_eq!(status(RefusedCode::NotFound), 404);
        assert_eq!(status(RefusedCode::Conflict), 409);
        assert_eq!(status(RefusedCode::Stale), 412);
        assert_eq!(status(RefusedCode::KeyUsed), 422);
        assert_eq!(status(RefusedCode::Invalid), 422);
        assert_eq!(status(RefusedCode::DoesNotFit), 422);
        assert_eq!(status(RefusedCode::Busy), 503);
        assert_eq!(status(RefusedCode::Store), 507);
    }

    /// RFC 9457 §3.1: `status` is a number, `type`, `title`, `detail` and `instance` are strings.
    #[test]
    fn a_problem_has_the_members_of_the_rfc() {
        let mut problem = Problem::from(&HttpError::CutShort { why: "it broke off".to_owned() });
        problem.instance = "/api/v1/jobs".to_owned();
        let json = serde_json::to_value(&problem).expect("a problem is JSON");
        assert_eq!(json["type"], "about:blank");
        assert_eq!(json["title"], "Bad Request");
        assert_eq!(json["status"], 400);
        assert_eq!(json["instance"], "/api/v1/jobs");
        assert!(json.get("findings").is_none());
    }
}
