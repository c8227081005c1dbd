//! The temperatures of a line: `/api/v1/lines/{name}/temperatures` for programs, and the curve on the page.

use axum::Json;
use axum::extract::{Path, State};

use super::desk::Desk;
use super::document::{Api, LinePath, routes};
use super::error::HttpError;
use super::plot::{Plane, degrees, minutes, minutes_back};
use crate::foreman::{LineView, TemperatureCurve, TimedTemperature};
use crate::job::Phase;

pub(super) fn router() -> Api {
    Api::new().routes(routes!(show_temperatures))
}

/// What the thermometers of a line showed, and what is foretold
#[utoipa::path(get, path = "/lines/{name}/temperatures", params(LinePath),
    responses((status = 200, description = "The curve, as far as it is known.", body = TemperatureCurve)))]
async fn show_temperatures(
    State(desk): State<Desk>,
    Path(name): Path<String>,
) -> Result<Json<TemperatureCurve>, HttpError> {
    let line = desk.line(&name)?.name;
    let curve = desk.handle.temperatures(&line);
    let curve = curve.ok_or_else(|| HttpError::NoSuch { what: format!("temperatures of line {line} yet") })?;
    Ok(Json(TemperatureCurve::clone(&curve)))
}

/// What the template draws, in units of its picture.
#[derive(Debug)]
pub(super) struct CurveSight {
    /// The picture in words.
    pub(super) words: String,
    pub(super) bed: String,
    pub(super) foretold: String,
    /// Where the bed is going.
    pub(super) aim: Option<Aim>,
    /// Where it stands on the picture, and the time now.
    pub(super) now: (f64, f64),
    /// Height and figure of each line across.
    pub(super) degrees: Vec<(f64, String)>,
    /// Place, side of it (`text-anchor`) and words of each time below.
    pub(super) times: Vec<(f64, &'static str, String)>,
}

/// A temperature that is waited for.
#[derive(Debug)]
pub(super) struct Aim {
    pub(super) y: f64,
    /// Place of its words, where the line of the bed leaves room: x, y and side (`text-anchor`).
    pub(super) label_at: (f64, f64, &'static str),
    pub(super) label: String,
    /// From when to when it is reached, nine times in ten.
    pub(super) between: Option<(f64, f64)>,
}

const LEFT: f64 = 42.0;
const RIGHT: f64 = 314.0;
const TOP: f64 = 8.0;
const BOTTOM: f64 = 116.0;
/// What a time below needs beside another, in units of the picture.
const TIME_ROOM: f64 = 52.0;
const MINUTE_MS: i64 = 60_000;
/// How much of the time before a phase is shown with it, as a share of its length, and at least.
const LEAD_IN: (i64, i64) = (6, 2 * MINUTE_MS);
/// Where nothing is waited for.
const LOOK_BACK_MS: i64 = 60 * MINUTE_MS;
/// An idle line whose bed has moved by less than this has no curve worth a look, K.
const FLAT_K: f64 = 3.0;
/// A bed that has moved by less than this in [`TREND_MS`] stands, K.
const STEADY_K: f64 = 0.3;
const TREND_MS: i64 = MINUTE_MS;

/// The curve of a line for the page; `None` where there is nothing to be seen.
pub(super) fn sight_of(desk: &Desk, view: &LineView) -> Option<CurveSight> {
    let curve = desk.handle.temperatures(&view.name)?;
    draw(&curve, view.phase, view.since.0)
}

fn draw(curve: &TemperatureCurve, phase: Option<Phase>, since: i64) -> Option<CurveSight> {
    let now = curve.at.0;
    let ends = curve.foretold.last().map(|(at, _)| *at);
    let until = ends.unwrap_or(now).max(now);
    let from = begin(curve, phase, since, until);
    let bed = clipped(&curve.bed, from);
    let &(_, now_c) = bed.last()?;
    let aim_c = aim_of(curve, phase);
    let figures = || bed.iter().chain(&curve.foretold).map(|(_, c)| *c).chain(aim_c.as_ref().map(|(c, _)| *c));
    let (least, greatest) = (figures().fold(f64::MAX, f64::min), figures().fold(f64::MIN, f64::max));
    let moves = phase.is_some() || greatest - least >= FLAT_K;
    if bed.len() < 2 || !moves {
        return None;
    }
    let (low_c, high_c, ticks) = degrees(least, greatest);
    let plane =
        Plane { from_ms: from, until_ms: until, low_c, high_c, left: LEFT, right: RIGHT, top: TOP, bottom: BOTTOM };
    let gap_ms = ((until - from) / 12).max(2 * MINUTE_MS);
    let between = curve.ends.as_ref().filter(|_| ends.is_some()).map(|ends| {
        let late = ends.until.map_or(until, |late| late.0);
        (plane.x(ends.from.0.max(now)), plane.x(late))
    });
    let aim = aim_c.map(|(c, label)| {
        let y = plane.y(c);
        // Above its line, or below it where that is the upper edge.
        let label_y = if y - TOP < 16.0 { y + 13.0 } else { y - 5.0 };
        let lines: Vec<(f64, f64)> =
            bed.iter().chain(&curve.foretold).map(|&(ms, c)| (plane.x(ms), plane.y(c))).collect();
        Aim { y, label_at: place_of(label_y, &lines), label, between }
    });
    Some(CurveSight {
        words: words(&bed, now_c, curve, phase, ends.map(|at| at - now)),
        bed: plane.path(&bed, gap_ms),
        foretold: plane.path(&curve.foretold, i64::MAX),
        aim,
        now: (plane.x(now), plane.y(now_c)),
        degrees: ticks.into_iter().map(|c| (plane.y(c), format!("{c:.0}"))).collect(),
        times: times(&plane, now, ends),
    })
}

/// The first place at this height where no line runs through the words: left, right, middle; left, if there is none.
fn place_of(y: f64, lines: &[(f64, f64)]) -> (f64, f64, &'static str) {
    const LONG: f64 = 112.0;
    let (left, right, middle) = (LEFT + 6.0, RIGHT - 6.0, f64::midpoint(LEFT, RIGHT));
    let places = [(left, left, "start"), (right - LONG, right, "end"), (middle - LONG / 2.0, middle, "middle")];
    let is_free = |&(from, ..): &(f64, f64, &str)| {
        let meets =
            |&(x, at): &(f64, f64)| (from - 4.0..=from + LONG).contains(&x) && (y - 13.0..=y + 3.0).contains(&at);
        !lines.iter().any(meets)
    };
    let (_, x, anchor) = places.into_iter().find(is_free).unwrap_or(places[0]);
    (x, y, anchor)
}

/// A phase in which the bed goes somewhere is shown from its beginning; else the copy, or the last hour of it.
fn begin(curve: &TemperatureCurve, phase: Option<Phase>, since: i64, until: i64) -> i64 {
    let first = curve.bed.first().map_or(curve.at.0, |(at, _)| *at);
    let wanted = match phase {
        Some(Phase::Warm | Phase::Cool) => since - ((until - since) / LEAD_IN.0).max(LEAD_IN.1),
        Some(Phase::Print) => first,
        Some(Phase::Advance | Phase::Check) | None => curve.at.0 - LOOK_BACK_MS,
    };
    first.max(wanted)
}

/// The points from then on; the line begins at the edge.
fn clipped(points: &[TimedTemperature], from: i64) -> Vec<TimedTemperature> {
    let at = points.partition_point(|(ms, _)| *ms < from);
    let edge = at.checked_sub(1).and_then(|before| {
        let ((t0, c0), (t1, c1)) = (points[before], *points.get(at)?);
        #[expect(clippy::cast_precision_loss, reason = "times of a few days")]
        let share = (from - t0) as f64 / (t1 - t0).max(1) as f64;
        Some((from, c0 + (c1 - c0) * share))
    });
    edge.into_iter().chain(points[at..].iter().copied()).collect()
}

fn aim_of(curve: &TemperatureCurve, phase: Option<Phase>) -> Option<(f64, String)> {
    match phase {
        Some(Phase::Warm) => curve.target_c.map(|c| (c, format!("heats to {c:.0} °C"))),
        _ => curve.release_c.map(|c| (c, format!("lets go at {c} °C"))),
    }
}

/// Now, the end, and a few round times before now, where there is room for them.
fn times(plane: &Plane, now: i64, ends: Option<i64>) -> Vec<(f64, &'static str, String)> {
    let mut times = Vec::new();
    let now_x = plane.x(now);
    if let Some(at) = ends.filter(|at| plane.x(*at) - now_x >= TIME_ROOM) {
        let away = (at - now).unsigned_abs().div_ceil(MINUTE_MS.unsigned_abs());
        times.push((plane.x(at), "end", format!("+{}", minutes(i64::try_from(away).unwrap_or(i64::MAX)))));
    }
    let anchor = if now_x > RIGHT - 14.0 { "end" } else { "middle" };
    times.push((now_x.max(LEFT + 12.0), anchor, "now".to_owned()));
    for back in minutes_back((now - plane.from_ms) / MINUTE_MS, 1) {
        let x = plane.x(now - back * MINUTE_MS);
        let taken = times.iter().any(|(other, ..)| (other - x).abs() < TIME_ROOM);
        if !taken {
            let anchor = if x < LEFT + 8.0 { "start" } else { "middle" };
            times.push((x, anchor, format!("−{}", minutes(back))));
        }
    }
    times
}

/// The picture in words: "Bed 47.2 °C, falling; lets go at 32 °C in about 6 min".
fn words(
    bed: &[TimedTemperature],
    now_c: f64,
    curve: &TemperatureCurve,
    phase: Option<Phase>,
    left_ms: Option<i64>,
) -> String {
    let before = bed.iter().rfind(|(at, _)| curve.at.0 - at >= TREND_MS).or_else(|| bed.first());
    let moved = before.map_or(0.0, |(_, c)| now_c - c);
    let trend = match moved {
        m if m > STEADY_K => "rising",
        m if m < -STEADY_K => "falling",
        _ => "steady",
    };
    let aim = aim_of(curve, phase).map_or_else(String::new, |(_, label)| format!("; {label}"));
    let left = left_ms.map_or_else(String::new, |ms| match ms.unsigned_abs().div_ceil(MINUTE_MS.unsigned_abs()) {
        0 | 1 => " in about a minute".to_owned(),
        away => format!(" in about {}", minutes(i64::try_from(away).unwrap_or(i64::MAX))),
    });
    format!("Bed {now_c:.1} °C, {trend}{aim}{left}")
}

#[cfg(test)]
mod tests {
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
        assert!(sight.bed.starts_with("M42.0 "), "{}", sight.bed);
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
}
