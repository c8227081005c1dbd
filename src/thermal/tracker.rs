//! One warm-up or cool-down, followed reading by reading: when it will be over, and whether it ever will.

use std::time::Duration;

use super::fit::{Belief, Beliefs, Fitted, Point, fit};
use super::history::{Prior, SAMPLES_LEAST};
use super::model::FLOOR_MARGIN_K;
use super::samples::Samples;
use super::spread::{Normal, Span};
use super::stores::worse_with_two;
use crate::job::HeatWay;
use crate::units::{Celsius, Moment};

/// The next fit comes when the readings reach back by this share more…
const FIT_EVERY_SHARE: f64 = 0.05;
/// …but not sooner and not later than this, s.
const FIT_EVERY_S: (f64, f64) = (1.0, 10.0);
/// Points are this many times farther off the curve than their noise explains (as variances): it is not one curve. Something
/// has changed meanwhile, such as a fan that went on, or the bed is no lump; the newer part of the readings counts alone.
const MISFIT: f64 = 2.5;
/// With fewer points than this no more are left out.
const POINTS_LEAST: usize = 12;
/// A wait is called endless when the floor is too high by this many standard deviations,
const CERTAIN: f64 = 3.0;
/// of the fit and of what a curve is worth at best, K,
const FLOOR_DOUBT_K: f64 = 0.4;
/// in so many fits in a row,
const CERTAIN_TIMES: u32 = 4;
/// after so long, s,
const CERTAIN_AFTER_S: f64 = 60.0;
/// and after this share of the time constant.
const CERTAIN_AFTER_SHARE: f64 = 0.18;
/// A heater that was just switched off first gives its own heat to the bed, which looks like the fast cooling of something
/// small in a hot room. So a floor counts only where it is no more than this many standard deviations above what was believed
/// before, and the time constant no more than as many below,
const PLAUSIBLE: f64 = 2.5;
/// or after so many of the time constants that were believed;
const BEYOND_DOUBT: f64 = 4.0;
/// and where it has not sunk by more than this many since half the time.
const SETTLED: f64 = 1.0;
/// And two stores of heat, with a floor below the release temperature, must explain the readings worse by so much, as
/// [`worse_with_two`] counts: odds of twenty to one. Until then it is waited longer.
const TWO_STORES_DOUBT: f64 = 6.0;

/// What is known of the way ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outlook {
    /// When it will most likely be over; `None`: not as it goes now.
    pub at: Option<Moment>,
    /// It is over before this one time in twenty.
    pub from: Moment,
    /// It is over after this one time in twenty; `None`: it may well be without end.
    pub until: Option<Moment>,
    /// Where it ends.
    pub floor: Celsius,
    /// Standard deviation of that, K.
    pub floor_sd_k: f64,
    /// Its time constant.
    pub tau: Duration,
    /// Root mean square of what the readings are off the curve, K.
    pub rms_k: f64,
    /// Bed temperature at the first reading, as fitted.
    pub start: Celsius,
}

/// A warm-up or cool-down that is over, fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Which way it went.
    pub way: HeatWay,
    /// Bed temperature at its beginning.
    pub start: Celsius,
    /// Last bed temperature.
    pub end: Celsius,
    /// Where it would have ended.
    pub floor: Celsius,
    /// Its time constant.
    pub tau: Duration,
    /// Root mean square of what the readings are off the curve, K.
    pub rms_k: f64,
    /// How many readings there were.
    pub samples: u32,
}

/// Follows one warm-up or cool-down.
#[derive(Clone, Debug)]
pub struct Tracker {
    way: HeatWay,
    target: Celsius,
    prior: Prior,
    samples: Samples,
    /// The rate of the last fit: the next begins from it.
    ln_rate: f64,
    next_fit_s: f64,
    outlook: Option<Outlook>,
    /// How many fits in a row were certain that there is no end.
    endless: u32,
    /// No wait is called endless before this, s since the first reading.
    certain_after_s: f64,
    /// Earlier floors: s since the first reading, °C, standard deviation.
    floors: Vec<(f64, f64, f64)>,
}

