use super::*;
use crate::foreman::PhaseEnds;
use crate::job::LineName;
use crate::units::UnixMillis;

/// A cooling that began 20 min ago at 60 °C and is over in 6 min, a reading every ten seconds.
fn cooling() -> TemperatureCurve {
    let now = 3_600_000;
    let at = |ms: i64| 24.0 + 36.0 * (-(ms as f64) / 1_000_000.0).exp();
    let since = now - 20 * MINUTE_MS;
    let bed = (-30..=120).map(|n| (since + n * 10_000, at((n * 10_000).max(0)))).collect();
    let foretold = (0..=12).map(|n| (now + n * 30_000, at(20 * MINUTE_MS + n * 30_000))).collect();
    let ends = PhaseEnds {
        at: Some(UnixMillis(now + 6 * MINUTE_MS)),
        from: UnixMillis(now + 5 * MINUTE_MS),
        until: Some(UnixMillis(now + 8 * MINUTE_MS)),
    };
    TemperatureCurve {
        line: LineName::new("one").expect("a good name"),
        at: UnixMillis(now),
        bed,
        nozzle: Vec::new(),
        foretold,
        ends: Some(ends),
        release_c: Some(32.0),
        target_c: None,
    }
}

const SINCE: i64 = 3_600_000 - 20 * MINUTE_MS;

fn sight(curve: &TemperatureCurve, phase: Option<Phase>) -> CurveSight {
    draw(curve, phase, SINCE).expect("something to be seen")
}

#[test]
fn a_cooling_is_drawn_to_its_end_and_said_in_words() {
    let sight = sight(&cooling(), Some(Phase::Cool));
    assert_eq!(sight.words, "Bed 34.8 °C, falling; lets go at 32 °C in about 6 min");
    let aim = sight.aim.expect("the release");
    assert_eq!(aim.label, "lets go at 32 °C");
    let (early, late) = aim.between.expect("an interval");
    assert!(sight.now.0 < early && early < late && late <= RIGHT);
    // The line begins at the left edge, and what is foretold ends at the right, where the part lets go.
    assert!(sight.bed.starts_with("M30.0 "), "{}", sight.bed);
    let end = sight.foretold.rsplit('L').next().expect("a last point");
    let (x, y) = end.split_once(' ').expect("two figures");
    assert_eq!(x, "314.0");
    assert!((y.parse::<f64>().expect("a figure") - aim.y).abs() < 4.0, "{y} and {}", aim.y);
    let times: Vec<&str> = sight.times.iter().map(|(.., words)| words.as_str()).collect();
    assert_eq!(times, ["+6 min", "now", "−10 min", "−20 min"]);
    assert!((3..=5).contains(&sight.degrees.len()), "{:?}", sight.degrees);
}

#[test]
fn a_flat_line_without_work_shows_nothing_and_one_with_work_does() {
    let mut curve = cooling();
    (curve.foretold, curve.ends, curve.release_c) = (Vec::new(), None, None);
    curve.bed.iter_mut().for_each(|(_, c)| *c = 22.0);
    assert!(draw(&curve, None, SINCE).is_none());
    let told = sight(&curve, Some(Phase::Print));
    assert_eq!(told.words, "Bed 22.0 °C, steady");
    curve.bed.truncate(1);
    assert!(draw(&curve, Some(Phase::Print), SINCE).is_none());
    curve.bed.clear();
    assert!(draw(&curve, Some(Phase::Cool), SINCE).is_none());
}

#[test]
fn whatever_is_drawn_are_numbers_inside_the_picture() {
    for phase in [None, Some(Phase::Warm), Some(Phase::Print), Some(Phase::Cool), Some(Phase::Check)] {
        for bed_c in [f64::from(f32::MIN), -20.0, 22.0, 300.0] {
            let mut curve = cooling();
            curve.target_c = Some(60.0);
            curve.bed.push((curve.at.0, bed_c));
            let Some(sight) = draw(&curve, phase, SINCE) else { panic!("{phase:?} {bed_c}") };
            let text = format!("{sight:?}");
            assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
            let numbers = |path: &str| -> Vec<f64> {
                path.split(['M', 'L', ' '])
                    .filter(|word| !word.is_empty())
                    .map(|word| word.parse().expect("a number"))
                    .collect()
            };
            for path in [&sight.bed, &sight.foretold] {
                assert!(numbers(path).iter().all(|n| (0.0..=320.0).contains(n)), "{path}");
            }
        }
    }
}
