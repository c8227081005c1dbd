//! The whole product on one clock, without waiting: foreman's decisions, line, driver, wire, a simulated machine, a store in
//! memory and the people around them. Every random choice comes from one seed.

mod cable;
mod chance;
mod fault;
mod files;
mod laws;
mod person;
mod phone;
mod plan;
pub(crate) mod runner;
mod store;
mod suffer;
mod tally;
#[expect(clippy::module_inception, reason = "it is the world")]
mod world;

#[cfg(test)]
mod tests {
    use super::plan::Plan;
    use super::world::World;

    #[test]
    fn a_line_without_faults_makes_what_is_asked_for() {
        for seed in 0..20 {
            let mut plan = Plan::new(seed);
            plan.faults.clear();
            let (tally, verdict) = World::new(plan).run();
            println!("{seed}: {tally:?}");
            if let Err(why) = verdict {
                panic!("seed {seed}: {why}");
            }
            assert!(tally.cycles > 0, "{tally:?}");
        }
    }
}
