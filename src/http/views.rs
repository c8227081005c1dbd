//! What the templates show: lines, jobs and journal entries, ready to be written.

use std::fmt;

use crate::foreman::{AlarmView, ForecastView, LineView, TimeView};
use crate::job::{Finding, Job, JobReason, JobState, LineName, LineState, Phase};
use crate::store::Entry;
use crate::units::UnixMillis;

use super::words::{self, Tone};

/// A moment as the page writes it: UTC for those without scripts; the script puts it into the reader's own zone.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stamp {
    at: jiff::Timestamp,
    form: Form,
}

/// How much of a moment is written; the script knows these by their words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    /// To the second, without the date.
    Short,
    /// With the date.
    Full,
    /// Something to come, to the minute: without the date, with the day, or with the date, as far away as it is.
    Minute(Distance),
}

/// How far away a moment is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Distance {
    Today,
    DaysAway,
    FarAway,
}

impl Stamp {
    /// A time of day, with the date only where the script sees that it is not today.
    pub(super) fn short(at: UnixMillis) -> Self {
        Self { form: Form::Short, ..Self::full(at) }
    }

    /// A time to come, to the minute; `now` says whether its day must be told.
    pub(super) fn minute(at: UnixMillis, now: UnixMillis) -> Self {
        let day = |at: UnixMillis| at.0.div_euclid(86_400_000);
        let distance = match day(at) - day(now) {
            0 => Distance::Today,
            1..=6 => Distance::DaysAway,
            _ => Distance::FarAway,
        };
        Self { form: Form::Minute(distance), ..Self::full(at) }
    }

    /// Date and time.
    pub(super) fn full(at: UnixMillis) -> Self {
        let at = jiff::Timestamp::from_millisecond(at.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        Self { at, form: Form::Full }
    }

    /// For the `datetime` attribute (RFC 3339).
    pub(super) fn iso(&self) -> String {
        self.at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
    }

    /// For the `data-show` attribute.
    pub(super) fn show(&self) -> &'static str {
        match self.form {
            Form::Short => "short",
            Form::Full => "full",
            Form::Minute(_) => "minute",
        }
    }
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let pattern = match self.form {
            Form::Short => "%H:%M:%S UTC",
            Form::Minute(Distance::Today) => "%H:%M UTC",
            Form::Minute(Distance::DaysAway) => "%a %H:%M UTC",
            Form::Full | Form::Minute(Distance::FarAway) => "%Y-%m-%d %H:%M UTC",
        };
        self.at.strftime(pattern).fmt(f)
    }
}

/// A time to come, with its interval.
#[derive(Clone, Copy, Debug)]
pub(super) struct Due {
    pub(super) at: Stamp,
    /// `None` where a clock without seconds shows no difference.
    pub(super) between: Option<(Stamp, Stamp)>,
}

impl Due {
    /// When everything is made, where that is more than one job.
    pub(super) fn of_all(forecast: &ForecastView) -> Option<Self> {
        forecast.end.filter(|_| forecast.jobs.len() > 1).map(|end| Self::new(end, forecast.at))
    }

    fn new(time: TimeView, now: UnixMillis) -> Self {
        let stamp = |at| Stamp::minute(at, now);
        let minute = |at: UnixMillis| at.0.div_euclid(60_000);
        let wide = minute(time.early) != minute(time.late);
        Self { at: stamp(time.at), between: wide.then(|| (stamp(time.early), stamp(time.late))) }
    }
}

/// A phase in the list of the five.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Step {
    pub(super) word: &'static str,
    pub(super) place: Place,
}

/// Where a phase stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    Done,
    Now,
    ToCome,
}

impl Place {
    /// The class in the style sheet.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Now => "now",
            Self::ToCome => "to-come",
        }
    }

    /// For those who do not see the mark.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Now => "now",
            Self::ToCome => "to come",
        }
    }
}

/// A line, ready for its template.
pub(super) struct LineSight<'a> {
    pub(super) view: &'a LineView,
    pub(super) tone: Tone,
    /// When the part under way has left.
    pub(super) part_due: Option<Due>,
    /// When there is nothing more to make, where that is later.
    pub(super) empty_due: Option<Due>,
}

impl<'a> LineSight<'a> {
    pub(super) fn new(view: &'a LineView, forecast: &ForecastView) -> Self {
        let told = forecast.line(&view.name);
        let due = |time: Option<TimeView>| time.map(|time| Due::new(time, forecast.at));
        let (part, empty) = (told.and_then(|told| told.part), told.and_then(|told| told.empty));
        Self {
            view,
            tone: words::tone_of_line(view),
            part_due: due(part),
            empty_due: due(empty.filter(|_| empty != part)),
        }
    }

