//! A process to be measured: the daemon as it is installed, or this bench once more in another part.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

pub(crate) const DAEMON: &str = env!("CARGO_BIN_EXE_nosebar");
/// Ticks a second of the processor times that the kernel tells: fixed on Linux.
const TICKS: f64 = 100.0;

/// A process that dies with its owner, to be talked to line by line.
pub(crate) struct Process {
    child: Child,
    stdin: ChildStdin,
    stdout: BufReader<ChildStdout>,
}

impl Process {
    pub(crate) fn start(command: &mut Command) -> Self {
        command.env("RUST_LOG", "warn").stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().expect("it runs");
        let stdin = child.stdin.take().expect("stdin is piped");
        let stdout = BufReader::new(child.stdout.take().expect("stdout is piped"));
        Self { child, stdin, stdout }
    }

    pub(crate) fn line(&mut self) -> String {
        let mut line = String::new();
        self.stdout.read_line(&mut line).expect("it speaks");
        line.trim().to_owned()
    }

    pub(crate) fn ask(&mut self) -> String {
        writeln!(self.stdin).expect("it reads");
        self.line()
    }

    pub(crate) fn line_after(&mut self, beginning: &str) -> String {
        loop {
            let line = self.line();
            assert!(!line.is_empty(), "it has ended");
            if let Some(rest) = line.strip_prefix(beginning) {
                return rest.trim().to_owned();
            }
        }
    }

    /// This program again, with these arguments.
    pub(crate) fn own(arguments: &[&str]) -> Self {
        let own = std::env::current_exe().expect("a process knows its program");
        Self::start(Command::new(own).args(arguments))
    }

    /// Tells it to end in good order, and waits until it has.
    pub(crate) fn end(mut self) {
        let id = i32::try_from(self.child.id()).expect("process numbers are small");
        kill(Pid::from_raw(id), Signal::SIGTERM).expect("it runs");
        let ended = self.child.wait().expect("it ends");
        assert!(ended.success(), "{ended}");
    }

    fn proc(&self, name: &str) -> String {
        fs::read_to_string(format!("/proc/{}/{name}", self.child.id())).expect("this measures on Linux alone")
    }

    /// Processor time until now, s.
    pub(crate) fn cpu_s(&self) -> f64 {
        let stat = self.proc("stat");
        let (_, rest) = stat.rsplit_once(") ").expect("the name stands in brackets");
        let times: Vec<f64> = rest.split(' ').skip(11).take(2).filter_map(|ticks| ticks.parse().ok()).collect();
        times.iter().sum::<f64>() / TICKS
    }

    /// Resident memory, MB.
    pub(crate) fn resident_mb(&self) -> f64 {
        let status = self.proc("status");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("the kernel tells it");
        line.trim().trim_end_matches("kB").trim().parse::<f64>().expect("a number of KiB") * 1024.0 / 1e6
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}
