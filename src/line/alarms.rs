//! The alarms of a line.

use super::core::{Line, Stage};
use super::operate::{Objection, objection};
use super::signal::Readings;
use crate::job::{AlarmKind, AlarmRow, AlarmState, LineReason, LineState};
use crate::units::{Celsius, Moment};

/// A bed may take so much longer than was foreseen before that is an alarm, beside a minute. Common practice, no source.
const LATE_SHARE: f64 = 0.1;
const LATE_LEAST_S: f64 = 60.0;

/// An alarm that is not normal.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarm {
    /// What it is about, where it is, and the figures when it was raised.
    pub row: AlarmRow,
    /// When it was raised; `None` before the daemon began.
    pub raised: Option<Moment>,
}

/// Those of a line, one of each kind at most, in the order in which they were first raised.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Alarms(Vec<Alarm>);

impl Alarms {
    /// As they were kept. What went on may be over meanwhile: whatever still is not as it should be is found anew.
    pub(super) fn kept(text: Option<&str>) -> Self {
        let rows: Vec<AlarmRow> = text.and_then(|text| serde_json::from_str(text).ok()).unwrap_or_default();
        let over = |row: AlarmRow| row.state.on_return().map(|state| AlarmRow { state, ..row });
        Self(rows.into_iter().filter_map(over).map(|row| Alarm { row, raised: None }).collect())
    }

    /// As they are to be kept.
    pub(super) fn row(&self) -> Option<String> {
        let rows: Vec<&AlarmRow> = self.0.iter().map(|alarm| &alarm.row).collect();
        if rows.is_empty() { None } else { serde_json::to_string(&rows).ok() }
    }

    fn find(&mut self, kind: AlarmKind) -> Option<&mut Alarm> {
        self.0.iter_mut().find(|alarm| alarm.row.kind == kind)
    }

    /// Whether it was not going on before.
    fn raise(&mut self, now: Moment, kind: AlarmKind, note: &str) -> bool {
        let before = self.find(kind).map(|alarm| alarm.row.state);
        let Some(state) = AlarmState::on_condition(before) else { return false };
        let alarm = Alarm { row: AlarmRow { kind, state, note: note.to_owned() }, raised: Some(now) };
        match self.find(kind) {
            Some(old) => *old = alarm,
            None => self.0.push(alarm),
        }
        true
    }

    /// Whether it went on until now.
    fn end(&mut self, kind: AlarmKind) -> bool {
        let Some(state) = self.find(kind).map(|alarm| alarm.row.state).filter(|state| state.goes_on()) else {
            return false;
        };
        self.put(kind, state.on_return());
        true
    }

    fn put(&mut self, kind: AlarmKind, state: Option<AlarmState>) {
        match (state, self.find(kind)) {
            (Some(state), Some(alarm)) => alarm.row.state = state,
            _ => self.0.retain(|alarm| alarm.row.kind != kind),
        }
    }
}

impl Line {
    /// The alarms that are not normal.
    #[must_use]
    pub fn alarms(&self) -> &[Alarm] {
        &self.alarms.0
    }

    pub(super) fn raise(&mut self, now: Moment, kind: AlarmKind, note: &str) -> bool {
        let is_new = self.alarms.raise(now, kind, note);
        if is_new {
            self.journal("alarm", &format!("alarm {kind}: {note}"));
        }
        is_new
    }

    pub(super) fn end_alarm(&mut self, kind: AlarmKind) {
        if self.alarms.end(kind) {
            self.journal("alarm-over", &format!("alarm {kind} is over"));
        }
    }

    /// What belongs to a stage that the copy has left, or to a reason that the line no longer has, is over.
    pub(super) fn end_alarms_left_behind(&mut self) {
        if self.alarms.0.is_empty() {
            return;
        }
        let stage = self.in_work.as_ref().map(|work| work.stage);
        for (kind, of) in [
            (AlarmKind::WarmsTooSlowly, Stage::WarmBed),
            (AlarmKind::CoolsTooSlowly, Stage::Cooling),
            (AlarmKind::PrintsTooSlowly, Stage::Printing),
        ] {
            if stage != Some(of) {
                self.end_alarm(kind);
            }
        }
        if self.reason != LineReason::PhaseOverdue {
            self.end_alarm(AlarmKind::PhaseOverdue);
        }
    }

    /// A person knows.
    pub(super) fn acknowledge(&mut self, kind: AlarmKind) -> Result<(), Objection> {
        let Some(state) = self.alarms.find(kind).map(|alarm| alarm.row.state).filter(|state| !state.is_acknowledged())
        else {
            return Err(objection("there is no such alarm that waits to be acknowledged"));
        };
        self.alarms.put(kind, state.on_acknowledge());
        self.journal("alarm-acknowledged", &format!("a person has acknowledged alarm {kind}"));
        Ok(())
    }

