//! The queue: `cargo bench --bench queue`. A change of a job that is on the disk when it is answered, and a page of a long list,
//! each against the same by hand and without the program; and the page after ten thousand jobs against that after a hundred.
//!
//! `--only change`, `list` or `page`; `--rounds N`, `--jobs N` in the list. Ends with a failure if a goal is missed.

mod common {
    pub(crate) mod asked;
    pub(crate) mod race;
    pub(crate) mod rows;
    #[expect(dead_code, reason = "one print is enough for a survey")]
    pub(crate) mod sample;
    pub(crate) mod table;
}

mod kept {
    pub(crate) mod change;
    pub(crate) mod interface;
    pub(crate) mod list;
    pub(crate) mod page;
}

use std::process::ExitCode;

use common::asked;
use kept::{change, list, page};

fn main() -> ExitCode {
    let only = asked::value("--only", String::new());
    let wanted = |part: &str| only.is_empty() || only == part;
    // As the daemon makes its own.
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let mut met = true;
    if wanted("change") {
        met &= change::run(&runtime, asked::value("--rounds", 21));
    }
    if wanted("list") {
        met &= list::run(&runtime, asked::value("--jobs", 100_000), asked::value("--rounds", 51));
    }
    if wanted("page") {
        met &= page::run(&runtime, asked::value("--ended", 10_000), asked::value("--rounds", 21));
    }
    if met { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
