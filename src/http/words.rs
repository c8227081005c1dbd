//! Plain words for keywords, and how urgent each is. Pure: the truth tables are in the tests.

use crate::foreman::{AlarmView, LineView};
use crate::job::{AlarmKind, AlarmState, Job, JobReason, JobState, LineReason, LineState, Phase};

/// What a colour may say, by the meanings of IEC 60073: calm has none. Always shown with a sign and a word too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Tone {
    /// Nothing to see to.
    Calm,
    /// Not normal: look at it when you can. Yellow.
    Abnormal,
    /// A person must act. Blue.
    Act,
    /// Danger or failure: act at once. Red.
    Danger,
}

impl Tone {
    /// The class in the style sheet, and the name of its sign.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Self::Calm => "calm",
            Self::Abnormal => "abnormal",
            Self::Act => "act",
            Self::Danger => "danger",
        }
    }

    /// The word that goes with the colour; empty when there is none.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Calm => "",
            Self::Abnormal => "Not normal",
            Self::Act => "You are needed",
            Self::Danger => "Danger",
        }
    }
}

/// How urgent a line is.
pub(super) fn tone_of_line(line: &LineView) -> Tone {
    match line.state {
        LineState::Aborted => Tone::Danger,
        _ if line.alarms.iter().any(|alarm| tone_of_alarm(alarm) == Tone::Danger) => Tone::Danger,
        LineState::Held => Tone::Act,
        _ if line.question.is_some() => Tone::Act,
        _ if line.alarms.iter().any(|alarm| !alarm.state.is_acknowledged()) => Tone::Abnormal,
        LineState::Suspended => Tone::Abnormal,
        _ if !line.connected => Tone::Abnormal,
        LineState::Stopped | LineState::Idle | LineState::Execute => Tone::Calm,
    }
}

/// How urgent an alarm is; one that is over asks for nothing but to be acknowledged.
pub(super) fn tone_of_alarm(alarm: &AlarmView) -> Tone {
    match alarm.kind {
        AlarmKind::BedTooHot | AlarmKind::NozzleTooHot if alarm.state.goes_on() => Tone::Danger,
        _ => Tone::Abnormal,
    }
}

/// Where an alarm is, as a sentence without full stop.
pub(super) const fn alarm_state(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Unacknowledged => "goes on",
        AlarmState::Acknowledged => "goes on, acknowledged",
        AlarmState::ReturnedUnacknowledged => "is over, not acknowledged yet",
    }
}

/// How urgent a job is.
pub(super) fn tone_of_job(job: &Job) -> Tone {
    match (job.state, job.reason) {
        (JobState::Aborted, _) => Tone::Abnormal,
        (JobState::Canceled | JobState::Completed, _) => Tone::Calm,
        (_, JobReason::JobHeldForReview) => Tone::Act,
        (_, JobReason::ResourcesAreNotReady | JobReason::MaterialNeeded | JobReason::OutputAreaFull) => Tone::Abnormal,
        _ => Tone::Calm,
    }
}

/// A line's state as a word.
pub(super) const fn line_state(state: LineState) -> &'static str {
    match state {
        LineState::Stopped => "Stopped",
        LineState::Idle => "Idle",
        LineState::Execute => "Execute",
        LineState::Held => "Held",
        LineState::Suspended => "Suspended",
        LineState::Aborted => "Aborted",
    }
}

