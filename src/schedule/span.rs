//! Times that are not known exactly, and how they add up.
//!
//! Every interval here is meant to hold nine times in ten. What differs from copy to copy makes up for itself in part: its
//! squares add. What is wrong alike for every copy on a line (the line's print ratio, the belief how its bed cools) does not:
//! it adds in full within its phase, and phases, which have nothing to do with each other, add by their squares again.

use crate::job::Phase;

/// How much shorter or longer something may be than expected, nine times in ten, s; both zero or more.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// Shorter.
    pub down_s: f64,
    /// Longer.
    pub up_s: f64,
}

/// How long a phase takes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Lasting {
    /// As expected, s.
    pub expected_s: f64,
    /// What differs from copy to copy.
    pub own: Spread,
    /// What is wrong alike for every copy on the line.
    pub shared: Spread,
}

/// A time from now, s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Span {
    /// As expected.
    pub expected_s: f64,
    /// At the earliest, nine times in ten together with `late_s`; not before now.
    pub early_s: f64,
    /// At the latest.
    pub late_s: f64,
}

/// How long each phase of a copy takes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhaseTimes {
    /// Until bed and nozzle are warm.
    pub warm: Lasting,
    /// The file.
    pub print: Lasting,
    /// Until the part lets go.
    pub cool: Lasting,
    /// The belt.
    pub advance: Lasting,
    /// Until it is known that the part has left.
    pub check: Lasting,
}

/// What is left of an overdue phase, as a share of the time that it has taken already: nothing better is known.
const OVERDUE_SHARE: f64 = 0.1;

impl Lasting {
    /// Known to the second.
    #[must_use]
    pub fn exactly(seconds: f64) -> Self {
        Self { expected_s: seconds, ..Self::default() }
    }

    /// What is left of it after `elapsed_s`. Past its expected end, half of what is left until its late end is expected still,
    /// and at least a tenth of what it has taken.
    #[must_use]
    pub fn left_after(self, elapsed_s: f64) -> Self {
        if elapsed_s <= 0.0 {
            return self;
        }
        if elapsed_s < self.expected_s {
            return Self { expected_s: self.expected_s - elapsed_s, ..self };
        }
        let late_s = self.expected_s + self.own.up_s.hypot(self.shared.up_s);
        let expected_s = ((late_s - elapsed_s) / 2.0).max(elapsed_s * OVERDUE_SHARE);
        Self { expected_s, own: Spread { down_s: expected_s, up_s: expected_s }, shared: Spread::default() }
    }
}

impl Span {
    /// The later of two ends, each bound by itself. Of two that come close to each other the later one is a little later still;
    /// that is left out.
    #[must_use]
    pub fn later(self, other: Self) -> Self {
        Self {
            expected_s: self.expected_s.max(other.expected_s),
            early_s: self.early_s.max(other.early_s),
            late_s: self.late_s.max(other.late_s),
        }
    }
}

impl PhaseTimes {
    /// Of one phase.
    #[must_use]
    pub fn of(&self, phase: Phase) -> Lasting {
        match phase {
            Phase::Warm => self.warm,
            Phase::Print => self.print,
            Phase::Cool => self.cool,
            Phase::Advance => self.advance,
            Phase::Check => self.check,
        }
    }
}

/// Everything that has been added up on one line so far.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sum {
    pub(super) expected_s: f64,
    /// Squares.
    own: Spread,
    /// By phase.
    shared: [Spread; Phase::ALL.len()],
}

impl Sum {
    pub(super) fn add(&mut self, phase: Phase, time: Lasting) {
        self.expected_s += time.expected_s;
        self.own.down_s += time.own.down_s.powi(2);
        self.own.up_s += time.own.up_s.powi(2);
        let shared = &mut self.shared[phase as usize];
        shared.down_s += time.shared.down_s;
        shared.up_s += time.shared.up_s;
    }

    pub(super) fn span(&self) -> Span {
        let down: f64 = self.own.down_s + self.shared.iter().map(|s| s.down_s.powi(2)).sum::<f64>();
        let up: f64 = self.own.up_s + self.shared.iter().map(|s| s.up_s.powi(2)).sum::<f64>();
        Span {
            expected_s: self.expected_s,
            early_s: (self.expected_s - down.sqrt()).max(0.0),
            late_s: self.expected_s + up.sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(expected_s: f64, own: f64, shared: f64) -> Lasting {
        let spread = |s| Spread { down_s: s, up_s: s };
        Lasting { expected_s, own: spread(own), shared: spread(shared) }
    }

    fn summed(times: &[(Phase, Lasting)]) -> Span {
        let mut sum = Sum::default();
        times.iter().for_each(|&(phase, time)| sum.add(phase, time));
        sum.span()
    }

    #[test]
    fn what_is_a_copys_own_adds_by_squares_and_what_is_shared_adds_in_full() {
        let own = summed(&[(Phase::Print, even(100.0, 3.0, 0.0)), (Phase::Print, even(100.0, 4.0, 0.0))]);
        assert_eq!(own, Span { expected_s: 200.0, early_s: 195.0, late_s: 205.0 });
        let shared = summed(&[(Phase::Print, even(100.0, 0.0, 3.0)), (Phase::Print, even(100.0, 0.0, 4.0))]);
        assert_eq!(shared, Span { expected_s: 200.0, early_s: 193.0, late_s: 207.0 });
        let phases = summed(&[(Phase::Print, even(100.0, 0.0, 3.0)), (Phase::Cool, even(100.0, 0.0, 4.0))]);
        assert_eq!(phases, own);
    }

    #[test]
    fn nothing_ends_before_now() {
        assert_eq!(summed(&[(Phase::Check, even(10.0, 60.0, 0.0))]).early_s, 0.0);
    }

    #[test]
    fn what_is_left_keeps_its_late_end_until_it_is_overdue() {
        let whole = even(100.0, 30.0, 40.0);
        assert_eq!(whole.left_after(60.0), even(40.0, 30.0, 40.0));
        // Late end at 150: half of the 30 s until then.
        assert_eq!(whole.left_after(120.0), even(15.0, 15.0, 0.0));
        assert_eq!(whole.left_after(1000.0), even(100.0, 100.0, 0.0));
    }
}
