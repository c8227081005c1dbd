//! Bodies of the interface: one JSON object.

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, OptionalFromRequest, Request};
use axum::response::{IntoResponse, Response};
use serde::de::{DeserializeOwned, IgnoredAny};

use super::error::HttpError;

/// The body, read as a JSON object and nothing else.
pub(super) struct Object<T>(pub(super) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Object<T> {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Self, Response> {
        let whole = no_list(request, state).await?;
        let read = <Json<T> as FromRequest<S>>::from_request(whole, state).await;
        read.map(|Json(object)| Self(object)).map_err(IntoResponse::into_response)
    }
}

/// There is none where nothing is sent, whatever it is called, and where it is null. What else is sent must be an object, and be
/// called JSON: it is never passed over.
impl<T: DeserializeOwned, S: Send + Sync> OptionalFromRequest<S> for Object<T> {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Option<Self>, Response> {
        let (whole, bytes) = read(request, state).await?;
        if bytes.trim_ascii().is_empty() {
            return Ok(None);
        }
        let Object(body) = <Object<Option<T>> as FromRequest<S>>::from_request(whole, state).await?;
        Ok(body.map(Self))
    }
}

/// A body that may be left out, and means what a body without members does then.
pub(super) fn or_none<T: Default>(body: Option<Object<T>>) -> T {
    body.map(|Object(body)| body).unwrap_or_default()
}

/// The request as it was, and its body.
async fn read<S: Send + Sync>(request: Request, state: &S) -> Result<(Request, Bytes), Response> {
    let (parts, body) = request.into_parts();
    let whole = Request::from_parts(parts.clone(), body);
    let bytes = Bytes::from_request(whole, state).await.map_err(IntoResponse::into_response)?;
    Ok((Request::from_parts(parts, Body::from(bytes.clone())), bytes))
}

/// Serde would take a list for an object, its members in the order of the fields.
async fn no_list<S: Send + Sync>(request: Request, state: &S) -> Result<Request, Response> {
    let (whole, bytes) = read(request, state).await?;
    if !bytes.trim_ascii_start().starts_with(b"[") {
        return Ok(whole);
    }
    // What is no JSON, or does not say that it is, is told so first.
    if let Err(why) = <Json<IgnoredAny> as FromRequest<S>>::from_request(whole, state).await {
        return Err(why.into_response());
    }
    let text = "the body is a list, expected an object with named members".to_owned();
    Err(HttpError::Invalid { text }.into_response())
}
