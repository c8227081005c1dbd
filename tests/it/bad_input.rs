//! What goes wrong at the door: each mistake gets one clear sentence with place and reason, the daemon goes on, and nothing is
//! lost.

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;

use serde_json::{Value, json};

use crate::plant::{By, Plant, tiny_print};

const SWITCH: &str = "kind = \"switch\"\ninput = \"nose\"";

fn with_line(extra: &str) -> Vec<u8> {
    let text = String::from_utf8(tiny_print()).expect("a file in UTF-8");
    text.replace("G92 E0\n", &format!("G92 E0\n{extra}\n")).into_bytes()
}

/// Name, content, what the letter must say.
fn mistakes() -> Vec<(&'static str, Vec<u8>, &'static [&'static str])> {
    let whole = String::from_utf8(tiny_print()).expect("a file in UTF-8");
    let cut = whole.split_inclusive('\n').take(20).collect::<String>() + "G1 X1";
    let cut = cut.strip_suffix('1').expect("the middle of a word").as_bytes().to_vec();
    vec![
        ("clip.stl", b"solid clip\n facet normal 0 0 1\n  outer loop\n".repeat(40), &["STL"]),
        ("photo.gcode", [b"\x89PNG\r\n\x1a\n".as_slice(), &[7; 4000]].concat(), &["PNG"]),
        ("empty.gcode", Vec::new(), &["empty"]),
        ("nuls.gcode", vec![0; 5000], &["zero bytes", "binary"]),
        ("cut.gcode", cut, &["line 21"]),
        ("hot.gcode", with_line("M104 S500"), &["line 10", "500", "275"]),
        ("far.gcode", with_line("G1 X1220 F6000"), &["line 10", "1220", "225"]),
        ("nothing.gcode", b"G28\nG1 X10 Y10 F3000\n".to_vec(), &["plastic"]),
        ("settings.gcode", with_line("M500"), &["line 10", "M500"]),
        ("0off.0off.gcode", tiny_print(), &["copies"]),
    ]
}

#[tokio::test]
async fn every_mistake_gets_a_letter_and_a_line_in_the_journal_and_the_next_job_is_made() {
    let plant = Plant::start(By::Inside, 2000, SWITCH, "");
    let mistakes = mistakes();
    for (name, bytes, _) in &mistakes {
        plant.drop_file(name, bytes);
    }
    for (name, bytes, says) in &mistakes {
        let letter = plant.letter(name).await;
        for what in *says {
            assert!(letter.contains(what), "the letter about {name} does not say {what:?}:\n{letter}");
        }
        // The letter comes first, so that no rejected file ever lies there without one.
        let kept = plant.kept(name).await;
        assert!(kept == *bytes, "{name} was changed");
    }
    plant.drop_file("good.gcode", &tiny_print());
    let jobs = plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
    assert_eq!(jobs.len(), 1);
    let journal = plant.show("/journal?after=0&limit=500").await;
    let entries = journal["entries"].as_array().expect("entries");
    let rejected: Vec<&Value> = entries.iter().filter(|e| e["kind"] == "file-rejected").collect();
    assert_eq!(rejected.len(), mistakes.len(), "{rejected:#?}");
}

#[tokio::test]
async fn a_file_for_a_line_that_does_not_exist_names_those_that_do() {
    let plant = Plant::start(By::Inside, 2000, SWITCH, "");
    fs::create_dir(plant.infeed().join("tow")).expect("a folder");
    plant.drop_file("tow/clip.gcode", &tiny_print());
    let letter = plant.letter("clip.gcode").await;
    assert!(letter.contains("tow") && letter.contains("one"), "{letter}");
    assert!(plant.jobs().await.is_empty());
}

#[tokio::test]
async fn a_hundred_megabytes_on_one_line_are_refused() {
    let plant = Plant::start(By::Inside, 2000, SWITCH, "");
    plant.drop_file("long.gcode", &vec![b'G'; 100_000_000]);
    let letter = plant.letter("long.gcode").await;
    assert!(letter.contains("line 1"), "{letter}");
}

#[tokio::test]
async fn a_full_disk_leaves_the_file_in_the_folder_and_takes_what_fits() {
    let mut plant = Plant::start(By::Inside, 2000, SWITCH, "");
    plant.start_daemon_on_a_small_disk();
    let mut large = tiny_print();
    large.extend("; a comment to make it longer than the disk\n".repeat(60_000).into_bytes());
    plant.drop_file("large.gcode", &large);
    plant.drop_file("small.gcode", &tiny_print());
    let jobs = plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
    assert_eq!((jobs.len(), &jobs[0]["name"]), (1, &json!("small")));
    assert!(fs::read(plant.infeed().join("large.gcode")).expect("still there") == large);
    let journal = plant.show("/journal?after=0&limit=500").await;
    let told = journal["entries"].as_array().expect("entries").iter().find(|entry| entry["kind"] == "file-waits");
    let text = told.and_then(|entry| entry["text"].as_str()).expect("the journal says so");
    assert!(text.contains("large.gcode") && text.contains("no space is left"), "{text}");
}

#[tokio::test]
async fn a_disk_that_fills_in_mid_print_stops_the_line_and_loses_no_count() {
    // Slow enough that the print lasts while the disk fills.
    let mut plant = Plant::start(By::PseudoTerminal, 8, SWITCH, "");
    plant.start_daemon_on_a_small_disk();
    plant.say_clear().await;
    plant.drop_file("marker.2off.gcode", &tiny_print());
    plant.until_plastic().await;
    let data = plant.dir.path().join("data");
    let filler = plant.daemon().seen(&data).join("filler");
    let full = fs::write(&filler, vec![1; 4 << 20]).expect_err("the disk is smaller");
    assert_eq!(full.kind(), std::io::ErrorKind::StorageFull);
    // The journal has some room in what it has already: write until it has none.
    for _ in 0..500 {
        let hold = plant.try_post("/lines/one/hold", json!({ "when": "after-part" })).await;
        let resume = plant.try_post("/lines/one/resume", json!({})).await;
        if hold.is_err() || resume.is_err() || plant.line().await["reason"] == "store-failed" {
            break;
        }
    }
    let line = plant.until_line("stopped", |line| line["reason"] == "store-failed").await;
    assert_eq!(line["state"], "aborted");
    assert!(line["question"]["happened"].as_str().is_some_and(|text| text.contains("no space is left")), "{line:#}");
    let truth = plant.truth();
    assert_eq!((&truth["bed_target_c"], &truth["nozzle_target_c"]), (&json!(0.0), &json!(0.0)));

    fs::remove_file(&filler).expect("room again");
    let ended = |jobs: &[Value]| jobs[0]["scrapped"] == 1 && jobs[0]["in_work"] == 0;
    let jobs = plant.until_jobs("kept", ended).await;
    assert_eq!((jobs.len(), &jobs[0]["completed"]), (1, &json!(0)));
    plant.machine().type_line("take-off");
    let (status, answer) = plant.post("/lines/one/clear", json!({ "clear": true })).await;
    assert_eq!(status, 200, "{answer:#}");
    // The last hold that was asked for may still be in force.
    if answer["state"] == "held" {
        assert_eq!(plant.post("/lines/one/resume", json!({})).await.0, 200);
    }
    let jobs = plant.until_jobs("ended", |jobs| jobs[0]["state"] == "completed").await;
    assert_eq!((&jobs[0]["completed"], &jobs[0]["scrapped"], &jobs[0]["copies"]), (&json!(1), &json!(1), &json!(2)));
    assert_eq!(plant.truth()["prints_over_a_part"], 0);
}

#[tokio::test]
async fn a_body_that_ends_early_leaves_nothing_behind() {
    let plant = Plant::start(By::Inside, 2000, SWITCH, "");
    let mut socket = TcpStream::connect(plant.address()).expect("the page listens");
    let head = format!(
        "POST /api/v1/jobs?name=half.gcode HTTP/1.1\r\nHost: {}\r\nContent-Length: 100000\r\n\r\n",
        plant.address()
    );
    socket.write_all(head.as_bytes()).and_then(|()| socket.write_all(&tiny_print())).expect("sent");
    socket.shutdown(std::net::Shutdown::Write).expect("half closed");
    let mut answer = String::new();
    // The daemon may answer or hang up.
    drop(socket.read_to_string(&mut answer));
    assert!(!answer.contains(" 201 "), "{answer}");
    assert!(plant.jobs().await.is_empty());
    let left = |folder: &str| {
        let path = plant.dir.path().join("data/files").join(folder);
        fs::read_dir(path).map_or(0, |entries| entries.filter(|e| e.as_ref().is_ok_and(|e| e.path().is_file())).count())
    };
    assert_eq!((left(""), left("incoming")), (0, 0));
}

#[tokio::test]
async fn uploads_are_taken_and_refused_with_their_findings() {
    let plant = Plant::start(By::Inside, 2000, SWITCH, "");
    let send = async |name: &str, body: Vec<u8>| {
        let url = format!("http://{}/api/v1/jobs?name={name}", plant.address());
        let response = reqwest::Client::new().post(url).body(body).send().await.expect("an answer");
        (response.status().as_u16(), response.json::<Value>().await.expect("JSON"))
    };
    let (status, problem) = send("hot.gcode", with_line("M140 S500")).await;
    assert_eq!(status, 422);
    assert!(problem.to_string().contains("500"), "{problem:#}");
    let (status, job) = send("marker.2off.gcode", tiny_print()).await;
    assert_eq!((status, &job["copies"], &job["name"]), (201, &json!(2), &json!("marker")));
    let jobs = plant.until_jobs("made", |jobs| jobs.iter().any(|job| job["state"] == "completed")).await;
    assert_eq!((jobs.len(), &jobs[0]["completed"]), (1, &json!(2)));
}

#[test]
fn a_misspelt_key_ends_serve_with_the_key_its_line_and_the_nearest_one() {
    let dir = tempfile::tempdir().expect("a folder");
    let config = dir.path().join("nosebar.toml");
    fs::write(&config, "[daemon]\nlisten_on = \"127.0.0.1:0\"\n").expect("a file");
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_nosebar"))
        .args(["serve", "--config"])
        .arg(&config)
        .output()
        .expect("the binary runs");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("line 2") && said.contains("\"listen_on\"") && said.contains("\"listen\""), "{said}");
}

#[test]
fn init_writes_a_config_that_serve_takes_and_never_over_another() {
    let dir = tempfile::tempdir().expect("a folder");
    let init = || {
        let arguments = ["init", dir.path().to_str().expect("a path in UTF-8")];
        std::process::Command::new(env!("CARGO_BIN_EXE_nosebar")).args(arguments).output().expect("the binary runs")
    };
    assert!(init().status.success());
    let config = dir.path().join("nosebar.toml");
    fs::write(&config, fs::read_to_string(&config).expect("a file") + "# mine\n").expect("a file");
    let again = init();
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("already"));
    assert!(fs::read_to_string(&config).expect("a file").ends_with("# mine\n"));
}
