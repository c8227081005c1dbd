//! A line in words: what it does, what it waits for, what a person is asked.

use super::belt::belt_view;
use super::books::Books;
use super::progress::{Shares, shares};
use super::stand::Stand;
use super::trying::{trial_commands, trial_view, trial_words};
use super::view::{AlarmView, LineView, PhaseEnds, Question, TemperatureView, WorkView};
use crate::clock::Clock;
use crate::job::{AlarmRow, JobId, LineReason, LineState, Phase};
use crate::line::{Alarm, InWork, Line, Stage};
use crate::units::{Celsius, UnixMillis};

/// The line as a person needs to see it.
pub(super) fn present(stand: &Stand, books: &Books, clock: &Clock) -> LineView {
    let line = &stand.line;
    let (state, reason) = line.state();
    let (readings, read_at) = line.readings();
    let degrees = |c: Option<Celsius>| c.map(|c| c.0);
    LineView {
        name: line.name().clone(),
        state,
        reason,
        phase: line.phase(),
        words: words(line, clock),
        waits_for: waits_for(line),
        since: clock.wall_at(line.since()),
        deadline: line.phase_deadline().map(|at| clock.wall_at(at)),
        phase_ends: phase_ends(line, clock),
        work: line.in_work().map(|work| work_view(work, stand, books)),
        temperatures: TemperatureView {
            bed_c: degrees(readings.bed),
            bed_target_c: degrees(readings.bed_target),
            nozzle_c: degrees(readings.nozzle),
            nozzle_target_c: degrees(readings.nozzle_target),
            at: read_at.map(|at| clock.wall_at(at)),
        },
        question: question(line, books),
        connected: line.connected(),
        belt_clear: line.belt_clear(),
        belt_odometer_um: line.ledger().odometer.0,
        belt_uncertain_um: line.ledger().uncertain.0,
        hold_after_part: line.hold_after_part(),
        check: line.settings().check.as_str().to_owned(),
        standing_word: stand.config.standing_word.clone(),
        material: stand.config.material.clone(),
        trial: trial_view(stand),
        commands: commands(line).into_iter().map(str::to_owned).collect(),
        belt: Some(belt_view(line)),
        alarms: line.alarms().iter().map(|alarm| alarm_view(alarm, clock)).collect(),
    }
}

fn alarm_view(alarm: &Alarm, clock: &Clock) -> AlarmView {
    let AlarmRow { kind, state, note } = alarm.row.clone();
    AlarmView {
        kind,
        state,
        raised: alarm.raised.map(|at| clock.wall_at(at)),
        name: kind.name().to_owned(),
        note,
        cause: kind.cause().to_owned(),
        consequence: kind.consequence().to_owned(),
        what_to_do: kind.what_to_do().to_owned(),
    }
}

fn work_view(work: &InWork, stand: &Stand, books: &Books) -> WorkView {
    let job = books.job(work.work.job);
    let survey = job.and_then(|job| books.survey_of(job));
    let Shares { sent, done } = shares(work.stage.phase(), stand.progress, survey.as_deref());
    WorkView {
        job: work.work.job,
        name: job.map_or_else(String::new, |job| job.name.clone()),
        cycle: work.work.cycle,
        copy: work.work.copy,
        copies: job.map_or(work.work.copy, |job| job.copies),
        sent,
        done,
        release_c: work.work.release.0,
        advance_mm: work.work.advance.total().to_millimetres().0,
    }
}

/// To the second, rounded up: what changes with every reading would be published with every reading.
pub(super) fn phase_ends(line: &Line, clock: &Clock) -> Option<PhaseEnds> {
    let outlook = line.outlook().filter(|_| line.state().0 == LineState::Execute)?;
    let second = |at| UnixMillis((clock.wall_at(at).0 + 999).div_euclid(1000) * 1000);
    Some(PhaseEnds { at: outlook.at.map(second), from: second(outlook.from), until: outlook.until.map(second) })
}

/// ", about 6 min", where the end is foreseen.
fn how_long(line: &Line, clock: &Clock) -> String {
    let Some(at) = line.outlook().and_then(|outlook| outlook.at) else { return String::new() };
    match at.since(clock.now()).as_secs().div_ceil(60) {
        0 | 1 => ", about a minute".to_owned(),
        minutes @ 2..=89 => format!(", about {minutes} min"),
        minutes => format!(", about {} h {} min", minutes / 60, minutes % 60),
    }
}

fn words(line: &Line, clock: &Clock) -> String {
    let (state, _) = line.state();
    match state {
        LineState::Execute => line.in_work().map_or_else(|| trial_words(line), |work| doing(line, work, clock)),
        LineState::Idle => "Ready: the belt is clear".to_owned(),
        LineState::Stopped => sentence("Stopped", line.note()),
        LineState::Held => sentence("Held", line.note()),
        LineState::Suspended => sentence("Waiting", line.note()),
        LineState::Aborted => sentence("Broken off", line.note()),
    }
}

