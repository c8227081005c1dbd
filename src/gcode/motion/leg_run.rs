//! The legs of a run: [`Legs::take`](super::leg::Legs::take) for many moves at once.

use super::in_force::{Corner, InForce, Purpose};
use super::leg::{Heading, LEAST_FEED_MM_S, TOO_LONG_MM, greatest, rounded2};
use crate::gcode::lanes::{at_full_width, extremes, larger, smaller};
use crate::gcode::run::{LINES, Steps};

/// A limit that rounding alone exceeds is none.
const ROUNDING: f64 = 1e-12;

/// What is worked out of a run on the way to its legs. Kept from run to run, so that nobody has to clear it.
#[derive(Debug)]
pub(super) struct RunLegs {
    /// Speeds of X, Y, Z and E at a speed of one along the way: of the move before the run, and of each of its moves.
    shares: [[f64; LINES + 1]; 4],
    /// mm/s², likewise.
    acceleration: [f64; LINES + 1],
    /// How many times each move has what a limit allows, if nothing else limits it.
    excess: [f64; LINES],
    legs: LegList,
}

/// Legs side by side: one array for each figure of a [`Leg`](super::leg::Leg).
#[derive(Debug)]
pub(super) struct LegList {
    pub(super) length_mm: [f64; LINES],
    pub(super) speed2: [f64; LINES],
    pub(super) entry2: [f64; LINES],
    pub(super) gain2: [f64; LINES],
    pub(super) half_inverse: [f64; LINES],
}

impl Default for LegList {
    fn default() -> Self {
        let none = [0.0; LINES];
        Self { length_mm: none, speed2: none, entry2: none, gain2: none, half_inverse: none }
    }
}

impl Default for RunLegs {
    fn default() -> Self {
        Self {
            shares: [[0.0; LINES + 1]; 4],
            acceleration: [0.0; LINES + 1],
            excess: [0.0; LINES],
            legs: LegList::default(),
        }
    }
}

impl RunLegs {
    /// Whether each of these moves takes a time that can be known.
    pub(super) fn takes(steps: &Steps) -> bool {
        let (least, greatest) = extremes(&steps.fed[..steps.count()]);
        least > 0.0 && greatest < TOO_LONG_MM * 1e6
    }

    /// The legs of a run that may be taken, behind the move `last`, or behind a stop. They are as many as its moves; where the
    /// last of them goes is said too.
    pub(super) fn take(&mut self, steps: &Steps, last: Option<&Heading>, limits: &InForce) -> (&LegList, Heading) {
        let last = at_full_width(
            #[inline(always)]
            || self.work_out(steps, last, limits),
        );
        (&self.legs, last)
    }

    #[inline(always)]
    fn work_out(&mut self, steps: &Steps, last: Option<&Heading>, limits: &InForce) -> Heading {
        let count = steps.count();
        self.share(steps);
        self.speed(steps, limits);
        if extremes(&self.excess[..count]).1 > 1.0 + ROUNDING {
            self.hold_back(count, limits);
        }
        let still = Heading { shares: [0.0; 4], speed2: 0.0, acceleration: f64::INFINITY };
        self.corner(count, last.unwrap_or(&still), limits);
        let shares = self.shares.each_ref().map(|all| all[count]);
        Heading { shares, speed2: self.legs.speed2[count - 1], acceleration: self.acceleration[count] }
    }

    #[inline(always)]
    fn share(&mut self, steps: &Steps) {
        let count = steps.count();
        let [share_x, share_y, share_z, share_e] = self.shares.each_mut().map(|all| &mut all[1..=count]);
        let [x, y, z] = steps.position.each_ref().map(|all| &all[..=count]);
        let (filament, fed) = (&steps.filament[..count], &steps.fed[..count]);
        for at in 0..count {
            let each = 1.0 / fed[at];
            share_x[at] = (x[at + 1] - x[at]) * each;
            share_y[at] = (y[at + 1] - y[at]) * each;
            share_z[at] = (z[at + 1] - z[at]) * each;
            share_e[at] = filament[at] * each;
        }
    }

