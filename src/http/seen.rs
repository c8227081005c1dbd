//! `since`: the line as the person saw it. What was meant for an older state of the line is not done.

use axum::body::Bytes;
use axum::extract::{Form, FromRequest, Request};
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::ToSchema;

use super::error::HttpError;

/// The body of a command that says nothing else: JSON, a form, or none at all.
#[derive(Clone, Copy, Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Seen {
    /// The `since` of the line as the person saw it.
    #[serde(default)]
    pub(super) since: Option<i64>,
}

/// Forms have other fields too.
#[derive(Deserialize)]
struct SeenForm {
    since: Option<i64>,
}

impl<S: Send + Sync> FromRequest<S> for Seen {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Self, Response> {
        let kind = request.headers().get(CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or("");
        if kind.starts_with("application/x-www-form-urlencoded") {
            let Form(SeenForm { since }) =
                Form::from_request(request, state).await.map_err(IntoResponse::into_response)?;
            return Ok(Self { since });
        }
        let bytes = Bytes::from_request(request, state).await.map_err(IntoResponse::into_response)?;
        if bytes.iter().all(u8::is_ascii_whitespace) {
            return Ok(Self::default());
        }
        let wrong = |why: String| {
            let text = format!("the body is not what was expected, nothing or {{\"since\": NUMBER}}: {why}");
            HttpError::Invalid { text }.into_response()
        };
        // Serde would take an empty list for an object without members.
        if bytes.trim_ascii_start().starts_with(b"[") {
            return Err(wrong("it is a list".to_owned()));
        }
        serde_json::from_slice(&bytes).map_err(|error| wrong(error.to_string()))
    }
}
