//! The style sheets, the scripts and the icons, embedded in the binary; each address carries the content's hash, so that a
//! browser may keep it for good.

use std::borrow::Cow;
use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use axum::http::{HeaderMap, HeaderName, StatusCode};
use axum::response::{IntoResponse, Response};
use serde_json::json;
use sha2::{Digest, Sha256};

use super::error::HttpError;

struct File {
    name: &'static str,
    kind: &'static str,
    bytes: Cow<'static, [u8]>,
    tag: String,
}

impl File {
    fn new(name: &'static str, kind: &'static str, bytes: Cow<'static, [u8]>) -> Self {
        let digest = Sha256::digest(&bytes);
        let tag = digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        Self { name, kind, bytes, tag }
    }

    fn address(&self) -> String {
        format!("/static/{}?{}", self.name, self.tag)
    }
}

const SCRIPT: &str = "text/javascript; charset=utf-8";

static FILES: LazyLock<Vec<File>> = LazyLock::new(|| {
    let live = File::new("live.js", SCRIPT, Cow::Borrowed(include_bytes!("../../web/static/live.js")));
    // A module is one thing by its whole address: without the tag the others would load a second one.
    let script = |name, text: &'static str| {
        let text = text.replace("\"./live.js\"", &format!("\"{}\"", live.address()));
        File::new(name, SCRIPT, Cow::Owned(text.into_bytes()))
    };
    let file = |name, kind, bytes: &'static [u8]| File::new(name, kind, Cow::Borrowed(bytes));
    let mut files = vec![
        script("order.js", include_str!("../../web/static/order.js")),
        script("belt.js", include_str!("../../web/static/belt.js")),
        file("page.css", "text/css; charset=utf-8", include_bytes!("../../web/static/page.css")),
        script("upload.js", include_str!("../../web/static/upload.js")),
        script("jog.js", include_str!("../../web/static/jog.js")),
        file("proof.css", "text/css; charset=utf-8", include_bytes!("../../web/static/proof.css")),
        file("icon.svg", "image/svg+xml", include_bytes!("../../web/static/icon.svg")),
        file("icon-192.png", "image/png", include_bytes!("../../web/static/icon-192.png")),
        file("icon-512.png", "image/png", include_bytes!("../../web/static/icon-512.png")),
    ];
    files.push(live);
    files
});

/// Where the page finds an embedded file.
///
/// # Panics
/// If there is no such file: the names are constants of this room.
pub(super) fn address(name: &str) -> String {
    let file = FILES.iter().find(|file| file.name == name).expect("invariant: the file is embedded");
    file.address()
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
    Ok((about, [(CONTENT_TYPE, file.kind)], file.bytes.as_ref()).into_response())
}

/// `GET /manifest.webmanifest`: what a phone needs to put the page among its programs (W3C Web Application Manifest).
pub(super) async fn send_manifest() -> Response {
    let icon = |name, sizes: &str, purpose: &str| {
        let kind = if sizes == "any" { "image/svg+xml" } else { "image/png" };
        json!({ "src": address(name), "sizes": sizes, "type": kind, "purpose": purpose })
    };
    let manifest = json!({
        "name": "Nosebar",
        "short_name": "Nosebar",
        "description": "What the line is doing, what it asks, and what is still to come",
        "id": "/",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f1f1ef",
        "theme_color": "#f1f1ef",
        "icons": [
            icon("icon.svg", "any", "any"),
            icon("icon-192.png", "192x192", "any"),
            icon("icon-512.png", "512x512", "any maskable"),
        ],
    });
    ([(CONTENT_TYPE, "application/manifest+json")], manifest.to_string()).into_response()
}

/// Whether the asker has what this tag stands for: weak comparison (RFC 9110 §13.1.2).
pub(super) fn has_it(headers: &HeaderMap, tag: &str) -> bool {
    let known = headers.get(IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    known.is_some_and(|known| known == "*" || known.split(',').any(|one| one.trim().trim_start_matches("W/") == tag))
}