    /// As if no axis limited any move.
    #[inline(always)]
    fn speed(&mut self, steps: &Steps, limits: &InForce) {
        let count = steps.count();
        let [share_x, share_y, share_z, share_e] = self.shares.each_ref().map(|all| &all[1..=count]);
        let (filament, length, fed) = (&steps.filament[..count], &steps.length[..count], &steps.fed[..count]);
        let feeds = &steps.run.feeds[..count];
        let LegList { length_mm, speed2, half_inverse, gain2, .. } = &mut self.legs;
        let (length_mm, speed2) = (&mut length_mm[..count], &mut speed2[..count]);
        let (half_inverse, gain2) = (&mut half_inverse[..count], &mut gain2[..count]);
        let (excess, acceleration) = (&mut self.excess[..count], &mut self.acceleration[1..=count]);
        let [print, travel, retract] =
            [Purpose::Print, Purpose::Travel, Purpose::Retract].map(|purpose| limits.acceleration(purpose));
        let (slowest, slowest_travel) = (limits.least_feed(Purpose::Print), limits.least_feed(Purpose::Travel));
        // In loops of their own, which are then the same for all, and many are done at once.
        choose(acceleration, filament, length, [print.mm_s2, travel.mm_s2, retract.mm_s2]);
        choose(half_inverse, filament, length, [print, travel, retract].map(|acceleration| acceleration.half_inverse));
        choose(speed2, filament, length, [slowest, slowest_travel, slowest]);
        let InForce { acceleration_inverse, feed_inverse, .. } = *limits;
        for at in 0..count {
            let speed = larger(larger(feeds[at] * (1.0 / 60.0), speed2[at]), LEAST_FEED_MM_S);
            let shares = [share_x[at], share_y[at], share_z[at], share_e[at]];
            let load = greatest(&shares, &acceleration_inverse);
            excess[at] = larger(acceleration[at] * load, speed * greatest(&shares, &feed_inverse));
            length_mm[at] = fed[at] * 1e-6;
            speed2[at] = speed * speed;
            gain2[at] = 2e-6 * acceleration[at] * fed[at];
        }
    }

    /// What the axes allow.
    fn hold_back(&mut self, count: usize, limits: &InForce) {
        let legs = &mut self.legs;
        for at in 0..count {
            let shares = self.shares.each_ref().map(|all| all[at + 1]);
            let load = greatest(&shares, &limits.acceleration_inverse);
            let acceleration = &mut self.acceleration[at + 1];
            if *acceleration * load > 1.0 {
                *acceleration = 1.0 / load;
                legs.half_inverse[at] = 0.5 * load;
                legs.gain2[at] = 2.0 * *acceleration * legs.length_mm[at];
            }
            let load = greatest(&shares, &limits.feed_inverse);
            legs.speed2[at] = smaller(legs.speed2[at], 1.0 / (load * load));
        }
    }

    /// How fast each move begins at most.
    #[inline(always)]
    fn corner(&mut self, count: usize, last: &Heading, limits: &InForce) {
        for (all, share) in self.shares.iter_mut().zip(last.shares) {
            all[0] = share;
        }
        self.acceleration[0] = last.acceleration;
        let (entry2, speed2) = (&mut self.legs.entry2[..count], &self.legs.speed2[..count]);
        let [x, y, z, e] = self.shares.each_ref().map(|all| &all[..=count]);
        match &limits.corner {
            Corner::Jerk(inverse) => {
                for at in 0..count {
                    let change = [x[at + 1] - x[at], y[at + 1] - y[at], z[at + 1] - z[at], e[at + 1] - e[at]];
                    let load = greatest(&change, inverse);
                    entry2[at] = smaller(speed2[at], 1.0 / (load * load));
                }
            }
            Corner::Deviation(mm) => {
                let acceleration = &self.acceleration[..=count];
                for at in 0..count {
                    let shares = |at: usize| [x[at], y[at], z[at], e[at]];
                    let own = smaller(acceleration[at], acceleration[at + 1]);
                    entry2[at] = smaller(speed2[at], rounded2(&shares(at), &shares(at + 1), own, *mm));
                }
            }
        }
        entry2[0] = smaller(entry2[0], last.speed2);
        for (entry2, before2) in entry2[1..].iter_mut().zip(speed2) {
            *entry2 = smaller(*entry2, *before2);
        }
    }
}

/// For each move the figure of its purpose: print, travel or retract.
#[inline(always)]
fn choose(chosen: &mut [f64], filament: &[f64], length: &[f64], [print, travel, retract]: [f64; 3]) {
    for ((chosen, filament), length) in chosen.iter_mut().zip(filament).zip(length) {
        let wet = if *length == 0.0 { retract } else { print };
        *chosen = if *filament == 0.0 { travel } else { wet };
    }
}
