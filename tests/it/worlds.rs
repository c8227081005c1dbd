//! Worlds on one clock: what a line makes with and without faults, and what has once broken a law.

use super::world::plan::Plan;
use super::world::world::World;

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
