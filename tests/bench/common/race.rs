//! A race: contestants run one after another, round by round, so that whatever else the machine does meets them all alike.

use std::hint::black_box;
use std::time::{Duration, Instant};

/// What is measured under a name; what it returns is computed, whatever the optimiser thinks of it.
pub(crate) struct Contestant<'a> {
    name: String,
    run: Box<dyn FnMut() -> u64 + 'a>,
    times_s: Vec<f64>,
}

/// Contestants over the same input.
pub(crate) struct Race<'a> {
    contestants: Vec<Contestant<'a>>,
}

impl<'a> Race<'a> {
    pub(crate) const fn new() -> Self {
        Self { contestants: Vec::new() }
    }

    /// Enters a contestant. It returns a count, so that nothing of its work can be left out.
    pub(crate) fn enter(&mut self, name: &str, run: impl FnMut() -> u64 + 'a) {
        self.contestants.push(Contestant { name: name.to_owned(), run: Box::new(run), times_s: Vec::new() });
    }

    /// Runs everybody once for nothing, then `rounds` times in turn.
    pub(crate) fn run(mut self, rounds: usize) -> Results {
        for round in 0..=rounds {
            for contestant in &mut self.contestants {
                let took = timed(&mut contestant.run);
                if round > 0 {
                    contestant.times_s.push(took.as_secs_f64());
                }
            }
        }
        Results { times_s: self.contestants.into_iter().map(|one| (one.name, one.times_s)).collect() }
    }
}

#[expect(clippy::disallowed_methods, reason = "a bench measures the machine's own time")]
fn timed(run: &mut dyn FnMut() -> u64) -> Duration {
    let start = Instant::now();
    black_box(run());
    start.elapsed()
}

/// Times of a race, s, by contestant and round.
pub(crate) struct Results {
    times_s: Vec<(String, Vec<f64>)>,
}

impl Results {
    /// Names in the order of entry.
    pub(crate) fn names(&self) -> impl Iterator<Item = &str> {
        self.times_s.iter().map(|(name, _)| name.as_str())
    }

    /// Median time, s.
    pub(crate) fn median_s(&self, name: &str) -> f64 {
        median(self.of(name).to_vec())
    }

    /// How many times as fast as `other` a contestant is: the median over the rounds, each taken by itself.
    pub(crate) fn times_as_fast(&self, name: &str, other: &str) -> f64 {
        median(self.of(name).iter().zip(self.of(other)).map(|(own, other)| other / own).collect())
    }

    fn of(&self, name: &str) -> &[f64] {
        let found = self.times_s.iter().find(|(known, _)| known == name);
        &found.unwrap_or_else(|| panic!("nobody is called {name}")).1
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