    /// Whether every copy of this line waits for somebody who answers.
    pub(super) fn counts_on_a_person(&self) -> bool {
        self.view.check == "ask"
    }

    pub(super) fn state(&self) -> &'static str {
        words::line_state(self.view.state)
    }

    pub(super) fn reason(&self) -> &'static str {
        words::line_reason(self.view.reason)
    }

    /// The five phases; empty when no cycle is under way.
    pub(super) fn steps(&self) -> Vec<Step> {
        let Some(now) = self.view.phase else { return Vec::new() };
        let rank = |phase| Phase::ALL.iter().position(|other| *other == phase);
        let place = |phase| match rank(phase).cmp(&rank(now)) {
            std::cmp::Ordering::Less => Place::Done,
            std::cmp::Ordering::Equal => Place::Now,
            std::cmp::Ordering::Greater => Place::ToCome,
        };
        Phase::ALL.iter().map(|&phase| Step { word: words::phase(phase), place: place(phase) }).collect()
    }

    /// Share of the print's time that is done, %.
    pub(super) fn percent(&self) -> u32 {
        let done = self.view.work.as_ref().map_or(0.0, |work| work.done.clamp(0.0, 1.0));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and 100")]
        let percent = (done * 100.0).floor() as u32;
        percent
    }

    /// Whether the share says anything now: before printing it is nothing, after it everything.
    pub(super) fn prints(&self) -> bool {
        self.view.phase == Some(Phase::Print)
    }

    pub(super) fn bed(&self) -> String {
        words::temperature(self.view.temperatures.bed_c, self.view.temperatures.bed_target_c)
    }

    pub(super) fn nozzle(&self) -> String {
        words::temperature(self.view.temperatures.nozzle_c, self.view.temperatures.nozzle_target_c)
    }

    pub(super) fn travel(&self) -> String {
        words::travel(self.view.belt_odometer_um)
    }

    /// Who or what says that a part has left.
    pub(super) fn check(&self) -> &str {
        match self.view.check.as_str() {
            "ask" => "a person answers",
            "switch" => "a switch at the nose",
            "command" => "a program",
            "trust" => "nothing checks",
            other => other,
        }
    }

    /// Travel that may have happened without acknowledgement.
    pub(super) fn uncertain(&self) -> Option<String> {
        (self.view.belt_uncertain_um != 0).then(|| words::travel(self.view.belt_uncertain_um))
    }

    pub(super) fn may(&self, command: &str) -> bool {
        self.view.commands.iter().any(|known| known == command)
    }

    /// Whether a person may say that the belt is clear without having been asked.
    pub(super) fn may_say_clear(&self) -> bool {
        self.view.question.is_none() && self.may("belt-clear")
    }

    /// What `resume` does now.
    pub(super) fn resume_word(&self) -> &'static str {
        if self.view.hold_after_part && self.view.state == LineState::Execute {
            "Do not hold after all"
        } else {
            "Resume"
        }
    }

    pub(super) fn deadline(&self) -> Option<Stamp> {
        self.view.deadline.map(Stamp::short)
    }

    /// When the bed will be where it is going: most likely, at the earliest, at the latest.
    pub(super) fn phase_ends(&self) -> Option<(Stamp, Stamp, Option<Stamp>)> {
        let ends = self.view.phase_ends?;
        let now = self.view.temperatures.at.unwrap_or(self.view.since);
        let stamp = |at| Stamp::minute(at, now);
        Some((stamp(ends.at?), stamp(ends.from), ends.until.map(stamp)))
    }

    pub(super) fn read_at(&self) -> Option<Stamp> {
        self.view.temperatures.at.map(Stamp::short)
    }

    pub(super) fn alarm_class(&self, alarm: &AlarmView) -> &'static str {
        words::tone_of_alarm(alarm).class()
    }

    pub(super) fn alarm_state(&self, alarm: &AlarmView) -> &'static str {
        words::alarm_state(alarm.state)
    }

    pub(super) fn raised(&self, alarm: &AlarmView) -> Option<Stamp> {
        alarm.raised.map(Stamp::short)
    }
}

/// A job, ready for its template.
pub(super) struct JobSight {
    pub(super) job: Job,
    pub(super) tone: Tone,
    /// What its file's survey found that a person should read; only fetched while it is held for that.
    pub(super) concerns: Vec<Finding>,
    /// When its first copy is begun, while none is.
    pub(super) start_due: Option<Due>,
    /// When its last copy is made.
    pub(super) end_due: Option<Due>,
    /// Why no time can be told, where its standing does not say so.
    pub(super) no_time: Option<&'static str>,
    /// What its part looks like, where that is known.
    pub(super) picture: Option<PictureSight>,
    /// Copies of an ended job that were not made well, and that no other job makes.
    pub(super) lacking: u32,
}

