//! What a service manager hears (`sd_notify(3)` over a datagram socket), and how the daemon ends by signals.

use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, ExitStatus};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

const BINARY: &str = env!("CARGO_BIN_EXE_nosebar");

/// Everything that is heard until a datagram has this assignment.
fn heard_until(socket: &UnixDatagram, wanted: &str) -> Vec<String> {
    let mut heard = Vec::new();
    let mut buffer = [0; 4096];
    while !heard.iter().any(|line| line == wanted) {
        let length = socket.recv(&mut buffer).unwrap_or_else(|e| panic!("no {wanted} after {heard:?}: {e}"));
        heard.extend(String::from_utf8_lossy(&buffer[..length]).lines().map(str::to_owned));
    }
    heard
}

/// A machine that takes what it is told until its heaters are to go off, and then says for ever that it is busy.
fn busy_for_ever() -> (SocketAddr, Receiver<()>) {
    let (begun, is_busy) = channel();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address");
    std::thread::spawn(move || {
        let (mut daemon, _) = listener.accept().expect("the daemon connects");
        for line in BufReader::new(daemon.try_clone().expect("a second end")).lines().map_while(Result::ok) {
            if line.contains("M104 S0") {
                begun.send(()).expect("somebody waits");
                break;
            }
            let answer = if line.contains("M105") { "ok T:21.0 /0.0 B:21.0 /0.0" } else { "ok" };
            writeln!(daemon, "{answer}").expect("it listens");
        }
        while writeln!(daemon, "echo:busy: processing").is_ok() {
            std::thread::sleep(Duration::from_millis(200));
        }
    });
    (address, is_busy)
}

/// Waits with a limit of a minute: how it ended, or `None` if it still runs.
fn end_of(daemon: &mut Child) -> Option<ExitStatus> {
    for _ in 0..3000 {
        if let Some(status) = daemon.try_wait().expect("it can be asked") {
            return Some(status);
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    None
}

fn term(daemon: &Child) {
    let id = Pid::from_raw(i32::try_from(daemon.id()).expect("a process number"));
    kill(id, Signal::SIGTERM).expect("it is there");
}

/// A daemon that is at work on its machine's heaters, and its notify socket.
fn with_a_busy_machine(dir: &Path, stop_limit_s: &str) -> (Child, UnixDatagram) {
    let (address, is_busy) = busy_for_ever();
    let config = format!(
        "[daemon]\nlisten = \"127.0.0.1:0\"\nstop_limit_s = {stop_limit_s}\n\n[[line]]\nname = \"one\"\n\
         [line.printer]\nlink = \"tcp\"\naddress = \"{address}\"\n\
         [line.check]\nkind = \"ask\"\n"
    );
    std::fs::write(dir.join("nosebar.toml"), config).expect("written");
    let path = dir.join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket");
    socket.set_read_timeout(Some(Duration::from_secs(60))).expect("a limit");
    let daemon = spawn(dir, &path);
    heard_until(&socket, "READY=1");
    is_busy.recv_timeout(Duration::from_secs(60)).expect("heaters are to go off as the connection begins");
    (daemon, socket)
}

#[test]
fn a_machine_that_does_not_come_to_an_end_holds_up_the_daemon_s_for_no_longer_than_the_config_says() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let (mut daemon, socket) = with_a_busy_machine(dir.path(), "0.5");
    term(&daemon);
    heard_until(&socket, "STOPPING=1");
    assert!(end_of(&mut daemon).is_some_and(|status| status.success()));
}

#[test]
fn a_second_signal_ends_the_daemon_at_once() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let (mut daemon, socket) = with_a_busy_machine(dir.path(), "3600.0");
    term(&daemon);
    heard_until(&socket, "STOPPING=1");
    std::thread::sleep(Duration::from_secs(2));
    assert!(daemon.try_wait().expect("it can be asked").is_none(), "it waits for the machine");
    term(&daemon);
    assert_eq!(end_of(&mut daemon).and_then(|status| status.code()), Some(3));
}

fn serve(dir: &Path, socket: &Path) -> Child {
    let made = Command::new(BINARY).arg("init").arg(dir).output().expect("it runs");
    assert!(made.status.success());
    spawn(dir, socket)
}

fn spawn(dir: &Path, socket: &Path) -> Child {
    Command::new(BINARY)
        .args(["serve", "--listen", "127.0.0.1:0", "--config"])
        .arg(dir.join("nosebar.toml"))
        .env("NOTIFY_SOCKET", socket)
        .env("WATCHDOG_USEC", "300000")
        .env_remove("WATCHDOG_PID")
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("it runs")
}

#[test]
fn a_service_manager_hears_readiness_the_watchdog_and_the_end() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket");
    socket.set_read_timeout(Some(Duration::from_secs(60))).expect("a limit");
    let mut daemon = serve(dir.path(), &path);
    let heard = heard_until(&socket, "READY=1");
    assert!(heard.iter().any(|line| line.starts_with("STATUS=page: http://127.0.0.1:")), "{heard:?}");
    for _ in 0..3 {
        heard_until(&socket, "WATCHDOG=1");
    }
    // A process that does not get on says nothing more.
    let id = Pid::from_raw(i32::try_from(daemon.id()).expect("a process number"));
    kill(id, Signal::SIGSTOP).expect("it is there");
    socket.set_read_timeout(Some(Duration::from_millis(900))).expect("a limit");
    let mut buffer = [0; 4096];
    assert!((0..3).any(|_| socket.recv(&mut buffer).is_err()), "three more signs of life after it was stopped");
    kill(id, Signal::SIGCONT).expect("it is there");
    socket.set_read_timeout(Some(Duration::from_secs(60))).expect("a limit");
    heard_until(&socket, "WATCHDOG=1");

    kill(id, Signal::SIGTERM).expect("it is there");
    heard_until(&socket, "STOPPING=1");
    assert!(daemon.wait().expect("it ends").success());
}
