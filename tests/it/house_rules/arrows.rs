//! Which room may name which other room, and which crate.

use super::program::{modules, without_tests};
use super::source::{Kind, Token, paths, tokens};

/// A room and the rooms that it may name. A room that is not in [`ROOMS`] is a fault.
struct Room {
    name: &'static str,
    side: Side,
    rooms: &'static [&'static str],
}

/// Where a room stands.
enum Side {
    /// Pure: of crates it may name these alone.
    AboveTheBar {
        crates: &'static [&'static str],
    },
    BelowTheBar,
}

const PURE: Side = Side::AboveTheBar { crates: &["serde", "thiserror", "utoipa"] };

/// The arrows. `line` and `schedule` do not know each other, `line` knows no sliced text, `wire` knows no jobs.
const ROOMS: &[Room] = &[
    Room { name: "units", side: PURE, rooms: &[] },
    Room { name: "job", side: PURE, rooms: &["units"] },
    Room {
        name: "gcode",
        side: Side::AboveTheBar {
            crates: &["bytemuck", "memchr", "pulp", "serde", "sha2", "thiserror", "tiny_skia", "wide"],
        },
        rooms: &["job", "units"],
    },
    Room { name: "belt", side: PURE, rooms: &["job", "units"] },
    Room {
        name: "thermal",
        side: Side::AboveTheBar { crates: &["levenberg_marquardt", "nalgebra", "serde", "thiserror"] },
        rooms: &["job", "units"],
    },
    Room { name: "schedule", side: PURE, rooms: &["belt", "thermal", "job", "units"] },
    Room {
        name: "line",
        side: Side::AboveTheBar { crates: &["serde", "serde_json", "thiserror", "utoipa"] },
        rooms: &["belt", "thermal", "job", "units"],
    },
    Room { name: "wording", side: PURE, rooms: &["gcode", "belt", "thermal", "job", "units"] },
    Room { name: "wire", side: PURE, rooms: &["units"] },
    Room { name: "sim", side: PURE, rooms: &["gcode", "units"] },
    Room {
        name: "printer",
        side: Side::BelowTheBar,
        rooms: &["wire", "wording", "sim", "gcode", "belt", "job", "units", "clock"],
    },
    Room { name: "store", side: Side::BelowTheBar, rooms: &["job", "units"] },
    Room { name: "infeed", side: Side::BelowTheBar, rooms: &["gcode", "foreman", "store", "job", "units", "clock"] },
    Room { name: "http", side: Side::BelowTheBar, rooms: &["foreman", "infeed", "store", "job", "units", "clock"] },
    Room {
        name: "foreman",
        side: Side::BelowTheBar,
        rooms: &[
            "line", "schedule", "belt", "thermal", "gcode", "wire", "printer", "store", "infeed", "config", "job",
            "units", "clock",
        ],
    },
    Room { name: "clock", side: Side::BelowTheBar, rooms: &["units"] },
    Room { name: "config", side: Side::BelowTheBar, rooms: &["line", "schedule", "belt", "thermal", "job", "units"] },
    Room {
        name: "cli",
        side: Side::BelowTheBar,
        rooms: &[
            "config", "foreman", "http", "infeed", "gcode", "schedule", "belt", "thermal", "line", "printer", "wire",
            "wording", "sim", "store", "job", "units", "clock",
        ],
    },
    Room { name: "build", side: Side::BelowTheBar, rooms: &[] },
    Room { name: "lib", side: Side::BelowTheBar, rooms: &[] },
    Room { name: "main", side: Side::BelowTheBar, rooms: &["cli"] },
];

/// Crates that one or two rooms own.
const OWNED: &[(&str, &[&str])] = &[
    ("sqlx", &["store"]),
    ("axum", &["http"]),
    ("askama", &["http"]),
    ("tower_http", &["http"]),
    ("governor", &["http"]),
    ("qrcode", &["http"]),
    ("utoipa_axum", &["http"]),
    ("tokio_rustls", &["http"]),
    ("rustls_pki_types", &["http"]),
    ("mdns_sd", &["cli"]),
    ("notify", &["infeed"]),
    ("tokio_serial", &["printer"]),
    ("clap", &["cli"]),
    ("toml", &["config"]),
    ("toml_edit", &["config"]),
    ("socket2", &["printer"]),
    ("tiny_skia", &["gcode"]),
    ("levenberg_marquardt", &["thermal"]),
    ("nalgebra", &["thermal"]),
];

/// What the standard library offers that reaches out of the program.
const WORLDLY: &[&[&str]] = &[
    &["std", "fs"],
    &["std", "net"],
    &["std", "thread"],
    &["std", "process"],
    &["std", "env"],
    &["std", "os"],
    &["std", "path"],
    &["std", "io", "stdin"],
    &["std", "io", "stdout"],
    &["std", "io", "stderr"],
    &["std", "time", "Instant"],
    &["std", "time", "SystemTime"],
];

