//! What the thermometers of a line showed, and how its bed will go on; published beside the lines.

use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;
use tokio::sync::watch;
use utoipa::ToSchema;

use super::decide::Decider;
use super::present::phase_ends;
use super::stand::Stand;
use super::view::PhaseEnds;
use crate::clock::Clock;
use crate::job::{CycleId, LineName, LineState};
use crate::line::Stage;
use crate::thermal::Trace;
use crate::units::{Celsius, Moment, UnixMillis};

/// Just below the second between two readings, so that each of them shows and nothing more often.
const AT_MOST_EVERY: Duration = Duration::from_millis(900);
/// How far back a line without a copy remembers.
const IDLE_SPAN: Duration = Duration::from_secs(30 * 60);
/// Steps of the way ahead: more bends than an eye sees.
const STEPS: u32 = 32;

/// A time and a temperature: milliseconds since 1970-01-01T00:00:00Z, °C.
pub type TimedTemperature = (i64, f64);

/// The temperatures of a line: of the copy under way, or of the last half hour.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct TemperatureCurve {
    /// The line.
    pub line: LineName,
    /// When this was made.
    pub at: UnixMillis,
    /// What the bed's thermometer showed, at most 240 points: first, last, least and greatest of all are among them.
    #[schema(value_type = Vec<Vec<f64>>)]
    pub bed: Vec<TimedTemperature>,
    /// What the nozzle's thermometer showed, as many.
    #[schema(value_type = Vec<Vec<f64>>)]
    pub nozzle: Vec<TimedTemperature>,
    /// How the bed will most likely go on until it is where it is going: the fitted curve; empty where nobody can tell.
    #[schema(value_type = Vec<Vec<f64>>)]
    pub foretold: Vec<TimedTemperature>,
    /// When it is there, with the interval that is meant to hold nine times in ten.
    pub ends: Option<PhaseEnds>,
    /// Where the part of the copy under way lets go, °C.
    pub release_c: Option<f64>,
    /// What the bed is set to, °C; `None` while its heater is off, or where that is not told.
    pub target_c: Option<f64>,
}

/// All lines, in the order of the config.
pub(super) type Curves = Arc<Vec<Arc<TemperatureCurve>>>;

/// The curves' place with the foreman. A reading costs a few comparisons; once a second a line whose temperatures were read has its
/// points, a few hundred, written anew.
pub(super) struct Thermographs {
    published: watch::Sender<Curves>,
    lines: Vec<Thermograph>,
}

#[derive(Default)]
struct Thermograph {
    bed: Trace,
    nozzle: Trace,
    /// The copy that is being followed, or was the last.
    cycle: Option<CycleId>,
    read_at: Option<Moment>,
    /// What else shows.
    look: Option<(LineState, Option<Stage>)>,
    changed: bool,
    made: Option<(Moment, Arc<TemperatureCurve>)>,
}

impl Thermographs {
    pub(super) fn new(lines: usize) -> (Self, watch::Receiver<Curves>) {
        let (published, out) = watch::channel(Arc::default());
        (Self { published, lines: (0..lines).map(|_| Thermograph::default()).collect() }, out)
    }

    /// After an event.
    pub(super) fn refresh(&mut self, decider: &Decider) {
        let now = decider.clock.now();
        let mut news = false;
        for (own, stand) in self.lines.iter_mut().zip(&decider.stands) {
            own.follow(now, stand);
            news |= own.remake(now, stand, &decider.clock);
        }
        if news {
            let curves = self.lines.iter().filter_map(|own| own.made.as_ref().map(|(_, curve)| Arc::clone(curve)));
            self.published.send_replace(Arc::new(curves.collect()));
        }
    }
}

impl Thermograph {
    fn follow(&mut self, now: Moment, stand: &Stand) {
        let line = &stand.line;
        let work = line.in_work();
        let look = Some((line.state().0, work.map(|work| work.stage)));
        self.changed |= look != self.look;
        self.look = look;
        if let Some(cycle) = work.map(|work| work.work.cycle)
            && self.cycle != Some(cycle)
        {
            *self = Self { cycle: Some(cycle), look, changed: true, made: self.made.take(), ..Self::default() };
        }
        let (readings, read_at) = line.readings();
        if read_at == self.read_at {
            return;
        }
        self.read_at = read_at;
        let Some(at) = read_at else { return };
        self.changed = true;
        readings.bed.into_iter().for_each(|c| self.bed.add(at, c));
        readings.nozzle.into_iter().for_each(|c| self.nozzle.add(at, c));
        if work.is_none() {
            let from = Moment(now.0.saturating_sub(u64::try_from(IDLE_SPAN.as_micros()).unwrap_or(u64::MAX)));
            self.bed.forget_before(from);
            self.nozzle.forget_before(from);
        }
    }

    /// Whether there is a new one.
    fn remake(&mut self, now: Moment, stand: &Stand, clock: &Clock) -> bool {
        let due = self.made.as_ref().is_none_or(|(at, _)| self.changed && now.since(*at) >= AT_MOST_EVERY);
        if due {
            self.changed = false;
            self.made = Some((now, Arc::new(self.curve(now, stand, clock))));
        }
        due
    }

    fn curve(&self, now: Moment, stand: &Stand, clock: &Clock) -> TemperatureCurve {
        let line = &stand.line;
        let wall = clock.wall_at(now);
        let timed = |points: Vec<(Moment, Celsius)>| -> Vec<TimedTemperature> {
            points.into_iter().map(|(at, c)| (clock.wall_at(at).0, (c.0 * 1000.0).round() / 1000.0)).collect()
        };
        let runs = line.state().0 == LineState::Execute;
        let foretold = if runs { line.foretold(now, STEPS) } else { Vec::new() };
        TemperatureCurve {
            line: line.name().clone(),
            at: wall,
            bed: timed(self.bed.points()),
            nozzle: timed(self.nozzle.points()),
            foretold: timed(foretold),
            ends: phase_ends(line, clock),
            release_c: line.in_work().map(|work| work.work.release.0),
            target_c: line.readings().0.bed_target.map(|c| c.0).filter(|c| *c > 0.0),
        }
    }
}
