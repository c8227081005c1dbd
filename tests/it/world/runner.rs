//! Runs many worlds, on all cores; shrinks what fails to the fewest faults that still fail.

use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use nosebar::job::{LineState, Phase};

use super::fault::KINDS;
use super::plan::Plan;
use super::tally::Tally;
use super::world::{Verdicts, World};

/// A seed that broke a law.
#[derive(Clone, Debug)]
pub(crate) struct Broken {
    pub(crate) seed: u64,
    /// Numbers of the faults that are needed, of those that the seed means.
    pub(crate) faults: Vec<usize>,
    pub(crate) why: String,
    script: String,
}

/// What many worlds showed.
#[derive(Debug, Default)]
pub(crate) struct Shown {
    pub(crate) tally: Tally,
    pub(crate) broken: Vec<Broken>,
}

/// So many failures are enough to begin with.
const BROKEN_MAX: usize = 8;

/// The world of a plan, to its end; a panic is a broken law too.
pub(crate) fn run(plan: Plan) -> (Tally, Verdicts) {
    let ran = catch_unwind(AssertUnwindSafe(|| World::new(plan).run()));
    let (mut tally, verdict) = ran.unwrap_or_else(|panic| {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        (Tally::default(), Err(format!("panic: {}", text.unwrap_or_default())))
    });
    tally.seeds = 1;
    (tally, verdict)
}

/// Runs the seeds from `first` on, `count` of them, on so many threads. With `patient` it goes on behind a failure.
pub(crate) fn run_many(first: u64, count: u64, threads: usize, patient: bool) -> Shown {
    let next = AtomicU64::new(first);
    let enough = AtomicBool::new(false);
    let shown = Mutex::new(Shown::default());
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                let mut own = Tally::default();
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= first + count || enough.load(Ordering::Relaxed) {
                        break;
                    }
                    let (tally, verdict) = run(Plan::new(seed));
                    own.add(&tally);
                    if let Err(why) = verdict {
                        let broken = shrink(seed, why);
                        let mut shown = shown.lock().expect("nobody panics with it");
                        shown.broken.push(broken);
                        enough.store(!patient || shown.broken.len() >= BROKEN_MAX, Ordering::Relaxed);
                    }
                }
                shown.lock().expect("nobody panics with it").tally.add(&own);
            });
        }
    });
    shown.into_inner().expect("nobody panicked with it")
}

/// The world of a seed with some of its faults only.
pub(crate) fn run_script(seed: u64, keep: &[usize]) -> (Tally, Verdicts) {
    run(with_faults(seed, keep))
}

/// A plan with some of its faults only.
pub(crate) fn with_faults(seed: u64, keep: &[usize]) -> Plan {
    let mut plan = Plan::new(seed);
    plan.faults = keep.iter().map(|&at| plan.faults[at].clone()).collect();
    plan
}

/// Drops faults one by one for as long as it still fails.
fn shrink(seed: u64, mut why: String) -> Broken {
    let mut keep: Vec<usize> = (0..Plan::new(seed).faults.len()).collect();
    let mut at = 0;
    while at < keep.len() {
        let mut fewer = keep.clone();
        fewer.remove(at);
        match run_script(seed, &fewer).1 {
            Err(still) => (keep, why) = (fewer, still),
            Ok(()) => at += 1,
        }
    }
    let mut script = String::new();
    for fault in with_faults(seed, &keep).faults {
        writeln!(script, "    {fault}").expect("text");
    }
    Broken { seed, faults: keep, why, script }
}

impl Shown {
    /// Kinds of faults, states and phases that never came about.
    pub(crate) fn missing(&self) -> Vec<String> {
        let reached = LineState::ALL.iter().map(|state| state.as_str()).chain(Phase::ALL.iter().map(|p| p.as_str()));
        let unreached = reached.filter(|what| !self.tally.reached.contains_key(*what));
        let unseen = KINDS.iter().copied().filter(|kind| !self.tally.faults.contains_key(kind));
        let mut missing: Vec<String> = unseen.chain(unreached).map(str::to_owned).collect();
        missing.dedup();
        missing
    }

    /// What to print.
    pub(crate) fn report(&self) -> String {
        let Tally { seeds, steps, cycles, line_time, faults, reached, .. } = &self.tally;
        let days = line_time.as_secs_f64() / 86_400.0;
        let mut text = format!("{seeds} seeds, {cycles} cycles, {days:.1} days of line time, {steps} steps\nfaults:\n");
        for (kind, count) in faults {
            writeln!(text, "  {count:>8}  {kind}").expect("text");
        }
        text += "reached:\n";
        for (what, count) in reached {
            writeln!(text, "  {count:>8}  {what}").expect("text");
        }
        writeln!(text, "laws broken: {}", self.broken.len()).expect("text");
        for Broken { seed, faults, why, script } in &self.broken {
            write!(text, "seed {seed}, faults {faults:?}: {why}\n  fault script:\n{script}").expect("text");
        }
        text
    }
}
