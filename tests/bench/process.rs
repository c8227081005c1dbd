//! The daemon as a process: `cargo bench --bench process`. Answers a second, idle memory, time from exec to the first answer, and
//! a long upload, each against something bare that is measured in turn with it.
//!
//! `--only health`, `memory`, `begin` or `upload`; `--rounds N`, `--jobs N`, `--mb N`. Ends with a failure if a goal is missed.

mod common {
    pub(crate) mod asked;
    #[expect(dead_code, reason = "here nobody stays to read a stream")]
    pub(crate) mod asking;
    #[expect(dead_code, reason = "here nothing is printed")]
    pub(crate) mod daemon;
    #[expect(dead_code, reason = "here nothing is printed")]
    pub(crate) mod intake;
    #[expect(dead_code, reason = "here nothing is printed")]
    pub(crate) mod printer_end;
    #[expect(dead_code, reason = "other benches ask more of a process")]
    pub(crate) mod process;
    pub(crate) mod rows;
    pub(crate) mod sample;
    pub(crate) mod table;
    pub(crate) mod watch;
}

mod served {
    pub(crate) mod bare;
    pub(crate) mod begin;
    pub(crate) mod health;
    pub(crate) mod memory;
    pub(crate) mod upload;
}

use std::process::ExitCode;

use common::asked;
use served::{bare, begin, health, memory, upload};

fn main() -> ExitCode {
    bare::be_bare_if_asked();
    let only = asked::value("--only", String::new());
    let wanted = |part: &str| only.is_empty() || only == part;
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let mut met = true;
    if wanted("health") {
        met &= health::run(asked::value("--seconds", 1.0), asked::value("--rounds", 9));
    }
    if wanted("memory") {
        met &= memory::run(&runtime, asked::value("--jobs", 10_000));
    }
    if wanted("begin") {
        met &= begin::run(&runtime, asked::value("--jobs", 100_000), asked::value("--rounds", 9));
    }
    if wanted("upload") {
        met &= upload::run(asked::value("--mb", 300), asked::value("--rounds", 5));
    }
    if met { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
