//! Bodies of the interface: one JSON object.

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, Request};
use axum::response::{IntoResponse, Response};
use serde::de::DeserializeOwned;

use super::error::HttpError;

/// The body, read as a JSON object and nothing else.
pub(super) struct Object<T>(pub(super) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Object<T> {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Self, Response> {
        let (parts, body) = request.into_parts();
        let whole = Request::from_parts(parts.clone(), body);
        let bytes = Bytes::from_request(whole, state).await.map_err(IntoResponse::into_response)?;
        // Serde would take a list for an object, its members in the order of the fields.
        let list = bytes.trim_ascii_start().starts_with(b"[");
        let read = Json::from_request(Request::from_parts(parts, Body::from(bytes)), state).await;
        let Json(object) = read.map_err(IntoResponse::into_response)?;
        if list {
            let text = "the body is a list, expected an object with named members".to_owned();
            return Err(HttpError::Invalid { text }.into_response());
        }
        Ok(Self(object))
    }
}
