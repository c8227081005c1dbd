//! A line, its clock, and everything that it has asked for.

use std::time::Duration;

use nosebar::belt::{Advance, Drive, DriveBy, Span};
use nosebar::job::{CheckedBy, CycleId, JobId, LineName, LineReason, LineRow, LineState, Outcome, Phase};
use nosebar::line::{
    Act, BeltSettings, Check, Line, LineSettings, Operator, Readings, Signal, Step, StepId, StepResult, Watched, Work,
};
use nosebar::thermal::{Cooling, Likeness, Prior};
use nosebar::units::{Celsius, Micrometres, Millimetres, MillimetresPerMinute, Moment};

pub(super) const CYCLE: CycleId = CycleId(7);

/// A line, its clock, and everything that it has asked for.
pub(super) struct Bench {
    pub(super) line: Line,
    pub(super) now: Moment,
    pub(super) open: Vec<(StepId, Step)>,
    pub(super) acts: Vec<Act>,
}

pub(super) fn settings(check: Check) -> LineSettings {
    LineSettings {
        check,
        drive: Drive {
            by: DriveBy::Extruder(1),
            units_per_mm: 1.0,
            inverted: false,
            piece_max: Millimetres(50.0),
            sampled_piece_max: Millimetres(4.0),
            travel_feed: MillimetresPerMinute(1500.0),
            peel_feed: MillimetresPerMinute(600.0),
            cold_guard_c: 170.0,
        },
        belt: BeltSettings::default(),
        retries: 1,
        retry_back: Micrometres(10_000),
        cooling: Cooling::new(Celsius(22.0), Duration::from_secs(900)).expect("a cooling that can be"),
        fan: None,
        warm_limit: Duration::from_secs(1800),
        cool_limit: Duration::from_secs(10_800),
        ask_limit: Duration::from_secs(43_200),
        command_limit: Duration::from_secs(60),
        held_nozzle_off: Duration::from_secs(600),
        held_bed_off: Duration::from_secs(3600),
        reading_limit: Duration::from_secs(30),
        jog_lease: nosebar::line::JOG_LEASE,
        bed_max: Celsius(110.0),
        nozzle_max: Celsius(275.0),
    }
}

pub(super) fn work() -> Work {
    Work {
        cycle: CYCLE,
        job: JobId(3),
        copy: 1,
        bed: Some(Celsius(60.0)),
        nozzle: Some(Celsius(200.0)),
        release: Celsius(32.0),
        footprint: Some(Span::new(64_198, 135_802)),
        advance: Advance { approach_um: 84_198, peel_um: 71_604, overrun_um: 40_000 },
        park_z: Millimetres(15.0),
        print_time: Duration::from_secs(600),
        like: Likeness::default(),
        cooling: Prior::configured(settings(Check::Ask).cooling),
        warming: Prior::warming(&[], settings(Check::Ask).cooling, Celsius(60.0), &Likeness::default()),
    }
}

pub(super) fn row() -> LineRow {
    LineRow::at_rest(LineName::new("one").expect("a good name"))
}

impl Bench {
    pub(super) fn new(check: Check) -> Self {
        Self::with(settings(check))
    }

    pub(super) fn with(settings: LineSettings) -> Self {
        let mut bench = Self::of(Line::recovered(Moment(0), settings, &row(), None));
        bench.signal(Signal::Connected);
        bench.done(StepResult { complete: true, ..StepResult::default() });
        bench
    }

    pub(super) fn recovered(check: Check, row: &LineRow, orphan: Option<CycleId>) -> Self {
        Self::of(Line::recovered(Moment(0), settings(check), row, orphan))
    }

    fn of(line: Line) -> Self {
        let mut bench = Self { line, now: Moment(0), open: Vec::new(), acts: Vec::new() };
        bench.drain();
        bench
    }

    pub(super) fn drain(&mut self) {
        while let Some(act) = self.line.poll() {
            if let Act::Begin(id, step) = &act {
                self.open.push((*id, step.clone()));
            }
            self.acts.push(act);
        }
    }

    pub(super) fn signal(&mut self, signal: Signal) {
        self.line.handle(self.now, signal);
        self.drain();
    }

