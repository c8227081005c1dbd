//! `nosebar simulate` as a stranger meets it: a process with a port, a log and a keyboard.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Output, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread;
use std::time::Duration;

use nix::fcntl::OFlag;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use nosebar::clock::Clock;
use serde_json::Value;

/// Far more than anything here needs, even on a busy machine.
const PATIENCE: Duration = Duration::from_secs(20);

/// Lines as they come.
struct Lines(Receiver<String>);

impl Lines {
    fn of(source: impl Read + Send + 'static) -> Self {
        let (sender, lines) = channel();
        thread::spawn(move || {
            // A terminal that hangs up ends with an error, a socket without one.
            for line in BufReader::new(source).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Self(lines)
    }

    fn next(&self) -> String {
        self.0.recv_timeout(PATIENCE).expect("a line within the time")
    }

    fn until(&self, wanted: &str) -> Vec<String> {
        let mut lines = Vec::new();
        while !lines.last().is_some_and(|line: &String| line.contains(wanted)) {
            assert!(lines.len() < 20_000, "no {wanted:?} among {} lines", lines.len());
            lines.push(self.0.recv_timeout(PATIENCE).unwrap_or_else(|_| panic!("no {wanted:?} after {lines:?}")));
        }
        lines
    }

    /// Whether nothing more comes because the other side has gone.
    fn ended(&self) -> bool {
        loop {
            match self.0.recv_timeout(PATIENCE) {
                Ok(_) => {}
                Err(RecvTimeoutError::Disconnected) => return true,
                Err(RecvTimeoutError::Timeout) => return false,
            }
        }
    }
}

/// A running simulator.
struct Simulator {
    child: Child,
    keyboard: Option<ChildStdin>,
    log: Lines,
    place: String,
}

impl Simulator {
    fn start(arguments: &[&str]) -> Self {
        let mut child = command(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
        let log = Lines::of(child.stdout.take().expect("a pipe"));
        let keyboard = child.stdin.take();
        let ready = log.next();
        let place = ready.strip_prefix("ready: ").unwrap_or_else(|| panic!("not ready: {ready}")).to_owned();
        Self { child, keyboard, log, place }
    }

    fn tcp(arguments: &[&str]) -> Self {
        Self::start(&[&["--tcp", "127.0.0.1:0"], arguments].concat())
    }

    fn connect(&self) -> Talk {
        let address = self.place.strip_prefix("tcp ").expect("it listens on TCP");
        let stream = TcpStream::connect(address).expect("it takes connections");
        let lines = Lines::of(stream.try_clone().expect("a second handle"));
        Talk { lines, writer: Box::new(stream), stop: Arc::default() }
    }

    fn type_line(&mut self, line: &str) {
        writeln!(self.keyboard.as_mut().expect("the keyboard is there"), "{line}").expect("it reads");
    }

    fn truth(&mut self) -> Value {
        self.type_line("truth");
        let lines = self.log.until("simulated_s");
        serde_json::from_str(lines.last().expect("the line waited for")).expect("one JSON object")
    }

    fn end_code(mut self) -> Option<i32> {
        let clock = Clock::real();
        loop {
            if let Some(status) = self.child.try_wait().expect("it is our child") {
                return status.code();
            }
            assert!(Duration::from_micros(clock.now().0) < PATIENCE, "it does not end");
            thread::sleep(Duration::from_millis(5));
        }
    }
}

impl Drop for Simulator {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// A host at the other end of the wire.
struct Talk {
    lines: Lines,
    writer: Box<dyn Write>,
    /// Ends the reading of a terminal: a read that waits would take what the next host is told.
    stop: Arc<AtomicBool>,
}

/// A terminal that is read until it is told to stop.
struct Terminal {
    file: File,
    stop: Arc<AtomicBool>,
}

impl Read for Terminal {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        while !self.stop.load(Ordering::Acquire) {
            match self.file.read(buffer) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => thread::sleep(Duration::from_millis(2)),
                read => return read,
            }
        }
        Ok(0)
    }
}

impl Talk {
    fn open(link: &Path) -> Self {
        let flags = (OFlag::O_NOCTTY | OFlag::O_NONBLOCK).bits();
        let file = OpenOptions::new().read(true).write(true).custom_flags(flags).open(link).expect("a terminal");
        let stop = Arc::new(AtomicBool::new(false));
        let source = Terminal { file: file.try_clone().expect("a second handle"), stop: Arc::clone(&stop) };
        Self { lines: Lines::of(source), writer: Box::new(file), stop }
    }

    fn say(&mut self, line: &str) {
        self.writer.write_all(format!("{line}\n").as_bytes()).expect("the wire takes it");
    }

    fn done(&mut self, line: &str) -> Vec<String> {
        self.say(line);
        self.lines.until("ok")
    }

    fn all(&mut self, lines: &[&str]) {
        for line in lines {
            self.done(line);
        }
    }
}

impl Drop for Talk {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
    }
}

fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nosebar"));
    command.arg("simulate").args(arguments);
    command
}