/// Why a line is in its state; empty when there is nothing to say.
pub(super) const fn line_reason(reason: LineReason) -> &'static str {
    match reason {
        LineReason::None => "",
        LineReason::Operator => "a person asked for it",
        LineReason::BeltNotKnownClear => "it is not known whether the belt is clear",
        LineReason::AskPerson => "the clear check asks a person",
        LineReason::PartNotCleared => "the part did not leave the belt",
        LineReason::CheckUnknown => "the clear check gave no answer",
        LineReason::Restarted => "the daemon was restarted with a cycle under way",
        LineReason::LinkLost => "the connection to the printer was lost with a cycle under way",
        LineReason::ConnectingToDevice => "there is no connection to the printer",
        LineReason::PrinterReset => "the printer was reset with a cycle under way",
        LineReason::PrinterFault => "the printer reported a fault",
        LineReason::EmergencyStop => "a person pressed the emergency stop",
        LineReason::PhaseOverdue => "the phase went past its deadline",
        LineReason::NeverCools => "the part would not let go at any temperature that the bed can reach here",
        LineReason::NoTemperature => "no temperature was reported for too long",
        LineReason::HeatLost => "a heater did not keep its temperature in mid-print",
        LineReason::TooHot => "a heater is hotter than it may ever be",
        LineReason::MaterialNeeded => "the next job needs another material than the one loaded",
        LineReason::OutputAreaFull => "the bin is full",
        LineReason::Commissioning => "it is being commissioned; it takes no job until it is resumed",
        LineReason::StoreFailed => "the journal could not be written",
        LineReason::Internal => "an invariant of the program was broken",
    }
}

/// A phase as a word.
pub(super) const fn phase(phase: Phase) -> &'static str {
    match phase {
        Phase::Warm => "Warm",
        Phase::Print => "Print",
        Phase::Cool => "Cool",
        Phase::Advance => "Advance",
        Phase::Check => "Check",
    }
}

/// Where a job stands and why, as a sentence without full stop.
pub(super) fn job_standing(job: &Job) -> String {
    let text = match job.reason {
        JobReason::None => state_alone(job.state),
        JobReason::JobQueued => "waits for its turn",
        JobReason::JobPrinting => "a copy is being made",
        JobReason::JobHeldForRelease => "held by a person; it waits until it is released",
        JobReason::JobHeldForReview => "held until a person has read what was found in the file",
        // The note says which line lacks what.
        JobReason::ResourcesAreNotReady => {
            return job.line.as_ref().map_or_else(
                || "waits: none of the lines can make it as they are now".to_owned(),
                |line| format!("waits: line {line} cannot make it as it is now"),
            );
        }
        JobReason::MaterialNeeded => {
            return job.material.as_ref().map_or_else(
                || "waits: its line has another material loaded".to_owned(),
                |material| format!("waits: no line that it fits has {material} loaded"),
            );
        }
        JobReason::OutputAreaFull => "waits: the bin of its line is full",
        JobReason::PlatformCooling => "waits: its line cools down first",
        JobReason::PrinterStopped => "waits: its line does not run",
        JobReason::ConnectingToDevice => "waits: its line has no connection to the printer",
        JobReason::WaitingForUserAction => "waits: its line asks a person something",
        JobReason::ProcessingToStopPoint => "canceled by a person; the copy on the line is the last",
        JobReason::JobCanceledByOperator => "canceled by a person",
        JobReason::AbortedBySystem => "aborted by the program",
        JobReason::JobCompletedSuccessfully => "completed",
        JobReason::JobCompletedWithErrors => "completed, but some copies were scrapped",
        JobReason::JobCompletedWithWarnings => "completed, but not every copy was checked",
    };
    text.to_owned()
}

/// Why no time can be told for a job, where the sentence of its standing does not say so already.
pub(super) fn no_time(reason: &str) -> Option<&'static str> {
    match reason {
        "never-cools" => Some("the bed is not believed to cool so far that the part lets go"),
        "too-far" => Some("too many copies come before"),
        _ => None,
    }
}

const fn state_alone(state: JobState) -> &'static str {
    match state {
        JobState::Pending => "waits for its turn",
        JobState::PendingHeld => "held",
        JobState::Processing => "a copy is being made",
        JobState::ProcessingStopped => "a copy is on a line that stands still",
        JobState::Canceled => "canceled",
        JobState::Aborted => "aborted",
        JobState::Completed => "completed",
    }
}

/// A job's copies: "4 of 12 made, 1 in work, 1 scrapped, 6 waiting".
pub(super) fn copies(job: &Job) -> String {
    let mut text = format!("{} of {} made", job.completed, job.copies);
    for (count, what) in
        [(job.in_work, "in work"), (job.scrapped, "scrapped"), (job.copies_waiting(), waiting_word(job.state))]
    {
        if count > 0 {
            text.push_str(&format!(", {count} {what}"));
        }
    }
    text
}