/// What of the foreman is its front desk: the only part that other rooms may name.
const FRONT_DESK: &[&str] = &[
    "Answer",
    "Arrival",
    "Change",
    "Command",
    "CopyForecastView",
    "ForecastView",
    "Commissioned",
    "Figure",
    "Handle",
    "HeatRunView",
    "Input",
    "Jog",
    "JogWhile",
    "JobCommand",
    "JobForecastView",
    "JobPatch",
    "KeyCommand",
    "Keyring",
    "Leg",
    "LineCommand",
    "LineForecastView",
    "AlarmView",
    "BeltPartView",
    "BeltView",
    "FlawView",
    "WearView",
    "WornView",
    "LineView",
    "Live",
    "Measured",
    "Needs",
    "News",
    "Once",
    "OnceKey",
    "PhaseEnds",
    "PhaseForecastView",
    "Question",
    "Refused",
    "RefusedCode",
    "TemperatureCurve",
    "TemperatureView",
    "TimeView",
    "TimedTemperature",
    "Topic",
    "Toward",
    "TrialView",
    "Values",
    "WorkView",
    "WriteWord",
    "guide",
    "hour_of",
    "leg",
];
const DESK_GUESTS: &[&str] = &["http", "infeed"];

/// What of the store writes: the foreman's business.
const STORE_WRITES: &[&str] = &["Store", "Write"];

/// Faults of one file under `src/`, such as `line/cycle.rs`. `crates` are the package's direct dependencies, as Rust spells
/// them.
pub(super) fn arrow_faults(file: &str, source: &str, crates: &[String]) -> Vec<String> {
    let modules = modules(file);
    let Some(room) = ROOMS.iter().find(|room| room.name == modules[0]) else {
        return vec![format!("src/{file}: {} is not among the rooms of house_rules/arrows.rs", modules[0])];
    };
    let code = without_tests(&tokens(source));
    let mut faults: Vec<String> = paths(&code)
        .into_iter()
        .filter_map(|path| {
            let why = match absolute(&modules, &path.segments) {
                Some(inner) => room_fault(room, &inner),
                None => crate_fault(room, &path.segments, crates),
            };
            why.map(|why| format!("src/{file}:{}: {} {why} ({})", path.line, room.name, path.segments.join("::")))
        })
        .collect();
    if room.name != "store" {
        faults.extend(sql_lines(&code).map(|line| format!("src/{file}:{line}: SQL outside of store")));
    }
    faults
}

/// Faults of reading the clock, tests included.
pub(super) fn clock_faults(file: &str, source: &str) -> Vec<String> {
    if file == "clock.rs" {
        return Vec::new();
    }
    let readers = ["Instant", "SystemTime", "Timestamp", "Zoned", "Utc", "Local"];
    let tokens = tokens(source);
    let reads = tokens
        .windows(3)
        .filter(|three| readers.iter().any(|reader| three[0].is(reader)) && three[1].is("::") && three[2].is("now"));
    reads.map(|three| format!("src/{file}:{}: reads a clock; only clock.rs may", three[0].line)).collect()
}

/// The path from the crate's root, if it is one into this crate.
fn absolute(modules: &[String], segments: &[String]) -> Option<Vec<String>> {
    match segments[0].as_str() {
        "crate" | "nosebar" => Some(segments[1..].to_vec()),
        "super" => {
            let ups = segments.iter().take_while(|segment| *segment == "super").count();
            let base = &modules[..modules.len().saturating_sub(ups)];
            Some(base.iter().chain(&segments[ups..]).cloned().collect())
        }
        _ => None,
    }
}

fn room_fault(from: &Room, inner: &[String]) -> Option<String> {
    let to = inner.first()?;
    if to == from.name {
        return None;
    }
    let Some(room) = ROOMS.iter().find(|room| room.name == to) else {
        // A macro or a module's own name at the root.
        return None;
    };
    if !from.rooms.contains(&room.name) {
        return Some(format!("may not know {to}"));
    }
    let item = inner.get(1)?;
    let guest = DESK_GUESTS.contains(&from.name);
    if guest && to == "foreman" && !FRONT_DESK.contains(&item.as_str()) {
        return Some("may know the foreman's front desk alone".to_owned());
    }
    (guest && to == "store" && STORE_WRITES.contains(&item.as_str())).then(|| "may not write to the store".to_owned())
}

