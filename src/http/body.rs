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

/// There is none where the request has no `Content-Type`.
impl<T: DeserializeOwned, S: Send + Sync> OptionalFromRequest<S> for Object<T> {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Option<Self>, Response> {
        let whole = no_list(request, state).await?;
        let read = <Json<T> as OptionalFromRequest<S>>::from_request(whole, state).await;
        read.map(|body| body.map(|Json(object)| Self(object))).map_err(IntoResponse::into_response)
    }
}

/// The request with its body read. Serde would take a list for an object, its members in the order of the fields.
async fn no_list<S: Send + Sync>(request: Request, state: &S) -> Result<Request, Response> {
    let (parts, body) = request.into_parts();
    let whole = Request::from_parts(parts.clone(), body);
    let bytes = Bytes::from_request(whole, state).await.map_err(IntoResponse::into_response)?;
    let list = bytes.trim_ascii_start().starts_with(b"[");
    let whole = Request::from_parts(parts, Body::from(bytes));
    if !list {
        return Ok(whole);
    }
    let read = <Option<Json<IgnoredAny>> as FromRequest<S>>::from_request(whole, state).await;
    read.map_err(IntoResponse::into_response)?;
    let text = "the body is a list, expected an object with named members".to_owned();
    Err(HttpError::Invalid { text }.into_response())
}
