//! `/api/v1/proofs` and the page's cards: files that are looked at before they are queued.

use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::http::Method;
use nosebar::foreman::{Command, RefusedCode};
use nosebar::gcode::{Dialect, Rules, Scene};
use nosebar::infeed::{Backdrop, Intake, Pictures, surveyors};
use nosebar::job::{Footprint, LineName};
use nosebar::store::FileStore;
use nosebar::thermal::builtin_materials;
use serde_json::{Value, json};

use super::fake::{Bench, Reply, no, request};
use super::page::words;
use super::problems::check_problem;
use super::upload::{GOOD, admitted, form, kept, send_form, upload_to};

const PART: &str = include_str!("../../../demo-jobs/seed-scoop.gcode");

/// A house whose surveys are real, with pictures, and with parts that let go at 50 °C where they are of ABS and else at 30 °C.
async fn real_bench() -> Bench {
    let bench = Bench::open().await;
    let files = FileStore::open_in(bench.dir.path()).expect("a file store");
    let bed = Footprint { x_min_mm: 0.0, x_max_mm: 220.0, y_min_mm: 0.0, y_max_mm: 220.0 };
    let scene = Scene { bed, toward_nose: (0.0, 1.0), nose_mm: 220.0, size_px: 64 };
    let line = LineName::new("belt-1").expect("a good name");
    let pictures = Pictures::new(files.clone(), vec![Backdrop { line, scene, dialect: Dialect::default() }]);
    let releases = Arc::new(|names: &[Option<&str>]| if names.contains(&Some("abs")) { 50.0 } else { 30.0 });
    let rules = Rules { materials: builtin_materials(), ..Rules::default() };
    let intake = Intake::new(files, surveyors(rules), bench.handle.clone());
    let mut bench = bench.with_intake(intake.with_releases(releases));
    bench.desk = bench.desk.clone().with_pictures(pictures);
    bench
}

async fn prove(bench: &Bench, query: &str, body: &str) -> Value {
    let reply = upload_to(bench, &format!("/api/v1/proofs{query}"), body).await;
    assert_eq!(reply.status, 201, "{}", reply.text);
    let proof = reply.json();
    assert_eq!(reply.header("location"), format!("/api/v1/proofs/{}", id(&proof)));
    proof
}

fn id(proof: &Value) -> &str {
    proof["id"].as_str().expect("an id")
}

async fn queue(bench: &Bench, id: &str, body: &Value) -> Reply {
    bench.send_json(Method::POST, &format!("/api/v1/proofs/{id}/queue"), body).await
}

async fn discard(bench: &Bench, id: &str) -> Reply {
    bench.send(request(Method::DELETE, &format!("/api/v1/proofs/{id}"), &[], Body::empty())).await
}

async fn jobs_admitted(bench: &Bench) -> usize {
    bench.fake.lock().await.asked.iter().filter(|asked| matches!(asked, Command::Admit(_))).count()
}

#[tokio::test]
async fn a_proof_tells_what_is_in_the_file_and_shows_its_picture() {
    let bench = real_bench().await;
    let proof = prove(&bench, "?name=seed-scoop.3off.gcode&hold=true", PART).await;
    let told = ["file_name", "name", "copies", "material", "release_c", "hold", "line", "bytes", "concerns"];
    assert_eq!(
        told.map(|member| proof[member].clone()),
        [
            json!("seed-scoop.3off.gcode"),
            json!("seed-scoop"),
            json!(3),
            json!("abs"),
            json!(50.0),
            json!(true),
            Value::Null,
            json!(PART.len()),
            json!([])
        ]
    );
    // The belt runs toward +Y, along which the scoop and its skirt measure 47.2 mm.
    let figure = |member: &str| proof[member].as_f64().expect("a figure");
    assert!((figure("along_mm") - 47.2).abs() < 0.1 && (figure("height_mm") - 9.2).abs() < 1e-6, "{proof}");
    assert!(figure("across_mm") > 10.0 && figure("time_s") > 60.0 && figure("filament_g") > 0.5, "{proof}");
    assert!(figure("layers") > 20.0 && figure("filament_mm") > 200.0, "{proof}");
    assert_eq!(proof["expires"].as_i64().expect("a time") - proof["at"].as_i64().expect("a time"), 3_600_000);
    let path = format!("/api/v1/proofs/{}", id(&proof));
    assert_eq!(bench.read(&path).await.json(), proof);
    assert_eq!(bench.read("/api/v1/proofs").await.json(), json!({ "proofs": [proof] }));
    let (status, headers, png) = super::picture::fetch(&bench, &format!("{path}/picture.png?size=256"), &[]).await;
    assert_eq!((status.as_u16(), headers["content-type"].as_bytes()), (200, &b"image/png"[..]));
    assert_eq!(tiny_skia::Pixmap::decode_png(&png).expect("a PNG").width(), 256);
    assert!(!bench.dir.path().join("pictures").exists(), "what may be thrown away leaves no picture");
    check_problem(&bench.read(&format!("{path}/picture.png?size=100")).await, 422, "/problems/invalid-value");
    check_problem(&bench.read(&format!("{path}/picture.png?line=none")).await, 404, "about:blank");
    assert_eq!((jobs_admitted(&bench).await, kept(&bench)), (0, (0, 1)));
}

