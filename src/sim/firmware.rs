//! What the board knows: everything here is lost by a reset.

use std::time::Duration;

use super::body::{Block, HeaterName};
use super::config::SimConfig;
use super::input::{Emergency, Input};
use super::modal::Modal;
use super::numbering::Numbering;
use crate::units::Moment;

/// The board's memory.
#[derive(Clone, Debug)]
pub(super) struct Firmware {
    pub(super) state: State,
    pub(super) modal: Modal,
    pub(super) numbering: Numbering,
    pub(super) input: Input,
    pub(super) emergency: Emergency,
    /// The command that is not done yet.
    pub(super) work: Option<Work>,
    pub(super) autoreport: Option<Every>,
    /// Since when a heater is on and known to give no heat: bed, nozzle.
    pub(super) cold_since: [Option<Moment>; 2],
}

/// Whether the board runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    /// Says `start` then.
    Boots(Moment),
    Runs,
    /// Reads and says nothing until then.
    Quiet(Moment),
    /// Stopped for good, until a reset.
    Halted,
}

/// A command that takes time, with the signs of life it gives.
#[derive(Clone, Debug)]
pub(super) struct Work {
    pub(super) task: Task,
    pub(super) busy: Every,
    pub(super) report: Option<Every>,
}

/// What a command waits for.
#[derive(Clone, Debug)]
pub(super) enum Task {
    /// A place in the planner.
    Place(Block),
    /// The end of all moves.
    Drain(Then),
    /// A moment.
    Until(Moment, Finish),
    /// A temperature.
    Heat { name: HeaterName, target_c: f64, also_falling: bool },
    /// A person (M108).
    Person,
}

/// What comes after the end of all moves.
#[derive(Clone, Copy, Debug)]
pub(super) enum Then {
    Done,
    Dwell(Duration),
    Home([bool; 3]),
    Person,
}

/// What comes at a moment.
#[derive(Clone, Copy, Debug)]
pub(super) enum Finish {
    Dwelt,
    Homed([bool; 3]),
}

/// Something said again and again.
#[derive(Clone, Copy, Debug)]
pub(super) struct Every {
    pub(super) period: Duration,
    pub(super) next: Moment,
}

/// How often a command under way says that it is.
const BUSY_PERIOD: Duration = Duration::from_secs(2);
/// How often a wait for a temperature says the temperature.
const WAIT_REPORT_PERIOD: Duration = Duration::from_secs(1);

impl Firmware {
    pub(super) fn new(config: &SimConfig, head: [f64; 3], now: Moment) -> Self {
        Self {
            state: State::Boots(now + config.boot),
            modal: Modal::new(&config.motion, head),
            numbering: Numbering::default(),
            input: Input::new(config.input),
            emergency: Emergency::default(),
            work: None,
            autoreport: None,
            cold_since: [None; 2],
        }
    }
}

impl Work {
    pub(super) fn new(task: Task, now: Moment) -> Self {
        let heats = matches!(task, Task::Heat { .. });
        let report = heats.then(|| Every::from(now, WAIT_REPORT_PERIOD));
        Self { task, busy: Every::from(now, BUSY_PERIOD), report }
    }
}

impl Every {
    /// The first time is a period from now.
    pub(super) fn from(now: Moment, period: Duration) -> Self {
        Self { period, next: now + period }
    }

    /// Whether it is time again. What was missed meanwhile is not made up for.
    pub(super) fn due(&mut self, now: Moment) -> bool {
        let due = self.next <= now;
        if due {
            let on_time = self.next + self.period;
            self.next = if on_time > now { on_time } else { now + self.period };
        }
        due
    }
}
