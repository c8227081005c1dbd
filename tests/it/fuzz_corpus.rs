//! The checks of `tests/fuzz` without a fuzzer: each kept file of the corpus, and cases made up by a generator that knows what
//! printers say and what sliced files look like.

use std::fs;
use std::path::Path;

#[expect(unreachable_pub, reason = "a library of its own in tests/fuzz")]
#[path = "../fuzz/bodies/mod.rs"]
mod bodies;

use bodies::house::House;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select};

/// Gives every kept file of a target to its check.
fn replay(target: &str, mut check: impl FnMut(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(target);
    let mut files = 0;
    for entry in fs::read_dir(&folder).expect("the corpus is there") {
        let path = entry.expect("an entry").path();
        // Said if it fails.
        println!("{}", path.display());
        check(&fs::read(&path).expect("a kept file can be read"));
        files += 1;
    }
    assert!(files > 5, "{files} files are no corpus for {target}");
}

#[test]
fn any_line_is_read_and_what_passes_can_be_sent() {
    replay("lexer", bodies::lexer::check);
}

#[test]
fn any_file_is_surveyed_alike_in_any_pieces() {
    replay("survey", bodies::survey::check);
}

#[test]
fn any_replies_leave_the_dialogue_sound() {
    replay("replies", bodies::replies::check);
}

#[test]
fn any_config_is_read_or_told_what_is_wrong() {
    replay("config", bodies::config::check);
}

#[test]
fn any_upload_is_taken_whole_or_leaves_nothing() {
    let house = House::open();
    replay("uploads", |data| bodies::uploads::check(&house, data));
}

#[test]
fn any_words_make_one_event_each() {
    let house = House::open();
    replay("events", |data| bodies::events::check(&house, data));
}

/// Something that a printer says, or that the host does meanwhile, as the target `replies` reads it.
fn turn() -> impl Strategy<Value = Vec<u8>> {
    let number = 0..12_u32;
    let said = prop_oneof![
        4 => Just("ok".to_owned()),
        1 => Just("ok T:20.0 /0.0 B:20.0 /0.0".to_owned()),
        1 => number.clone().prop_map(|line| format!("ok N{line} P15 B3")),
        1 => number.clone().prop_map(|line| format!("Resend: {line}")),
        1 => number.prop_map(|line| format!("Error:checksum mismatch, Last Line: {line}")),
        1 => select(vec!["start", "wait", "echo:busy: processing", "Error:Heating failed", "T:20 /0", "//action:pause"])
            .prop_map(str::to_owned),
        1 => "[ -~]{0,20}",
    ];
    prop_oneof![
        4 => said.prop_map(|text| format!("{text}\n").into_bytes()),
        4 => (0x80..0xA0_u8).prop_map(|kind| vec![kind]),
        2 => (0xC0..0xC8_u8).prop_map(|wait| vec![wait]),
        1 => select(vec![vec![0xFC], vec![0xFD]]),
        1 => any::<u8>().prop_map(|byte| vec![0xFE, byte]),
    ]
}

/// A harm that may come to a file.
fn harmed(mut file: Vec<u8>, harm: (u8, Index, u8)) -> Vec<u8> {
    let (kind, at, byte) = harm;
    // Of a file that was cut to one byte the last may be gone.
    if file.is_empty() {
        return file;
    }
    let at = at.index(file.len());
    match kind {
        0 => file[at] = byte,
        1 => file.insert(at, byte),
        2 => drop(file.remove(at)),
        3 => file.truncate(at.max(1)),
        _ => file.extend_from_within(at..),
    }
    file
}

/// The beginning and the end of each demo job.
fn real_files() -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-jobs");
    let entries = fs::read_dir(folder).expect("the demo jobs are there");
    let paths = entries.map(|entry| entry.expect("an entry").path());
    let jobs = paths.filter(|path| path.extension().is_some_and(|end| end == "gcode"));
    let ends = jobs.map(|path| {
        let whole = fs::read(path).expect("a demo job can be read");
        let (head, tail) = (whole.len().min(6_000), whole.len().saturating_sub(1_500));
        [&whole[..head], &whole[tail..]].concat()
    });
    ends.collect()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// In mid-print, with commands under way, whatever the printer answers.
    #[test]
    fn no_reply_makes_an_unnumbered_line_leave(head in any::<u8>(), turns in vec(turn(), 0..60)) {
        let mut data = vec![head];
        data.extend(turns.concat());
        bodies::replies::check(&data);
    }

    #[test]
    fn no_bytes_make_an_unnumbered_line_leave(data in vec(any::<u8>(), 0..300)) {
        bodies::replies::check(&data);
    }

    #[test]
    fn a_harmed_file_is_surveyed_alike_in_any_pieces(
        head in any::<u8>(),
        cuts in vec(any::<u8>(), 15),
        file in select(real_files()),
        harms in vec((0..5_u8, any::<Index>(), any::<u8>()), 1..12),
    ) {
        let file = harms.into_iter().fold(file, harmed);
        let mut data = vec![head];
        data.extend(&cuts[..usize::from(head & 15)]);
        data.extend(file);
        bodies::survey::check(&data);
    }
}
