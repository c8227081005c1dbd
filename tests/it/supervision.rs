//! What a service manager hears: `sd_notify(3)` over a datagram socket.

use std::os::unix::net::UnixDatagram;
use std::process::{Child, Command};
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

fn serve(dir: &std::path::Path, socket: &std::path::Path) -> Child {
    let made = Command::new(BINARY).arg("init").arg(dir).output().expect("it runs");
    assert!(made.status.success());
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
