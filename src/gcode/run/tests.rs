//! The short way against the long one.

use proptest::prelude::*;

use super::{LINES, Run, Scan, Scanner};
use crate::gcode::lex::lex_line;
use crate::gcode::survey::{Reading, Rules};
use crate::job::Survey;

const ROOM: usize = 81;

/// The short way for whatever is plain: all lines are whole.
fn read_whole(text: &str, rules: &Rules) -> Survey {
    let mut reading = Reading::new(rules);
    reading.handle_bytes(text.as_bytes());
    reading.finish(String::new())
}

/// The long way for every line: each comes in two pieces.
fn read_in_pieces(text: &str, rules: &Rules) -> Survey {
    let mut reading = Reading::new(rules);
    for line in text.split_inclusive('\n') {
        let (first, rest) = line.as_bytes().split_at(1);
        reading.handle_bytes(first);
        reading.handle_bytes(rest);
    }
    reading.finish(String::new())
}

/// The short way over runs that were found before, in pieces of this size.
fn read_scanned(text: &str, size: usize, rules: &Rules) -> Survey {
    let (mut scanner, mut scan, mut reading) = (Scanner::new(rules), Scan::default(), Reading::new(rules));
    for piece in text.as_bytes().chunks(size) {
        scanner.scan(piece, &mut scan);
        reading.handle_scanned(piece, &mut scan);
    }
    reading.finish(String::new())
}

/// Sums in another order differ in the last digit that is kept; all else is the same.
fn assert_alike(mut short: Survey, long: &Survey) -> Result<(), TestCaseError> {
    let are_close = |short: f64, long: f64| (short - long).abs() <= 2e-6 + 1e-12 * long;
    prop_assert!(are_close(short.time_s, long.time_s), "{} s, {} s", short.time_s, long.time_s);
    prop_assert!(are_close(short.feed_time_s, long.feed_time_s));
    for (short, long) in short.timetable.iter().zip(&long.timetable) {
        prop_assert_eq!(short.bytes, long.bytes);
        prop_assert!(are_close(short.time_s, long.time_s));
    }
    prop_assert_eq!(short.timetable.len(), long.timetable.len());
    (short.time_s, short.feed_time_s, short.timetable) = (long.time_s, long.feed_time_s, long.timetable.clone());
    prop_assert_eq!(&short, long);
    Ok(())
}

/// Reads these lines behind one that is seen to be plain, and says how many were.
fn plain_lines(text: &str, room: usize) -> usize {
    let mut run = Box::<Run>::default();
    run.read(text.as_bytes(), 0, room, 1200.0);
    run.lines
}

#[test]
fn what_slicers_write_is_plain() {
    for line in [
        "G1 X73.302 Y-73.296 E0.03941\n",
        "G0 F3600 X1 Y2 Z.3\r\n",
        "G1 X1. Y2 F1800 ; wall (outer)\n",
        "G1 X123.456 Y1234.567 Z12.34 E-1234.56789 F1800\n",
        "G1 F9000\n",
    ] {
        assert_eq!(plain_lines(line, ROOM), 1, "{line:?}");
        let many = line.repeat(LINES + 1);
        assert_eq!(plain_lines(&many, ROOM), LINES, "{line:?}");
    }
}

#[test]
fn what_is_not_plain_goes_the_long_way() {
    for line in [
        "G2 X1 I1\n",
        "G1 X1 X2\n",
        "G1 X\n",
        "G1 X-\n",
        "G1 X.\n",
        "G1 X--1\n",
        "G1 X1 2\n",
        "G10 X1\n",
        "G1 A1\n",
        "G1 X1 Y2",
        "G1  X1\n",
        "G1 X1*7\n",
        "G1 X1(a)\n",
        "g1 X1\n",
        "G1 X1 G92 E0\n",
        "G1 X1.2.3\n",
        "G1 X12345678\n",
        "G1 X1.2345678\n",
        "G1 X1 F0\n",
        "G1 X1 ;a\0b\n",
        "G1 X1\0\n",
        "G1 X000000000000000000000000000000000000000000001\n",
    ] {
        assert_eq!(plain_lines(line, ROOM), 0, "{line:?}");
        let behind = format!("G1 X1 Y2 E3\n{line}G1 X1 Y2 E3\n");
        assert_eq!(plain_lines(&behind, ROOM), 1, "{line:?}");
    }
    assert_eq!(plain_lines("G1 X1.000 Y2\n", 11), 0);
    assert_eq!(plain_lines("G1 X1.000 Y2\n", 12), 1);
}

