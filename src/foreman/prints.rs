//! A line's prints against the clock: what the next one is corrected by.

use crate::job::{CycleId, LineState, PrintRun};
use crate::line::{Line, Stage};
use crate::schedule::Correction;
use crate::store::PRINT_RUNS;
use crate::units::Moment;

/// The prints of a line that are remembered, and the one under way.
#[derive(Debug, Default)]
pub(super) struct Prints {
    /// The oldest first.
    runs: Vec<PrintRun>,
    correction: Correction,
    under_way: Option<UnderWay>,
}

#[derive(Clone, Copy, Debug)]
struct UnderWay {
    cycle: CycleId,
    /// `None` since it came to a stand: what it takes then says nothing of the next one.
    begun: Option<Moment>,
}

impl Prints {
    pub(super) fn new(runs: Vec<PrintRun>) -> Self {
        Self { correction: Correction::learn(&runs), runs, under_way: None }
    }

    pub(super) fn correction(&self) -> Correction {
        self.correction
    }

    /// Looks at the line after an event; how long its print took, when it has just ended without a hold in between, s.
    pub(super) fn look(&mut self, line: &Line) -> Option<(CycleId, f64)> {
        let (cycle, stage) = line.in_work().map(|work| (work.work.cycle, work.stage))?;
        let known = self.under_way.filter(|under_way| under_way.cycle == cycle);
        match stage {
            Stage::Printing if line.state().0 == LineState::Execute => {
                self.under_way = known.or_else(|| Some(UnderWay { cycle, begun: Some(line.since()) }));
                None
            }
            Stage::Printing | Stage::Pausing | Stage::Paused | Stage::Reheating | Stage::Returning => {
                self.under_way = Some(UnderWay { cycle, begun: None });
                None
            }
            Stage::Cooling => {
                self.under_way = None;
                known?.begun.map(|begun| (cycle, line.since().since(begun).as_secs_f64()))
            }
            _ => None,
        }
    }

    /// One more.
    pub(super) fn add(&mut self, run: PrintRun) {
        self.runs.push(run);
        let spare = self.runs.len().saturating_sub(PRINT_RUNS);
        self.runs.drain(..spare);
        self.correction = Correction::learn(&self.runs);
    }
}