const fn waiting_word(state: JobState) -> &'static str {
    if state.is_terminal() { "not begun" } else { "waiting" }
}

/// What must be said of copies that nothing checked; `None` when every one was checked.
pub(super) fn unchecked(job: &Job) -> Option<String> {
    match job.unchecked {
        0 => None,
        1 => Some("nothing checked 1 of the copies that were made".to_owned()),
        many => Some(format!("nothing checked {many} of the copies that were made")),
    }
}

/// A temperature and what its heater is set to: "47.2 °C, heater off". No line breaks between a number and its unit.
pub(super) fn temperature(now_c: Option<f64>, target_c: Option<f64>) -> String {
    let Some(now_c) = now_c else { return "not reported".to_owned() };
    match target_c {
        None => format!("{now_c:.1}\u{a0}°C"),
        Some(target_c) if target_c <= 0.0 => format!("{now_c:.1}\u{a0}°C, heater off"),
        Some(target_c) => format!("{now_c:.1}\u{a0}°C, set to {target_c:.0}\u{a0}°C"),
    }
}

/// Belt travel in metres: "12.345 m".
pub(super) fn travel(micrometres: i64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "belt travel is far below 2^53 µm")]
    let metres = micrometres as f64 / 1e6;
    format!("{metres:.3} m")
}

/// A span of time as a person says it: "40 s", "12 min", "3 h 5 min".
pub(super) fn span(seconds: f64) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a print takes far less than 2^32 s")]
    let seconds = seconds.round().max(0.0) as u64;
    match (seconds, (seconds + 30) / 60) {
        (..60, _) => format!("{seconds}\u{a0}s"),
        (_, minutes @ ..60) => format!("{minutes}\u{a0}min"),
        (_, minutes) if minutes % 60 == 0 => format!("{}\u{a0}h", minutes / 60),
        (_, minutes) => format!("{}\u{a0}h {}\u{a0}min", minutes / 60, minutes % 60),
    }
}

