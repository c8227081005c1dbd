//! A plant for tests: the real binary, in processes of its own, with real folders, a real pseudo-terminal or socket, and HTTP.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::Value;

const BINARY: &str = env!("CARGO_BIN_EXE_nosebar");
/// The longest that anything here is waited for; a busy machine is slow, and a broken program waits for ever.
const PATIENCE: Duration = Duration::from_secs(120);

/// A child process that dies with its owner, and what it prints, line by line.
pub(crate) struct Process {
    child: Child,
    stdin: Option<ChildStdin>,
    lines: Receiver<String>,
}

impl Process {
    pub(crate) fn start(arguments: &[&str]) -> Self {
        Self::run(Command::new(BINARY).args(arguments))
    }

    /// With a disk of one mebibyte for `data`: a mount of its own, that nobody else sees.
    fn start_on_a_small_disk(data: &Path, arguments: &[&str]) -> Self {
        let script = "mount -t tmpfs -o size=2m small \"$0\" && exec \"$@\"";
        let mut command = Command::new("unshare");
        command.args(["--user", "--map-root-user", "--mount", "sh", "-c", script]).arg(data).arg(BINARY);
        Self::run(command.args(arguments))
    }

    fn run(command: &mut Command) -> Self {
        let mut child = command
            .env("RUST_LOG", "warn")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the binary runs");
        let stdout = child.stdout.take().expect("stdout is piped");
        let (send, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    return;
                }
            }
        });
        Self { stdin: child.stdin.take(), child, lines }
    }

    /// Waits for a line that begins like this, and gives what follows.
    pub(crate) fn line_after(&self, beginning: &str) -> String {
        self.line_while_it_lives(beginning).unwrap_or_else(|| panic!("no line began with {beginning:?}"))
    }

    /// The same of a process that may be killed meanwhile: then there is none.
    fn line_while_it_lives(&self, beginning: &str) -> Option<String> {
        let begun = now();
        loop {
            match self.lines.recv_timeout(PATIENCE.saturating_sub(begun.elapsed())) {
                Ok(line) => {
                    if let Some(rest) = line.strip_prefix(beginning) {
                        return Some(rest.trim().to_owned());
                    }
                }
                Err(RecvTimeoutError::Disconnected) => return None,
                Err(RecvTimeoutError::Timeout) => panic!("no line began with {beginning:?}"),
            }
        }
    }

    pub(crate) fn type_line(&mut self, text: &str) {
        let stdin = self.stdin.as_mut().expect("stdin is open");
        writeln!(stdin, "{text}").and_then(|()| stdin.flush()).expect("it reads what is typed");
    }

    /// A path as this process sees it: it may have mounts of its own.
    pub(crate) fn seen(&self, path: &Path) -> PathBuf {
        let path = path.strip_prefix("/").expect("an absolute path");
        PathBuf::from(format!("/proc/{}/root", self.child.id())).join(path)
    }

    /// As a power cut does it.
    pub(crate) fn kill(&mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it is gone");
    }

    /// As a power cut does it, after a while, whatever anybody does then. [`Self::bury`] follows.
    pub(crate) fn kill_after(&self, delay: Duration) -> JoinHandle<()> {
        let id = i32::try_from(self.child.id()).expect("a process number");
        std::thread::spawn(move || {
            std::thread::sleep(delay);
            let id = nix::unistd::Pid::from_raw(id);
            nix::sys::signal::kill(id, nix::sys::signal::Signal::SIGKILL).expect("nobody has buried it yet");
        })
    }

    /// Waits for the end of a process that was killed, and makes sure that it did not end by itself.
    pub(crate) fn bury(&mut self) {
        let status = self.child.wait().expect("it can be waited for");
        assert_eq!(status.signal(), Some(9), "it ended before it was killed: {status}");
    }

    /// As a service manager does it; its exit status.
    pub(crate) fn terminate(&mut self) -> Option<i32> {
        let id = i32::try_from(self.child.id()).expect("a process number");
        nix::sys::signal::kill(nix::unistd::Pid::from_raw(id), nix::sys::signal::Signal::SIGTERM).expect("it is there");
        let begun = now();
        while begun.elapsed() < PATIENCE {
            if let Some(status) = self.child.try_wait().expect("it can be waited for") {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("it did not end");
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may be dead already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

#[expect(clippy::disallowed_methods, reason = "a test's patience is real time")]
fn now() -> Instant {
    Instant::now()
}

/// How the daemon reaches the simulated machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    PseudoTerminal,
    Tcp,
    /// Not at all: the machine is inside the daemon.
    Inside,
}

/// A machine, a daemon and a folder.
pub(crate) struct Plant {
    daemon: Option<Process>,
    machine: Option<Process>,
    page: String,
    /// Last, so that it outlives those who work in it.
    pub(crate) dir: tempfile::TempDir,
}

impl Plant {
    /// `check` is the inside of the line's `[line.check]`; `faults` is a fault script for the machine.
    pub(crate) fn start(by: By, speed: u32, check: &str, faults: &str) -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let script = dir.path().join("faults.txt");
        fs::write(&script, faults).expect("a file");
        let port = dir.path().join("port");
        let speed = speed.to_string();
        let script = script.to_str().expect("a path in UTF-8");
        let (machine, printer) = match by {
            By::PseudoTerminal => {
                let port = port.to_str().expect("a path in UTF-8");
                let machine = Process::start(&["simulate", "--pty", port, "--speed", &speed, "--faults", script]);
                machine.line_after("ready: pseudo-terminal");
                (Some(machine), format!("link = \"serial\"\nport = {port:?}\nbaud = 115200"))
            }
            By::Tcp => {
                let machine =
                    Process::start(&["simulate", "--tcp", "127.0.0.1:0", "--speed", &speed, "--faults", script]);
                let address = machine.line_after("ready: tcp");
                (Some(machine), format!("link = \"tcp\"\naddress = {address:?}"))
            }
            By::Inside => (None, format!("link = \"simulated\"\nspeed = {speed}.0")),
        };
        let config = format!(
            "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.3\nrescan_s = 1.0\n\n[[line]]\nname = \"one\"\n\
             [line.printer]\n{printer}\n[line.check]\n{check}\n"
        );
        Self::of(dir, machine, &config)
    }

    /// A machine whose belt has a loop, mm, and a splice, with a daemon that reaches it by TCP; `belt` is the inside of the
    /// line's `[line.belt]`.
    pub(crate) fn start_on_belt(speed: u32, check: &str, (loop_mm, splice): (u32, &str), belt: &str) -> Self {
        let (speed, loop_mm) = (speed.to_string(), loop_mm.to_string());
        let arguments =
            ["simulate", "--tcp", "127.0.0.1:0", "--speed", &speed, "--loop-mm", &loop_mm, "--splice", splice];
        let machine = Process::start(&arguments);
        let address = machine.line_after("ready: tcp");
        let config = format!(
            "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.3\nrescan_s = 1.0\n\n[[line]]\nname = \"one\"\n\
             [line.printer]\nlink = \"tcp\"\naddress = {address:?}\n[line.belt]\n{belt}\n[line.check]\n{check}\n"
        );
        Self::of(tempfile::tempdir().expect("a folder"), Some(machine), &config)
    }

    /// A daemon with this config, its machines inside it.
    pub(crate) fn with_config(config: &str) -> Self {
        Self::of(tempfile::tempdir().expect("a folder"), None, config)
    }

    /// A daemon with the config that is there.
    pub(crate) fn in_folder(dir: tempfile::TempDir) -> Self {
        let mut plant = Self { dir, machine: None, daemon: None, page: String::new() };
        plant.start_daemon();
        plant
    }

    fn of(dir: tempfile::TempDir, machine: Option<Process>, config: &str) -> Self {
        fs::write(dir.path().join("nosebar.toml"), config).expect("a file");
        let mut plant = Self { dir, machine, daemon: None, page: String::new() };
        plant.start_daemon();
        plant
    }

    pub(crate) fn start_daemon(&mut self) {
        self.start_with(Process::start);
    }

    /// The same daemon anew, with a data folder of one mebibyte.
    pub(crate) fn start_daemon_on_a_small_disk(&mut self) {
        let data = self.dir.path().join("data");
        self.daemon().kill();
        self.start_with(|arguments| Process::start_on_a_small_disk(&data, arguments));
    }

    fn start_with(&mut self, start: impl FnOnce(&[&str]) -> Process) {
        self.begin_with(start);
        assert!(self.meet_daemon(), "the daemon ended before it had a page");
    }

    fn begin_with(&mut self, start: impl FnOnce(&[&str]) -> Process) {
        let config = self.dir.path().join("nosebar.toml");
        self.daemon = Some(start(&["serve", "--config", config.to_str().expect("a path in UTF-8")]));
    }

    /// Starts the daemon and does not wait for anything.
    pub(crate) fn begin_daemon(&mut self) {
        self.begin_with(Process::start);
    }

    /// Waits until the daemon that was begun has a page; `false` if it was killed before.
    pub(crate) fn meet_daemon(&mut self) -> bool {
        let page = self.daemon().line_while_it_lives("page:");
        let met = page.is_some();
        self.page = page.unwrap_or_default().trim_end_matches('/').to_owned();
        met
    }

    /// What the daemon's next start reads.
    pub(crate) fn change_config(&self, change: impl FnOnce(&str) -> String) {
        let path = self.dir.path().join("nosebar.toml");
        let text = fs::read_to_string(&path).expect("a config");
        fs::write(path, change(&text)).expect("a file");
    }

    pub(crate) fn daemon(&mut self) -> &mut Process {
        self.daemon.as_mut().expect("the daemon was started")
    }

    pub(crate) fn machine(&mut self) -> &mut Process {
        self.machine.as_mut().expect("the machine has a process of its own")
    }

    pub(crate) fn infeed(&self) -> PathBuf {
        self.dir.path().join("infeed")
    }

    pub(crate) fn data(&self) -> PathBuf {
        self.dir.path().join("data")
    }

    /// Drops a file as a copying program does: written somewhere else on the disk, then renamed into place.
    pub(crate) fn drop_file(&self, name: &str, bytes: &[u8]) {
        let outside = self.dir.path().join("outside");
        fs::write(&outside, bytes).expect("a file");
        fs::rename(outside, self.infeed().join(name)).expect("dropped");
    }

    pub(crate) fn drop_copy(&self, name: &str, of: &Path) {
        self.drop_file(name, &fs::read(of).expect("a sliced file"));
    }

    pub(crate) async fn show(&self, path: &str) -> Value {
        let response = reqwest::get(self.api(path)).await.expect("an answer");
        response.json().await.expect("JSON")
    }

    /// A path of the API, with its host.
    pub(crate) fn api(&self, path: &str) -> String {
        format!("{}/api/v1{path}", self.page)
    }

    /// The page's address.
    pub(crate) fn address(&self) -> &str {
        self.page.trim_start_matches("http://")
    }

    /// The letter that lies beside a rejected file.
    pub(crate) async fn letter(&self, name: &str) -> String {
        String::from_utf8(self.kept(&format!("{name}.reason.txt")).await).expect("a letter in UTF-8")
    }

    /// What lies in the folder for rejected files under this name, as soon as it does.
    pub(crate) async fn kept(&self, name: &str) -> Vec<u8> {
        let path = self.infeed().join("rejected").join(name);
        let begun = now();
        while !path.exists() {
            assert!(begun.elapsed() < PATIENCE, "there is no {name} among the rejected files");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        fs::read(path).expect("a file")
    }

    /// Posts JSON; the status and the answer.
    pub(crate) async fn post(&self, path: &str, body: Value) -> (u16, Value) {
        let response = self.try_post(path, body).await.expect("an answer");
        (response.status().as_u16(), response.json().await.unwrap_or(Value::Null))
    }

    /// Posts JSON, and waits a few seconds for an answer.
    pub(crate) async fn try_post(&self, path: &str, body: Value) -> reqwest::Result<reqwest::Response> {
        let request = reqwest::Client::new().post(self.api(path)).json(&body);
        request.timeout(Duration::from_secs(5)).send().await
    }

    pub(crate) async fn line(&self) -> Value {
        self.show("/lines/one").await
    }

    pub(crate) async fn jobs(&self) -> Vec<Value> {
        // A job may end between the two questions: the later answer counts.
        let mut jobs = BTreeMap::new();
        for set in ["open", "ended"] {
            let page = self.show(&format!("/jobs?state={set}")).await;
            let list = page["jobs"].as_array().cloned().expect("a list of jobs");
            jobs.extend(list.into_iter().map(|job| (job["id"].as_i64(), job)));
        }
        jobs.into_values().collect()
    }

    /// Waits until the line is as wanted.
    pub(crate) async fn until_line(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let begun = now();
        loop {
            let line = self.line().await;
            if wanted(&line) {
                return line;
            }
            assert!(begun.elapsed() < PATIENCE, "the line is not {what}: {line:#}");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    /// Waits until there are jobs as wanted.
    pub(crate) async fn until_jobs(&self, what: &str, wanted: impl Fn(&[Value]) -> bool) -> Vec<Value> {
        let begun = now();
        loop {
            let jobs = self.jobs().await;
            if wanted(&jobs) {
                return jobs;
            }
            assert!(begun.elapsed() < PATIENCE, "jobs are not {what}: {jobs:#?}; the line: {:#}", self.line().await);
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Waits until the first 500 entries of the journal are as wanted.
    pub(crate) async fn until_journal(&self, what: &str, wanted: impl Fn(&[Value]) -> bool) -> Vec<Value> {
        let begun = now();
        loop {
            let page = self.show("/journal?after=0&limit=500").await;
            let entries = page["entries"].as_array().expect("a list of entries");
            if wanted(entries) {
                return entries.clone();
            }
            assert!(begun.elapsed() < PATIENCE, "the journal does not say that {what}: {entries:#?}");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Waits until the machine truly lays plastic.
    pub(crate) async fn until_plastic(&mut self) {
        self.until_line("printing", |line| line["phase"] == "print").await;
        let begun = now();
        while self.truth()["plastic_mm"].as_f64().is_none_or(|mm| mm < 1.0) {
            assert!(begun.elapsed() < PATIENCE, "no plastic is laid");
        }
    }

    /// The person's word at the start: a real printer's belt is not known to be clear.
    pub(crate) async fn say_clear(&self) {
        self.until_line("connected", |line| line["connected"] == true).await;
        let (status, answer) = self.post("/lines/one/clear", serde_json::json!({ "clear": true })).await;
        assert_eq!(status, 200, "{answer:#}");
    }

    /// The machine's physical truth.
    pub(crate) fn truth(&mut self) -> Value {
        self.machine().type_line("truth");
        let begun = now();
        loop {
            let left = PATIENCE.saturating_sub(begun.elapsed());
            let line = self.machine().lines.recv_timeout(left).expect("the machine answers");
            if let Some(truth) = serde_json::from_str(&line).ok().filter(Value::is_object) {
                return truth;
            }
        }
    }
}

/// A tiny sliced file that heats little and prints a small square: for tests that look at the phases.
pub(crate) fn tiny_print() -> Vec<u8> {
    let mut text = String::from(
        "; material = pla\nM140 S38\nM104 S200\nG28\nM190 S38\nM109 S200\nG90\nM82\nG92 E0\nG1 Z0.2 F3000\nG1 X100 Y100 F6000\n",
    );
    let mut e = 0.0;
    for layer in 0..4 {
        text += &format!("G1 Z{:.1} F3000\n", 0.2 * f64::from(layer + 1));
        for (x, y) in [(120, 100), (120, 120), (100, 120), (100, 100)] {
            e += 0.8;
            text += &format!("G1 X{x} Y{y} E{e:.3} F600\n");
        }
    }
    text += "G1 Z5 F3000\nM104 S0\nM140 S0\nM84\n";
    text.into_bytes()
}