fn sentence(head: &str, note: &str) -> String {
    if note.is_empty() { head.to_owned() } else { format!("{head}: {note}") }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn doing(line: &Line, work: &InWork, clock: &Clock) -> String {
    let (now, _) = line.readings();
    let at = |c: Option<Celsius>| c.map_or_else(|| "no reading yet".to_owned(), |c| format!("{:.1} °C", c.0));
    let to = |c: Option<Celsius>| c.map_or_else(String::new, |c| format!(" of {:.0} °C", c.0));
    let copy = &work.work;
    match work.stage {
        Stage::Placing => placing(line, copy.release),
        Stage::WarmBed => {
            format!("Warming the bed: {}{}{}", at(now.bed), to(copy.bed), how_long(line, clock))
        }
        Stage::WarmNozzle => format!("Warming the nozzle: {}{}", at(now.nozzle), to(copy.nozzle)),
        Stage::Printing => "Printing".to_owned(),
        Stage::Pausing | Stage::Paused => "Coming to a stand".to_owned(),
        Stage::Reheating => format!("Warming up again: bed {}, nozzle {}", at(now.bed), at(now.nozzle)),
        Stage::Returning => "Going back to where the print was left".to_owned(),
        Stage::Cooling => {
            format!("Cooling: {}, lets go at {:.0} °C{}", at(now.bed), copy.release.0, how_long(line, clock))
        }
        Stage::Running => format!("Advancing the belt by {:.0} mm", copy.advance.total().to_millimetres().0),
        Stage::Halted => format!("The belt waits for a bed at or below {:.0} °C", copy.release.0),
        Stage::Asking => "Has the part left the belt?".to_owned(),
        Stage::Commanding => "The clear-check program looks at the belt".to_owned(),
        Stage::NotCleared => "The part has not left the belt".to_owned(),
    }
}

fn placing(line: &Line, release: Celsius) -> String {
    if line.is_moving() {
        "Running the belt on to a free place".to_owned()
    } else {
        format!("The belt waits for a bed at or below {:.0} °C, to run on to a free place", release.0)
    }
}

fn waits_for(line: &Line) -> Option<String> {
    let work = line.in_work().filter(|_| line.state().0 == LineState::Execute)?;
    Some(match work.stage {
        Stage::Placing => "a free place on the belt".to_owned(),
        Stage::WarmBed | Stage::WarmNozzle | Stage::Reheating => "the heaters".to_owned(),
        Stage::Printing => "the file to be printed".to_owned(),
        Stage::Pausing | Stage::Paused | Stage::Returning => "the head".to_owned(),
        Stage::Cooling | Stage::Halted => {
            format!("the bed to cool to {:.0} °C, when the part lets go", work.work.release.0)
        }
        Stage::Running => "the belt".to_owned(),
        Stage::Asking | Stage::NotCleared => "a person's answer".to_owned(),
        Stage::Commanding => "the clear-check program".to_owned(),
    })
}

fn question(line: &Line, books: &Books) -> Option<Question> {
    let about_part = line.asks()?;
    let (state, reason) = line.state();
    let job = line.in_work().map(|w| w.work.job).or_else(|| Some(books.cycle(line.orphan()?)?.job));
    let name = job.and_then(|id: JobId| books.job(id)).map_or("the part", |job| job.name.as_str());
    let stage = line.in_work().map(|w| w.stage);
    let tries_again = stage.is_some() && line.connected();
    let happened = match reason {
        LineReason::None if stage == Some(Stage::Asking) => format!("The belt has run for {name}."),
        _ if !line.note().is_empty() => format!("{}.", capital(line.note())),
        _ => format!("The line is {state}."),
    };
    let no_does = if tries_again {
        "The belt goes back a little and forward again, and you are asked again."
    } else {
        "The line stays as it is. Take everything off the belt, then answer yes."
    };
    Some(Question {
        happened,
        look_at: "Look at the whole belt, the nose and the nozzle. Keep hands, hair and sleeves from the nose and the rollers; \
                  the nozzle and the bed may be hot."
            .to_owned(),
        ask: if about_part { format!("Has {name} left the belt?") } else { "Is the belt clear?".to_owned() },
        yes: if about_part { "Yes, it has left".to_owned() } else { "Yes, it is clear".to_owned() },
        yes_does: match (state, stage) {
            (LineState::Stopped, _) => "The line knows that the belt is clear and stays stopped until you resume.".to_owned(),
            (_, Some(_)) => "The copy counts as made, and the next print may start on this belt.".to_owned(),
            _ if line.orphan().is_some() => "The copy counts as made, and the next print may start on this belt.".to_owned(),
            _ => "The next print may start on this belt.".to_owned(),
        },
        no: if about_part { "No, it is still there".to_owned() } else { "No, something is on it".to_owned() },
        no_does: no_does.to_owned(),
    })
}

fn commands(line: &Line) -> Vec<&'static str> {
    let (state, _) = line.state();
    let mut commands = Vec::new();
    let asks = line.asks().is_some();
    if matches!(state, LineState::Execute | LineState::Idle | LineState::Suspended) {
        if !line.hold_after_part() && state == LineState::Execute && !line.tries() {
            commands.push("hold-after-part");
        }
        commands.push("hold-now");
    }
    let stands = state == LineState::Held && !asks;
    let stopped = state == LineState::Stopped && (line.in_work().is_none() || !asks);
    if stands || stopped || line.hold_after_part() {
        commands.push("resume");
    }
    if !matches!(state, LineState::Stopped | LineState::Aborted) {
        commands.push("stop");
    }
    commands.push("emergency-stop");
    if asks {
        commands.extend(["belt-clear", "not-clear"]);
    } else if line.phase().is_some_and(|p| matches!(p, Phase::Cool | Phase::Advance)) {
        commands.push("belt-clear");
    }
    commands.extend(trial_commands(line));
    commands
}
