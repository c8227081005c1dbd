//! Many worlds: `cargo bench --bench world -- --seeds 100000`. Prints what they did and suffered; fails if a law was broken, or
//! if a kind of fault, a line state or a phase never came about. `--laws` ends at the first broken law and looks at nothing else;
//! `--seed N` tells everything of one.

#[path = "../it/world/mod.rs"]
mod world;

mod common {
    pub(crate) mod asked;
}

use std::process::ExitCode;
use std::thread::available_parallelism;

/// One seed, with everything that went over its cable and into its journal.
fn one(seed: u64) -> ExitCode {
    let plan = world::plan::Plan::new(seed);
    for fault in &plan.faults {
        println!("{fault}");
    }
    let mut world = world::world::World::new(plan);
    world.told = usize::MAX;
    let (tally, verdict) = world.run();
    println!("{tally:?}");
    match verdict {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            println!("{why}");
            ExitCode::FAILURE
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "a bench measures real time")]
fn main() -> ExitCode {
    let (first, seeds) = (common::asked::value("--first", 0), common::asked::value("--seeds", 1000));
    let threads = available_parallelism().map_or(1, usize::from);
    let threads = common::asked::value("--threads", threads);
    if let Some(seed) = std::env::args().skip_while(|argument| argument != "--seed").nth(1) {
        return one(seed.parse().expect("a seed"));
    }
    // What a world panics with is told with its seed.
    std::panic::set_hook(Box::new(|_| {}));
    let begun = std::time::Instant::now();
    let laws = std::env::args().any(|argument| argument == "--laws");
    let shown = world::runner::run_many(first as u64, seeds as u64, threads, !laws);
    let took = begun.elapsed().as_secs_f64();
    print!("{}", shown.report());
    let [seeds, cycles, days] =
        [shown.tally.seeds as f64, shown.tally.cycles as f64, shown.tally.line_time.as_secs_f64() / 86_400.0];
    println!(
        "{took:.1} s on {threads} threads: {:.0} seeds and {:.0} cycles a second, {:.1} ms a day of line time on one thread",
        seeds / took,
        cycles / took,
        took * threads as f64 * 1000.0 / days
    );
    let missing = if laws { Vec::new() } else { shown.missing() };
    for what in &missing {
        println!("never came about: {what}");
    }
    if shown.broken.is_empty() && missing.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
