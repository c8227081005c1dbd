//! The daemon and its keys: the first start on an address that others can reach, the key of an earlier version, and the keys of a
//! stopped daemon.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use serde_json::{Value, json};

use crate::plant::Plant;

/// Listens where others can reach it; here it is asked by the loopback alone.
const CONFIG: &str = "[daemon]\nlisten = \"0.0.0.0:0\"\nmdns_name = \"\"\n\n[[line]]\nname = \"one\"\n\
    printer = { link = \"simulated\" }\ncheck = { kind = \"ask\" }\n";

/// The port of an address such as `http://192.168.0.20:8017/…`, on this machine.
fn here(address: &str) -> String {
    let port = address.rsplit(':').next().and_then(|rest| rest.split('/').next()).expect("a port");
    format!("http://127.0.0.1:{port}")
}

async fn get(url: &str, key: Option<&str>) -> (u16, Value) {
    let mut request = reqwest::Client::new().get(url);
    if let Some(key) = key {
        request = request.bearer_auth(key);
    }
    let response = request.send().await.expect("an answer");
    (response.status().as_u16(), response.json().await.expect("JSON"))
}

fn key(dir: &Path, arguments: &[&str]) -> Output {
    let config = dir.join("nosebar.toml");
    Command::new(env!("CARGO_BIN_EXE_nosebar"))
        .arg("key")
        .args(arguments)
        .arg("--config")
        .arg(config)
        .output()
        .expect("it runs")
}

fn said(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).expect("text")
}

/// The key in what was printed.
fn secret_in(text: &str) -> String {
    let key = text.split("/key/").nth(1).expect("an address with a key");
    key.chars().take_while(char::is_ascii_hexdigit).collect()
}

#[tokio::test]
async fn the_first_start_makes_a_key_and_shows_it_and_later_ones_do_not() {
    let mut plant = Plant::with_config(CONFIG);
    let address = plant.daemon().line_after("key of the first phone, shown this once: ");
    let secret = secret_in(&address);
    assert_eq!(secret.len(), 32);
    let code = plant.daemon().line_after("█");
    assert!(code.chars().all(|c| "█▀▄ ".contains(c)) && code.chars().count() > 20, "{code}");
    let lines = format!("{}/api/v1/lines", here(&address));
    assert_eq!(get(&lines, None).await.0, 401);
    assert_eq!(get(&lines, Some(&secret)).await.0, 200);
    let keys = format!("{}/api/v1/keys", here(&address));
    let (_, listed) = get(&keys, Some(&secret)).await;
    let facts = ["id", "name", "rights", "revoked_at"].map(|fact| listed["keys"][0][fact].clone());
    assert_eq!(facts, [json!(1), json!("first phone"), json!("operate"), Value::Null]);

    assert_eq!(plant.daemon().terminate(), Some(0));
    plant.start_daemon();
    plant.daemon().line_after("every device needs a key: make one on the page, under /keys");
    let again = format!("{}/api/v1/keys", here(&format!("http://{}", plant.address())));
    let (status, listed) = get(&again, Some(&secret)).await;
    assert_eq!((status, listed["keys"].as_array().map(Vec::len)), (200, Some(1)), "{listed}");
    // Its use is noted beside the answer, not before it.
    let mut listed = listed;
    for _ in 0..500 {
        if listed["keys"][0]["last_used"].is_i64() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
        listed = get(&again, Some(&secret)).await.1;
    }
    panic!("its use was never noted: {listed}");
}

#[tokio::test]
async fn a_revoked_key_stays_out_after_the_daemon_was_killed() {
    let mut plant = Plant::with_config(CONFIG);
    let address = plant.daemon().line_after("key of the first phone, shown this once: ");
    let (secret, at) = (secret_in(&address), here(&address));
    let made = reqwest::Client::new()
        .post(format!("{at}/api/v1/keys"))
        .bearer_auth(&secret)
        .json(&json!({ "name": "shed", "rights": "operate" }))
        .send()
        .await
        .expect("an answer");
    assert_eq!(made.status(), 201);
    let second: Value = made.json().await.expect("JSON");
    let second = second["key"].as_str().expect("a key").to_owned();
    let revoked = reqwest::Client::new().post(format!("{at}/api/v1/keys/1/revoke")).bearer_auth(&second).send().await;
    assert_eq!(revoked.expect("an answer").status(), 200);
    plant.daemon().kill();
    plant.start_daemon();
    let lines = format!("{}/api/v1/lines", here(&format!("http://{}", plant.address())));
    assert_eq!(get(&lines, Some(&secret)).await.0, 401);
    assert_eq!(get(&lines, Some(&second)).await.0, 200);
}