    pub(super) fn operate(&mut self, command: Operator) -> Result<(), String> {
        let answer = self.line.operate(self.now, command).map_err(|o| o.0);
        self.drain();
        answer
    }

    /// The oldest open step ends.
    pub(super) fn done(&mut self, result: StepResult) -> Step {
        let (step, what) = self.open.remove(0);
        self.signal(Signal::StepDone { step, result });
        what
    }

    pub(super) fn ok(&mut self) -> Step {
        self.done(StepResult { complete: true, ..StepResult::default() })
    }

    /// A report, and the same again: one alone moves no belt.
    pub(super) fn read(&mut self, bed: f64, nozzle: f64) {
        self.read_once(bed, nozzle);
        self.read_once(bed, nozzle);
    }

    pub(super) fn read_once(&mut self, bed: f64, nozzle: f64) {
        let readings = Readings { bed: Some(Celsius(bed)), nozzle: Some(Celsius(nozzle)), ..Readings::default() };
        self.signal(Signal::Temperatures(readings));
    }

    pub(super) fn pass(&mut self, seconds: u64) {
        self.now = self.now + Duration::from_secs(seconds);
        self.line.handle_timeout(self.now);
        self.drain();
    }

    pub(super) fn state(&self) -> (LineState, LineReason) {
        self.line.state()
    }

    pub(super) fn begin(&mut self) {
        self.line.begin(self.now, work());
        self.drain();
    }

    /// Through warm to the middle of the print.
    pub(super) fn reach_print(&mut self) {
        self.begin();
        self.ok();
        self.read(59.0, 22.0);
        self.ok();
        self.read(60.0, 199.0);
        assert_eq!(self.line.phase(), Some(Phase::Print));
    }

    /// Through the print to cooling, head parked.
    pub(super) fn reach_cool(&mut self) {
        self.reach_print();
        assert_eq!(self.ok(), Step::Print);
        let parked = self.ok();
        assert_eq!(parked, Step::CoolDown { park_z: Some(Millimetres(15.0)) });
        assert_eq!(self.line.phase(), Some(Phase::Cool));
    }

    /// Until the belt runs.
    pub(super) fn reach_advance(&mut self) {
        self.reach_cool();
        self.read(32.0, 40.0);
        assert_eq!(self.line.phase(), Some(Phase::Advance));
    }

    pub(super) fn belt_done(&mut self, watched: Option<Watched>) {
        let moved = match &self.open[0].1 {
            Step::Belt { moves, .. } => Micrometres(moves.iter().map(|m| m.travel.0).sum()),
            other => panic!("the belt should run, not {other:?}"),
        };
        self.done(StepResult { complete: true, moved, watched, ..StepResult::default() });
    }

    pub(super) fn ended(&self) -> Vec<(Outcome, Option<CheckedBy>)> {
        let ended = |act: &Act| match act {
            Act::CycleEnded { outcome, checked_by, .. } => Some((*outcome, *checked_by)),
            _ => None,
        };
        self.acts.iter().filter_map(ended).collect()
    }

    /// The last word on how far the belt ran for the cycle, µm, and whether there is more to come.
    pub(super) fn travelled(&self) -> Option<(i64, bool)> {
        self.acts.iter().rev().find_map(|act| match act {
            Act::Travelled { cycle: CYCLE, travelled, more } => Some((travelled.0, *more)),
            _ => None,
        })
    }

    /// Whether heaters were told to go off, and nothing warmer was asked for afterwards.
    pub(super) fn heaters_are_off(&self) -> bool {
        let last =
            self.acts.iter().rev().find(|act| {
                matches!(act, Act::Begin(_, Step::Heat { .. } | Step::Quiet { .. } | Step::CoolDown { .. }))
            });
        matches!(last, Some(Act::Begin(_, Step::Quiet { .. } | Step::CoolDown { .. })))
    }
}

pub(super) const SAW_IT_GO: Watched = Watched { looks: 50, changed: true, back: true };
pub(super) const SAW_NOTHING: Watched = Watched { looks: 50, changed: false, back: true };
pub(super) const STILL_PRESSED: Watched = Watched { looks: 50, changed: true, back: false };
