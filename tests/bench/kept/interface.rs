//! The whole interface in this process, asked as by a program or a browser.

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use axum::http::header::HOST;
use nosebar::foreman::{Handle, Live};
use nosebar::gcode::Rules;
use nosebar::http::{Desk, router};
use nosebar::infeed::{Intake, surveyors};
use nosebar::store::{FileStore, Reader};
use tokio::runtime::Runtime;
use tokio::sync::{broadcast, mpsc, watch};
use tower::ServiceExt;

/// Questions in a round.
pub(crate) const PAGES: u64 = 20;

/// The whole interface with all its layers, but without a socket and without lines.
pub(crate) fn interface(reader: Reader, files: FileStore) -> Router {
    let (requests, _) = mpsc::channel(1);
    let (_, live) = watch::channel(std::sync::Arc::new(Live::default()));
    let (news, _) = broadcast::channel(1);
    let handle = Handle::new(requests, live, news);
    router(Desk::new(handle.clone(), reader, Intake::new(files, surveyors(Rules::default()), handle)))
}

/// Asks [`PAGES`] times; answers how many bytes came.
pub(crate) fn asked(runtime: &Runtime, app: &Router, address: &str) -> u64 {
    let (app, address) = (app.clone(), address.to_owned());
    let work = runtime.spawn(async move {
        let mut bytes = 0;
        for _ in 0..PAGES {
            let request = Request::get(&address).header(HOST, "127.0.0.1").body(Body::empty()).expect("a request");
            let answer = app.clone().oneshot(request).await.expect("an answer");
            assert!(answer.status().is_success(), "{}", answer.status());
            bytes += to_bytes(answer.into_body(), usize::MAX).await.expect("a body").len();
        }
        bytes as u64
    });
    runtime.block_on(work).expect("it is done")
}
