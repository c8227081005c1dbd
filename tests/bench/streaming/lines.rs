//! Many lines at work at once: the daemon as it is installed, its printers in another process, each on a cable of its own.

use std::fmt::Write as _;
use std::fs;
use std::process::Command;
use std::thread;
use std::time::Duration;

use serde_json::{Value, json};
use tokio::runtime::Runtime;

use crate::common::printer_end::{By, Pace, Place, PrinterEnd};
use crate::common::process::{DAEMON, Process};
use crate::common::watch::now;
use crate::common::{real_lines, table};

/// What is said to the process that is the printers: how many.
const PRINTERS: &str = "--printers";
const BAUD: u32 = 115_200;
const DELAY: Duration = Duration::from_millis(1);
const LINES: usize = 64;
/// Enough commands that no print ends while it is measured.
const FILE_LINES: usize = 40_000;
/// Goals: share of one core, and memory a line.
const CPU_GOAL: f64 = 0.6;
const MEMORY_GOAL_MB: f64 = 2.0;
const PATIENCE: Duration = Duration::from_secs(60);

/// Works as the printers if this process was started for that, and then does not return. Asked with a line, it tells the lowest
/// share of its cables that was in use since it was last asked, and how many lines were wrong.
pub(crate) fn be_printers_if_asked() {
    let count = crate::common::asked::value(PRINTERS, 0_usize);
    if count == 0 {
        return;
    }
    let pace = Pace { baud: Some(BAUD), delay: DELAY, awake: Duration::ZERO };
    let printers: Vec<_> = (0..count).map(|_| PrinterEnd::start(By::Tcp, pace)).collect();
    for printer in &printers {
        let Place::Tcp(address) = printer.place else { continue };
        println!("{address}");
    }
    for _ in std::io::stdin().lines() {
        let mut shares: Vec<f64> = Vec::new();
        let mut wrong = 0;
        for printer in &printers {
            let mut taken = printer.seen.taken();
            shares.push(taken.share());
            taken.count_anew();
            wrong += taken.wrong;
        }
        println!("{} {wrong}", shares.iter().copied().fold(f64::INFINITY, f64::min));
    }
    std::process::exit(0);
}

/// A daemon whose lines all print.
struct Figures {
    cpu: f64,
    resident_mb: f64,
    idle_mb: f64,
    share: f64,
}

/// Prints the table; says whether the goals were met.
pub(crate) fn run(runtime: &Runtime, seconds: f64) -> bool {
    let one = measure(runtime, 1, seconds.min(5.0));
    let all = measure(runtime, LINES, seconds);
    let a_line_mb = (all.resident_mb - one.resident_mb) / (LINES - 1) as f64;
    let row = |count: usize, figures: &Figures| {
        let Figures { cpu, resident_mb, idle_mb, share } = figures;
        let percent = |share: f64| format!("{:.1} %", share * 100.0);
        let memory = [idle_mb, resident_mb].map(|mb| format!("{mb:.1} MB"));
        [vec![count.to_string(), percent(*share), percent(*cpu)], memory.to_vec()].concat()
    };
    let head = ["lines", "least used cable", "processor, of one core", "memory before", "memory printing"];
    table::print(&head, &[row(1, &one), row(LINES, &all)]);
    let met = all.cpu <= CPU_GOAL && a_line_mb <= MEMORY_GOAL_MB;
    println!(
        "{LINES} lines: goals {:.0} % of one core and {MEMORY_GOAL_MB} MB a line; a line takes {a_line_mb:.2} MB: {}",
        CPU_GOAL * 100.0,
        if met { "met" } else { "MISSED" }
    );
    met
}

fn measure(runtime: &Runtime, count: usize, seconds: f64) -> Figures {
    let own = std::env::current_exe().expect("a process knows its program");
    let mut printers = Process::start(Command::new(own).args([PRINTERS, &count.to_string()]));
    let addresses: Vec<String> = (0..count).map(|_| printers.line()).collect();
    let dir = tempfile::tempdir().expect("a folder");
    let config = dir.path().join("nosebar.toml");
    fs::write(&config, config_of(&addresses)).expect("a file");
    let mut daemon = Process::start(Command::new(DAEMON).args(["serve", "--config"]).arg(&config));
    let page = Page(format!("{}api/v1", daemon.line_after("page:")));
    let idle_mb = runtime.block_on(async {
        page.until(count, "connected", |line| line["connected"] == true).await;
        for line in 0..count {
            page.post(&format!("/lines/{}/clear", name(line)), json!({ "clear": true })).await;
        }
        daemon.resident_mb()
    });
    let text = print();
    for line in 0..count {
        let outside = dir.path().join("outside");
        fs::write(&outside, format!("; {}\n{text}", name(line))).expect("a file");
        fs::rename(outside, dir.path().join("infeed").join(name(line)).join("print.gcode")).expect("dropped");
    }
    runtime.block_on(page.until(count, "printing", |line| line["phase"] == "print"));
    // What the beginnings took shall not count.
    thread::sleep(Duration::from_secs(2));
    printers.ask();
    let (began, before) = (now(), daemon.cpu_s());
    thread::sleep(Duration::from_secs_f64(seconds));
    let cpu = (daemon.cpu_s() - before) / began.elapsed().as_secs_f64();
    let resident_mb = daemon.resident_mb();
    let said = printers.ask();
    runtime.block_on(page.until(count, "still printing", |line| line["phase"] == "print"));
    let (share, wrong) = said.split_once(' ').expect("two figures");
    assert_eq!(wrong, "0", "numbers and checksums are right");
    Figures { cpu, resident_mb, idle_mb, share: share.parse().expect("a share") }
}

fn name(line: usize) -> String {
    format!("line-{line}")
}

fn config_of(addresses: &[String]) -> String {
    let mut text = "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.3\nrescan_s = 1.0\n".to_owned();
    for (line, address) in addresses.iter().enumerate() {
        let name = name(line);
        write!(
            text,
            "\n[[line]]\nname = {name:?}\n[line.printer]\nlink = \"tcp\"\naddress = {address:?}\n[line.check]\nkind = \"ask\"\n"
        )
        .expect("a string takes all");
    }
    text
}

/// A sliced file with a head of its own and the moves of a real one.
fn print() -> String {
    let head = "; material = pla\nM140 S60\nM104 S200\nG28\nM190 S60\nM109 S200\nG90\nM82\nG92 E0\nG1 Z0.2 F3000\n";
    format!("{head}{}\nM104 S0\nM140 S0\nM84\n", real_lines::commands(FILE_LINES).join("\n"))
}

/// The daemon's page.
struct Page(String);

impl Page {
    async fn post(&self, path: &str, body: Value) {
        let answer = reqwest::Client::new().post(format!("{}{path}", self.0)).json(&body).send().await;
        let answer = answer.expect("an answer");
        assert!(answer.status().is_success(), "{path}: {:?}", answer.text().await);
    }

    /// Waits until so many lines are as wanted.
    async fn until(&self, count: usize, what: &str, wanted: impl Fn(&Value) -> bool) {
        let begun = now();
        loop {
            let answer = reqwest::get(format!("{}/lines", self.0)).await.expect("an answer");
            let answer: Value = answer.json().await.expect("JSON");
            let lines = answer.as_array().or_else(|| answer["lines"].as_array()).expect("a list of lines").clone();
            if lines.iter().filter(|line| wanted(line)).count() == count {
                return;
            }
            assert!(begun.elapsed() < PATIENCE, "lines are not {what}: {:#}", lines[0]);
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    }
}