fn refused(arguments: &[&str]) -> (Option<i32>, String) {
    let Output { status, stderr, .. } = command(arguments).stdin(Stdio::null()).output().expect("it starts");
    (status.code(), String::from_utf8(stderr).expect("text"))
}

/// Prints a cold part from y = 100 to y = 120 mm and pushes it 130 mm toward the nose, at 220 mm.
const PART: &[&str] =
    &["M302 P1", "M83", "G1 Z1 F600", "G1 Y100 F6000", "G1 Y120 E2", "G1 Z9", "T1", "G1 E130 F1200", "M400", "T0"];

#[test]
fn over_tcp_the_machine_outlives_its_connections() {
    let mut simulator = Simulator::tcp(&["--speed", "100"]);
    let mut first = simulator.connect();
    assert_eq!(first.done("N0 M110 N0*125"), ["ok"]);
    assert_eq!(first.done("N1 M105*38"), ["ok T:22.00 /0.00 B:22.00 /0.00 T0:22.00 /0.00 @:0 B@:0"]);
    first.done("M140 S60");
    first.say("M155 S1");
    // This host goes without a word.
    drop(first);
    let mut second = simulator.connect();
    assert!(second.lines.next().contains("B:") && second.done("M155 S0").last().is_some_and(|line| line == "ok"));
    assert!(second.done("N2 M105*37")[0].contains("/60.00"), "line numbers go on");
    second.all(PART);
    let truth = simulator.truth();
    assert_eq!((&truth["belt_um"], &truth["parts_fallen"]), (&130_000.into(), &1.into()));
}

#[test]
fn the_log_tells_what_befalls_the_parts() {
    let mut simulator = Simulator::tcp(&["--speed", "200"]);
    let mut talk = simulator.connect();
    talk.all(PART);
    simulator.type_line("stick");
    talk.all(&["G28"]);
    talk.all(PART);
    let log = simulator.log.until("hangs at the nose");
    let said: Vec<&str> = log.iter().filter_map(|line| Some(line.split_once(" s  ")?.1)).collect();
    assert_eq!(
        said,
        [
            "the printer has started",
            "print 1 begun",
            "part 1 fell into the bin",
            "print 2 begun",
            "part 2 sticks and hangs at the nose"
        ]
    );
    assert!(talk.done("M119").contains(&"nose: TRIGGERED".to_owned()));
    simulator.type_line("take-off");
    simulator.log.until("part 2 was taken off by hand");
    assert!(talk.done("M119").contains(&"nose: open".to_owned()));
}

#[test]
fn a_reset_and_a_cut_can_be_typed() {
    let mut simulator = Simulator::tcp(&[]);
    let mut talk = simulator.connect();
    talk.done("M140 S60");
    simulator.type_line("reset");
    talk.lines.until("start");
    simulator.type_line("cut");
    assert!(talk.lines.ended());
    simulator.log.until("the connection was cut");
    assert!(simulator.connect().done("M105")[0].contains("B:22."));
    simulator.type_line("tkae-off");
    simulator.log.until("found `tkae-off`, expected");
}

#[test]
fn it_keeps_the_pace_that_is_asked_for() {
    let simulator = Simulator::tcp(&["--speed", "100"]);
    let mut talk = simulator.connect();
    talk.done("M105");
    let clock = Clock::real();
    // Fifty waits of half a second: 25 s, a quarter of a second really. What is late is late fifty times.
    for _ in 0..50 {
        talk.done("G4 P500");
    }
    let took = Duration::from_micros(clock.now().0);
    assert!(took >= Duration::from_millis(250), "{took:?}");
    assert!(took < Duration::from_secs(4), "{took:?}");
}

