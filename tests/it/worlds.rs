//! Worlds on one clock: what a line makes with and without faults, and what has once broken a law.

mod thumb;

use super::world::plan::Plan;
use super::world::runner::{run_many, run_script};
use super::world::world::World;
use thumb::{Thumbs, press_often};

/// Seeds, and those of their faults that it took: each broke a law once.
const ONCE_BROKEN: &[(u64, &[usize], &str)] = &[
    (877, &[3, 4], "killed after a file that ends in inches, the next advance ran 25.4 times as far"),
    (1685, &[0], "one report that lost a digit ran the belt over a hot bed"),
    (2791, &[2], "a retry and one advance passed for two whole advances"),
    (5962, &[0], "a stray line number passed for a reset, and the machine went on counting in inches"),
    (5765, &[1], "the belt ran on over a bed that grew warm again, as all of its way lay in the printer already"),
    (7141, &[1, 3, 4], "an advance stopped with the part across the switch passed for one that saw it go"),
    (13_571, &[0], "one report with a flipped bit ran the belt over a hot bed"),
    (14_659, &[0], "so did another"),
    (16_942, &[2], "one report with a doubled piece ran the belt over a hot bed"),
    (56_860, &[2], "a nozzle too cold to draw its filament back gave it out on the way back, beside the part"),
    (59_875, &[2], "a change of units was on its way when the link was cut"),
    (88_869, &[0, 3], "a print that a cold nozzle laid nothing of, while the computer slept, was counted as made"),
];

/// As many as a person waits for; the bench of the same name runs many more.
const SEEDS: u64 = 120;

#[test]
fn a_line_without_faults_makes_what_is_asked_for() {
    for seed in 0..20 {
        let mut plan = Plan::new(seed);
        plan.faults.clear();
        let (tally, verdict) = World::new(plan).run();
        verdict.unwrap_or_else(|why| panic!("seed {seed}: {why}"));
        assert!(tally.cycles > 0, "{tally:?}");
    }
}

#[test]
fn a_belt_that_a_thumb_runs_stops_when_the_thumb_or_its_phone_is_gone() {
    let mut shown = Thumbs::default();
    for seed in 0..40 {
        press_often(seed, &mut shown).unwrap_or_else(|why| panic!("seed {seed}: {why}; {shown:?}"));
    }
    println!("{shown:?}");
    assert!(shown.ran > 200 && shown.lost_phones > 100 && shown.mishaps > 100 && shown.kills > 5, "{shown:?}");
    // The bounds are not far from what happens, and letting go is heard at once but for a slow disk.
    assert!(shown.farthest > 0.8 && shown.after_let_go > 0.5 && shown.after_let_go < 2.0, "{shown:?}");
}

#[test]
fn what_once_broke_a_law_breaks_none_any_more() {
    for (seed, faults, what) in ONCE_BROKEN {
        let (_, verdict) = run_script(*seed, faults);
        verdict.unwrap_or_else(|why| panic!("seed {seed}, {what}: {why}"));
    }
}

/// `NOSEBAR_WORLD_SEEDS` says how many.
#[test]
fn no_law_is_broken_whatever_goes_wrong() {
    let asked = std::env::var("NOSEBAR_WORLD_SEEDS").ok().map(|text| text.parse().expect("a number of seeds"));
    let seeds = asked.unwrap_or(SEEDS);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let shown = run_many(0, seeds, threads, true);
    println!("{}", shown.report());
    assert!(shown.broken.is_empty(), "{}", shown.report());
    assert_eq!(shown.tally.seeds, seeds);
    let missing = shown.missing();
    assert!(seeds < SEEDS || missing.is_empty(), "never came about: {missing:?}");
}
