//! Joins the routes and listens.

use std::any::Any;
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::Method;
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::serve::{Listener, ListenerExt};
use axum::{Json, Router};
use serde::Serialize;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tracing::{Instrument, Span};
use utoipa::ToSchema;
use utoipa_axum::routes;

use super::desk::Desk;
use super::document::{self, Api};
use super::error::{self, Asked, HttpError};
use super::{
    access, belt, belt_page, commission, curve, door, events, forecast, forms, guide, job_forms, job_page, jobs, jog,
    journal, key, keys, keys_page, lines, log, once, pages, picture, proofs, statics, upload,
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
    listener: impl Listener<Addr = SocketAddr>,
    desk: Desk,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let closing = desk.closing.clone();
    let closed = closing.clone();
    // Failures are counted by where they come from.
    let app = router(desk).into_make_service_with_connect_info::<SocketAddr>();
    // Of listeners that are not its own, axum tells where a request comes from if they are tapped.
    let ended = axum::serve(listener.tap_io(|_| {}), app).with_graceful_shutdown(async move {
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

/// The interface for programs: every route of it, with its description.
pub(super) fn api() -> Api {
    small().merge(files()).merge(signs())
}

/// What takes files.
fn files() -> Api {
    Api::new().merge(upload::api()).merge(proofs::api_uploads())
}

/// What takes small bodies or none.
fn small() -> Api {
    Api::new()
        .merge(jobs::router())
        .merge(picture::router())
        .merge(proofs::router())
        .merge(lines::router())
        .merge(commission::router())
        .merge(jog::router())
        .merge(curve::router())
        .merge(belt::api())
        .merge(journal::router())
        .merge(forecast::router())
        .merge(events::router())
        .merge(keys::router())
        .merge(document::router())
}

/// What is asked for again and again, and takes no body.
fn signs() -> Api {
    Api::new().routes(routes!(show_health))
}

/// Every route, with the layers around them. Tests call it without a listener.
pub fn router(desk: Desk) -> Router {
    Router::new()
        .merge(small().into_router())
        .merge(pages::router())
        .merge(belt_page::router())
        .merge(job_page::router())
        .merge(log::router())
        .merge(forms::router())
        .merge(job_forms::router())
        .merge(guide::router())
        .merge(belt::forms())
        .merge(proofs::forms())
        .merge(key::router())
        .merge(keys_page::router())
        .route("/manifest.webmanifest", get(statics::send_manifest))
        .route("/static/{name}", get(statics::send_file))
        .route("/problems/{code}", get(error::explain_problem))
        .layer((DefaultBodyLimit::max(BODY_MAX), from_fn(once::with_body)))
        // After the limit: files have their own.
        .merge(files().into_router())
        .merge(proofs::form_uploads())
        .fallback(async || HttpError::NoSuch { what: "such address".to_owned() })
        // The first is the outermost. As one layer: each by itself would box every request and every answer once more.
        .layer((
            // Not for streams and pictures, which the layer knows: the first would wait, the second are packed already.
            CompressionLayer::new(),
            from_fn_with_state(desk.clone(), stand_between),
            CatchPanicLayer::custom(report_panic),
        ))
        // Too short to be packed.
        .merge(
            signs()
                .into_router()
                .layer((from_fn_with_state(desk.clone(), stand_between), CatchPanicLayer::custom(report_panic))),
        )
        .with_state(desk)
}

/// Method and path alone: neither queries nor headers, nor the key in an address, which tell more than a log should.
fn span(request: &Request) -> Span {
    let method: &Method = request.method();
    let path = request.uri().path();
    let path = if path.starts_with("/key/") { "/key/…" } else { path };
    tracing::debug_span!("http", %method, path)
}

fn report_panic(_: Box<dyn Any + Send>) -> Response {
    tracing::error!("a request met a fault of the program");
    HttpError::Internal.into_response()
}

/// Who may not ask is refused; and what every answer gets on its way out.
async fn stand_between(State(desk): State<Desk>, mut request: Request, next: Next) -> Response {
    let asked = Asked::of(&request);
    let let_in = access::check_sender(&desk, &request).and_then(|()| door::check_key(&desk, &mut request));
    let span = span(&request);
    let response = match let_in {
        Ok(()) => next.run(request).instrument(span.clone()).await,
        Err(refusal) => span.in_scope(|| refusal.into_response()),
    };
    let mut response = asked.write_problem(response).await;
    access::add_security_headers(&mut response);
    tracing::debug!(parent: &span, status = response.status().as_u16(), "answered");
    response
}

/// A sign of life.
#[derive(Serialize, ToSchema)]
struct Health {
    /// The program's version.
    version: &'static str,
    /// How many lines there are.
    lines: usize,
    /// The journal's last number.
    seq: i64,
}

/// Whether the daemon is at work
#[utoipa::path(get, path = "/health", responses((status = 200, description = "It is.", body = Health)))]
async fn show_health(State(desk): State<Desk>) -> Result<Json<Health>, HttpError> {
    // Whoever answers here may be well while the foreman is not.
    desk.handle.check_open()?;
    let live = desk.handle.live();
    Ok(Json(Health { version: env!("CARGO_PKG_VERSION"), lines: live.lines.len(), seq: live.seq }))
}
