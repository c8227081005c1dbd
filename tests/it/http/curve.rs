//! `/api/v1/lines/{name}/temperatures`, and the curve on the page.

use nosebar::foreman::{PhaseEnds, TemperatureCurve};
use nosebar::job::{LineName, Phase};
use nosebar::units::UnixMillis;
use serde_json::json;

use super::fake::{Bench, NOON, busy_line};
use super::problems::check_problem;

const MINUTE_MS: i64 = 60_000;

fn cooling() -> TemperatureCurve {
    let at = |minutes: i64| NOON.0 + minutes * MINUTE_MS;
    TemperatureCurve {
        line: LineName::new("belt-1").expect("a good name"),
        at: UnixMillis(at(10)),
        bed: vec![(at(0), 60.0), (at(5), 52.5), (at(10), 47.2)],
        nozzle: vec![(at(0), 200.0)],
        foretold: vec![(at(10), 47.2), (at(16), 32.0)],
        ends: Some(PhaseEnds {
            at: Some(UnixMillis(at(16))),
            from: UnixMillis(at(15)),
            until: Some(UnixMillis(at(18))),
        }),
        release_c: Some(32.0),
        target_c: None,
    }
}

#[tokio::test]
async fn programs_read_what_was_measured_and_what_is_foretold() {
    let bench = Bench::open().await;
    check_problem(&bench.read("/api/v1/lines/belt-1/temperatures").await, 404, "about:blank");
    bench.fake.lock().await.trace(cooling());
    let told = bench.read("/api/v1/lines/belt-1/temperatures").await.json();
    assert_eq!((&told["line"], &told["release_c"], &told["target_c"]), (&json!("belt-1"), &json!(32.0), &json!(null)));
    assert_eq!(told["bed"][2], json!([NOON.0 + 10 * MINUTE_MS, 47.2]));
    assert_eq!(told["foretold"][1], json!([NOON.0 + 16 * MINUTE_MS, 32.0]));
    assert_eq!(told["ends"]["from"], NOON.0 + 15 * MINUTE_MS);
    check_problem(&bench.read("/api/v1/lines/belt-9/temperatures").await, 404, "about:blank");
}

#[tokio::test]
async fn the_page_shows_the_curve_in_a_picture_and_in_words_without_any_style_of_its_own() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Cool));
    assert!(!bench.read("/parts/line/belt-1").await.text.contains("<svg class=\"curve\""), "nothing was measured yet");
    bench.fake.lock().await.trace(cooling());
    let part = bench.read("/parts/line/belt-1").await.text;
    let from = part.find("<svg class=\"curve\"").expect("a curve");
    let picture = &part[from..from + part[from..].find("</svg>").expect("its end")];
    for piece in [
        "role=\"img\" aria-label=\"Bed 47.2 °C, falling; lets go at 32 °C in about 6 min\"",
        ">lets go at 32 °C</text>",
        ">now</text>",
        ">+6 min</text>",
        "class=\"ahead\" d=\"M",
    ] {
        assert!(picture.contains(piece), "{piece}: {picture}");
    }
    for never in ["style=", "NaN", "inf", "fill=", "stroke="] {
        assert!(!picture.contains(never), "{never}: {picture}");
    }
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Print));
    assert!(bench.read("/").await.text.contains("<svg class=\"curve\""));
}