/// What a picture of a part shows: "seed-scoop seen from above: 40 mm along the belt, 9.2 mm high".
pub(super) fn picture(name: &str, along_mm: f64, height_mm: f64) -> String {
    // Adding zero turns a negative zero into zero.
    let tenths = |mm: f64| (mm * 10.0).round() / 10.0 + 0.0;
    format!("{name} seen from above: {} mm along the belt, {} mm high", tenths(along_mm), tenths(height_mm))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::foreman::{Question, TemperatureView, TrialView};
    use crate::job::{JobId, LineName};
    use crate::units::UnixMillis;

    pub(crate) fn a_line() -> LineView {
        LineView {
            name: LineName::new("belt-1").expect("a good name"),
            state: LineState::Idle,
            reason: LineReason::None,
            phase: None,
            words: "Idle: waits for a job".to_owned(),
            waits_for: None,
            since: UnixMillis(0),
            deadline: None,
            phase_ends: None,
            work: None,
            temperatures: TemperatureView::default(),
            question: None,
            connected: true,
            belt_clear: true,
            belt_odometer_um: 0,
            belt_uncertain_um: 0,
            hold_after_part: false,
            check: "ask".to_owned(),
            standing_word: None,
            material: None,
            trial: TrialView::default(),
            commands: Vec::new(),
            belt: None,
            alarms: Vec::new(),
        }
    }

    fn a_job() -> Job {
        Job { material: Some("petg".into()), ..Job::waiting(JobId(1), "tray-clip".to_owned(), "", 12, UnixMillis(0)) }
    }

    fn a_question() -> Question {
        let text = |text: &str| text.to_owned();
        Question {
            happened: text("h"),
            look_at: text("l"),
            ask: text("a"),
            yes: text("y"),
            yes_does: text("yd"),
            no: text("n"),
            no_does: text("nd"),
        }
    }

    #[test]
    fn colour_is_kept_for_what_is_not_normal() {
        let tone = |state, asks: bool, connected| {
            tone_of_line(&LineView { state, question: asks.then(a_question), connected, ..a_line() })
        };
        for state in [LineState::Stopped, LineState::Idle, LineState::Execute] {
            assert_eq!(tone(state, false, true), Tone::Calm);
            assert_eq!(tone(state, false, false), Tone::Abnormal);
            assert_eq!(tone(state, true, true), Tone::Act);
        }
        assert_eq!(tone(LineState::Suspended, false, true), Tone::Abnormal);
        assert_eq!(tone(LineState::Suspended, true, true), Tone::Act);
        for (asks, connected) in [(false, false), (false, true), (true, false), (true, true)] {
            assert_eq!(tone(LineState::Held, asks, connected), Tone::Act);
            assert_eq!(tone(LineState::Aborted, asks, connected), Tone::Danger);
        }
    }

    #[test]
    fn every_tone_but_calm_has_a_word() {
        for tone in [Tone::Abnormal, Tone::Act, Tone::Danger] {
            assert!(!tone.word().is_empty());
        }
        assert_eq!(Tone::Calm.word(), "");
    }

    #[test]
    fn copies_are_counted_in_words() {
        assert_eq!(copies(&a_job()), "0 of 12 made, 12 waiting");
        let busy = Job { completed: 4, scrapped: 1, in_work: 1, ..a_job() };
        assert_eq!(copies(&busy), "4 of 12 made, 1 in work, 1 scrapped, 6 waiting");
        assert_eq!(copies(&Job { state: JobState::Canceled, ..a_job() }), "0 of 12 made, 12 not begun");
        assert_eq!(copies(&Job { completed: 12, ..a_job() }), "12 of 12 made");
    }

    #[test]
    fn every_reason_of_a_waiting_job_is_a_sentence_without_keywords() {
        for reason in JobReason::ALL {
            let words = job_standing(&Job { reason: *reason, ..a_job() });
            assert!(words.contains(' ') || words == "completed", "{reason}: {words}");
            assert!(!words.contains(reason.as_str()) || words == "completed", "{reason}: {words}");
        }
        let needs = Job { reason: JobReason::MaterialNeeded, ..a_job() };
        assert_eq!(job_standing(&needs), "waits: no line that it fits has petg loaded");
        let unfit = Job { reason: JobReason::ResourcesAreNotReady, ..a_job() };
        assert_eq!(job_standing(&unfit), "waits: none of the lines can make it as they are now");
        let line = LineName::new("belt-1").ok();
        assert_eq!(job_standing(&Job { line, ..unfit }), "waits: line belt-1 cannot make it as it is now");
    }

    #[test]
    fn a_span_is_told_as_a_person_says_it() {
        for (seconds, told) in [
            (0.0, "0 s"),
            (59.4, "59 s"),
            (59.6, "1 min"),
            (754.0, "13 min"),
            (3_590.0, "1 h"),
            (11_100.0, "3 h 5 min"),
        ] {
            assert_eq!(span(seconds).replace('\u{a0}', " "), told);
        }
    }

    #[test]
    fn a_picture_is_told_in_words() {
        let words = picture("seed-scoop", 47.243, 9.2);
        assert_eq!(words, "seed-scoop seen from above: 47.2 mm along the belt, 9.2 mm high");
        assert_eq!(picture("stake", 40.0, 0.0), "stake seen from above: 40 mm along the belt, 0 mm high");
    }

    #[test]
    fn a_heater_that_is_off_is_said_to_be_off() {
        assert_eq!(temperature(Some(47.23), Some(0.0)), "47.2\u{a0}°C, heater off");
        assert_eq!(temperature(Some(47.23), Some(60.0)), "47.2\u{a0}°C, set to 60\u{a0}°C");
        assert_eq!(temperature(Some(47.23), None), "47.2\u{a0}°C");
        assert_eq!(temperature(None, Some(60.0)), "not reported");
    }
}
