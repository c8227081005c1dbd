//! Every deadline of a line has a name.

use crate::units::Moment;

/// The deadlines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Timer {
    /// The phase is overdue.
    Phase,
    /// The thermometers have been silent for too long.
    Reading,
    /// The print takes longer than it should.
    Late,
    /// The nozzle goes off in a hold.
    NozzleOff,
    /// The bed goes off in a hold.
    BedOff,
    /// Whoever holds a button to jog the belt has not been heard of for too long.
    Lease,
}

const ALL: [Timer; 6] = [Timer::Phase, Timer::Reading, Timer::Late, Timer::NozzleOff, Timer::BedOff, Timer::Lease];

/// The deadlines that are running.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Timers([Option<Moment>; ALL.len()]);

impl Timers {
    /// Starts, or starts anew.
    pub fn set(&mut self, timer: Timer, at: Moment) {
        self.0[timer as usize] = Some(at);
    }

    /// Stops.
    pub fn stop(&mut self, timer: Timer) {
        self.0[timer as usize] = None;
    }

    /// Stops all of them.
    pub fn stop_all(&mut self) {
        *self = Self::default();
    }

    /// When this one runs out.
    #[must_use]
    pub fn at(&self, timer: Timer) -> Option<Moment> {
        self.0[timer as usize]
    }

    /// The next to run out.
    #[must_use]
    pub fn next(&self) -> Option<Moment> {
        self.0.iter().flatten().min().copied()
    }

    /// Takes one that has run out.
    pub fn take_due(&mut self, now: Moment) -> Option<Timer> {
        let timer = ALL.into_iter().find(|&t| self.at(t).is_some_and(|at| at <= now))?;
        self.stop(timer);
        Some(timer)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earliest_comes_first_and_is_taken_once() {
        let mut timers = Timers::default();
        timers.set(Timer::Phase, Moment(20));
        timers.set(Timer::Reading, Moment(10));
        assert_eq!(timers.next(), Some(Moment(10)));
        assert_eq!(timers.take_due(Moment(9)), None);
        assert_eq!(timers.take_due(Moment(10)), Some(Timer::Reading));
        assert_eq!(timers.take_due(Moment(10)), None);
        assert_eq!(timers.next(), Some(Moment(20)));
    }
}
