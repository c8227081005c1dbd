//! What a thermometer showed, kept small: however long it is followed, no more points than a screen can show.

use std::collections::VecDeque;
use std::time::Duration;

use crate::units::{Celsius, Moment};

/// A reading with its time.
type Reading = (Moment, Celsius);

/// So many points at most come out: two of each stretch, the first and the last.
pub const TRACE_POINTS_MAX: usize = 2 * STRETCHES_MAX + 2;
const STRETCHES_MAX: usize = 119;
/// The shortest stretch; a longer one is twice as long as the one before it.
const SHORTEST: Duration = Duration::from_secs(1);

/// A trace that thins itself: time is cut into stretches, of each its least and its greatest reading stay, and where there are too
/// many, stretches become twice as long. First, last, least and greatest reading of all are never lost.
///
/// A reading costs the same at any length, taken over many: each doubling goes through all stretches, and halves them.
#[derive(Clone, Debug)]
pub struct Trace {
    first: Option<Reading>,
    last: Option<Reading>,
    stretches: VecDeque<Stretch>,
    width: Duration,
}

/// Least and greatest reading of a stretch of time.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    least: Reading,
    greatest: Reading,
}

impl Default for Trace {
    fn default() -> Self {
        Self { first: None, last: None, stretches: VecDeque::new(), width: SHORTEST }
    }
}

impl Trace {
    /// Takes in a reading. One that is no number, or is older than the last, is left out.
    pub fn add(&mut self, at: Moment, reading: Celsius) {
        if !reading.0.is_finite() || self.last.is_some_and(|(last, _)| at < last) {
            return;
        }
        let one = (at, reading);
        self.first.get_or_insert(one);
        self.last = Some(one);
        let width = self.width;
        match self.stretches.back_mut().filter(|stretch| stretch.is_of(at, width)) {
            Some(stretch) => stretch.take_in(Stretch { least: one, greatest: one }),
            None => self.stretches.push_back(Stretch { least: one, greatest: one }),
        }
        while self.stretches.len() > STRETCHES_MAX {
            self.thin();
        }
    }

    /// Lets go of what was before `from`.
    pub fn forget_before(&mut self, from: Moment) {
        if self.first.is_none_or(|(at, _)| at >= from) {
            return;
        }
        let mut rest: Vec<Reading> = self.points();
        rest.retain(|(at, _)| *at >= from);
        self.stretches.retain(|stretch| stretch.least.0 >= from && stretch.greatest.0 >= from);
        self.first = rest.first().copied();
        self.last = self.last.filter(|(at, _)| *at >= from);
        // There is room for finer ones.
        if self.stretches.len() < STRETCHES_MAX / 4 {
            self.width = (self.width / 2).max(SHORTEST);
        }
    }

    /// What is kept, in the order of time: at most [`TRACE_POINTS_MAX`] points.
    #[must_use]
    pub fn points(&self) -> Vec<Reading> {
        let mut points = Vec::with_capacity(2 * self.stretches.len() + 2);
        points.extend(self.first);
        for stretch in &self.stretches {
            let (least, greatest) = (stretch.least, stretch.greatest);
            points.extend(if least.0 <= greatest.0 { [least, greatest] } else { [greatest, least] });
        }
        points.extend(self.last);
        points.dedup();
        points
    }

    fn thin(&mut self) {
        self.width *= 2;
        let mut thinned: VecDeque<Stretch> = VecDeque::with_capacity(STRETCHES_MAX + 1);
        for stretch in self.stretches.drain(..) {
            match thinned.back_mut().filter(|before| before.is_of(stretch.begin(), self.width)) {
                Some(before) => before.take_in(stretch),
                None => thinned.push_back(stretch),
            }
        }
        self.stretches = thinned;
    }
}

impl Stretch {
    fn begin(&self) -> Moment {
        self.least.0.min(self.greatest.0)
    }

