//! The only place that reads a clock.
//!
//! A real clock is the machine's. A *warped* clock serves the simulated printer: it runs at most `speed` times as fast as the
//! machine's and stands still while anybody is at work, so that a slow disk or a busy machine never eats line time and no
//! deadline passes because the host was late. Work is announced with [`Busy`] tokens: whoever is woken by
//! [`Clock::sleep_until`] gets one, and every message between tasks carries one until it has been dealt with.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, oneshot};
use tokio::time::Instant;

use crate::units::{Moment, UnixMillis};

/// A handle on a clock; clones share it.
#[derive(Clone, Debug)]
pub struct Clock {
    kind: Kind,
    start: Instant,
    start_wall: UnixMillis,
}

#[derive(Clone, Debug)]
enum Kind {
    Real,
    Warped(Arc<Warp>),
}

/// A warped clock does not move while one of these is alive. On a real clock it means nothing.
#[derive(Debug)]
#[must_use = "the clock moves on as soon as this is dropped"]
pub struct Busy(Option<Arc<Warp>>);

#[derive(Debug)]
struct Warp {
    speed: f64,
    state: Mutex<WarpState>,
    changed: Notify,
}

#[derive(Debug)]
struct WarpState {
    now: Moment,
    wall_shift_ms: i64,
    busy: usize,
    next_id: u64,
    sleepers: BTreeMap<(Moment, u64), oneshot::Sender<Busy>>,
    /// Where the pace is measured from: line time never runs ahead of `base_line + speed × (now − base_real)`.
    base_line: Moment,
    base_real: Instant,
}

/// How far the warped clock may lag behind its pace before the pace is counted anew.
const LAG_MAX: Duration = Duration::from_millis(250);
/// The runtime's timer is millisecond-grained; shorter waits are not worth asking for.
const WAIT_MIN: Duration = Duration::from_millis(1);

impl Clock {
    /// The machine's clock.
    #[must_use]
    pub fn real() -> Self {
        Self { kind: Kind::Real, start: instant_now(), start_wall: wall_now() }
    }

    /// A clock that runs at most `speed` times as fast as the machine's. Must be called inside a runtime: a task moves it.
    ///
    /// # Panics
    /// If `speed` is not above zero.
    #[must_use]
    pub fn warped(speed: f64) -> Self {
        assert!(speed > 0.0, "a clock's speed is above zero");
        let start = instant_now();
        let warp = Arc::new(Warp::new(speed, start));
        tokio::spawn(run(Arc::downgrade(&warp)));
        Self { kind: Kind::Warped(warp), start, start_wall: wall_now() }
    }

    /// A clock that stands still until [`Self::move_to`] is called: for worlds that need no runtime.
    #[must_use]
    pub fn manual(start_wall: UnixMillis) -> Self {
        let start = instant_now();
        Self { kind: Kind::Warped(Arc::new(Warp::new(1.0, start))), start, start_wall }
    }

    /// Moves a clock that nothing else moves; never backwards, and not while anybody is at work.
    pub fn move_to(&self, moment: Moment) {
        if let Kind::Warped(warp) = &self.kind {
            warp.move_to(moment);
        }
    }

    /// Sets the civil time of a clock that nothing else moves forward by so many milliseconds, or back: line time goes on as before.
    pub fn shift_wall(&self, by_ms: i64) {
        if let Kind::Warped(warp) = &self.kind {
            warp.lock().wall_shift_ms += by_ms;
        }
    }

    /// Now, in line time.
    #[must_use]
    pub fn now(&self) -> Moment {
        match &self.kind {
            Kind::Real => Moment::ZERO + instant_now().duration_since(self.start),
            Kind::Warped(warp) => warp.lock().now,
        }
    }

    /// Now, in civil time; on a warped clock, the civil time that the line believes in.
    #[must_use]
    pub fn wall(&self) -> UnixMillis {
        match &self.kind {
            Kind::Real => wall_now(),
            Kind::Warped(_) => self.wall_at(self.now()),
        }
    }

