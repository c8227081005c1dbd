//! A store in memory. What is in it was durable: it outlives the process, and nothing else does.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use nosebar::job::{AccessKey, Cycle, CycleId, HeatRun, Job, JobId, LineRow, PrintRun, Survey};
use nosebar::line::Step;
use nosebar::printer::Task;
use nosebar::store::{Entry, PRINT_RUNS, Snapshot, StoreError, Write};

/// What is kept.
#[derive(Clone, Debug, Default)]
pub(crate) struct Kept {
    pub(crate) jobs: BTreeMap<JobId, Job>,
    surveys: BTreeMap<String, Survey>,
    pub(crate) cycles: BTreeMap<CycleId, Cycle>,
    pub(crate) lines: BTreeMap<String, LineRow>,
    print_runs: Vec<PrintRun>,
    heat_runs: Vec<HeatRun>,
    keys: Vec<AccessKey>,
    pub(crate) last_seq: i64,
    /// Steps whose beginning is in the journal, since the process began.
    pub(crate) steps: BTreeSet<u64>,
    /// The last entries, for a person who looks for what happened.
    pub(crate) journal: Vec<Entry>,
    /// Why it takes no writes now.
    pub(crate) fails: Option<Failure>,
}

/// How it fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Failure {
    /// The disk is full.
    Full,
    /// A write fails.
    Broken,
}

impl Kept {
    /// All or nothing.
    pub(crate) fn commit(&mut self, writes: Vec<Write>) -> Result<(), StoreError> {
        let path = PathBuf::from("nosebar.db");
        match self.fails {
            Some(Failure::Full) => return Err(StoreError::DiskFull { path }),
            Some(Failure::Broken) => return Err(StoreError::Other { path, what: "disk I/O error".to_owned() }),
            None => {}
        }
        for write in writes {
            self.write(write);
        }
        Ok(())
    }

    fn write(&mut self, write: Write) {
        match write {
            Write::File { survey, .. } => drop(self.surveys.entry(survey.file.sha256.clone()).or_insert(*survey)),
            Write::Job(job) => drop(self.jobs.insert(job.id, Arc::unwrap_or_clone(job))),
            Write::Cycle(cycle) => drop(self.cycles.insert(cycle.id, *cycle)),
            Write::Line(row) => drop(self.lines.insert(row.name.to_string(), *row)),
            Write::PrintRun(run) => self.print_runs.push(*run),
            Write::HeatRun(run) => self.heat_runs.push(*run),
            Write::Key(key) => self.keys.push(*key),
            // Nothing in the world asks about what has ended.
            Write::Remake { .. } | Write::Request(_) => {}
            Write::Journal(entry) => {
                assert_eq!(entry.seq, self.last_seq + 1, "the journal has a gap");
                self.last_seq = entry.seq;
                if entry.kind == "step-begin" {
                    let number = entry.text.strip_prefix("step ").and_then(|text| text.split(':').next());
                    self.steps.extend(number.and_then(|number| number.parse::<u64>().ok()));
                }
                self.journal.push(Arc::unwrap_or_clone(entry));
            }
        }
    }

    /// Whether this is a piece of a held jog, and the line's row has it as the step that is open.
    pub(crate) fn keeps_piece(&self, task: &Task) -> bool {
        let Task::Belt { moves, watch, .. } = task else { return false };
        let step = Step::Belt { moves: moves.clone(), watch: *watch };
        let open = |row: &LineRow| row.open_step.as_ref().and_then(|text| serde_json::from_str::<Step>(text).ok());
        step.is_piece() && self.lines.values().any(|row| open(row).as_ref() == Some(&step))
    }

    /// What the next process finds.
    pub(crate) fn load(&mut self) -> Snapshot {
        self.steps.clear();
        let open = |job: &&Job| !job.state.is_terminal() || job.source_key.is_some();
        let mut jobs: Vec<Arc<Job>> = self.jobs.values().filter(open).cloned().map(Arc::new).collect();
        jobs.sort_by_key(|job| (job.rank, job.id));
        let skip = self.print_runs.len().saturating_sub(PRINT_RUNS);
        Snapshot {
            surveys: self.surveys.values().cloned().collect(),
            cycles: self.cycles.values().filter(|cycle| cycle.outcome.is_none()).cloned().collect(),
            lines: self.lines.values().cloned().collect(),
            print_runs: self.print_runs[skip..].to_vec(),
            heat_runs: self.heat_runs.clone(),
            keys: self.keys.clone(),
            last_job: self.jobs.keys().next_back().map_or(0, |id| id.0),
            last_cycle: self.cycles.keys().next_back().map_or(0, |id| id.0),
            last_seq: self.last_seq,
            last_heat_run: self.heat_runs.last().map_or(0, |run| run.id),
            jobs,
        }
    }
}
