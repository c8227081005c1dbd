//! Joins the routes and listens.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, State};
use axum::middleware::from_fn;
use axum::routing::get;
use axum::serve::{Listener, ListenerExt};
use axum::{Json, Router};
use serde::Serialize;
use tower_http::compression::CompressionLayer;
use utoipa::ToSchema;

use super::desk::Desk;
use super::document::{self, Api, routes};
use super::error::{self, HttpError};
use super::guard::Guarded;
use super::{
    belt, belt_page, commission, curve, events, forecast, forms, guide, job_forms, job_page, jobs, jog, journal, key,
    keys, keys_page, lines, log, once, pages, picture, proofs, statics, upload,
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
            Guarded(desk.clone()),
        ))
        // Too short to be packed.
        .merge(signs().into_router().layer(Guarded(desk.clone())))
        .with_state(desk)
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
