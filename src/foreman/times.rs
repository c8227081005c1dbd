//! How long each phase of a copy takes on a line, and how sure that is.

use std::time::Duration;

use super::belt_times::{advance, run, sometimes};
use super::books::Books;
use super::stand::Stand;
use super::waits::Waits;
use crate::belt::Advance;
use crate::job::{HeatWay, Job, LineState, Material, Phase, Survey};
use crate::line::{Check, InWork, Line, Stage};
use crate::schedule::{
    Bed, Berth, BerthState, Correction, Doing, Lasting, LineNow, Making, PhaseTimes, Placing, Spread, Then,
};
use crate::thermal::{Likeness, Outlook, Span as WaitSpan};
use crate::units::{Celsius, Micrometres, Moment};

/// What a copy needs of its line, and what the line has learned of others like it.
struct Needs<'a> {
    like: Likeness,
    heat: &'a Waits,
    bed: Option<Celsius>,
    nozzle: Option<Celsius>,
    release: Celsius,
    advance: Advance,
    planned_s: f64,
}

/// Common practice for small machines, no source: at full power a bed would end at 140 °C and gets there with a time constant of
/// ten minutes; a nozzle warms by four kelvin a second. A given machine may need half or twice the time, and then always does.
const BED_END_C: f64 = 140.0;
const BED_TAU_S: f64 = 600.0;
const NOZZLE_K_PER_S: f64 = 4.0;
/// What is as close to its target as this is warm, and as close to its end as this is there.
const NEAR_K: f64 = 3.0;
const WARM_SPREAD: (f64, f64) = (0.5, 1.0);
/// A room, where no thermometer has said anything yet.
const ROOM: Celsius = Celsius(22.0);
/// How far off a cooling by the config's two figures may be: the room is warmer, the fan is on.
const COOL_SPREAD: (f64, f64) = (0.4, 0.6);
/// How far off one cooling is from another: draughts, and the time between two readings.
const COOL_OWN: f64 = 0.03;
const READING_S: f64 = 2.0;
/// A person who is asked: two minutes when at hand, an hour when not; nobody at all is beyond any figure.
const ASKED_S: f64 = 120.0;
const ASKED_EARLY_S: f64 = 15.0;
const ASKED_LATE_S: f64 = 3600.0;
/// The user's own program: a camera and a look at its picture.
const PROGRAM_S: f64 = 3.0;
const PROGRAM_LATE_S: f64 = 15.0;

/// What the line has learned of its bed.
pub(super) fn waits(stand: &Stand, books: &Books) -> Waits {
    Waits::new(books.heat.of(&stand.config.name), stand.config.settings.cooling)
}

/// What is to be copied, on which line.
pub(super) struct Copied<'a> {
    pub(super) stand: &'a Stand,
    pub(super) job: &'a Job,
    pub(super) survey: &'a Survey,
    pub(super) materials: &'a [Material],
    pub(super) heat: &'a Waits,
}

/// A whole copy; `None` if its part would never let go. `released` is where the part before it let go, if that is known.
pub(super) fn copy_times(
    copied: &Copied<'_>,
    bed: Bed,
    released: Option<Celsius>,
    placing: Placing,
) -> Option<PhaseTimes> {
    let Copied { stand, job, survey, materials, heat } = *copied;
    let needs = Needs {
        like: stand.likeness(job, survey),
        heat,
        bed: survey.temperatures.bed_first_c.map(Celsius),
        nozzle: survey.temperatures.nozzle_first_c.map(Celsius),
        release: stand.release(job, survey, materials),
        advance: stand.advance(survey),
        planned_s: survey.expected_time_s(),
    };
    let (readings, _) = stand.line.readings();
    let from = match bed {
        Bed::AsItIs => (readings.bed, readings.nozzle),
        // The nozzle has cooled for as long as the bed; it is quick to warm.
        Bed::AfterPart(_) => (released.or(Some(needs.release)), None),
    };
    whole(stand, &needs, from, placing)
}

