//! The dialogue against a model of a printer behind a model of a cable: whatever the cable does, each command is carried out once and in order.

mod cable;
mod printer;
mod world;

use std::collections::BTreeMap;
use std::time::Duration;

use nosebar::wire::DialogueConfig;
use proptest::collection::{btree_map, vec};
use proptest::prelude::*;

use cable::{Cable, Damage, Speed};
use printer::Style;
use world::{Outcome, run};

fn style() -> impl Strategy<Value = Style> {
    (any::<[bool; 8]>(), 0..4usize).prop_map(|(habit, reads_ahead)| Style {
        reads_ahead,
        buffer: 127,
        flushes: habit[0],
        ok_after_resend: true,
        complains: habit[1],
        inline: habit[2],
        numbered_ok: habit[3],
        says_busy: habit[4],
        says_wait: habit[5],
        strict_m110: habit[6],
        boots: habit[7],
    })
}

/// Commands that take from no time to half a minute, some of them requests for temperatures.
fn commands() -> impl Strategy<Value = Vec<String>> {
    let command = (0..10u8, 0..30_000u32, 0..24usize).prop_map(|(kind, millis, padding)| match kind {
        0 => ("M105".to_owned(), None, 0),
        1 => ("G4".to_owned(), Some(millis), 0),
        _ => ("G1".to_owned(), Some(millis / 1000), padding),
    });
    vec(command, 1..60).prop_map(|list| {
        let line = |(ticket, (code, millis, padding)): (usize, (String, Option<u32>, usize))| {
            let wait = millis.map_or(String::new(), |millis| format!(" P{millis}"));
            format!("{code} X{ticket} {}{wait}", &"E0.123456789012345678901234567890123456789012345678"[..2 * padding])
        };
        list.into_iter().enumerate().map(line).collect()
    })
}

/// 115,200 baud, with no delay or some.
fn speed() -> impl Strategy<Value = Speed> {
    (0..3u64).prop_map(|delay| Speed { byte_us: 87, delay_us: delay * 2000 })
}

fn harm() -> impl Strategy<Value = Damage> {
    prop_oneof![
        Just(Damage::Lost),
        (any::<usize>(), 0..7u8).prop_map(|(at, bit)| Damage::Flipped { at, bit }),
        any::<usize>().prop_map(|at| Damage::Deleted { at }),
    ]
}

/// Keeps damaged lines of the way back so far apart that of the three lines of a refusal at most one suffers: if complaint and
/// request are both lost and their `ok` is not, nobody can know.
fn apart(back: BTreeMap<usize, Damage>) -> BTreeMap<usize, Damage> {
    let mut last = None;
    back.into_iter().filter(|(line, _)| last.replace(*line).is_none_or(|last| line - last > 4)).collect()
}

/// Does not give up while a question or two get lost.
fn stubborn() -> DialogueConfig {
    DialogueConfig { give_up: Duration::from_secs(600), ..DialogueConfig::default() }
}

/// Leaves out damage that would hit more than two lines in a row: a cable that does is given up, and rightly.
fn short(out: BTreeMap<usize, Damage>) -> BTreeMap<usize, Damage> {
    let mut kept = BTreeMap::new();
    for (line, damage) in out {
        if line < 2 || !(line - 2..line).all(|before| kept.contains_key(&before)) {
            kept.insert(line, damage);
        }
    }
    kept
}

fn done_once_and_in_order(outcome: &Outcome, commands: &[String]) -> Result<(), TestCaseError> {
    prop_assert_eq!(&outcome.ended, &None);
    prop_assert_eq!(outcome.overflowed, 0, "{:?}", outcome);
    prop_assert_eq!(&outcome.carried_out, commands);
    let tickets: Vec<u64> = (0..commands.len() as u64).collect();
    prop_assert_eq!(&outcome.acknowledged, &tickets);
    Ok(())
}

/// Share of the line's rate, by the formula for `k` lines in flight: T / max(T, (T + L + A) / k), where T is the time of a line,
/// A that of an `ok`, L the delay of link and printer.
fn share(line_us: f64, ok_us: f64, delay_us: f64, in_flight: f64) -> f64 {
    line_us / line_us.max((line_us + delay_us + ok_us) / in_flight)
}