#[test]
fn the_end_of_the_keyboard_is_not_the_end_and_a_signal_is() {
    for signal in [Signal::SIGTERM, Signal::SIGINT] {
        let mut simulator = Simulator::tcp(&[]);
        simulator.keyboard = None;
        let mut talk = simulator.connect();
        thread::sleep(Duration::from_millis(50));
        assert_eq!(talk.done("G21"), ["ok"]);
        let id = i32::try_from(simulator.child.id()).expect("a process id");
        kill(Pid::from_raw(id), signal).expect("it is our child");
        assert_eq!(simulator.end_code(), Some(0), "{signal}");
    }
}

#[test]
fn on_a_pseudo_terminal_hosts_come_and_go() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("printer");
    symlink("/dev/nowhere", &link).expect("a stale link");
    let mut simulator = Simulator::start(&["--pty", link.to_str().expect("text"), "--speed", "100"]);
    assert_eq!(simulator.place, format!("pseudo-terminal {}", link.display()));
    let mut first = Talk::open(&link);
    first.lines.until("start");
    assert_eq!(first.done("N1 M105*38").len(), 1, "nothing is echoed");
    first.done("M140 S60");
    drop(first);
    let mut second = Talk::open(&link);
    assert!(second.done("N2 M105*37")[0].contains("/60.00"));
    second.all(PART);
    assert_eq!(simulator.truth()["parts_fallen"], 1);
    simulator.type_line("quit");
    assert_eq!(simulator.end_code(), Some(0));
    assert!(fs::symlink_metadata(&link).is_err(), "the link is removed");
}

#[test]
fn a_cut_pseudo_terminal_hangs_up_and_is_made_anew() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("printer");
    let mut simulator = Simulator::start(&["--pty", link.to_str().expect("text")]);
    let mut talk = Talk::open(&link);
    talk.done("M140 S60");
    let before = fs::read_link(&link).expect("a link");
    simulator.type_line("cut");
    assert!(talk.lines.ended());
    simulator.log.until("the connection was cut");
    assert_ne!(fs::read_link(&link).expect("a link"), before);
    assert!(Talk::open(&link).done("M105")[0].contains("/60.00"));
}

#[test]
fn replies_that_nobody_reads_do_not_wait_for_the_next_host() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = folder.path().join("printer");
    let mut simulator = Simulator::start(&["--pty", link.to_str().expect("text"), "--speed", "1000"]);
    Talk::open(&link).done("M155 S1");
    thread::sleep(Duration::from_secs(4));
    let mut talk = Talk::open(&link);
    talk.say("M114");
    // A thousand reports a second were said; those of at most two seconds are still there.
    let heard = talk.lines.until("Count");
    assert!(heard.len() < 2_500, "{} lines", heard.len());
    simulator.type_line("quit");
}

#[test]
fn what_cannot_be_is_said_in_a_sentence() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("file");
    fs::write(&file, "at 5s lose-ok\nat 6 reset\n").expect("written");
    let path = file.to_str().expect("text");
    let taken = format!("nosebar simulate: {path} is there already and is no link; choose another path or remove it\n");
    assert_eq!(refused(&["--pty", path]), (Some(2), taken));
    let script = format!(
        "nosebar simulate: {path}: line 2 of the fault script: found `6`, expected a time such as `120s`, `250ms`, `5m` or `2h`\n"
    );
    assert_eq!(refused(&["--tcp", "127.0.0.1:0", "--faults", path]), (Some(2), script));
    let speed = "nosebar simulate: speed 0 cannot be; it must be above 0 and at most 1000000\n".to_owned();
    assert_eq!(refused(&["--tcp", "127.0.0.1:0", "--speed", "0"]), (Some(2), speed));
    let (code, missing) = refused(&["--tcp", "127.0.0.1:0", "--faults", "/nowhere/at/all"]);
    assert_eq!(code, Some(2));
    assert!(missing.starts_with("nosebar simulate: cannot read the fault script /nowhere/at/all: "), "{missing}");
}

#[test]
fn a_fault_script_is_followed() {
    let folder = tempfile::tempdir().expect("a folder");
    let script = folder.path().join("faults");
    fs::write(&script, "line 2 resend\nat 30s reset # half a second later at this speed\n").expect("written");
    let mut simulator = Simulator::tcp(&["--speed", "60", "--faults", script.to_str().expect("text")]);
    let mut talk = simulator.connect();
    assert_eq!(talk.done("G21"), ["ok"]);
    assert_eq!(talk.done("G21"), ["Error:checksum mismatch, Last Line: 0", "Resend: 1", "ok"]);
    talk.lines.until("start");
    assert_eq!(simulator.truth()["resets"], 1);
}
