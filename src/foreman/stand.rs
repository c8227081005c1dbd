//! One line at the foreman's: its cycle, and what was last kept and shown of it.

use super::prints::Prints;
use super::view::LineView;
use crate::belt::{Advance, Span};
use crate::config::LineConfig;
use crate::job::{HeatRun, Job, LineRow, LineState, Material, Phase, Survey};
use crate::line::{Line, Readings, Signal, Step, StepResult, Watched, Work};
use crate::printer::{Looks, Report, Task, TaskResult};
use crate::schedule::{BeltNow, Berth, BerthState};
use crate::thermal::{Likeness, Prior, release_temperature};
use crate::units::{Celsius, Millimetres};

pub(super) struct Stand {
    pub(super) config: LineConfig,
    pub(super) line: Line,
    /// As it was last committed; `None` before the first time.
    pub(super) kept: Option<LineRow>,
    pub(super) kept_phase: Option<Phase>,
    pub(super) shown: Option<LineView>,
    /// Bytes of the file that were acknowledged, of how many.
    pub(super) progress: (u64, u64),
    /// Its prints against the clock.
    pub(super) prints: Prints,
}

impl Stand {
    pub(super) fn new(config: LineConfig, line: Line, kept: Option<LineRow>) -> Self {
        Self { config, line, kept, kept_phase: None, shown: None, progress: (0, 0), prints: Prints::default() }
    }

    /// What the scheduler needs to know.
    pub(super) fn berth(&self) -> Berth {
        let state = match self.line.state().0 {
            _ if self.line.is_ready() => BerthState::Ready,
            _ if self.line.asks().is_some() => BerthState::Asks,
            LineState::Execute if self.line.phase() == Some(Phase::Cool) => BerthState::Cooling,
            LineState::Execute | LineState::Idle if self.line.connected() => BerthState::Busy,
            LineState::Execute | LineState::Idle | LineState::Suspended => BerthState::Unconnected,
            LineState::Stopped | LineState::Held | LineState::Aborted => BerthState::Stopped,
        };
        Berth {
            name: self.config.name.clone(),
            state,
            material: self.config.material.clone(),
            limits: self.config.limits,
            belt: Some(self.belt_now()),
        }
    }

    fn belt_now(&self) -> BeltNow {
        let settings = &self.config.settings;
        let belt = &settings.belt;
        BeltNow {
            frame: self.config.frame,
            ledger: self.line.ledger().clone(),
            clearances: belt.clearances,
            fallen: belt.fallen,
            advances: settings.check.advances(),
        }
    }

    /// One copy of this job, worked out for this line.
    pub(super) fn work(
        &self,
        job: &Job,
        survey: &Survey,
        cycle: &crate::job::Cycle,
        materials: &[Material],
        heat: &[HeatRun],
    ) -> Work {
        let park = (survey.height_mm + self.config.head_clearance.0).min(self.config.limits.z_max_mm);
        let like = self.likeness(job, survey);
        let bed = survey.temperatures.bed_first_c.map(Celsius);
        let cooling = self.config.settings.cooling;
        Work {
            cycle: cycle.id,
            job: job.id,
            copy: cycle.copy,
            bed,
            nozzle: survey.temperatures.nozzle_first_c.map(Celsius),
            release: self.release(job, survey, materials),
            footprint: self.config.frame.extent(survey).map(Span::over),
            advance: self.advance(survey),
            park_z: Millimetres(park),
            print_time: std::time::Duration::try_from_secs_f64(survey.expected_time_s()).unwrap_or_default(),
            cooling: Prior::cooling(heat, cooling, &like),
            warming: Prior::warming(heat, cooling, bed.unwrap_or_default(), &like),
            like,
        }
    }

    /// What a part of this job is like, as the history of heat has it.
    pub(super) fn likeness(&self, job: &Job, survey: &Survey) -> Likeness {
        let names = [job.material.as_deref(), survey.material.as_deref(), self.config.material.as_deref()];
        let masses: Option<Vec<f64>> = survey.filament.iter().map(|used| used.mass_g).collect();
        Likeness {
            material: names.into_iter().flatten().next().map(|name| name.to_ascii_lowercase()),
            fan: self.config.settings.fan.clone(),
            mass_g: masses.map(|masses| masses.iter().sum()).filter(|mass| *mass > 0.0),
        }
    }

    /// Where a part of this job lets go.
    pub(super) fn release(&self, job: &Job, survey: &Survey, materials: &[Material]) -> Celsius {
        let names = [job.material.as_deref(), survey.material.as_deref(), self.config.material.as_deref()];
        release_temperature(job.release_c.map(Celsius), &names, materials)
    }

    /// What carries a part of this file over the nose.
    pub(super) fn advance(&self, survey: &Survey) -> Advance {
        self.config.frame.advance(self.config.frame.extent(survey), self.config.overrun)
    }

    /// The driver's words for a step.
    pub(super) fn task(&self, step: &Step, file: impl FnOnce() -> std::path::PathBuf) -> Task {
        match step {
            Step::Heat { bed, nozzle } => Task::Heat { bed: *bed, nozzle: *nozzle },
            Step::Print => Task::Print { file: file() },
            Step::Pause => Task::Pause,
            Step::GoOn => Task::GoOn,
            Step::CoolDown { park_z } => Task::CoolDown { park_z: *park_z },
            Step::Belt { moves, watch } => {
                Task::Belt { moves: moves.clone(), odometer: self.line.ledger().odometer, watch: *watch }
            }
            Step::Quiet { lift } => Task::Quiet { lift: *lift },
        }
    }
}

/// The line's words for a report; `None` where the line has no use for it.
pub(super) fn signal(report: Report) -> Option<Signal> {
    Some(match report {
        Report::Connected { .. } => Signal::Connected,
        Report::Lost { why, result } => Signal::Disconnected { why, result: step_result(result) },
        Report::Reset { result } => Signal::Reset { result: step_result(result) },
        Report::Fault { text } => Signal::Fault { text },
        Report::Temperatures { bed, bed_target, nozzle, nozzle_target } => {
            Signal::Temperatures(Readings { bed, bed_target, nozzle, nozzle_target })
        }
        Report::Done { task, result } => {
            Signal::StepDone { step: crate::line::StepId(task), result: step_result(result) }
        }
        Report::Failed { task, why, result } => {
            Signal::StepFailed { step: crate::line::StepId(task), why, result: step_result(result) }
        }
        Report::Note { .. } | Report::Progress { .. } => return None,
    })
}

fn step_result(result: TaskResult) -> StepResult {
    let TaskResult { complete, moved, maybe, watched, dropped: _ } = result;
    let watched = watched.map(|Looks { looks, changed, back }| Watched { looks, changed, back });
    StepResult { complete, moved, maybe, watched }
}