fn crate_fault(room: &Room, segments: &[String], crates: &[String]) -> Option<String> {
    let name = segments[0].as_str();
    if let Side::AboveTheBar { crates: allowed } = &room.side {
        if crates.iter().any(|known| known == name) && !allowed.contains(&name) {
            return Some(format!("stands above the bar and may not know the crate {name}"));
        }
        let begins_with =
            |path: &[&str]| segments.len() >= path.len() && segments.iter().zip(path).all(|(a, b)| a == b);
        if WORLDLY.iter().any(|path| begins_with(path)) {
            return Some("stands above the bar and may not reach out of the program".to_owned());
        }
    }
    let (_, owners) = OWNED.iter().find(|(owned, _)| *owned == name)?;
    (!owners.contains(&room.name))
        .then(|| format!("may not know the crate {name}, which belongs to {}", owners.join(", ")))
}

fn sql_lines(code: &[Token]) -> impl Iterator<Item = usize> {
    let sql = |text: &str| {
        let words: Vec<String> = text.split_whitespace().map(str::to_lowercase).collect();
        let has = |word: &str| words.iter().any(|found| found == word);
        match words.first().map(String::as_str) {
            Some("select") => has("from"),
            Some("insert" | "replace") => has("into"),
            Some("update") => has("set"),
            Some("delete") => has("from"),
            Some("create" | "alter" | "drop") => has("table") || has("index"),
            Some("pragma" | "vacuum") => true,
            _ => false,
        }
    };
    code.iter().filter(move |token| token.kind == Kind::Text && sql(&token.text)).map(|token| token.line)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(file: &str, source: &str) -> usize {
        arrow_faults(file, source, &["tokio".to_owned(), "serde".to_owned(), "sqlx".to_owned()]).len()
    }

    #[test]
    fn a_forbidden_arrow_is_seen_however_it_is_written() {
        assert_eq!(faults("line/cycle.rs", "use crate::schedule::plan;"), 1);
        assert_eq!(faults("line/cycle.rs", "fn f(x: crate::gcode::Word) {}"), 1);
        assert_eq!(faults("line/cycle.rs", "use super::super::wire::Reply;"), 1);
        assert_eq!(faults("line/mod.rs", "use super::wire::Reply;"), 1);
        assert_eq!(faults("schedule/plan.rs", "use crate::{job::Job, line::Cycle};"), 1);
        assert_eq!(faults("wire/reply.rs", "use crate::job::JobId;"), 1);
        assert_eq!(faults("main.rs", "fn main() { nosebar::store::open() }"), 1);
        assert_eq!(faults("cellar/wine.rs", ""), 1);
    }

    #[test]
    fn an_allowed_arrow_is_no_fault() {
        assert_eq!(faults("line/cycle.rs", "use super::state::State; use crate::{belt::Advance, units::Moment};"), 0);
        assert_eq!(faults("line/cycle.rs", "// crate::wire::Reply\nconst A: &str = \"crate::wire::Reply\";"), 0);
        assert_eq!(faults("line/cycle.rs", "#[cfg(test)] mod tests { use crate::sim::Printer; use std::fs; }"), 0);
        assert_eq!(faults("foreman/apply.rs", "use crate::store::Write; use crate::line::Line;"), 0);
    }

    #[test]
    fn the_bar_holds_crates_and_the_world_back() {
        assert_eq!(faults("belt/drive.rs", "use serde::Serialize; use std::io::BufRead;"), 0);
        assert_eq!(faults("belt/drive.rs", "async fn f() { tokio::task::yield_now().await }"), 1);
        assert_eq!(faults("belt/drive.rs", "use std::{fmt, fs::File};"), 1);
        assert_eq!(faults("belt/drive.rs", "use std::time::{Duration, Instant};"), 1);
        assert_eq!(faults("gcode/survey.rs", "fn f() { std::io::stdin(); }"), 1);
    }

    #[test]
    fn sql_and_its_crate_stay_in_the_store() {
        assert_eq!(faults("http/jobs.rs", "use sqlx::Row;"), 1);
        assert_eq!(faults("http/jobs.rs", "const A: &str = \"select id from job\";"), 1);
        assert_eq!(faults("store/jobs.rs", "use sqlx::Row; const A: &str = \"select id from job\";"), 0);
        assert_eq!(
            faults("http/jobs.rs", "const A: &str = \"select the file from the list\"; const B: &str = \"pick one\";"),
            1
        );
    }

    #[test]
    fn guests_see_the_front_desk_and_write_nothing() {
        assert_eq!(faults("http/jobs.rs", "use crate::foreman::{Command, Handle}; use crate::store::Reader;"), 0);
        assert_eq!(faults("http/jobs.rs", "use crate::foreman::apply;"), 1);
        assert_eq!(faults("http/jobs.rs", "use crate::store::{Entry, Store, Write};"), 2);
    }

    #[test]
    fn only_the_clock_reads_the_clock() {
        assert_eq!(
            clock_faults("line/timer.rs", "let a = tokio::time::Instant::now(); let b = Timestamp::now();").len(),
            2
        );
        assert_eq!(clock_faults("line/timer.rs", "let a = clock.now();").len(), 0);
        assert_eq!(clock_faults("clock.rs", "Instant::now()").len(), 0);
    }
}