/// The line as it stands.
pub(super) fn line_now(stand: &Stand, books: &Books, now: Moment) -> LineNow {
    let (berth, line) = (stand.berth(), &stand.line);
    let resting = line.state().0 == LineState::Idle && line.connected() && line.belt_clear();
    let doing = match (berth.state, line.in_work()) {
        (BerthState::Ready, _) => Doing::Free,
        // It waits for a step without a copy: moments.
        (BerthState::Busy, None) if resting => Doing::Free,
        (BerthState::Busy | BerthState::Cooling, Some(work)) => {
            let job = work.work.job;
            let then = if line.hold_after_part() { Then::Holds } else { Then::GoesOn };
            let phase = work.stage.phase();
            match rest(stand, work, books, now) {
                Some(left) => Doing::Making(Making { job, copy: work.work.copy, phase, left, then }),
                None => Doing::Stands { job: Some(job) },
            }
        }
        (_, work) => Doing::Stands { job: work.map(|work| work.work.job) },
    };
    LineNow { berth: when_left(berth, line), doing }
}

/// Its belt as it will be when what is under way has left it.
fn when_left(mut berth: Berth, line: &Line) -> Berth {
    if let (Some(belt), true) = (&mut berth.belt, line.in_work().is_some()) {
        belt.leave(line.travel_left());
    }
    berth
}

/// What is left of the phase under way, and the phases after it.
fn rest(stand: &Stand, work: &InWork, books: &Books, now: Moment) -> Option<PhaseTimes> {
    let line = &stand.line;
    let survey = books.job(work.work.job).and_then(|job| books.survey_of(job));
    let heat = waits(stand, books);
    let needs = Needs {
        like: work.work.like.clone(),
        heat: &heat,
        bed: work.work.bed,
        nozzle: work.work.nozzle,
        release: work.work.release,
        advance: work.work.advance,
        planned_s: survey.as_deref().map_or(0.0, Survey::expected_time_s),
    };
    let (readings, _) = line.readings();
    let elapsed_s = now.since(line.since()).as_secs_f64();
    let warm = warm(line, &needs, (readings.bed, readings.nozzle), now);
    let mut left = PhaseTimes {
        // While something is to be warmed, its reading says what is left.
        warm: match line.placing() {
            Some(travel) => placing_left(line, &needs, travel, elapsed_s)?,
            None => warm,
        },
        print: print(needs.planned_s, stand.prints.correction()),
        cool: match work.stage.phase() {
            Phase::Warm | Phase::Print => cool(line, &needs, needs.bed.unwrap_or(ROOM))?,
            // What it cools from is known as soon as it cools, and soon how it cools.
            Phase::Cool => match line.outlook().and_then(|outlook| left_of(&outlook, now)) {
                Some(left) => left,
                None => cool(line, &needs, readings.bed.unwrap_or(needs.release))?,
            },
            // It has cooled, whatever is believed.
            Phase::Advance | Phase::Check => Lasting::default(),
        },
        advance: advance(line, needs.advance),
        check: check(line),
    };
    match work.stage {
        Stage::Printing => left.print = print_left(stand, survey.as_deref()),
        Stage::Reheating | Stage::Returning => {
            let print = print_left(stand, survey.as_deref());
            left.print = Lasting { expected_s: print.expected_s + warm.expected_s, ..print };
        }
        Stage::Running | Stage::Halted => left.advance = left.advance.left_after(elapsed_s),
        Stage::Commanding => left.check = left.check.left_after(elapsed_s),
        _ => {}
    }
    Some(left)
}

type BedAndNozzle = (Option<Celsius>, Option<Celsius>);

fn whole(stand: &Stand, needs: &Needs<'_>, from: BedAndNozzle, placing: Placing) -> Option<PhaseTimes> {
    Some(PhaseTimes {
        warm: placed_and_warm(&stand.line, needs, from, placing)?,
        print: print(needs.planned_s, stand.prints.correction()),
        cool: cool(&stand.line, needs, needs.bed.unwrap_or(ROOM))?,
        advance: advance(&stand.line, needs.advance),
        check: check(&stand.line),
    })
}

