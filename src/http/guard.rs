//! What stands between every request and its handler: who may not ask is refused, faults of the program are caught, failed answers
//! become problems, and every answer forbids what the page does not need.
//!
//! A service of its own, since a middleware of functions has every request and answer boxed twice more: `cargo bench --bench process`
//! sees the difference.

use std::convert::Infallible;
use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::pin::Pin;
use std::task::{Context, Poll};

use axum::extract::Request;
use axum::http::Method;
use axum::response::{IntoResponse, Response};
use futures_util::FutureExt;
use tower_layer::Layer;
use tower_service::Service;
use tracing::{Instrument, Span};

use super::desk::Desk;
use super::error::{Asked, HttpError};
use super::{access, door};

/// Puts a [`Guard`] before a service.
#[derive(Clone)]
pub(super) struct Guarded(pub(super) Desk);

impl<S> Layer<S> for Guarded {
    type Service = Guard<S>;

    fn layer(&self, inner: S) -> Guard<S> {
        Guard { desk: self.0.clone(), inner }
    }
}

#[derive(Clone)]
pub(super) struct Guard<S> {
    desk: Desk,
    inner: S,
}

impl<S> Service<Request> for Guard<S>
where
    S: Service<Request, Response = Response, Error = Infallible>,
    S::Future: Send + 'static,
{
    type Response = Response;
    type Error = Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Response, Infallible>> + Send>>;

    fn poll_ready(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        self.inner.poll_ready(context)
    }

    fn call(&mut self, mut request: Request) -> Self::Future {
        let asked = Asked::of(&request);
        let span = span(&request);
        let let_in =
            access::check_sender(&self.desk, &request).and_then(|()| door::check_key(&self.desk, &mut request));
        match let_in {
            Ok(()) => {
                let answering = AssertUnwindSafe(self.inner.call(request).instrument(span.clone())).catch_unwind();
                Box::pin(async move {
                    let answer = match answering.await {
                        Ok(answered) => answered?,
                        Err(_) => span.in_scope(report_panic),
                    };
                    Ok(finish(asked, answer, &span).await)
                })
            }
            Err(refusal) => {
                let refused = span.in_scope(|| refusal.into_response());
                Box::pin(async move { Ok(finish(asked, refused, &span).await) })
            }
        }
    }
}

/// What every answer gets on its way out.
async fn finish(asked: Asked, response: Response, span: &Span) -> Response {
    let mut response = asked.write_problem(response).await;
    access::add_security_headers(&mut response);
    tracing::debug!(parent: span, status = response.status().as_u16(), "answered");
    response
}

fn report_panic() -> Response {
    tracing::error!("a request met a fault of the program");
    HttpError::Internal.into_response()
}

/// Method and path alone: neither queries nor headers, nor the key in an address, which tell more than a log should.
fn span(request: &Request) -> Span {
    let method: &Method = request.method();
    let path = request.uri().path();
    let path = if path.starts_with("/key/") { "/key/…" } else { path };
    tracing::debug_span!("http", %method, path)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use axum::Router;
    use axum::body::{Body, to_bytes};
    use axum::http::Uri;
    use axum::http::header::{CONTENT_SECURITY_POLICY, HOST};
    use tokio::sync::{broadcast, mpsc, watch};
    use tower::ServiceExt;

    use super::*;
    use crate::foreman::{Handle, Live};
    use crate::gcode::Rules;
    use crate::infeed::{Intake, surveyors};
    use crate::store::{FileStore, Store};

    #[tokio::test]
    async fn a_fault_of_the_program_is_a_problem_like_any_other_and_the_next_request_is_answered() {
        let dir = tempfile::tempdir().expect("a folder");
        let store = Store::open(&dir.path().join("db")).await.expect("a store");
        let files = FileStore::open_in(dir.path()).expect("a file store");
        let (live, news) = (watch::channel(Arc::new(Live::default())).1, broadcast::channel(1).0);
        let handle = Handle::new(mpsc::channel(1).0, live, news);
        let desk = Desk::new(handle.clone(), store.reader(), Intake::new(files, surveyors(Rules::default()), handle));
        let answer = async |uri: Uri| if uri.path() == "/api/fault" { panic!("a fault") } else { "well" };
        let app = Router::new().fallback(answer).layer(Guarded(desk));
        for (path, status) in [("/api/fault", 500), ("/api/well", 200)] {
            let request = Request::get(path).header(HOST, "localhost").body(Body::empty()).expect("a request");
            let answer = app.clone().oneshot(request).await.expect("an answer");
            assert_eq!(answer.status(), status);
            assert!(answer.headers().contains_key(CONTENT_SECURITY_POLICY), "{path}");
            let body = to_bytes(answer.into_body(), 10_000).await.expect("a body");
            assert_eq!(body.windows(8).any(|some| some == b"\"status\""), status == 500, "{body:?}");
        }
    }
}
