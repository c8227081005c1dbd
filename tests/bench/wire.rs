//! Streaming to a printer: `cargo bench --bench wire`. How much of a cable the driver fills, what a line costs the host, how soon
//! an emergency stop is there, and what 64 lines at work cost.
//!
//! `--only paced`, `cost`, `stop` or `lines`; `--seconds S` for each print, `--rounds N` of them, `--presses N` of each kind.

mod common {
    pub(crate) mod asked;
    pub(crate) mod host;
    pub(crate) mod intake;
    pub(crate) mod printer_end;
    #[expect(dead_code, reason = "other benches start and end more")]
    pub(crate) mod process;
    pub(crate) mod real_lines;
    #[expect(dead_code, reason = "prints are made of lines here, not of megabytes")]
    pub(crate) mod sample;
    pub(crate) mod table;
    pub(crate) mod watch;
}

mod streaming {
    pub(crate) mod bare;
    pub(crate) mod cost;
    pub(crate) mod lines;
    pub(crate) mod paced;
    pub(crate) mod stop;
}

use std::process::ExitCode;

use common::asked;
use streaming::{cost, lines, paced, stop};

fn main() -> ExitCode {
    cost::be_printer_if_asked();
    lines::be_printers_if_asked();
    let only = asked::value("--only", String::new());
    let wanted = |part: &str| only.is_empty() || only == part;
    // As the daemon makes its own.
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let mut met = true;
    if wanted("paced") {
        met &= paced::run(&runtime, asked::value("--seconds", 0.6), asked::value("--rounds", 3));
    }
    if wanted("cost") {
        met &= cost::run(&runtime, asked::value("--seconds", 0.5), asked::value("--rounds", 5));
    }
    if wanted("stop") {
        met &= stop::run(&runtime, asked::value("--presses", 1_000));
    }
    if wanted("lines") {
        met &= lines::run(&runtime, asked::value("--seconds", 15.0));
    }
    if met { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