/// Until the belt has brought a free place, and bed and nozzle are warm. A belt runs under a cool bed only.
fn placed_and_warm(line: &Line, needs: &Needs<'_>, from: BedAndNozzle, placing: Placing) -> Option<Lasting> {
    if placing == Placing::default() {
        return Some(warm_from(line, needs, from));
    }
    let runs = run(line, placing);
    let cools = match from.0.filter(|bed| bed.0 > needs.release.0) {
        Some(bed) => cool(line, needs, bed)?,
        None => return Some(together(runs, warm_from(line, needs, from))),
    };
    if placing.least.0 == 0 {
        return Some(together(together(sometimes(cools), runs), warm_from(line, needs, from)));
    }
    Some(together(together(cools, runs), warm_from(line, needs, (Some(needs.release), None))))
}

/// The same, of a copy that is being placed.
fn placing_left(line: &Line, needs: &Needs<'_>, travel: Micrometres, elapsed_s: f64) -> Option<Lasting> {
    let (readings, _) = line.readings();
    if line.belt_runs() {
        let runs = run(line, Placing::exactly(travel)).left_after(elapsed_s);
        return Some(together(runs, warm_from(line, needs, (readings.bed, readings.nozzle))));
    }
    placed_and_warm(line, needs, (readings.bed, readings.nozzle), Placing::exactly(travel))
}

/// Until bed and nozzle, one after the other, are warm, on the line that warms them.
fn warm(line: &Line, needs: &Needs<'_>, from: BedAndNozzle, now: Moment) -> Lasting {
    match line.outlook().filter(|_| line.phase() == Some(Phase::Warm)).and_then(|outlook| left_of(&outlook, now)) {
        Some(bed) => together(bed, warm_nozzle(needs, from.1)),
        None => warm_from(line, needs, from),
    }
}

/// The same, from any temperatures.
fn warm_from(line: &Line, needs: &Needs<'_>, from: BedAndNozzle) -> Lasting {
    let start = from.0.unwrap_or(ROOM);
    let learned = || {
        let target = Celsius(needs.bed.filter(|_| needs.heat.knows(HeatWay::Warm))?.0 - NEAR_K);
        needs.heat.expect(HeatWay::Warm, &needs.like, start, target)
    };
    let bed = match learned() {
        Some(span) => lasting(span, line.settings().warm_limit),
        None => {
            // Below full power's end by this much: `τ·ln(then / now)`, as in cooling.
            let below_end = |c: f64| (BED_END_C - c).max(NEAR_K);
            let target = needs.bed.map_or(f64::MIN, |target| target.0 - NEAR_K);
            let seconds = BED_TAU_S * (below_end(start.0) / below_end(target)).ln().max(0.0);
            Lasting { expected_s: seconds, own: even(READING_S), shared: share(seconds, WARM_SPREAD) }
        }
    };
    together(bed, warm_nozzle(needs, from.1))
}

fn warm_nozzle(needs: &Needs<'_>, from: Option<Celsius>) -> Lasting {
    let target = needs.nozzle.map_or(f64::MIN, |target| target.0 - NEAR_K);
    let seconds = ((target - from.unwrap_or(ROOM).0) / NOZZLE_K_PER_S).max(0.0);
    Lasting { expected_s: seconds, own: Spread::default(), shared: share(seconds, WARM_SPREAD) }
}

/// One after the other, on the same heaters.
fn together(one: Lasting, other: Lasting) -> Lasting {
    let sum = |a: Spread, b: Spread| Spread { down_s: a.down_s + b.down_s, up_s: a.up_s + b.up_s };
    Lasting {
        expected_s: one.expected_s + other.expected_s,
        own: sum(one.own, other.own),
        shared: sum(one.shared, other.shared),
    }
}

