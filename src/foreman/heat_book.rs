//! What the beds of the lines did so far, in memory: each line's own experience.

use crate::job::{CycleId, HeatRun, LineName};
use crate::thermal::{Likeness, Summary};
use crate::units::UnixMillis;

/// So many of each line and way are kept; older ones say little of the next.
const KEPT: usize = 50;

/// Fitted warm-ups and cool-downs, in the order in which they happened.
#[derive(Debug, Default)]
pub(super) struct HeatBook {
    runs: Vec<HeatRun>,
    new: Vec<HeatRun>,
    last: i64,
}

impl HeatBook {
    pub(super) fn open(runs: Vec<HeatRun>, last: i64) -> Self {
        Self { runs, new: Vec::new(), last }
    }

    /// Those of one line.
    pub(super) fn of(&self, line: &LineName) -> Vec<HeatRun> {
        self.runs.iter().filter(|run| run.line == *line).cloned().collect()
    }

    /// Notes one more, to be kept.
    pub(super) fn note(
        &mut self,
        at: UnixMillis,
        line: &LineName,
        cycle: Option<CycleId>,
        like: &Likeness,
        summary: &Summary,
    ) {
        self.last += 1;
        let run = HeatRun {
            id: self.last,
            line: line.clone(),
            way: summary.way,
            cycle,
            at,
            material: like.material.clone(),
            fan: like.fan.clone(),
            mass_g: like.mass_g,
            start_c: summary.start.0,
            end_c: summary.end.0,
            ambient_c: summary.floor.0,
            tau_s: summary.tau.as_secs_f64(),
            rms_k: summary.rms_k,
            samples: summary.samples,
        };
        self.new.push(run.clone());
        self.runs.push(run);
        let alike = |other: &HeatRun| other.line == *line && other.way == summary.way;
        if self.runs.iter().filter(|run| alike(run)).count() > KEPT
            && let Some(oldest) = self.runs.iter().position(alike)
        {
            self.runs.remove(oldest);
        }
    }

    /// Those that are not in the database yet.
    pub(super) fn take_new(&mut self) -> impl Iterator<Item = HeatRun> + use<> {
        std::mem::take(&mut self.new).into_iter()
    }
}
