//! Joins the routes and listens.

use std::any::Any;
use std::future::Future;
use std::io;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::Method;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde_json::{Value, json};
use tokio::net::TcpListener;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::trace::TraceLayer;
use tracing::Span;

use super::desk::Desk;
use super::error::{self, HttpError};
use super::{
    access, belt, commission, curve, events, forecast, forms, guide, jobs, jog, journal, key, lines, pages, picture,
    statics, upload,
};

/// Bodies other than files.
const BODY_MAX: usize = 64 * 1024;
/// How long a request may still take when the daemon shuts down.
const GRACE: Duration = Duration::from_secs(5);

/// Serves until `shutdown` is done; requests under way get a few seconds more, event streams end at once.
///
/// # Errors
/// When the listener fails for good.
pub async fn serve(
    listener: TcpListener,
    desk: Desk,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let closing = desk.closing.clone();
    let closed = closing.clone();
    let app = router(desk);
    let ended = axum::serve(listener, app).with_graceful_shutdown(async move {
        shutdown.await;
        closing.cancel();
    });
    let late = async {
        closed.cancelled().await;
        tokio::time::sleep(GRACE).await;
    };
    tokio::select! {
        ended = ended => ended,
        () = late => Ok(()),
    }
}

/// Every route, with the layers around them. Tests call it without a listener.
pub fn router(desk: Desk) -> Router {
    let api = Router::new()
        .merge(jobs::router())
        .merge(picture::router())
        .merge(lines::router())
        .merge(commission::router())
        .merge(jog::router())
        .merge(curve::router())
        .merge(belt::api())
        .merge(journal::router())
        .merge(forecast::router())
        .merge(events::router())
        .route("/health", get(show_health));
    Router::new()
        .nest("/api/v1", api)
        .merge(pages::router())
        .merge(forms::router())
        .merge(guide::router())
        .merge(belt::forms())
        .merge(key::router())
        .route("/static/{name}", get(statics::send_file))
        .route("/problems/{code}", get(error::explain_problem))
        .layer(DefaultBodyLimit::max(BODY_MAX))
        // After the limit: files have their own.
        .merge(upload::router())
        .fallback(async || HttpError::NoSuch { what: "such address".to_owned() })
        .layer(from_fn_with_state(desk.clone(), key::check_key))
        .layer(from_fn_with_state(desk.clone(), access::check_sender))
        .layer(CatchPanicLayer::custom(report_panic))
        .layer(from_fn(error::write_problems))
        .layer(from_fn(access::add_security_headers))
        .layer(TraceLayer::new_for_http().make_span_with(span))
        .with_state(desk)
}

/// Method and path alone: neither queries nor headers, which may tell more than a log should.
fn span(request: &Request) -> Span {
    let method: &Method = request.method();
    tracing::debug_span!("http", %method, path = request.uri().path())
}

fn report_panic(_: Box<dyn Any + Send>) -> Response {
    tracing::error!("a request met a fault of the program");
    HttpError::Internal.into_response()
}

async fn show_health(State(desk): State<Desk>) -> Json<Value> {
    let live = desk.handle.live();
    Json(json!({ "version": env!("CARGO_PKG_VERSION"), "lines": live.lines.len(), "seq": live.seq }))
}