/// What a followed bed has left, where its end is in sight.
fn left_of(outlook: &Outlook, now: Moment) -> Option<Lasting> {
    let (at, until) = (outlook.at?, outlook.until?);
    let left = |moment: Moment| moment.since(now).as_secs_f64();
    let (expected_s, early_s, late_s) = (left(at), left(outlook.from), left(until));
    let own = Spread { down_s: expected_s - early_s, up_s: late_s - expected_s + READING_S };
    Some(Lasting { expected_s: expected_s + READING_S / 2.0, own, shared: Spread::default() })
}

/// A wait that is believed in from what the line did before. What is off is off the same way for the copies that follow; a
/// wait that may have no end is cut off by its phase's limit.
fn lasting(span: WaitSpan, limit: Duration) -> Lasting {
    let seconds = span.wait.as_secs_f64();
    let late_s = span.until.unwrap_or(limit).as_secs_f64().max(seconds);
    let shared = Spread { down_s: seconds - span.from.as_secs_f64().min(seconds), up_s: late_s - seconds };
    Lasting { expected_s: seconds + READING_S / 2.0, own: even(READING_S), shared }
}

/// A print, or what is left of it, by what the line's prints have taught.
fn print(planned_s: f64, correction: Correction) -> Lasting {
    let seconds = planned_s * correction.ratio;
    let within = |factor: f64| share(seconds, (1.0 - 1.0 / factor, factor - 1.0));
    Lasting { expected_s: seconds, own: within(correction.print_within), shared: within(correction.ratio_within) }
}

/// By the file's own timetable, at the bytes that the printer has acknowledged.
fn print_left(stand: &Stand, survey: Option<&Survey>) -> Lasting {
    let (sent, _) = stand.progress;
    let left_s = survey.map_or(0.0, |survey| survey.expected_time_s() - survey.time_at(sent));
    print(left_s.max(0.0), stand.prints.correction())
}

/// From this bed temperature until the part lets go; `None` if it never does.
fn cool(line: &Line, needs: &Needs<'_>, from: Celsius) -> Option<Lasting> {
    let settings = line.settings();
    if needs.heat.knows(HeatWay::Cool) {
        let span = needs.heat.expect(HeatWay::Cool, &needs.like, from, needs.release)?;
        return Some(lasting(span, settings.cool_limit));
    }
    let seconds = settings.cooling.wait_for_release(from, needs.release).ok()?.as_secs_f64();
    let own = even((seconds * COOL_OWN).hypot(READING_S));
    Some(Lasting { expected_s: seconds + READING_S / 2.0, own, shared: share(seconds, COOL_SPREAD) })
}

fn check(line: &Line) -> Lasting {
    let settings = line.settings();
    let bounded = |expected_s: f64, early_s: f64, late_s: f64, limit: Duration| {
        let late_s = late_s.min(limit.as_secs_f64()).max(expected_s);
        let own = Spread { down_s: expected_s - early_s, up_s: late_s - expected_s };
        Lasting { expected_s, own, shared: Spread::default() }
    };
    match settings.check {
        Check::Switch | Check::Trust => Lasting::default(),
        Check::Command => bounded(PROGRAM_S, 0.0, PROGRAM_LATE_S, settings.command_limit),
        Check::Ask => bounded(ASKED_S, ASKED_EARLY_S, ASKED_LATE_S, settings.ask_limit),
    }
}

pub(super) fn even(seconds: f64) -> Spread {
    Spread { down_s: seconds, up_s: seconds }
}

fn share(seconds: f64, (down, up): (f64, f64)) -> Spread {
    Spread { down_s: seconds * down, up_s: seconds * up }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_print_takes_its_planned_time_times_the_ratio_with_both_spreads() {
        let correction = Correction { ratio: 1.2, ratio_within: 1.25, print_within: 1.1, ..Correction::default() };
        let print = print(1000.0, correction);
        assert_eq!(print.expected_s, 1200.0);
        assert!((print.shared.up_s - 300.0).abs() < 1e-9 && (print.shared.down_s - 240.0).abs() < 1e-9);
        assert!((print.own.up_s - 120.0).abs() < 1e-9);
    }
}
