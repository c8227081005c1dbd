//! What worlds showed.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use nosebar::line::Line;

/// Counts of one world, or of many.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    pub(crate) seeds: u64,
    pub(crate) steps: u64,
    pub(crate) cycles: u64,
    pub(crate) line_time: Duration,
    pub(crate) faults: BTreeMap<&'static str, u64>,
    /// How often a line state was entered, and a stage of a cycle.
    pub(crate) reached: BTreeMap<String, u64>,
    /// Faults that wait for their moment, or had it.
    pub(crate) armed: BTreeSet<usize>,
    was: [Option<String>; 2],
}

impl Tally {
    pub(crate) fn count(&mut self, kind: &'static str) {
        *self.faults.entry(kind).or_default() += 1;
    }

    pub(crate) fn see(&mut self, line: &Line) {
        let state = Some(line.state().0.as_str());
        let phase = line.phase().map(|phase| phase.as_str());
        for (was, is) in self.was.iter_mut().zip([state, phase]) {
            if was.as_deref() != is {
                *was = is.map(str::to_owned);
                if let Some(is) = is {
                    *self.reached.entry(is.to_owned()).or_default() += 1;
                }
            }
        }
    }

    pub(crate) fn add(&mut self, other: &Self) {
        self.seeds += other.seeds;
        self.steps += other.steps;
        self.cycles += other.cycles;
        self.line_time += other.line_time;
        for (kind, count) in &other.faults {
            *self.faults.entry(kind).or_default() += count;
        }
        for (what, count) in &other.reached {
            *self.reached.entry(what.clone()).or_default() += count;
        }
    }
}
