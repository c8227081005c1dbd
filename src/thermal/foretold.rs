//! The fitted curve ahead, in points.

use super::tracker::Outlook;
use crate::units::{Celsius, Moment};

impl Outlook {
    /// The most likely curve from `now` until it is at `target`, which is what it was followed to: so many steps, and one point more.
    /// Empty where it never gets there, as far as is known, or should have been there already.
    ///
    /// `T(t) = Ta + (T0 − Ta)·e^(−t/τ)`, written from its end, which is known: `Ta + (target − Ta)·e^((end − t)/τ)`.
    #[must_use]
    pub fn ahead(&self, now: Moment, target: Celsius, steps: u32) -> Vec<(Moment, Celsius)> {
        let Some(end) = self.at.filter(|at| *at > now) else { return Vec::new() };
        let (left, tau_s) = (end.since(now), self.tau.as_secs_f64());
        let steps = steps.max(1);
        let point = |step: u32| {
            let at = now + left * step / steps;
            let share = (end.since(at).as_secs_f64() / tau_s).exp();
            (at, Celsius(self.floor.0 + (target.0 - self.floor.0) * share))
        };
        (0..=steps).map(point).filter(|(_, c)| c.0.is_finite()).collect()
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::super::{Cooling, Prior, Tracker};
    use super::*;

    fn at(seconds: u64) -> Moment {
        Moment::ZERO + Duration::from_secs(seconds)
    }

    #[test]
    fn what_is_foretold_of_a_cooling_is_the_law_of_cooling() {
        let truth = Cooling::new(Celsius(24.0), Duration::from_secs(700)).expect("a cooling that can be");
        let believed = Cooling::new(Celsius(22.0), Duration::from_secs(900)).expect("a cooling that can be");
        let mut tracker = Tracker::cooling(Prior::configured(believed), Celsius(32.0));
        let at_c = |s: u64| truth.temperature(Celsius(60.0), Duration::from_secs(s));
        (0..600).for_each(|s| tracker.handle_reading(at(s), at_c(s)));
        let outlook = tracker.outlook().expect("readings enough");
        let ahead = outlook.ahead(at(600), Celsius(32.0), 24);
        assert_eq!((ahead.len(), ahead[0].0), (25, at(600)));
        // The curve that was fitted, from its own start, is what is foretold.
        let fitted = Cooling::new(outlook.floor, outlook.tau).expect("a cooling that can be");
        for &(when, c) in &ahead {
            let since = fitted.temperature(outlook.start, when.since(at(0)));
            assert!((c.0 - since.0).abs() < 0.01, "{when:?}: {c} against {since}");
        }
        assert_eq!(ahead[24].0, outlook.at.expect("an end"));
        assert!((ahead[24].1.0 - 32.0).abs() < 1e-9);
        // And close to the truth, which knew other figures than were believed.
        for &(when, c) in &ahead {
            let true_c = truth.temperature(Celsius(60.0), when.since(at(0)));
            assert!((c.0 - true_c.0).abs() < 0.3, "{when:?}: {c} against {true_c}");
        }
    }

    #[test]
    fn without_an_end_or_behind_it_nothing_is_foretold() {
        let outlook = Outlook {
            at: None,
            from: at(5),
            until: None,
            floor: Celsius(40.0),
            floor_sd_k: 0.1,
            tau: Duration::from_secs(600),
            rms_k: 0.1,
            start: Celsius(60.0),
        };
        assert_eq!(outlook.ahead(at(5), Celsius(32.0), 10), []);
        let over = Outlook { at: Some(at(4)), ..outlook };
        assert_eq!(over.ahead(at(5), Celsius(32.0), 10), []);
        let odd = Outlook { at: Some(at(1 << 40)), tau: Duration::from_nanos(1), ..outlook };
        assert!(odd.ahead(at(5), Celsius(41.0), 10).iter().all(|(_, c)| c.0.is_finite()));
    }
}
