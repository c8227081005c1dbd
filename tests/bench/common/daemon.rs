//! The daemon as it is installed, in a folder of its own, with one printer behind a cable or a connection.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

use super::printer_end::Place;
use super::process::{DAEMON, Process};
use super::watch::now;

const PATIENCE: Duration = Duration::from_secs(60);

/// Where the daemon has its files. It goes when this is dropped.
pub(crate) struct Folder {
    dir: TempDir,
}

/// A daemon at work.
pub(crate) struct Daemon {
    pub(crate) process: Process,
    /// `host:port` of the page.
    pub(crate) host: String,
}

impl Folder {
    pub(crate) fn make(printer: &Place) -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let link = match printer {
            Place::Tcp(address) => format!("link = \"tcp\"\naddress = \"{address}\""),
            Place::Terminal(path) => format!("link = \"serial\"\nport = {path:?}\nbaud = 115200"),
        };
        let text = format!(
            "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.3\nrescan_s = 1.0\n\n\
             [[line]]\nname = \"one\"\n[line.printer]\n{link}\n[line.check]\nkind = \"ask\"\n"
        );
        fs::write(dir.path().join("nosebar.toml"), text).expect("a file");
        let folder = Self { dir };
        fs::create_dir_all(folder.data()).expect("a folder");
        folder
    }

    pub(crate) fn path(&self) -> &Path {
        self.dir.path()
    }

    pub(crate) fn data(&self) -> std::path::PathBuf {
        self.dir.path().join("data")
    }

    pub(crate) fn database(&self) -> std::path::PathBuf {
        self.data().join("nosebar.db")
    }

    /// Starts the daemon, and waits until it says that its page is there.
    pub(crate) fn start(&self) -> Daemon {
        let mut command = Command::new(DAEMON);
        let mut process = Process::start(command.args(["serve", "--config"]).arg(self.dir.path().join("nosebar.toml")));
        let page = process.line_after("page:");
        let host = page.trim_start_matches("http://").trim_end_matches('/').to_owned();
        Daemon { process, host }
    }
}

impl Daemon {
    fn api(&self, path: &str) -> String {
        format!("http://{}/api/v1{path}", self.host)
    }

    /// Waits until the line is as wanted.
    pub(crate) async fn until(&self, what: &str, wanted: impl Fn(&Value) -> bool) {
        let begun = now();
        loop {
            let answer = reqwest::get(self.api("/lines/one")).await.expect("an answer");
            let line: Value = answer.json().await.expect("JSON");
            if wanted(&line) {
                return;
            }
            assert!(begun.elapsed() < PATIENCE, "the line is not {what}: {line:#}");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    pub(crate) async fn say_belt_is_clear(&self) {
        let asked = reqwest::Client::new().post(self.api("/lines/one/clear"));
        let answer = asked.json(&serde_json::json!({ "clear": true })).send().await.expect("an answer");
        assert!(answer.status().is_success(), "{:?}", answer.text().await);
    }
}
