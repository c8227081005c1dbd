//! How fast a sliced file is surveyed, against what else reads the same file: `cargo bench --bench survey -- --mb 60`.
//!
//! Everybody runs in turn, round by round, on one thread but where it is said. Absolute figures tell of a machine, ratios of the program.

mod common {
    pub(crate) mod asked;
    pub(crate) mod pieces;
    pub(crate) mod race;
    pub(crate) mod readers;
    pub(crate) mod sample;
    pub(crate) mod table;
}

use std::fs;
use std::hint::black_box;
use std::io::Write;

use common::race::{Race, Results};
use common::{asked, pieces, readers, sample, table};
use nosebar::gcode::{ContentHash, Reading, Rules, Surveyor};
use nosebar::infeed::{Inspect, SharedSurvey};

const ANCHOR: &str = "parsed by hand: words alone";
const GCODE: &str = "`gcode`: words alone";
const ASYNC_GCODE: &str = "`async-gcode`: words alone";
const SURVEY: &str = "survey, without hash";
const SHARED: &str = "the same, on two threads";
const TENTH: &str = "survey, a tenth of the file";

fn main() {
    let (megabytes, rounds) = (asked::value("--mb", 300), asked::value("--rounds", 7));
    let print = fs::read_to_string(sample::rustlogo()).expect("the sample is text");
    let text = print.repeat(sample::repeats(print.len(), megabytes));
    let tenth = print.repeat(sample::repeats(print.len(), megabytes.div_ceil(10)));
    let (file, small) = (on_disk(&text), on_disk(&tenth));
    let rules = Rules::default();
    let mut race = Race::new();
    // Not mapped: the package forbids unsafe code, and a map asks for it. Whole pieces are the bound here.
    race.enter("read in pieces, line feeds counted", || readers::count_lines(file.path()));
    race.enter("`read_line`, one string", || readers::read_lines(file.path()));
    race.enter(ANCHOR, || readers::parse_by_hand(&text));
    race.enter(ASYNC_GCODE, || readers::parse_with_async_gcode(&text));
    race.enter(GCODE, || readers::parse_with_gcode(&text));
    race.enter(SURVEY, || {
        let mut reading = Reading::new(&rules);
        pieces::in_pieces(file.path(), |piece| reading.handle_bytes(piece));
        black_box(reading.finish(String::new())).file.lines
    });
    race.enter(SHARED, || {
        let mut survey = SharedSurvey::begin(&rules).expect("there is a thread to be had");
        pieces::in_owned_pieces(file.path(), |piece| survey.handle_bytes(&piece));
        black_box(Box::new(survey).finish(String::new())).file.lines
    });
    race.enter(TENTH, || {
        let mut reading = Reading::new(&rules);
        pieces::in_pieces(small.path(), |piece| reading.handle_bytes(piece));
        black_box(reading.finish(String::new())).file.lines
    });
    race.enter("survey, SHA-256 in the same pass", || {
        let mut surveyor = Surveyor::new(&rules);
        pieces::in_pieces(file.path(), |piece| surveyor.handle_bytes(piece));
        black_box(surveyor.finish()).file.lines
    });
    race.enter("SHA-256 alone", || {
        let mut hash = ContentHash::default();
        pieces::in_pieces(file.path(), |piece| hash.handle_bytes(piece));
        black_box(hash.finish()).len() as u64
    });
    let results = race.run(rounds);
    println!("{:.1} MB, {} lines, medians of {rounds} rounds", size_mb(&text), text.lines().count());
    show(&results, &text, &tenth);
    println!("two threads: {:.2} x one", results.times_as_fast(SHARED, SURVEY));
}

/// The text in a file that goes when it is dropped.
fn on_disk(text: &str) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().expect("there is room for a temporary file");
    file.write_all(text.as_bytes()).expect("it can be written");
    file
}

fn size_mb(text: &str) -> f64 {
    text.len() as f64 / 1e6
}

fn show(results: &Results, text: &str, tenth: &str) {
    let ratio = |name: &str, other: &str| format!("{:.2}", results.times_as_fast(name, other));
    let rows: Vec<Vec<String>> = results
        .names()
        .map(|name| {
            let is_tenth = name == TENTH;
            let speed = size_mb(if is_tenth { tenth } else { text }) / results.median_s(name);
            let ratios =
                [ANCHOR, GCODE, ASYNC_GCODE].map(|other| if is_tenth { String::new() } else { ratio(name, other) });
            [vec![name.to_owned(), format!("{speed:.0}")], ratios.to_vec()].concat()
        })
        .collect();
    table::print(&["", "MB/s", "by hand", "`gcode`", "`async-gcode`"], &rows);
}
