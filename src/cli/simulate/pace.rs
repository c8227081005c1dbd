//! Simulated time by the machine's clock: `speed` times as fast.

use std::time::Duration;

use crate::clock::Clock;
use crate::units::Moment;

/// Simulated time by the machine's clock.
pub(super) struct Pace {
    clock: Clock,
    speed: f64,
}

impl Pace {
    pub(super) fn new(speed: f64) -> Self {
        Self { clock: Clock::real(), speed }
    }

    /// Now, in simulated time.
    pub(super) fn now(&self) -> Moment {
        Moment::ZERO + self.real().since(Moment::ZERO).mul_f64(self.speed)
    }

    /// Now, by the machine's clock.
    pub(super) fn real(&self) -> Moment {
        self.clock.now()
    }

    /// How long to wait, really, for a simulated moment.
    pub(super) fn until(&self, moment: Moment) -> Duration {
        let wait = moment.since(self.now()).as_secs_f64() / self.speed;
        Duration::try_from_secs_f64(wait).unwrap_or(Duration::MAX)
    }
}