    /// The civil time of a moment.
    #[must_use]
    pub fn wall_at(&self, moment: Moment) -> UnixMillis {
        let base = match &self.kind {
            // The machine's clock may have been set meanwhile: count from now, not from the start.
            Kind::Real => UnixMillis(wall_now().0 - millis(self.now())),
            Kind::Warped(warp) => UnixMillis(self.start_wall.0 + warp.lock().wall_shift_ms),
        };
        UnixMillis(base.0 + millis(moment))
    }

    /// Waits until `moment`. Safe to cancel. Hold the token until the work that was waited for is done.
    pub async fn sleep_until(&self, moment: Moment) -> Busy {
        match &self.kind {
            Kind::Real => {
                tokio::time::sleep_until(self.start + Duration::from_micros(moment.0)).await;
                Busy(None)
            }
            Kind::Warped(warp) => {
                let Some(woken) = warp.enlist(moment) else { return warp.token() };
                // The sender goes only with the clock itself, and this handle keeps that alive.
                woken.await.unwrap_or(Busy(None))
            }
        }
    }

    /// As [`Self::sleep_until`]; without a moment it never ends.
    pub async fn sleep_until_some(&self, moment: Option<Moment>) -> Busy {
        match moment {
            Some(moment) => self.sleep_until(moment).await,
            None => std::future::pending().await,
        }
    }

    /// Announces work.
    pub fn busy(&self) -> Busy {
        match &self.kind {
            Kind::Real => Busy(None),
            Kind::Warped(warp) => warp.token(),
        }
    }
}

impl Busy {
    /// Lets the clock go on, and never ends: the last branch of a loop's wait, so that the clock moves only when every other
    /// branch has said what it waits for.
    pub async fn give_back(token: &mut Option<Self>) {
        drop(token.take());
        std::future::pending().await
    }
}

impl Warp {
    fn new(speed: f64, start: Instant) -> Self {
        let state = WarpState {
            now: Moment::ZERO,
            wall_shift_ms: 0,
            busy: 0,
            next_id: 0,
            sleepers: BTreeMap::new(),
            base_line: Moment::ZERO,
            base_real: start,
        };
        Self { speed, state: Mutex::new(state), changed: Notify::new() }
    }

    fn lock(&self) -> MutexGuard<'_, WarpState> {
        // A panic elsewhere cannot leave this state half changed.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn token(self: &Arc<Self>) -> Busy {
        self.lock().busy += 1;
        Busy(Some(Arc::clone(self)))
    }

    fn enlist(&self, moment: Moment) -> Option<oneshot::Receiver<Busy>> {
        let mut state = self.lock();
        if moment <= state.now {
            return None;
        }
        let (wake, woken) = oneshot::channel();
        let key = (moment, state.next_id);
        state.next_id += 1;
        state.sleepers.insert(key, wake);
        drop(state);
        self.changed.notify_one();
        Some(woken)
    }

    /// The next moment that somebody waits for, if nobody is at work, with the machine's time before which it is too early.
    fn next(&self) -> Option<(Moment, Instant)> {
        let mut state = self.lock();
        state.sleepers.retain(|_, wake| !wake.is_closed());
        if state.busy > 0 {
            return None;
        }
        let (moment, _) = *state.sleepers.first_key_value()?.0;
        let real = instant_now();
        let mut due = state.base_real + moment.since(state.base_line).div_f64(self.speed);
        if due + LAG_MAX < real {
            (state.base_line, state.base_real) = (state.now, real);
            due = real + moment.since(state.now).div_f64(self.speed);
        }
        Some((moment, due))
    }

    fn move_to(self: &Arc<Self>, moment: Moment) {
        let mut state = self.lock();
        if state.busy > 0 {
            return;
        }
        state.now = state.now.max(moment);
        let after = (Moment(state.now.0 + 1), 0);
        let later = state.sleepers.split_off(&after);
        let due = std::mem::replace(&mut state.sleepers, later);
        state.busy += due.len();
        drop(state);
        for wake in due.into_values() {
            // A sleeper that has gone gives its token back at once.
            drop(wake.send(Busy(Some(Arc::clone(self)))));
        }
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        if let Some(warp) = self.0.take() {
            let mut state = warp.lock();
            state.busy -= 1;
            let idle = state.busy == 0;
            drop(state);
            if idle {
                warp.changed.notify_one();
            }
        }
    }
}