impl Tracker {
    /// Follows a bed that cools until a part lets go at `release`.
    #[must_use]
    pub fn cooling(prior: Prior, release: Celsius) -> Self {
        Self::new(HeatWay::Cool, prior, release)
    }

    /// Follows a bed that is heated until it is at `target`.
    #[must_use]
    pub fn warming(prior: Prior, target: Celsius) -> Self {
        Self::new(HeatWay::Warm, prior, target)
    }

    fn new(way: HeatWay, prior: Prior, target: Celsius) -> Self {
        let samples = Samples::default();
        Self {
            way,
            target,
            prior,
            samples,
            ln_rate: -prior.tau_s.ln(),
            next_fit_s: 0.0,
            outlook: None,
            endless: 0,
            certain_after_s: CERTAIN_AFTER_S,
            floors: Vec::new(),
        }
    }

    /// Takes in a reading. Cheap: a fit of a few dozen points follows at most every second, and every ten in a long run.
    pub fn handle_reading(&mut self, now: Moment, reading: Celsius) {
        self.samples.add(now, reading);
        let elapsed = self.samples.elapsed().as_secs_f64();
        if elapsed < self.next_fit_s {
            return;
        }
        self.next_fit_s = elapsed + (elapsed * FIT_EVERY_SHARE).clamp(FIT_EVERY_S.0, FIT_EVERY_S.1);
        self.look(elapsed);
    }

    /// What is known of the way ahead; `None` before the first few readings.
    #[must_use]
    pub fn outlook(&self) -> Option<Outlook> {
        self.outlook
    }

    /// Which way it goes.
    #[must_use]
    pub fn way(&self) -> HeatWay {
        self.way
    }

    /// Temperature that it goes to.
    #[must_use]
    pub fn target(&self) -> Celsius {
        self.target
    }

    /// How many readings count.
    #[must_use]
    pub fn samples(&self) -> u32 {
        self.samples.count()
    }

    /// The last reading that counts.
    #[must_use]
    pub fn newest(&self) -> Option<Celsius> {
        self.samples.newest()
    }

    /// Whether a cooling is certain never to get to the release temperature: the best that it comes to.
    #[must_use]
    pub fn never_releases(&self) -> Option<Celsius> {
        let outlook = self.outlook.filter(|_| self.way == HeatWay::Cool && self.endless >= CERTAIN_TIMES)?;
        Some(outlook.floor)
    }

    /// What the line's history keeps of it; `None` if it was too short to tell.
    #[must_use]
    pub fn summary(&self) -> Option<Summary> {
        let outlook = self.outlook?;
        let end = self.samples.newest()?;
        let told = self.samples.count() >= SAMPLES_LEAST && (outlook.start.0 - end.0).abs() > 1.0;
        told.then(|| Summary {
            way: self.way,
            start: outlook.start,
            end,
            floor: outlook.floor,
            tau: outlook.tau,
            rms_k: outlook.rms_k,
            samples: self.samples.count(),
        })
    }

    /// Lets the certainty of an endless wait grow anew, from half as many readings again: a person has looked at it and wants
    /// it to go on.
    pub fn look_again(&mut self) {
        self.endless = 0;
        self.certain_after_s = (self.samples.elapsed().as_secs_f64() * 1.5).max(CERTAIN_AFTER_S);
    }