/// Lines that are plain, nearly plain, or change what a plain one means.
fn line() -> impl Strategy<Value = String> {
    let number = "-?[0-9]{0,4}\\.?[0-9]{0,7}";
    let word = ("[XYZEFxA]", number).prop_map(|(letter, number)| format!("{letter}{number}"));
    let moves = ("[Gg][0-3]", proptest::collection::vec(word, 0..6), " {0,2}(;[ -~]{0,9})?\r?")
        .prop_map(|(command, words, tail)| format!("{command} {}{tail}", words.join(" ")));
    let plain = ((0..4_u32), (0..300_u32), (0..300_u32), (0..40_u32), (0..6_u32)).prop_map(|(kind, x, y, e, f)| {
        let feed = ["", "", "", " F1200", " F3000", " F9000.5"][f as usize];
        match kind {
            0 => format!("G0{feed} X{x} Y{y}"),
            1 => format!("G1{feed} E{e}.{y}"),
            _ => format!("G1{feed} X{x}.{y} Y-{y}.{x} E{e}.{x}"),
        }
    });
    let modes = proptest::sample::select(vec![
        "G90",
        "G91",
        "M82",
        "M83",
        "G92 E0",
        "G92 X1",
        "G92.1",
        "G20",
        "G21",
        "G28",
        "T0",
        "T1",
        "T1 G1 X5",
        "M204 S500",
        "M205 X8 J0.02",
        "M200 D1.75",
        "M200 D0",
        "M28 a",
        "M29",
        "G4 P100",
        "G10",
        "G11",
        "",
        ";LAYER:1",
        "M117 G1 X5",
        "G1 Z0.4 F600",
        "G1 Z0.6",
        "G2 X10 Y10 I5 J0",
    ])
    .prop_map(str::to_owned);
    prop_oneof![2 => moves, 12 => plain, 2 => modes]
}

/// A program whose first lines leave a machine of which everything is known.
fn program(lines: std::ops::Range<usize>) -> impl Strategy<Value = String> {
    proptest::collection::vec(line(), lines)
        .prop_map(|lines| format!("G28\nG1 X1 Y1 Z0.2 F1200\nM82\n{}\n", lines.join("\n")))
}

fn any_rules() -> impl Strategy<Value = Rules> {
    proptest::option::of(proptest::sample::select(&b"EB"[..]))
        .prop_map(|belt_axis| Rules { belt_axis, ..Rules::default() })
}

proptest! {
    #[test]
    fn the_short_way_finds_what_the_long_way_finds(program in program(0..60), rules in any_rules()) {
        assert_alike(read_whole(&program, &rules), &read_in_pieces(&program, &rules))?;
    }

    #[test]
    fn so_do_two_who_share_the_work(program in program(0..60), rules in any_rules(), size in 1..3000_usize) {
        assert_alike(read_scanned(&program, size, &rules), &read_in_pieces(&program, &rules))?;
    }

    #[test]
    fn the_words_are_those_of_the_lexer(line in "G[01] ([XYZEF]-?[0-9]{0,7}\\.?[0-9]{0,9} ?){0,5}(;[ -~]{0,9})?") {
        let text = format!("{line}\n");
        let mut words = Vec::new();
        let lexed = lex_line(text.as_bytes(), &mut words);
        let mut run = Box::<Run>::default();
        run.read(text.as_bytes(), 0, ROOM, 1200.0);
        if run.lines == 1 {
            prop_assert_eq!(run.bytes, text.len());
            prop_assert!(lexed.oddity.is_none() && words[0].code() == Some((b'G', u32::from(!run.rapid), 0)));
            let value = |letter| words.iter().find(|word| word.letter == letter).map(|word| word.value);
            let (mut x, mut y, mut e) = ([0.0; LINES], [0.0; LINES], [0.0; LINES]);
            run.numbers(&mut x, &mut y, &mut e);
            for (bit, letter, found) in [(0, b'X', x[0]), (1, b'Y', y[0]), (2, b'Z', run.z[0]), (3, b'E', e[0])] {
                let found = (run.named[0] & 1 << bit != 0).then_some(found / 1e6);
                prop_assert_eq!(found, value(letter));
            }
            prop_assert_eq!(run.feed.mm_min, value(b'F').unwrap_or(1200.0));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn so_it_does_over_many_runs(program in program(300..900), rules in any_rules()) {
        assert_alike(read_whole(&program, &rules), &read_in_pieces(&program, &rules))?;
        assert_alike(read_scanned(&program, 5000, &rules), &read_in_pieces(&program, &rules))?;
    }
}