/// A picture, ready for its template.
pub(super) struct PictureSight {
    pub(super) address: String,
    /// What it shows, in words.
    pub(super) words: String,
}

impl JobSight {
    pub(super) fn new(job: Job) -> Self {
        let (concerns, tone) = (Vec::new(), words::tone_of_job(&job));
        Self { tone, concerns, start_due: None, end_due: None, no_time: None, picture: None, lacking: 0, job }
    }

    /// With what the forecast says of it.
    pub(super) fn foretold(self, forecast: &ForecastView) -> Self {
        let Some(told) = forecast.job(self.job.id) else { return self };
        let due = |time: Option<TimeView>| time.map(|time| Due::new(time, forecast.at));
        Self {
            start_due: due(told.start.filter(|start| self.job.started_at.is_none() && start.at > forecast.at)),
            end_due: due(told.end),
            no_time: told.reason.and_then(words::no_time),
            ..self
        }
    }

    pub(super) fn copies(&self) -> String {
        words::copies(&self.job)
    }

    pub(super) fn standing(&self) -> String {
        words::job_standing(&self.job)
    }

    pub(super) fn unchecked(&self) -> Option<String> {
        words::unchecked(&self.job)
    }

    pub(super) fn is_held(&self) -> bool {
        matches!(self.job.reason, JobReason::JobHeldForRelease | JobReason::JobHeldForReview)
    }

    pub(super) fn for_review(&self) -> bool {
        self.job.reason == JobReason::JobHeldForReview
    }

    pub(super) fn in_work(&self) -> bool {
        self.job.in_work > 0
    }

    /// Whether it ends with the copy that is on the line.
    pub(super) fn ends(&self) -> bool {
        self.job.reason == JobReason::ProcessingToStopPoint
    }

    /// Whether its cancel can be taken back: not once another job makes what it did not.
    pub(super) fn may_restore(&self) -> bool {
        self.job.reason == JobReason::JobCanceledByOperator && self.lacking > 0
    }

    /// Whether this line alone may make it.
    pub(super) fn only_on(&self, line: &LineName) -> bool {
        self.job.line.as_ref() == Some(line)
    }

    pub(super) fn came_in(&self) -> Stamp {
        Stamp::full(self.job.created_at)
    }

    /// Whether it may be put in another place of the queue.
    pub(super) fn may_move(&self) -> bool {
        matches!(self.job.state, JobState::Pending | JobState::PendingHeld)
    }

    pub(super) fn ended(&self) -> Option<Stamp> {
        self.job.ended_at.map(Stamp::full)
    }
}

/// A journal entry, ready for its template.
pub(super) struct EntrySight {
    pub(super) entry: Entry,
}

impl EntrySight {
    pub(super) fn at(&self) -> Stamp {
        Stamp::short(self.entry.at)
    }
}

#[cfg(test)]
mod tests {
    use super::super::words::tests::a_line;
    use super::*;

    #[test]
    fn phases_before_the_present_one_are_done_and_later_ones_to_come() {
        let view = LineView { phase: Some(Phase::Cool), ..a_line() };
        let steps = LineSight::new(&view, &ForecastView::default()).steps();
        let places: Vec<_> = steps.iter().map(|step| (step.word, step.place.class())).collect();
        assert_eq!(
            places,
            [("Warm", "done"), ("Print", "done"), ("Cool", "now"), ("Advance", "to-come"), ("Check", "to-come")]
        );
        assert!(LineSight::new(&a_line(), &ForecastView::default()).steps().is_empty());
    }

    #[test]
    fn a_time_to_come_bears_its_day_when_it_is_not_today_and_its_date_when_it_is_far() {
        // 2025-06-01T08:00:00Z, a Sunday.
        let now = UnixMillis(1_748_764_800_000);
        let told = |hours: i64| Stamp::minute(UnixMillis(now.0 + hours * 3_600_000), now).to_string();
        assert_eq!(told(9), "17:00 UTC");
        assert_eq!(told(17), "Mon 01:00 UTC");
        assert_eq!(told(6 * 24), "Sat 08:00 UTC");
        assert_eq!(told(7 * 24), "2025-06-08 08:00 UTC");
    }

    /// RFC 3339 §5.8, first example, to the second.
    #[test]
    fn stamps_are_utc() {
        let at = UnixMillis(482_196_050_520);
        assert_eq!(Stamp::full(at).iso(), "1985-04-12T23:20:50Z");
        assert_eq!(Stamp::full(at).to_string(), "1985-04-12 23:20 UTC");
        assert_eq!(Stamp::short(at).to_string(), "23:20:50 UTC");
    }
}
