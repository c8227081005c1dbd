//! A file over HTTP, as a form or as it is.

use std::fs;

use axum::body::{Body, Bytes, to_bytes};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE, LOCATION};
use axum::http::request::Builder;
use axum::http::{HeaderValue, Request, StatusCode};
use futures_util::stream;
use nosebar::gcode::ContentHash;

use super::house::{House, UPLOAD_MAX};

/// The first byte's lower half: what comes, by its bits.
const RAW: u8 = 1;
const FROM_PAGE: u8 = 2;
const OWN_HEAD: u8 = 4;
const BREAKS_OFF: u8 = 8;
/// Its upper half: bytes of a piece.
const PIECES: [usize; 8] = [1, 3, 17, 64, 255, 1024, 4096, usize::MAX];

/// Sends a request. The first byte chooses its kind; with `OWN_HEAD` the bytes up to the first line feed are the content type
/// of a form, or the name of a raw file; the others are the body.
///
/// # Panics
/// If it is answered with a fault of the server, if it is taken and not kept whole, or if it is not and something is left behind.
pub fn check(house: &House, data: &[u8]) {
    let Some((&head, rest)) = data.split_first() else { return };
    let (own_head, body) = match rest.iter().position(|byte| *byte == b'\n') {
        Some(end) if head & OWN_HEAD != 0 => (Some(&rest[..end]), &rest[end + 1..]),
        _ => (None, rest),
    };
    let Some(request) = request(head, own_head, body) else { return };
    let is_form = request.headers().get(CONTENT_TYPE).is_some();
    let (status, location, answer) = house.block_on(async {
        let response = house.ask(request).await;
        let (parts, body) = response.into_parts();
        let location = parts.headers.get(LOCATION).and_then(|value| value.to_str().ok()).unwrap_or("").to_owned();
        (parts.status, location, to_bytes(body, 1 << 24).await.expect("a whole answer"))
    });
    let text = std::str::from_utf8(&answer).expect("answers are text");
    assert!(!status.is_server_error(), "{status}: {text}");
    if matches!(status, StatusCode::CREATED | StatusCode::SEE_OTHER) {
        assert!(head & BREAKS_OFF == 0, "half a file was taken");
        if let Some((_, proof)) = location.split_once("#proof-") {
            queue_proof(house, proof);
        }
        check_taken(house, (!is_form).then_some(body));
    } else {
        assert!(status.is_client_error(), "{status}: {text}");
        let problem: serde_json::Value = serde_json::from_str(text).expect("a problem is JSON");
        assert_eq!(problem["status"], status.as_u16());
        assert!(problem["detail"].as_str().is_some_and(|detail| !detail.is_empty()), "{problem}");
        assert_eq!(house.take_admitted().len(), 0, "{problem}");
        assert_eq!(house.kept(), (Vec::new(), Vec::new()), "{problem}");
    }
}

/// A proof is no job and lies half-way in; queued, it is taken like any other file.
fn queue_proof(house: &House, proof: &str) {
    assert_eq!(house.take_admitted().len(), 0, "nobody has queued it");
    let (files, incoming) = house.kept();
    assert_eq!((files.len(), incoming.len()), (0, 1));
    let queue = Request::post(format!("/api/v1/proofs/{proof}/queue")).header("host", "127.0.0.1:8017");
    let answer = house.block_on(house.ask(queue.body(Body::empty()).expect("a good request")));
    assert_eq!(answer.status(), StatusCode::CREATED);
}

fn check_taken(house: &House, body: Option<&[u8]>) {
    let admitted = house.take_admitted();
    let [arrival] = &admitted[..] else { panic!("one file, and {} jobs", admitted.len()) };
    let (files, incoming) = house.kept();
    let [file] = &files[..] else { panic!("one job, and {} files", files.len()) };
    assert_eq!(incoming.len(), 0);
    let kept = fs::read(file).expect("a kept file can be read");
    fs::remove_file(file).expect("a kept file can be removed");
    let mut hash = ContentHash::default();
    hash.handle_bytes(&kept);
    assert_eq!(hash.finish(), arrival.survey.file.sha256);
    assert!(kept.len() <= UPLOAD_MAX && arrival.survey.refusals.is_empty());
    assert!(body.is_none_or(|body| body == kept), "other bytes were kept than were sent");
    let name = &arrival.file_name;
    assert!(!name.is_empty() && !name.contains(['/', '\\']) && !name.contains(char::is_control), "{name:?}");
}

/// `None` where the bytes make no request that a server would get to see.
fn request(head: u8, own_head: Option<&[u8]>, body: &[u8]) -> Option<Request<Body>> {
    let path = if head & FROM_PAGE == 0 { "/api/v1/jobs" } else { "/do/proofs" };
    let builder = Request::post(path).header("host", "127.0.0.1:8017");
    let builder = match (head & RAW != 0, own_head) {
        (false, None) => builder.header(CONTENT_TYPE, "multipart/form-data; boundary=seam"),
        (false, Some(kind)) => builder.header(CONTENT_TYPE, HeaderValue::from_bytes(kind).ok()?),
        (true, None) => builder.uri(format!("{path}?name=tray-clip.gcode")),
        (true, Some(name)) => named(builder, path, name)?,
    };
    builder.body(pieces(head, body)).ok()
}

/// A name that begins with `?` is a query, any other a content disposition.
fn named(builder: Builder, path: &str, name: &[u8]) -> Option<Builder> {
    if name.first() == Some(&b'?') {
        return Some(builder.uri([path.as_bytes(), name].concat()));
    }
    Some(builder.header(CONTENT_DISPOSITION, HeaderValue::from_bytes(name).ok()?))
}

fn pieces(head: u8, body: &[u8]) -> Body {
    let size = PIECES[usize::from(head >> 4 & 7)];
    let mut pieces: Vec<_> =
        body.chunks(size.min(body.len().max(1))).map(|piece| Ok(Bytes::copy_from_slice(piece))).collect();
    if head & BREAKS_OFF != 0 {
        pieces.push(Err("the cable was pulled"));
    }
    Body::from_stream(stream::iter(pieces))
}
