//! How often somebody may be wrong: ten times at once, then once in six seconds.

use std::fmt;
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::time::Duration;

use governor::clock::{Clock, MonotonicClock};
use governor::middleware::NoOpMiddleware;
use governor::state::keyed::HashMapStateStore;
use governor::{Quota, RateLimiter};

const AT_ONCE: NonZeroU32 = NonZeroU32::new(10).expect("above zero");
const THEN_EVERY: Duration = Duration::from_secs(6);
/// So many askers are told apart; some 200 kB. More at once than this is an attack, and they share one measure.
const PLACES: usize = 4096;

/// Whom a failure is put down to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Place {
    V4([u8; 4]),
    /// A whole /64: whoever has one address of it has them all (RFC 4291, §2.5.1, RFC 6177).
    V6([u8; 8]),
    /// Nobody knows from where, or too many at once.
    Crowd,
}

impl Place {
    fn of(address: Option<IpAddr>) -> Self {
        match address.map(|address| address.to_canonical()) {
            Some(IpAddr::V4(v4)) => Self::V4(v4.octets()),
            Some(IpAddr::V6(v6)) => {
                let [a, b, c, d, e, f, g, h, ..] = v6.octets();
                Self::V6([a, b, c, d, e, f, g, h])
            }
            None => Self::Crowd,
        }
    }
}

/// Failures of the last minute, by where they came from.
pub(super) struct Failures<C: Clock + Clone = MonotonicClock> {
    limiter: RateLimiter<Place, HashMapStateStore<Place>, C, NoOpMiddleware<C::Instant>>,
    clock: C,
}

impl Default for Failures {
    fn default() -> Self {
        Self::new(MonotonicClock)
    }
}

impl<C: Clock + Clone> fmt::Debug for Failures<C> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Failures").field("places", &self.limiter.len()).finish_non_exhaustive()
    }
}

impl<C: Clock + Clone> Failures<C> {
    fn new(clock: C) -> Self {
        let quota = Quota::with_period(THEN_EVERY).expect("invariant: above zero").allow_burst(AT_ONCE);
        Self { limiter: RateLimiter::hashmap_with_clock(quota, clock.clone()), clock }
    }

    /// Counts one.
    ///
    /// # Errors
    /// How long to wait, where there were too many.
    pub(super) fn count(&self, from: Option<IpAddr>) -> Result<(), Duration> {
        if self.limiter.len() >= PLACES {
            self.limiter.retain_recent();
        }
        let place = if self.limiter.len() >= PLACES { Place::Crowd } else { Place::of(from) };
        self.limiter.check_key(&place).map_err(|until| until.wait_time_from(self.clock.now()))
    }
}

#[cfg(test)]
mod tests {
    use governor::clock::FakeRelativeClock;

    use super::*;

    fn failures() -> (Failures<FakeRelativeClock>, FakeRelativeClock) {
        let clock = FakeRelativeClock::default();
        (Failures::new(clock.clone()), clock)
    }

    fn from(text: &str) -> Option<IpAddr> {
        Some(text.parse().expect("an address"))
    }

    #[test]
    fn ten_at_once_and_then_one_in_six_seconds() {
        let (failures, clock) = failures();
        for _ in 0..10 {
            failures.count(from("192.168.0.7")).expect("not yet too many");
        }
        let wait = failures.count(from("192.168.0.7")).expect_err("too many");
        assert!(wait > Duration::ZERO && wait <= THEN_EVERY, "{wait:?}");
        failures.count(from("192.168.0.8")).expect("somebody else");
        clock.advance(THEN_EVERY);
        failures.count(from("192.168.0.7")).expect("one more");
        failures.count(from("192.168.0.7")).expect_err("and no other");
    }

    #[test]
    fn a_network_of_ipv6_is_one_asker_and_an_address_in_disguise_is_known() {
        let (failures, _) = failures();
        for n in 0..10 {
            failures.count(from(&format!("2001:db8:0:1::{n:x}"))).expect("not yet too many");
            failures.count(from("::ffff:192.0.2.1")).expect("not yet too many");
        }
        failures.count(from("2001:db8:0:1:ffff::1")).expect_err("the same /64");
        failures.count(from("2001:db8:0:2::1")).expect("another one");
        failures.count(from("192.0.2.1")).expect_err("the same as ::ffff:192.0.2.1");
    }

    #[test]
    fn askers_without_number_take_no_more_room_than_there_is() {
        let (failures, clock) = failures();
        for n in 0..2 * u32::try_from(PLACES).expect("few") {
            let counted = failures.count(Some(IpAddr::from(n.to_be_bytes())));
            // Whoever comes when all places are taken may be one too many of the crowd.
            assert!(counted.is_ok() || n >= u32::try_from(PLACES).expect("few"), "{n}");
        }
        assert!(failures.limiter.len() <= PLACES + 1, "{}", failures.limiter.len());
        failures.count(from("192.168.0.7")).expect_err("one of the crowd");
        clock.advance(THEN_EVERY * 20);
        failures.count(from("192.168.0.7")).expect("the places are free again");
        assert!(failures.limiter.len() < 10, "{}", failures.limiter.len());
    }
}