async fn run(warp: std::sync::Weak<Warp>) {
    loop {
        let Some(warp) = warp.upgrade() else { return };
        match warp.next() {
            None => {
                // Wake now and then to notice that the last handle has gone.
                drop(tokio::time::timeout(Duration::from_secs(1), warp.changed.notified()).await);
            }
            Some((moment, due)) if due <= instant_now() + WAIT_MIN => warp.move_to(moment),
            Some((_, due)) => {
                tokio::select! {
                    () = tokio::time::sleep_until(due) => {}
                    () = warp.changed.notified() => {}
                }
            }
        }
        // Give the woken their turn even on a single thread.
        tokio::task::yield_now().await;
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
fn instant_now() -> Instant {
    Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
fn wall_now() -> UnixMillis {
    UnixMillis(jiff::Timestamp::now().as_millisecond())
}

fn millis(moment: Moment) -> i64 {
    i64::try_from(moment.0 / 1000).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_warped_clock_goes_from_one_sleeper_to_the_next() {
        let clock = Clock::warped(1e9);
        let token = clock.sleep_until(Moment(5_000_000)).await;
        assert_eq!(clock.now(), Moment(5_000_000));
        drop(token);
        drop(clock.sleep_until(Moment(3_600_000_000)).await);
        assert_eq!(clock.now(), Moment(3_600_000_000));
    }

    #[tokio::test]
    async fn a_warped_clock_stands_still_while_somebody_works() {
        let clock = Clock::warped(1e9);
        let work = clock.busy();
        let other = clock.clone();
        let sleeper = tokio::spawn(async move { drop(other.sleep_until(Moment(1_000)).await) });
        tokio::time::sleep(Duration::from_millis(30)).await;
        assert_eq!(clock.now(), Moment::ZERO);
        drop(work);
        sleeper.await.expect("the sleeper wakes");
        assert_eq!(clock.now(), Moment(1_000));
    }

    #[tokio::test]
    async fn a_sleeper_that_gave_up_does_not_stop_the_clock() {
        let clock = Clock::warped(1e9);
        let gave_up = tokio::time::timeout(Duration::from_millis(5), async {
            let _work = clock.busy();
            clock.sleep_until(Moment(10)).await
        });
        assert!(gave_up.await.is_err());
        drop(clock.sleep_until(Moment(20)).await);
        assert_eq!(clock.now(), Moment(20));
    }

    #[test]
    fn a_manual_clock_moves_when_it_is_told_to_and_needs_no_runtime() {
        let clock = Clock::manual(UnixMillis(1_000));
        clock.move_to(Moment(2_500_000));
        assert_eq!((clock.now(), clock.wall()), (Moment(2_500_000), UnixMillis(3_500)));
        let work = clock.busy();
        clock.move_to(Moment(9_000_000));
        assert_eq!(clock.now(), Moment(2_500_000));
        drop(work);
        clock.move_to(Moment(1_000_000));
        assert_eq!(clock.now(), Moment(2_500_000));
        clock.shift_wall(-2_000);
        assert_eq!((clock.now(), clock.wall()), (Moment(2_500_000), UnixMillis(1_500)));
    }

    #[tokio::test]
    async fn a_warped_clock_keeps_its_pace() {
        let clock = Clock::warped(100.0);
        let before = instant_now();
        drop(clock.sleep_until(Moment(10_000_000)).await);
        let took = before.elapsed();
        assert!(took >= Duration::from_millis(98), "10 s at speed 100 took {took:?}");
    }
}
