//! The style sheet, the script and the icon, embedded in the binary; each address carries the content's hash, so that a
//! browser may keep it for good.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use axum::http::{HeaderMap, HeaderName, StatusCode};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use super::error::HttpError;

struct File {
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
    tag: String,
}

static FILES: LazyLock<Vec<File>> = LazyLock::new(|| {
    let file = |name, kind, bytes: &'static [u8]| {
        let digest = Sha256::digest(bytes);
        let tag = digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        File { name, kind, bytes, tag }
    };
    vec![
        file("page.css", "text/css; charset=utf-8", include_bytes!("../../web/static/page.css")),
        file("live.js", "text/javascript; charset=utf-8", include_bytes!("../../web/static/live.js")),
        file("jog.js", "text/javascript; charset=utf-8", include_bytes!("../../web/static/jog.js")),
        file("icon.svg", "image/svg+xml", include_bytes!("../../web/static/icon.svg")),
    ]
});

/// Where the page finds an embedded file.
///
/// # Panics
/// If there is no such file: the names are constants of this room.
pub(super) fn address(name: &str) -> String {
    let file = FILES.iter().find(|file| file.name == name).expect("invariant: the file is embedded");
    format!("/static/{name}?{}", file.tag)
}

/// `GET /static/{name}`.
pub(super) async fn send_file(Path(name): Path<String>, headers: HeaderMap) -> Result<Response, HttpError> {
    let file = FILES.iter().find(|file| file.name == name);
    let file = file.ok_or_else(|| HttpError::NoSuch { what: "such file".to_owned() })?;
    let tag = format!("\"{}\"", file.tag);
    let about: [(HeaderName, String); 2] =
        [(ETAG, tag.clone()), (CACHE_CONTROL, "public, max-age=31536000, immutable".to_owned())];
    if has_it(&headers, &tag) {
        return Ok((StatusCode::NOT_MODIFIED, about).into_response());
    }
    Ok((about, [(CONTENT_TYPE, file.kind)], file.bytes).into_response())
}

/// Whether the asker has what this tag stands for: weak comparison (RFC 9110 §13.1.2).
pub(super) fn has_it(headers: &HeaderMap, tag: &str) -> bool {
    let known = headers.get(IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    known.is_some_and(|known| known == "*" || known.split(',').any(|one| one.trim().trim_start_matches("W/") == tag))
}