#[tokio::test]
async fn a_queued_proof_is_one_job_as_it_was_wished() {
    let bench = Bench::open().await;
    let proof = prove(&bench, "?name=clip.2off.gcode&material=PETG&line=belt-1&hold=true", GOOD).await;
    let wishes = json!({ "copies": 5, "release_c": 31.5, "line": "", "hold": false, "name": "tray clip" });
    let reply = queue(&bench, id(&proof), &wishes).await;
    assert_eq!((reply.status.as_u16(), reply.header("location")), (201, "/api/v1/jobs/1"), "{}", reply.text);
    assert_eq!((&reply.json()["copies"], reply.header("etag")), (&json!(5), "\"1\""));
    let arrival = admitted(&bench).await;
    assert_eq!((arrival.file_name.as_str(), arrival.copies, arrival.hold), ("tray clip", 5, false));
    assert_eq!((arrival.material.as_deref(), arrival.release_c, &arrival.line), (Some("petg"), Some(31.5), &None));
    assert!(!arrival.reviewed && arrival.survey.file.sha256 == proof["sha256"]);
    assert_eq!(kept(&bench), (1, 0));
    let again = queue(&bench, id(&proof), &json!({})).await;
    check_problem(&again, 404, "about:blank");
    assert!(again.text.contains("it was queued or thrown away, or its hour is over"), "{}", again.text);
    check_problem(&discard(&bench, id(&proof)).await, 404, "about:blank");
    check_problem(&bench.read(&format!("/api/v1/proofs/{}/picture.png", id(&proof))).await, 404, "about:blank");
}

#[tokio::test]
async fn without_wishes_it_is_queued_as_it_was_sent_and_a_yes_is_handed_on() {
    let bench = Bench::open().await;
    let proof = prove(&bench, "?name=clip.2off.gcode&material=PETG&line=belt-1&hold=true&release_c=33", GOOD).await;
    let path = format!("/api/v1/proofs/{}/queue", id(&proof));
    let reply = bench.send(request(Method::POST, &path, &[], Body::empty())).await;
    assert_eq!(reply.status, 201, "{}", reply.text);
    let arrival = admitted(&bench).await;
    assert_eq!((arrival.copies, arrival.hold, arrival.reviewed, arrival.release_c), (2, true, false, Some(33.0)));
    assert_eq!((arrival.material.as_deref(), arrival.line), (Some("petg"), LineName::new("belt-1").ok()));
    let proof = prove(&bench, "?name=clip.gcode", GOOD).await;
    assert_eq!(queue(&bench, id(&proof), &json!({ "reviewed": true })).await.status, 201);
    assert!(admitted(&bench).await.reviewed);
}

#[tokio::test]
async fn what_is_thrown_away_leaves_nothing_and_takes_nothing_from_others() {
    let bench = Bench::open().await;
    let proofs = [prove(&bench, "?name=a.gcode", GOOD).await, prove(&bench, "?name=b.gcode", GOOD).await];
    assert_eq!(kept(&bench), (0, 2));
    let reply = discard(&bench, id(&proofs[0])).await;
    assert_eq!((reply.status.as_u16(), reply.text.as_str()), (204, ""));
    assert_eq!(queue(&bench, id(&proofs[1]), &json!({})).await.status, 201);
    assert_eq!(kept(&bench), (1, 0));
    let third = prove(&bench, "?name=c.gcode", GOOD).await;
    assert_eq!(discard(&bench, id(&third)).await.status, 204);
    assert_eq!(kept(&bench), (1, 0), "the job's file stays");
}