    fn is_of(&self, at: Moment, width: Duration) -> bool {
        let number = |at: Moment| u128::from(at.0) / width.as_micros();
        number(self.begin()) == number(at)
    }

    fn take_in(&mut self, later: Self) {
        if later.least.1.0 < self.least.1.0 {
            self.least = later.least;
        }
        if later.greatest.1.0 > self.greatest.1.0 {
            self.greatest = later.greatest;
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(seconds: f64) -> Moment {
        Moment::ZERO + Duration::from_secs_f64(seconds)
    }

    #[test]
    fn a_short_trace_is_whole() {
        let mut trace = Trace::default();
        assert_eq!(trace.points(), []);
        let all: Vec<Reading> = (0..100).map(|s| (at(f64::from(s)), Celsius(60.0 - f64::from(s)))).collect();
        all.iter().for_each(|&(at, c)| trace.add(at, c));
        assert_eq!(trace.points(), all);
    }

    #[test]
    fn a_day_of_readings_is_as_small_as_an_hour_and_a_moment_s_peak_stays() {
        let mut trace = Trace::default();
        for second in 0..86_400 {
            trace.add(
                at(f64::from(second)),
                Celsius(if second == 40_000 { 71.5 } else { 60.0 + f64::from(second % 7) }),
            );
        }
        let points = trace.points();
        assert!((120..=TRACE_POINTS_MAX).contains(&points.len()), "{}", points.len());
        assert!(points.contains(&(at(40_000.0), Celsius(71.5))));
        assert_eq!((points[0].0, points[points.len() - 1].0), (at(0.0), at(86_399.0)));
        assert_eq!(TRACE_POINTS_MAX, 240);
    }

    #[test]
    fn what_is_no_number_or_comes_from_the_past_is_left_out() {
        let mut trace = Trace::default();
        for (s, c) in [(5.0, 20.0), (6.0, f64::NAN), (7.0, f64::INFINITY), (4.0, 30.0), (8.0, 21.0)] {
            trace.add(at(s), Celsius(c));
        }
        assert_eq!(trace.points(), [(at(5.0), Celsius(20.0)), (at(8.0), Celsius(21.0))]);
    }

    #[test]
    fn an_idle_line_keeps_its_last_half_hour_and_grows_fine_again() {
        let mut trace = Trace::default();
        for second in 0..40_000 {
            trace.add(at(f64::from(second)), Celsius(60.0));
        }
        for second in 40_000..44_000 {
            trace.add(at(f64::from(second)), Celsius(30.0));
            trace.forget_before(at(f64::from(second) - 1800.0));
        }
        let points = trace.points();
        assert!(points.len() > 50 && points[0].0 >= at(42_199.0), "{} from {:?}", points.len(), points[0]);
        trace.forget_before(at(1e6));
        assert_eq!(trace.points(), []);
    }

    proptest! {
        #[test]
        fn it_is_bounded_in_order_and_keeps_first_last_and_extremes(
            readings in proptest::collection::vec((0.0..400.0_f64, -20.0..300.0_f64), 1..1500),
        ) {
            let mut trace = Trace::default();
            let mut all: Vec<Reading> = Vec::new();
            let mut now = 0.0;
            for (gap, c) in readings {
                // Mostly every second, with long silences now and then.
                now += if gap > 395.0 { gap * 50.0 } else { gap / 400.0 };
                all.push((at(now), Celsius(c)));
                trace.add(at(now), Celsius(c));
            }
            let points = trace.points();
            prop_assert!(points.len() <= TRACE_POINTS_MAX);
            prop_assert!(points.is_sorted_by_key(|(at, _)| *at));
            prop_assert!(points.iter().all(|point| all.contains(point)), "nothing is made up");
            prop_assert_eq!((points.first(), points.last()), (all.first(), all.last()));
            let span = |of: &[Reading]| of.iter().fold((f64::MAX, f64::MIN), |(l, g), (_, c)| (l.min(c.0), g.max(c.0)));
            prop_assert_eq!(span(&points), span(&all));
        }
    }
}
