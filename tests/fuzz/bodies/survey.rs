//! A sliced file, in whatever pieces it comes.

use nosebar::gcode::{Dialect, Reading, Rules, Surveyor};
use nosebar::job::{Limits, Survey};

/// Cuts at most.
const CUTS_MAX: usize = 15;

/// Surveys a file in one piece, cut where `data` says, and line by line in two pieces each, which is the long way for all of
/// them: the same is found. The first byte chooses the rules and how many bytes behind it say how far apart the cuts are; all
/// others are the file.
///
/// # Panics
/// If the surveys differ, or if one has figures that are none.
pub fn check(data: &[u8]) {
    let Some((&head, rest)) = data.split_first() else { return };
    let (cuts, file) = rest.split_at((usize::from(head) & CUTS_MAX).min(rest.len()));
    let rules = rules(head);

    let mut surveyor = Surveyor::new(&rules);
    surveyor.handle_bytes(file);
    let whole = surveyor.finish();
    check_figures(&whole, file);

    let mut surveyor = Surveyor::new(&rules);
    let mut rest = file;
    for cut in cuts {
        let (piece, tail) = rest.split_at(usize::from(*cut).min(rest.len()));
        surveyor.handle_bytes(piece);
        rest = tail;
    }
    surveyor.handle_bytes(rest);
    assert_alike(surveyor.finish(), &whole);

    let mut reading = Reading::new(&rules);
    for line in file.split_inclusive(|byte| *byte == b'\n') {
        let (first, rest) = line.split_at(1);
        reading.handle_bytes(first);
        reading.handle_bytes(rest);
    }
    assert_alike(reading.finish(whole.file.sha256.clone()), &whole);
}

fn rules(head: u8) -> Rules {
    let belt_axis = [None, None, Some(b'B'), Some(b'E')][usize::from(head >> 4) & 3];
    let dialect = Dialect { m203_per_minute: head & 0x40 != 0, ..Dialect::default() };
    let tools = if head & 0x80 == 0 { 1 } else { 3 };
    Rules { belt_axis, dialect, limits: Limits { tools, ..Limits::default() }, ..Rules::default() }
}

fn check_figures(found: &Survey, file: &[u8]) {
    assert_eq!(found.file.bytes, file.len() as u64);
    assert!(found.file.lines <= found.file.bytes);
    let told = found.concerns.iter().chain(&found.refusals);
    for finding in told {
        assert!(finding.line <= found.file.lines, "{finding:?}");
        assert!(!finding.text.contains(char::is_control), "{finding:?}");
    }
    assert!(!found.refusals.is_empty() || found.footprint.is_some(), "nothing is printed, and nobody says so");
    assert!(found.time_s >= 0.0 && found.feed_time_s >= 0.0);
    assert!(found.layer_z_mm.is_sorted());
    for (first, second) in found.timetable.iter().zip(found.timetable.iter().skip(1)) {
        assert!(first.bytes < second.bytes && first.time_s <= second.time_s, "{first:?}, {second:?}");
    }
    // JSON has no word for figures that are none: they come back as nothing, or not at all.
    let json = serde_json::to_string(found).expect("a survey is JSON");
    let back: Survey = serde_json::from_str(&json).expect("every figure is one");
    assert_eq!(&back, found);
}

/// Sums in another order differ in the last digits; all else is the same.
#[track_caller]
fn assert_alike(mut found: Survey, whole: &Survey) {
    let are_close = |one: f64, other: f64| (one - other).abs() <= 2e-6 + 1e-12 * other.abs();
    assert!(are_close(found.time_s, whole.time_s), "{} s, {} s", found.time_s, whole.time_s);
    assert!(are_close(found.feed_time_s, whole.feed_time_s), "{} s, {} s", found.feed_time_s, whole.feed_time_s);
    assert_eq!(found.timetable.len(), whole.timetable.len());
    for (one, other) in found.timetable.iter().zip(&whole.timetable) {
        assert_eq!(one.bytes, other.bytes);
        assert!(are_close(one.time_s, other.time_s), "{one:?}, {other:?}");
    }
    (found.time_s, found.feed_time_s, found.timetable) = (whole.time_s, whole.feed_time_s, whole.timetable.clone());
    assert_eq!(&found, whole);
}