#[tokio::test]
async fn the_key_of_an_earlier_version_is_taken_over_and_its_file_goes() {
    let mut plant = Plant::with_config(&CONFIG.replace("0.0.0.0", "127.0.0.1"));
    assert_eq!(plant.daemon().terminate(), Some(0));
    let (file, secret) = (plant.data().join("key"), "0123456789abcdef0123456789abcdef");
    fs::write(&file, secret).expect("written");
    plant.change_config(|text| text.replace("127.0.0.1", "0.0.0.0"));
    plant.start_daemon();
    plant.daemon().line_after("every device needs a key");
    assert!(!file.exists(), "the database has it");
    let keys = format!("{}/api/v1/keys", here(&format!("http://{}", plant.address())));
    let (status, listed) = get(&keys, Some(secret)).await;
    let facts = ["name", "rights"].map(|fact| listed["keys"][0][fact].clone());
    assert_eq!((status, facts), (200, [json!("first phone"), json!("operate")]), "{listed}");

    // As a crash leaves it that came before the file was removed.
    assert_eq!(plant.daemon().terminate(), Some(0));
    fs::write(&file, secret).expect("written");
    plant.start_daemon();
    plant.daemon().line_after("every device needs a key");
    let keys = format!("{}/api/v1/keys", here(&format!("http://{}", plant.address())));
    assert_eq!(get(&keys, Some(secret)).await.1["keys"].as_array().map(Vec::len), Some(1));
    assert!(!file.exists());
}

#[test]
fn a_damaged_key_of_an_earlier_version_is_told_and_left_alone() {
    let dir = tempfile::tempdir().expect("a folder");
    fs::write(dir.path().join("nosebar.toml"), CONFIG).expect("written");
    fs::create_dir(dir.path().join("data")).expect("made");
    let file = dir.path().join("data/key");
    fs::write(&file, "secret").expect("written");
    let mut serve = Command::new(env!("CARGO_BIN_EXE_nosebar"));
    let told = serve.args(["serve", "--config"]).arg(dir.path().join("nosebar.toml")).output().expect("it runs");
    let why = String::from_utf8_lossy(&told.stderr);
    assert!(told.status.code() == Some(2) && why.contains("is not a key of 32 hexadecimal digits"), "{why}");
    assert_eq!(fs::read_to_string(file).expect("there"), "secret");
}

#[tokio::test]
async fn keys_of_a_stopped_daemon_are_made_listed_and_revoked_in_the_terminal() {
    let dir = tempfile::tempdir().expect("a folder");
    fs::write(dir.path().join("nosebar.toml"), CONFIG).expect("written");
    assert_eq!(said(&key(dir.path(), &["list"])), "there is no key\n");
    let made = said(&key(dir.path(), &["make", "shed \u{202e}", "--rights", "watch"]));
    assert!(made.starts_with("made key 1, \"shed \\u{202e}\", which may watch\n"), "{made}");
    let watch = secret_in(&made);
    let made = said(&key(dir.path(), &["make", "phone"]));
    let operate = secret_in(&made);
    assert!(made.contains("which may operate") && made.contains('█'), "{made}");
    said(&key(dir.path(), &["revoke", "1"]));
    let list = said(&key(dir.path(), &["list"]));
    let lines: Vec<&str> = list.lines().collect();
    assert!(lines[0].contains("watch") && lines[0].contains("revoked 20"), "{list}");
    assert!(
        lines[1].contains("operate") && lines[1].contains("never used") && lines[1].ends_with("\"phone\""),
        "{list}"
    );
    assert!(!list.contains(&operate) && !list.contains(&watch), "{list}");
    for (arguments, why) in [
        (&["revoke", "1"][..], "was revoked"),
        (&["revoke", "7"], "there is no key 7"),
        (&["make", " "], "expected 1 to 60"),
        (&["make", "x", "--rights", "own"], "expected watch"),
    ] {
        let told = key(dir.path(), arguments);
        let text = String::from_utf8_lossy(&told.stderr).into_owned();
        assert!(told.status.code() == Some(2) && text.contains(why), "{arguments:?}: {text}");
    }

    // A daemon goes on with them, and has them to itself.
    let mut plant = Plant::in_folder(dir);
    plant.daemon().line_after("every device needs a key");
    let at = here(&format!("http://{}", plant.address()));
    assert_eq!(get(&format!("{at}/api/v1/lines"), Some(&operate)).await.0, 200);
    assert_eq!(get(&format!("{at}/api/v1/lines"), Some(&watch)).await.0, 401);
    let (_, journal) = get(&format!("{at}/api/v1/journal"), Some(&operate)).await;
    let kinds: Vec<&str> =
        journal["entries"].as_array().expect("entries").iter().filter_map(|e| e["kind"].as_str()).collect();
    assert_eq!(kinds.iter().filter(|kind| **kind == "key-made").count(), 2, "{kinds:?}");
    let told = key(plant.dir.path(), &["list"]);
    let why = String::from_utf8_lossy(&told.stderr);
    assert!(told.status.code() == Some(2) && why.contains("/keys"), "{why}");

    // Nobody is locked out for good: the next start makes a key again.
    assert_eq!(plant.daemon().terminate(), Some(0));
    let revoked = said(&key(plant.dir.path(), &["revoke", "2"]));
    assert!(revoked.contains("no key is left that may operate"), "{revoked}");
    plant.start_daemon();
    let third = secret_in(&plant.daemon().line_after("key of the first phone, shown this once: "));
    let at = here(&format!("http://{}", plant.address()));
    assert_eq!(get(&format!("{at}/api/v1/lines"), Some(&operate)).await.0, 401);
    assert_eq!(get(&format!("{at}/api/v1/lines"), Some(&third)).await.0, 200);
}
