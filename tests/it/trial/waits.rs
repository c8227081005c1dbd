//! How well the ends of the waits for cooling are foreseen.

use std::fmt;

use nosebar::foreman::LineView;
use nosebar::job::Phase;
use nosebar::units::UnixMillis;

/// A prediction must be this close, as a share of the whole wait, from the moment that a third of it has passed.
const CLOSE: f64 = 0.05;

/// Every wait so far.
#[derive(Default)]
pub(super) struct Waits {
    under_way: Option<Wait>,
    /// The worst error of each wait, as a share of it; without a prediction, without end.
    worst: Vec<f64>,
}

struct Wait {
    began: UnixMillis,
    /// When something was foreseen, and what.
    foreseen: Vec<(UnixMillis, Option<UnixMillis>)>,
}

impl Waits {
    /// Takes in how the line looks. A wait ends when the belt begins to run.
    pub(super) fn see(&mut self, view: &LineView) {
        match view.phase {
            Some(Phase::Cool) => {
                let wait = self.under_way.get_or_insert(Wait { began: view.since, foreseen: Vec::new() });
                if let Some(at) = view.temperatures.at {
                    wait.foreseen.push((at, view.phase_ends.and_then(|ends| ends.at)));
                }
            }
            Some(Phase::Advance) => {
                if let Some(wait) = self.under_way.take() {
                    self.worst.push(wait.worst(view.since));
                }
            }
            _ => {}
        }
    }

    /// Waits that were foreseen well, and all.
    pub(super) fn counts(&self) -> [u32; 2] {
        let right = self.worst.iter().filter(|worst| **worst <= CLOSE).count();
        [right, self.worst.len()].map(|count| u32::try_from(count).expect("not so many"))
    }
}

impl Wait {
    fn worst(&self, ended: UnixMillis) -> f64 {
        let whole = (ended.0 - self.began.0) as f64;
        let late = self.foreseen.iter().filter(|(at, _)| 3 * (at.0 - self.began.0) >= ended.0 - self.began.0);
        // The reading that ended it foresees nothing.
        let late = late.filter(|(at, _)| *at < ended);
        let error = |end: &Option<UnixMillis>| end.map_or(f64::INFINITY, |end| (end.0 - ended.0).abs() as f64 / whole);
        late.map(|(_, end)| error(end)).fold(0.0, f64::max)
    }
}

impl fmt::Debug for Waits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [right, all] = self.counts();
        let worst = self.worst.iter().copied().fold(0.0, f64::max);
        write!(f, "{right} of {all} foreseen within 5 %, at worst {:.2} %", worst * 100.0)
    }
}