    /// Heat beyond what is ever asked for. Nothing guards a reading on its way, so two in a row must say so.
    pub(super) fn watch_for_too_hot(&mut self, now: Moment, before: Readings, read: Readings) {
        let most = (self.settings.bed_max, self.settings.nozzle_max);
        for (kind, limit, before, read) in [
            (AlarmKind::BedTooHot, most.0, before.bed, read.bed),
            (AlarmKind::NozzleTooHot, most.1, before.nozzle, read.nozzle),
        ] {
            let Some(read) = read else { continue };
            let is_hot = |c: Celsius| c.0 > limit.0 + OVERSHOOT_K;
            if !is_hot(read) {
                self.end_alarm(kind);
                continue;
            }
            if !before.is_some_and(is_hot) {
                continue;
            }
            let note = format!("{:.1} °C, and {:.0} °C is the most that is allowed", read.0, limit.0);
            if self.raise(now, kind, &note) {
                self.switch_off_too_hot(now, &format!("{} at {note}; heaters are off", kind.name().to_lowercase()));
            }
        }
    }

    /// A heater that had reached its target, and is far below it while that is the same and a print goes on: twice in a row, as one
    /// reading may be damaged on its way.
    pub(super) fn watch_for_lost_heat(&mut self, now: Moment, before: Readings) {
        let heaters = |of: Readings| [(of.bed, of.bed_target), (of.nozzle, of.nozzle_target)];
        let is_lost = |heater: (Option<Celsius>, Option<Celsius>)| matches!(heater, (Some(read), Some(target)) if read.0 < target.0 - LOST_K);
        let (now_at, was_at) = (heaters(self.readings), heaters(before));
        let mut lost = None;
        for (index, name) in ["bed", "nozzle"].into_iter().enumerate() {
            let (Some(read), Some(target)) = now_at[index] else { continue };
            if read.0 >= target.0 - REACHED_WITHIN_K {
                self.reached[index] = Some(target);
            }
            if self.reached[index] == Some(target) && is_lost(now_at[index]) && is_lost(was_at[index]) {
                lost = Some(format!("{name} at {:.1} °C, set to {:.0} °C", read.0, target.0));
            }
        }
        let Some(note) = lost else { return self.end_alarm(AlarmKind::HeatLost) };
        let prints = self.in_work.as_ref().is_some_and(|work| work.stage == Stage::Printing);
        if prints && self.state == LineState::Execute && self.raise(now, AlarmKind::HeatLost, &note) {
            self.begin_pause(now, LineReason::HeatLost, &format!("in mid-print the {note}; look at the heater"));
        }
    }

    fn switch_off_too_hot(&mut self, now: Moment, why: &str) {
        if self.state != LineState::Aborted {
            self.abort(now, LineReason::TooHot, why, true);
        }
    }

    /// The bed goes its way more slowly than its first readings foretold.
    pub(super) fn watch_for_slow_bed(&mut self, now: Moment) {
        let since = self.since;
        let Some(work) = self.in_work.as_mut() else { return };
        let Some(outlook) = work.tracker.as_ref().and_then(|tracker| tracker.outlook()) else { return };
        // A forecast settles in the first third of the way; what it says then is what the rest is held to.
        let Some(foreseen) = work.foreseen.filter(|foreseen| now.since(since) * 3 >= foreseen.since(since)) else {
            work.foreseen = outlook.until.filter(|_| outlook.at.is_some()).or(work.foreseen);
            return;
        };
        let span_s = foreseen.since(since).as_secs_f64();
        let late_s = outlook.from.since(foreseen).as_secs_f64();
        if late_s <= LATE_LEAST_S + LATE_SHARE * span_s {
            return;
        }
        let (kind, way) = match work.stage {
            Stage::WarmBed => (AlarmKind::WarmsTooSlowly, "warm"),
            Stage::Cooling => (AlarmKind::CoolsTooSlowly, "cool"),
            _ => return,
        };
        let note = format!(
            "at first it was to be {way} enough within {:.0} min, and now not before {:.0} min",
            span_s / 60.0,
            outlook.from.since(since).as_secs_f64() / 60.0
        );
        self.raise(now, kind, &note);
    }

    pub(super) fn on_print_late(&mut self, now: Moment) {
        let Some(work) = self.in_work.as_ref().filter(|work| work.stage == Stage::Printing) else { return };
        let minutes = |seconds: u64| seconds.div_ceil(60);
        let note = format!(
            "it goes on for {} min, and was to take {} min",
            minutes(now.since(self.since).as_secs()),
            minutes(work.work.print_time.as_secs())
        );
        self.raise(now, AlarmKind::PrintsTooSlowly, &note);
    }
}

/// A heater this close to its target has reached it.
const REACHED_WITHIN_K: f64 = 5.0;
/// One that has fallen so far below it fails: no fan and no fast print takes so much. Common practice, no source.
const LOST_K: f64 = 25.0;
/// Above the limit that files are held to, a heater may swing by so much. Common practice, no source.
const OVERSHOOT_K: f64 = 15.0;