#[tokio::test]
async fn what_cannot_be_printed_or_breaks_off_is_answered_as_for_a_job_and_leaves_nothing() {
    let bench = Bench::open().await;
    let bad = "G28\nM500\nG1 X1 E1\nM500\n";
    let [as_job, as_proof] = ["jobs", "proofs"].map(|what| format!("/api/v1/{what}?name=bad.gcode"));
    let (as_job, as_proof) = (upload_to(&bench, &as_job, bad).await, upload_to(&bench, &as_proof, bad).await);
    check_problem(&as_proof, 422, "/problems/file-rejected");
    for member in ["type", "title", "status", "detail", "findings"] {
        assert_eq!(as_proof.json()[member], as_job.json()[member], "{member}");
    }
    check_problem(&upload_to(&bench, "/api/v1/proofs", GOOD).await, 400, "about:blank");
    check_problem(&upload_to(&bench, "/api/v1/proofs?name=a&copies=two", GOOD).await, 422, "/problems/invalid-value");
    let whole = form(&[("copies", "2")], Some(("a.gcode", GOOD))) + "--seam--\r\n";
    for length in [whole.len() - 8, whole.len() - 20, 90] {
        check_problem(&send_form(&bench, "/do/proofs", whole[..length].to_owned()).await, 400, "about:blank");
    }
    let broken = futures_util::stream::iter([Ok(Bytes::from_static(b"G28\n")), Err("the cable was pulled")]);
    let asked = request(Method::POST, "/api/v1/proofs?name=a.gcode", &[], Body::from_stream(broken));
    check_problem(&bench.send(asked).await, 400, "about:blank");
    assert_eq!(kept(&bench), (0, 0));
    assert_eq!(bench.read("/api/v1/proofs").await.json(), json!({ "proofs": [] }));
    assert_eq!(jobs_admitted(&bench).await, 0);
}

#[tokio::test]
async fn wishes_that_cannot_be_are_refused_and_the_proof_waits_on() {
    let bench = Bench::open().await;
    let proof = prove(&bench, "?name=a.gcode", GOOD).await;
    let long = "x".repeat(201);
    for wishes in
        [json!({ "copies": 0 }), json!({ "copies": 10_001 }), json!({ "line": "../x" }), json!({ "name": long })]
    {
        check_problem(&queue(&bench, id(&proof), &wishes).await, 422, "/problems/invalid-value");
    }
    for wishes in [json!({ "copeis": 1 }), json!({ "copies": "many" })] {
        assert_eq!(queue(&bench, id(&proof), &wishes).await.status, 422);
    }
    bench.fake.lock().await.refuses = Some(no(RefusedCode::DoesNotFit, "the part is 300 mm long, belt-1 takes 250 mm"));
    check_problem(&queue(&bench, id(&proof), &json!({})).await, 422, "/problems/does-not-fit");
    bench.fake.lock().await.refuses = None;
    assert_eq!(queue(&bench, id(&proof), &json!({})).await.status, 201);
}