#[test]
fn the_line_is_kept_as_full_as_the_window_allows() {
    let commands: Vec<String> = (0..900).map(|ticket| format!("G1 X{ticket:05} E0.12345 F3000")).collect();
    let bytes: usize = "N100 G1 X00000 E0.12345 F3000*99\n".len();
    let in_flight = (127 / bytes).min(4);
    for byte_us in [87, 40] {
        for delay_us in [0, 500, 2000] {
            let cable = Cable { speed: Speed { byte_us, delay_us }, ..Cable::default() };
            let outcome = run(DialogueConfig::default(), &Style::plain(), &cable, &commands);
            let line_us = (bytes as u64 * byte_us) as f64;
            let ideal = share(line_us, 3.0 * byte_us as f64, 2.0 * delay_us as f64, in_flight as f64);
            let had = line_us * commands.len() as f64 / outcome.at.0 as f64;
            assert!(had > ideal * 0.99, "{had:.3} of {ideal:.3} at {byte_us} µs a byte and {delay_us} µs each way");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Nothing is lost: then the printer itself never holds more than the window, and a question or two beside it
    /// when it was silent for long.
    #[test]
    fn over_a_good_cable_the_window_is_never_exceeded(style in style(), speed in speed(), commands in commands()) {
        let outcome = run(DialogueConfig::default(), &style, &Cable { speed, ..Cable::default() }, &commands);
        done_once_and_in_order(&outcome, &commands)?;
        prop_assert!(outcome.open_lines <= 4 && outcome.open_bytes <= 127, "{outcome:?}");
        let [commands, bytes, questions] = outcome.held;
        prop_assert!(commands <= 4 && bytes <= 127 && questions <= 2, "{outcome:?}");
        prop_assert_eq!(outcome.early, Vec::<u64>::new());
    }

    /// Lines are lost, damaged and cut on both ways. The printer complains before it asks for a line again: if it did not, and
    /// the request got lost, its `ok` could not be told from that of a line taken.
    #[test]
    fn over_a_bad_cable_each_command_is_carried_out_once_and_in_order(
        style in style(),
        speed in speed(),
        commands in commands(),
        out in btree_map(0..120usize, harm(), 0..12),
        back in btree_map(0..200usize, harm(), 0..12),
        line_number_max in 8..200u32,
    ) {
        let style = Style { complains: true, ..style };
        let config = DialogueConfig { line_number_max, ..stubborn() };
        let cable = Cable { speed, out: short(out), back: apart(back) };
        let outcome = run(config, &style, &cable, &commands);
        done_once_and_in_order(&outcome, &commands)?;
        prop_assert_eq!(&outcome.early, &Vec::<u64>::new(), "nothing is acknowledged that has not happened");
        prop_assert!(outcome.open_lines <= 4 && outcome.open_bytes <= 127, "{outcome:?}");
    }

    /// An `ok` may be lost, and may come twice: then too much may be sent, but nothing goes wrong in a printer with some room.
    #[test]
    fn lost_and_doubled_acknowledgements_lose_and_double_no_command(
        style in style(),
        speed in speed(),
        commands in commands(),
        back in btree_map(3..200usize, prop_oneof![Just(Damage::Lost), Just(Damage::Doubled)], 0..12),
    ) {
        let style = Style { buffer: 512, ..style };
        let outcome = run(DialogueConfig::default(), &style, &Cable { speed, back, ..Cable::default() }, &commands);
        done_once_and_in_order(&outcome, &commands)?;
    }

    /// Firmware that ends its requests without `ok` costs time, not commands.
    #[test]
    fn firmware_without_ok_after_a_request_is_served_too(
        style in style(),
        speed in speed(),
        commands in commands(),
        out in btree_map(0..120usize, harm(), 0..12),
    ) {
        let style = Style { ok_after_resend: false, ..style };
        let outcome = run(stubborn(), &style, &Cable { speed, out: short(out), ..Cable::default() }, &commands);
        done_once_and_in_order(&outcome, &commands)?;
        prop_assert_eq!(outcome.early, Vec::<u64>::new());
    }
}
