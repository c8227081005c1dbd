//! What the foreman publishes: each line as a person needs to see it. Kept up to date in a watch channel.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::belt::BeltView;
use crate::job::{AlarmKind, AlarmState, CycleId, JobId, LineName, LineReason, LineState, Phase};
use crate::units::UnixMillis;

/// All lines, as they are now.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Live {
    /// In the order of the config.
    pub lines: Vec<LineView>,
    /// The journal's last number when this was made.
    pub seq: i64,
}

/// A line, as a person needs to see it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LineView {
    /// Its name.
    pub name: LineName,
    /// Its state.
    pub state: LineState,
    /// Why it is in this state.
    pub reason: LineReason,
    /// Its phase, while a cycle is under way.
    pub phase: Option<Phase>,
    /// One sentence: "Cooling: 47.2 °C, lets go at 32 °C".
    pub words: String,
    /// What it waits for, in words.
    pub waits_for: Option<String>,
    /// Since when it is in this state and phase.
    pub since: UnixMillis,
    /// When it gives up waiting and holds.
    pub deadline: Option<UnixMillis>,
    /// When the bed will be where it is going, as far as that is foreseen: while it warms up, and while a part cools.
    pub phase_ends: Option<PhaseEnds>,
    /// The job and copy under way.
    pub work: Option<WorkView>,
    /// Last reported temperatures.
    pub temperatures: TemperatureView,
    /// What a person is asked, if anything.
    pub question: Option<Question>,
    /// Whether there is a connection to the printer.
    pub connected: bool,
    /// Whether the belt is known to be clear.
    pub belt_clear: bool,
    /// Belt travel since installation, µm.
    pub belt_odometer_um: i64,
    /// Belt travel that may have happened without acknowledgement, µm.
    pub belt_uncertain_um: i64,
    /// Whether it will be held when the part under way has left.
    pub hold_after_part: bool,
    /// Its clear check: `ask`, `switch`, `command` or `trust`.
    pub check: String,
    /// The standing word of a line without a sensor: what is risked, shown with every copy.
    pub standing_word: Option<String>,
    /// Material loaded.
    pub material: Option<String>,
    /// What commissioning begins from, and what was tried.
    pub trial: TrialView,
    /// Commands that make sense now: `hold-now`, `hold-after-part`, `resume`, `stop`, `emergency-stop`, `belt-clear`, `not-clear`,
    /// `jog`, `heat-trial`, `end-trial`.
    pub commands: Vec<String>,
    /// The belt itself: what is marked and lies on it.
    pub belt: Option<BeltView>,
    /// Alarms that are not normal, in the order in which they were raised.
    #[serde(default)]
    pub alarms: Vec<AlarmView>,
}

/// An alarm, as a person needs to see it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AlarmView {
    /// What it is about.
    pub kind: AlarmKind,
    /// Where it is.
    pub state: AlarmState,
    /// When it was raised; `None` before the daemon began.
    pub raised: Option<UnixMillis>,
    /// Its name for people.
    pub name: String,
    /// The figures when it was raised.
    pub note: String,
    /// What is likely to be behind it.
    pub cause: String,
    /// What follows if nobody does anything.
    pub consequence: String,
    /// What to do.
    pub what_to_do: String,
}

/// What commissioning begins from, and what was tried.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TrialView {
    /// Printer units for each millimetre of belt.
    pub units_per_mm: f64,
    /// Whether positive units run away from the nose.
    pub inverted: bool,
    /// Where the nose is, mm along the way toward it.
    pub nose_mm: f64,
    /// The fastest that a jog may be, mm/min.
    pub travel_mm_min: f64,
    /// The hottest that the bed may get, °C.
    pub bed_max_c: f64,
    /// The last run of the bed's heater since the daemon began.
    pub heat_run: Option<HeatRunView>,
}

/// A run of the bed's heater.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HeatRunView {
    /// What the bed is heated to, °C.
    pub target_c: f64,
    /// `warming`, `soaking`, `cooling` or `ended`.
    pub stage: String,
    /// Readings so far.
    pub samples: usize,
    /// Temperature that the bed cools toward, °C; once the run has ended and says enough.
    pub ambient_c: Option<f64>,
    /// Time in which it loses 63 % of its warmth above that, s.
    pub time_constant_s: Option<f64>,
}

/// A predicted end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PhaseEnds {
    /// Most likely then; `None`: not as it goes now.
    pub at: Option<UnixMillis>,
    /// Before this only one time in twenty.
    pub from: UnixMillis,
    /// After this only one time in twenty; `None`: it may well be without end.
    pub until: Option<UnixMillis>,
}

/// The copy under way.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WorkView {
    /// The job.
    pub job: JobId,
    /// Its name.
    pub name: String,
    /// The cycle.
    pub cycle: CycleId,
    /// Which copy, from 1.
    pub copy: u32,
    /// How many are asked for.
    pub copies: u32,
    /// Share of the file that has been sent, 0…1.
    pub sent: f64,
    /// Share of the print's time that is done where the file has been sent to, 0…1.
    #[serde(default)]
    pub done: f64,
    /// Bed temperature at which the part lets go, °C.
    pub release_c: f64,
    /// Belt travel that will push it off, mm.
    pub advance_mm: f64,
}

/// Last reported temperatures, °C.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TemperatureView {
    /// Bed.
    pub bed_c: Option<f64>,
    /// What the bed is set to.
    pub bed_target_c: Option<f64>,
    /// Nozzle.
    pub nozzle_c: Option<f64>,
    /// What the nozzle is set to.
    pub nozzle_target_c: Option<f64>,
    /// When they were reported.
    pub at: Option<UnixMillis>,
}

/// A question that needs a person, with two answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Question {
    /// What happened.
    pub happened: String,
    /// What to look at.
    pub look_at: String,
    /// The question itself.
    pub ask: String,
    /// The good answer, sent as `belt-clear`.
    pub yes: String,
    /// What it will do.
    pub yes_does: String,
    /// The bad answer, sent as `not-clear`.
    pub no: String,
    /// What it will do.
    pub no_does: String,
}