    fn look(&mut self, elapsed_s: f64) {
        let points = self.samples.points();
        let Some(origin) = self.samples.origin() else { return };
        let Some((fitted, since_s)) = self.fit(&points) else { return };
        self.ln_rate = fitted.curve.rate.ln();
        let variance = fitted.variance().unwrap_or(1.0).max(1.0);
        let curve = fitted.curve;
        let mean = [curve.start, curve.floor, self.ln_rate];
        let span = Normal::new(mean, fitted.covariance(variance)).span(self.target.0);
        let begun = origin + Duration::from_secs_f64(since_s);
        let when = |wait: Duration| begun + wait;
        let floor_sd_k = fitted.deviations(variance).floor;
        self.outlook = Some(Outlook {
            at: span.map(|s| when(s.wait)),
            from: span.map_or(begun, |s: Span| when(s.from)),
            until: span.and_then(|s| s.until).map(when),
            floor: Celsius(curve.floor),
            floor_sd_k,
            tau: Duration::try_from_secs_f64(1.0 / curve.rate).unwrap_or(Duration::MAX),
            rms_k: rms(&points, since_s, &fitted),
            start: Celsius(curve.at(-since_s).clamp(-273.15, 1000.0)),
        });
        let certain = self.is_endless(elapsed_s, &fitted, floor_sd_k) && self.is_no_second_store(&points);
        self.endless = if certain { self.endless.saturating_add(1) } else { 0 };
        self.floors.retain(|(at, ..)| *at > elapsed_s / 4.0);
        self.floors.push((elapsed_s, curve.floor, floor_sd_k));
    }

    fn is_endless(&self, elapsed_s: f64, fitted: &Fitted, floor_sd_k: f64) -> bool {
        let (floor, rate) = (fitted.curve.floor, fitted.curve.rate);
        let prior = &self.prior;
        let plausible = (floor - prior.floor_c) < PLAUSIBLE * prior.floor_sd_k
            && (-rate.ln() - prior.tau_s.ln()) > -PLAUSIBLE * prior.tau_sd
            || elapsed_s > BEYOND_DOUBT * prior.tau_s;
        let too_high = floor - (self.target.0 - FLOOR_MARGIN_K);
        let settled = self.floors.iter().rfind(|(at, ..)| *at <= elapsed_s / 2.0);
        elapsed_s >= self.certain_after_s.max(CERTAIN_AFTER_SHARE / rate)
            && self.samples.newest().is_some_and(|c| c.0 > self.target.0)
            && too_high > CERTAIN * floor_sd_k.hypot(FLOOR_DOUBT_K)
            && plausible
            && settled.is_some_and(|(_, then, sd)| floor > then - SETTLED * sd)
    }

    /// Whether all readings, the first ones too, speak against a second store of heat and a floor below the release temperature.
    fn is_no_second_store(&self, points: &[Point]) -> bool {
        let Ok(one) = fit(points, &self.beliefs()) else { return false };
        worse_with_two(points, one.curve, self.target.0 - FLOOR_MARGIN_K, &self.prior) > TWO_STORES_DOUBT
    }

    fn beliefs(&self) -> Beliefs {
        Beliefs {
            start: Belief::Free(0.0),
            floor: Belief::Near { mean: self.prior.floor_c, sd: self.prior.floor_sd_k },
            ln_rate: Belief::Near { mean: -self.prior.tau_s.ln(), sd: self.prior.tau_sd },
        }
    }

    /// Fits the longest newer part of the readings that is one curve; and when that part begins, s since the first reading.
    fn fit(&self, points: &[Point]) -> Option<(Fitted, f64)> {
        let beliefs = self.beliefs();
        let mut part = points;
        loop {
            let since = part.first()?.x;
            let moved: Vec<Point> = part.iter().map(|p| Point { x: p.x - since, ..*p }).collect();
            let fitted = fit(&moved, &beliefs).ok()?;
            let shorter = part.len() * 3 / 4;
            if shorter < POINTS_LEAST || fitted.variance().is_none_or(|v| v < MISFIT) {
                return Some((fitted, since));
            }
            part = &part[part.len() - shorter..];
        }
    }
}

fn rms(points: &[Point], since_s: f64, fitted: &Fitted) -> f64 {
    let part = points.iter().filter(|p| p.x >= since_s);
    let off = part.clone().map(|p| (p.y - fitted.curve.at(p.x - since_s)).powi(2)).sum::<f64>();
    #[expect(clippy::cast_precision_loss, reason = "a count of points")]
    let count = part.count().max(1) as f64;
    (off / count).sqrt()
}

#[cfg(test)]
mod tests;
