//! Readings of a thermometer, kept in bounded memory: older ones are put together.

use std::time::Duration;

use super::fit::Point;
use crate::units::{Celsius, Moment};

/// Means are kept of so many stretches at most. When they are full, they are put together two by two.
const STRETCHES: usize = 64;
/// A reading that is off both its neighbours by more than this, K, is none: a loose wire, a garbled line.
const SPIKE_K: f64 = 1.0;
/// The least that a thermometer is taken to be wrong by, K.
const NOISE_LEAST_K: f64 = 0.003;
/// Of the newest readings' weight the oldest have this share: a bed is not quite the lump of the formula, and what it did
/// last says most of what it will do next.
const OLDEST_SHARE: f64 = 0.5;
/// Mean of the size of a normal variable of deviation one: √(2/π).
const MEAN_SIZE: f64 = 0.797_884_560_802_865_4;

/// A stretch of readings.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    from_s: f64,
    count: f64,
    sum_s: f64,
    sum_c: f64,
    least_c: f64,
    most_c: f64,
}

impl Stretch {
    const fn of(at_s: f64, c: f64) -> Self {
        Self { from_s: at_s, count: 1.0, sum_s: at_s, sum_c: c, least_c: c, most_c: c }
    }

    fn add(&mut self, other: &Self) {
        self.count += other.count;
        self.sum_s += other.sum_s;
        self.sum_c += other.sum_c;
        self.least_c = self.least_c.min(other.least_c);
        self.most_c = self.most_c.max(other.most_c);
    }
}

/// Readings, thinned.
#[derive(Clone, Debug, Default)]
pub(super) struct Samples {
    origin: Option<Moment>,
    stretches: Vec<Stretch>,
    /// How long a stretch is; 0: every reading is one.
    width_s: f64,
    /// The last readings: the newest waits for its next neighbour before it counts.
    last: [Option<(f64, f64)>; 2],
    count: u32,
    roughness: Roughness,
}

impl Samples {
    /// Takes in a reading; one that is not a number or not later than the last counts for nothing.
    pub(super) fn add(&mut self, now: Moment, reading: Celsius) {
        let origin = *self.origin.get_or_insert(now);
        let new = (now.since(origin).as_secs_f64(), reading.0);
        let [older, waiting] = self.last;
        if !new.1.is_finite() || waiting.is_some_and(|(at, _)| new.0 <= at) {
            return;
        }
        let Some(waits) = waiting else {
            self.last = [None, Some(new)];
            return;
        };
        let good = older.is_none_or(|older| !is_spike(older.1, waits.1, new.1));
        if good {
            self.keep(waits);
            if let Some(older) = older {
                self.roughness.see(older, waits, new);
            }
        }
        self.last = [if good { Some(waits) } else { older }, Some(new)];
    }

    fn keep(&mut self, (at_s, c): (f64, f64)) {
        self.count = self.count.saturating_add(1);
        let one = Stretch::of(at_s, c);
        match self.stretches.last_mut() {
            Some(last) if at_s - last.from_s < self.width_s => last.add(&one),
            _ => self.stretches.push(one),
        }
        if self.stretches.len() == STRETCHES {
            self.thin(at_s);
        }
    }

    fn thin(&mut self, now_s: f64) {
        #[expect(clippy::cast_precision_loss, reason = "a small number")]
        let width = 2.0 * (now_s - self.stretches[0].from_s) / STRETCHES as f64;
        self.width_s = width;
        let old = std::mem::take(&mut self.stretches);
        for stretch in old {
            match self.stretches.last_mut() {
                Some(last) if stretch.from_s - last.from_s < width => last.add(&stretch),
                _ => self.stretches.push(stretch),
            }
        }
        // Readings in two clumps with a gap between them may not thin out by time: then by number.
        if self.stretches.len() > STRETCHES * 3 / 4 {
            let pairs = self.stretches.chunks(2).map(|pair| {
                let mut first = pair[0];
                pair[1..].iter().for_each(|next| first.add(next));
                first
            });
            self.stretches = pairs.collect();
        }
    }

    /// How many readings were kept.
    pub(super) const fn count(&self) -> u32 {
        self.count
    }

    /// When the first reading came.
    pub(super) const fn origin(&self) -> Option<Moment> {
        self.origin
    }

    /// Time from the first to the last reading.
    pub(super) fn elapsed(&self) -> Duration {
        self.last[1].map_or(Duration::ZERO, |(at, _)| Duration::from_secs_f64(at))
    }

    /// The last reading that counts.
    pub(super) fn newest(&self) -> Option<Celsius> {
        let [kept, waiting] = self.last;
        kept.or(waiting).map(|(_, c)| Celsius(c))
    }

    /// Standard deviation of one reading, K.
    pub(super) fn noise_k(&self) -> f64 {
        self.roughness.noise_k()
    }

    /// The points to fit, times in s since the first reading, weights in 1/K².
    pub(super) fn points(&self) -> Vec<Point> {
        let noise = self.noise_k();
        let step = self.roughness.step_k();
        let now = self.elapsed().as_secs_f64().max(1e-3);
        let point = |s: &Stretch| {
            let x = s.sum_s / s.count;
            // A thermometer's steps even out where the curve crosses many of them, or noise does so for it.
            let crossed = (s.most_c - s.least_c) / step;
            let rounding = step * step / 12.0 / (1.0 + crossed * crossed);
            let variance = noise * noise / s.count + rounding + NOISE_LEAST_K * NOISE_LEAST_K;
            let age = ((now - x) / now).clamp(0.0, 1.0);
            Point { x, y: s.sum_c / s.count, weight: OLDEST_SHARE.powf(age) / variance }
        };
        self.stretches.iter().map(point).collect()
    }
}

