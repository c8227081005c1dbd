//! `/api/v1/jobs/{id}/picture.png`, and the pictures on the page.

use std::fs;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, StatusCode};
use nosebar::gcode::{Dialect, Rules, Scene, survey};
use nosebar::infeed::{Backdrop, Pictures};
use nosebar::job::{Footprint, LineName, Phase};
use nosebar::store::FileStore;
use tower::ServiceExt;

use super::fake::{Bench, a_job, busy_line, request};
use super::problems::check_problem;

const PART: &[u8] = include_bytes!("../../../demo-jobs/seed-scoop.gcode");

/// A house with one job of a real file, whose pictures are made.
async fn bench() -> Bench {
    let mut bench = Bench::open().await;
    let files = FileStore::open_in(bench.dir.path()).expect("a file store");
    let found = survey(PART, &Rules::default()).expect("bytes in memory can be read");
    let mut incoming = files.begin().expect("begun");
    incoming.write(PART).expect("written");
    incoming.keep(&found.file.sha256).expect("kept");
    let bed = Footprint { x_min_mm: 0.0, x_max_mm: 220.0, y_min_mm: 0.0, y_max_mm: 220.0 };
    let backdrop = |name: &str, toward_nose| Backdrop {
        line: LineName::new(name).expect("a good name"),
        scene: Scene { bed, toward_nose, nose_mm: 220.0, size_px: 64 },
        dialect: Dialect::default(),
    };
    let backdrops = vec![backdrop("belt-1", (0.0, 1.0)), backdrop("belt-2", (1.0, 0.0))];
    bench.desk = bench.desk.clone().with_pictures(Pictures::new(files, backdrops));
    bench.fake.lock().await.add_job_of(a_job(12), &found).await;
    bench
}

pub(super) async fn fetch(bench: &Bench, path: &str, headers: &[(&str, &str)]) -> (StatusCode, HeaderMap, Vec<u8>) {
    let asked = request(Method::GET, path, headers, Body::empty());
    let (parts, body) = bench.routes().oneshot(asked).await.expect("routes do not fail").into_parts();
    let bytes = to_bytes(body, 1 << 24).await.expect("a whole body").to_vec();
    (parts.status, parts.headers, bytes)
}

fn kept(bench: &Bench) -> Vec<std::path::PathBuf> {
    let folder = fs::read_dir(bench.dir.path().join("pictures"));
    folder.map_or_else(|_| Vec::new(), |entries| entries.map(|entry| entry.expect("an entry").path()).collect())
}

#[tokio::test]
async fn a_picture_is_made_once_and_then_read_and_removing_it_loses_nothing() {
    let bench = bench().await;
    let path = "/api/v1/jobs/1/picture.png?size=256";
    let (status, headers, png) = fetch(&bench, path, &[]).await;
    assert_eq!((status, headers["content-type"].to_str().expect("text")), (StatusCode::OK, "image/png"));
    let picture = tiny_skia::Pixmap::decode_png(&png).expect("a PNG");
    assert_eq!((picture.width(), picture.height()), (256, 192));
    let files = kept(&bench);
    assert_eq!(files.len(), 1);
    // Whoever asks again gets what was kept, whatever it is.
    fs::write(&files[0], b"as kept").expect("written");
    assert_eq!(fetch(&bench, path, &[]).await.2, b"as kept");
    fs::remove_dir_all(bench.dir.path().join("pictures")).expect("removed");
    assert_eq!(fetch(&bench, path, &[]).await.2, png);
    // Another line's belt runs another way.
    bench.fake.lock().await.show(super::fake::idle_line("belt-2"));
    assert_ne!(fetch(&bench, &format!("{path}&line=belt-2"), &[]).await.2, png);
    assert_eq!(kept(&bench).len(), 2);
}

#[tokio::test]
async fn only_an_address_that_names_the_picture_is_kept_for_good() {
    let bench = bench().await;
    let path = "/api/v1/jobs/1/picture.png?size=64";
    let (_, headers, _) = fetch(&bench, path, &[]).await;
    let tag = headers["etag"].to_str().expect("text").to_owned();
    assert_eq!(headers["cache-control"], "private, no-cache");
    let version = tag.trim_matches('"');
    let (_, headers, _) = fetch(&bench, &format!("{path}&v={version}"), &[]).await;
    assert_eq!(headers["cache-control"], "private, max-age=31536000, immutable");
    assert_eq!(fetch(&bench, &format!("{path}&v=other"), &[]).await.1["cache-control"], "private, no-cache");
    let (status, headers, body) = fetch(&bench, path, &[("if-none-match", &tag)]).await;
    assert_eq!((status, headers["etag"].to_str().expect("text"), body.len()), (StatusCode::NOT_MODIFIED, &*tag, 0));
    assert_eq!(fetch(&bench, path, &[("if-none-match", "\"other\"")]).await.0, StatusCode::OK);
}

#[tokio::test]
async fn what_cannot_be_painted_is_said() {
    let bench = bench().await;
    for size in ["0", "63", "100", "2112"] {
        let reply = bench.read(&format!("/api/v1/jobs/1/picture.png?size={size}")).await;
        check_problem(&reply, 422, "/problems/invalid-value");
    }
    check_problem(&bench.read("/api/v1/jobs/2/picture.png").await, 404, "about:blank");
    check_problem(&bench.read("/api/v1/jobs/1/picture.png?line=none").await, 404, "about:blank");
    let without = Bench::open().await;
    without.fake.lock().await.add_job(a_job(1)).await;
    check_problem(&without.read("/api/v1/jobs/1/picture.png").await, 404, "about:blank");
    fs::remove_dir_all(bench.dir.path().join("files")).expect("removed");
    check_problem(&bench.read("/api/v1/jobs/1/picture.png").await, 507, "/problems/store-failed");
}

#[tokio::test]
async fn card_and_queue_show_the_part_with_words_and_its_address_leads_to_it() {
    let bench = bench().await;
    assert!(!bench.read("/parts/line/belt-1").await.text.contains("<img"), "nothing is in work");
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Print));
    for (path, size) in
        [("/parts/line/belt-1", "width=\"320\" height=\"240\""), ("/parts/queue", "width=\"96\" height=\"72\"")]
    {
        let text = bench.read(path).await.text;
        let image = text.split("<img").nth(1).and_then(|rest| rest.split('>').next()).expect("an image");
        assert!(image.contains(size) && image.contains("loading=\"lazy\""), "{image}");
        assert!(image.contains("alt=\"tray-clip seen from above: 47.2 mm along the belt, 9.2 mm high\""), "{image}");
        let address = image.split("src=\"").nth(1).and_then(|rest| rest.split('"').next()).expect("an address");
        let (status, headers, _) = fetch(&bench, &address.replace("&#38;", "&"), &[]).await;
        assert_eq!(status, StatusCode::OK);
        assert!(headers["cache-control"].to_str().expect("text").ends_with("immutable"), "{address}");
    }
}