#[tokio::test]
async fn the_page_shows_a_card_whose_buttons_work_without_scripts() {
    let bench = real_bench().await;
    let body = form(&[], Some(("seed-scoop.3off.gcode", PART))) + "--seam--\r\n";
    let reply = send_form(&bench, "/do/proofs", body).await;
    let (_, id) = reply.header("location").split_once("/?still#proof-").expect("the way to the card");
    let page = bench.read("/").await.text;
    let card = page.split("<article").nth(1).and_then(|rest| rest.split("</article>").next()).expect("a card");
    assert!(card.contains(&format!("id=\"proof-{id}\"")), "{card}");
    let told = words(card).replace('\u{a0}', " ");
    for part in [
        "seed-scoop Not in the queue yet. Kept here until",
        "47.2 mm along the belt",
        "9.2 mm high",
        "g a copy",
        "Lets go at 50 °C, by its material",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    assert!(card.contains("name=\"copies\"") && card.contains("value=\"3\""), "{card}");
    assert!(card.contains("placeholder=\"50\"") && card.contains("value=\"abs\""), "{card}");
    assert!(card.contains("alt=\"seed-scoop seen from above: 47.2 mm along the belt, 9.2 mm high\""), "{card}");
    let fields = "copies=2&line=&material=abs&release_c=&hold=true";
    let queued = bench.post_form(&format!("/do/proofs/{id}/queue"), fields).await;
    assert_eq!((queued.status.as_u16(), queued.header("location")), (303, "/#job-1"), "{}", queued.text);
    let arrival = admitted(&bench).await;
    assert_eq!((arrival.copies, arrival.hold, arrival.release_c, arrival.line), (2, true, None, None));
    assert!(!bench.read("/parts/proofs").await.text.contains("<article"));
    let gone = bench.post_form(&format!("/do/proofs/{id}/discard"), "").await;
    assert_eq!(gone.status, 404);
    assert!(words(&gone.text).contains("it was queued or thrown away"), "{}", gone.text);
    let other = prove(&bench, "?name=b.gcode", PART).await;
    let gone = bench.post_form(&format!("/do/proofs/{}/discard", self::id(&other)), "").await;
    assert_eq!((gone.status.as_u16(), gone.header("location")), (303, "/#add"));
    assert_eq!(kept(&bench), (1, 0));
}

#[tokio::test]
async fn concerns_are_shown_with_their_lines_and_their_yes_is_in_the_button() {
    let bench = real_bench().await;
    prove(&bench, "?name=a.gcode", &PART.replacen("G1 ", "M0\nG1 ", 1)).await;
    let card = bench.read("/parts/proofs").await.text;
    let line = PART.lines().position(|line| line.starts_with("G1 ")).expect("a move") + 1;
    let told = words(&card);
    assert!(told.contains(&format!("Read this before you queue it: line {line}: ")), "{told}");
    assert!(told.contains("I have read it: put it into the queue"), "{told}");
    assert!(card.contains("<input type=\"hidden\" name=\"reviewed\" value=\"true\">"), "{card}");
}

#[tokio::test]
async fn hostile_file_names_become_harmless_text_on_the_card() {
    let bench = Bench::open().await;
    let long = "x".repeat(4_000);
    let names = ["../x", "a\0b", &long, "\u{202e}edocg\u{200f}", "<script>alert(1)<script>", "\"><img src=x>"];
    let mut told = Vec::new();
    for name in names {
        let query: String = name.bytes().map(|byte| format!("%{byte:02X}")).collect();
        let proof = prove(&bench, &format!("?name={query}"), GOOD).await;
        told.push([&proof["file_name"], &proof["name"]].map(|name| name.as_str().expect("text").to_owned()));
    }
    for (told, harmless) in
        told.iter().zip(["x", "a b", "", "edocg", names[4], names[5]]).filter(|(_, name)| !name.is_empty())
    {
        assert_eq!(told, &[harmless, harmless]);
    }
    assert_eq!([told[2][0].chars().count(), told[2][1].chars().count()], [255, 120]);
    let page = bench.read("/").await.text;
    assert!(!page.contains("<script>alert") && !page.contains("<img"), "{page}");
    assert!(!page.contains(char::is_control) || !page.contains('\0'), "{page}");
    assert!(page.contains("<bdi>&#60;script&#62;alert(1)&#60;script&#62;</bdi>"), "{page}");
    let proofs = bench.read("/api/v1/proofs").await.json()["proofs"].as_array().expect("a list").clone();
    for proof in &proofs {
        assert_eq!(queue(&bench, id(proof), &json!({})).await.status, 201);
    }
    assert_eq!(kept(&bench), (1, 0));
}

#[tokio::test]
async fn an_address_that_is_no_proof_is_said_so() {
    let bench = Bench::open().await;
    for path in ["/api/v1/proofs/1", "/api/v1/proofs/..%2fx", "/api/v1/proofs/1/picture.png"] {
        check_problem(&bench.read(path).await, 404, "about:blank");
    }
    check_problem(&queue(&bench, "1", &json!({})).await, 404, "about:blank");
    check_problem(&discard(&bench, &"x".repeat(4_000)).await, 404, "about:blank");
}