/// Whether the middle reading is off both its neighbours, to the same side, by more than they differ.
fn is_spike(before: f64, middle: f64, after: f64) -> bool {
    let (a, b) = (middle - before, middle - after);
    let limit = SPIKE_K + (after - before).abs();
    a * b > 0.0 && a.abs() > limit && b.abs() > limit
}

/// How rough readings are, from three in a row: a smooth curve leaves next to nothing in `a − 2b + c`.
#[derive(Clone, Copy, Debug, Default)]
struct Roughness {
    size: f64,
    count: f64,
    step: Option<f64>,
}

impl Roughness {
    fn see(&mut self, a: (f64, f64), b: (f64, f64), c: (f64, f64)) {
        let step = (b.1 - a.1).abs();
        if step > 1e-4 && self.step.is_none_or(|least| step < least) {
            self.step = Some(step);
        }
        // Over a gap the curve bends.
        let (one, two) = (b.0 - a.0, c.0 - b.0);
        if one > two * 1.5 || two > one * 1.5 {
            return;
        }
        let rough = (a.1 - 2.0 * b.1 + c.1).abs();
        // One bad reading does not make a bad thermometer.
        let limit = if self.count > 10.0 { 5.0 * self.size / self.count } else { f64::INFINITY };
        self.size += if self.size > 0.0 { rough.min(limit.max(1e-3)) } else { rough };
        self.count += 1.0;
    }

    /// Var(a − 2b + c) = 6σ².
    fn noise_k(self) -> f64 {
        if self.count == 0.0 {
            return NOISE_LEAST_K;
        }
        // Of a handful of readings the noise is not known well; a tenth of a kelvin is common.
        let guess = 0.1 * MEAN_SIZE * 6.0_f64.sqrt();
        let size = (self.size + 2.0 * guess) / (self.count + 2.0);
        (size / MEAN_SIZE / 6.0_f64.sqrt()).max(NOISE_LEAST_K)
    }

    /// The least that readings differ by.
    fn step_k(self) -> f64 {
        self.step.unwrap_or(0.1).clamp(1e-3, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(s: f64) -> Moment {
        Moment::ZERO + Duration::from_secs_f64(s)
    }

    fn samples(readings: impl IntoIterator<Item = (f64, f64)>) -> Samples {
        let mut samples = Samples::default();
        for (at, c) in readings {
            samples.add(seconds(at), Celsius(c));
        }
        samples
    }

    #[test]
    fn memory_is_bounded_and_no_reading_is_lost() {
        let all = samples((0..100_000).map(|n| (f64::from(n), 60.0 - f64::from(n) * 1e-4)));
        assert!(all.stretches.len() <= STRETCHES && all.stretches.len() >= STRETCHES / 3, "{}", all.stretches.len());
        let count: f64 = all.stretches.iter().map(|s| s.count).sum();
        // The newest waits for its neighbour.
        assert_eq!((count, all.count()), (99_999.0, 99_999));
        let clumps =
            samples((0..95).map(|n| (f64::from(n) * 0.01, 50.0)).chain((0..400).map(|n| (1e6 + f64::from(n), 40.0))));
        assert!(clumps.stretches.len() < STRETCHES);
    }

    #[test]
    fn a_spike_is_left_out_and_a_step_is_not() {
        let spiked = samples((0..50).map(|n| (f64::from(n), if n == 20 { 0.0 } else { 60.0 - f64::from(n) * 0.05 })));
        assert_eq!(spiked.count(), 48);
        assert!(spiked.points().iter().all(|p| p.y > 50.0));
        let step = samples((0..50).map(|n| (f64::from(n), if n < 20 { 60.0 } else { 50.0 })));
        assert_eq!(step.count(), 49);
    }

    #[test]
    fn what_is_no_reading_counts_for_nothing() {
        let odd = samples([
            (0.0, 60.0),
            (1.0, f64::NAN),
            (1.0, f64::INFINITY),
            (2.0, 59.9),
            (1.5, 59.8),
            (2.0, 59.7),
            (3.0, 59.8),
        ]);
        assert_eq!(odd.count(), 2);
        assert_eq!(odd.elapsed(), Duration::from_secs(3));
    }

    #[test]
    fn noise_is_told_from_the_curve() {
        let wave = |n: u32| f64::from(n.wrapping_mul(2_654_435_761) >> 8) / f64::from(1_u32 << 24) - 0.5;
        let readings = |size: f64| {
            samples(
                (0..2000).map(move |n| (f64::from(n), 22.0 + 60.0 * (-f64::from(n) / 600.0).exp() + size * wave(n))),
            )
        };
        // A uniform variable of width 0.4 has the deviation 0.115.
        let found = readings(0.4).noise_k();
        assert!((found / 0.115 - 1.0).abs() < 0.4, "{found}");
        assert!(readings(0.0).noise_k() < 0.005);
    }
}
