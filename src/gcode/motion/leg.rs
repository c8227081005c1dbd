//! One move as the look-ahead needs it: how long, how fast at most, how fast at its beginning at most.

use super::in_force::{Acceleration, Corner, InForce, Purpose};
use crate::gcode::arc::Arc;
use crate::gcode::lanes::{larger, smaller};
use crate::gcode::moves::{Move, Path};

/// Moves shorter than this, mm, are rounding, and no printer makes a step for them.
const NOTHING_MM: f64 = 1e-7;

/// Moves longer than this, mm, are nonsense: ten kilometres.
pub(super) const TOO_LONG_MM: f64 = 1e7;

/// No printer steps more slowly than a micrometre a second; a lower feed counts as this.
pub(super) const LEAST_FEED_MM_S: f64 = 1e-3;

/// A move. Speeds are squared, as a way at a constant acceleration adds to them: v² = v₀² + 2·a·d.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Leg {
    /// Way of the head, or of the filament where the head stands still, mm.
    pub(super) length_mm: f64,
    /// Square of the greatest speed, mm²/s².
    pub(super) speed2: f64,
    /// Square of the greatest speed at its beginning, mm²/s²: 0 after a stop.
    pub(super) entry2: f64,
    /// By how much the acceleration can change the square of the speed on the way, mm²/s².
    pub(super) gain2: f64,
    /// Half the inverse of the acceleration, s²/mm.
    pub(super) half_inverse: f64,
}

/// Where the last move went, and how fast.
#[derive(Clone, Copy, Debug)]
pub(super) struct Heading {
    /// Speeds of X, Y, Z and E at a speed of one along the way.
    pub(super) shares: [f64; 4],
    pub(super) speed2: f64,
    pub(super) acceleration: f64,
}

/// Makes legs of moves, one after the other.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Legs {
    /// The end of the last move; `None` after a stop.
    pub(super) last: Option<Heading>,
}

impl Legs {
    /// The next move begins from rest.
    pub(super) const fn stop(&mut self) {
        self.last = None;
    }

    /// A move of the file; `None` if it takes no time that can be known.
    pub(super) fn take(&mut self, motion: &Move, length: f64, limits: &InForce) -> Option<Leg> {
        let feed = motion.feed_mm_min.filter(|feed| *feed > 0.0)? / 60.0;
        let way: [f64; 3] = std::array::from_fn(|axis| motion.end[axis] - motion.start[axis]);
        let filament = motion.extrusion_mm();
        if let Path::Arc(arc) = &motion.path {
            return self.take_arc(arc, way, filament, feed, limits);
        }
        if length < NOTHING_MM {
            return self.take_filament(filament, feed, limits);
        }
        let each = 1.0 / length;
        let shares = [way[0] * each, way[1] * each, way[2] * each, filament * each];
        let purpose = if filament == 0.0 { Purpose::Travel } else { Purpose::Print };
        self.leg(length, feed, purpose, (shares, shares, shares), f64::INFINITY, limits)
    }

    /// The filament alone moves.
    pub(super) fn take_filament(&mut self, filament: f64, feed: f64, limits: &InForce) -> Option<Leg> {
        let shares = [0.0, 0.0, 0.0, 1.0_f64.copysign(filament)];
        self.leg(filament.abs(), feed, Purpose::Retract, (shares, shares, shares), f64::INFINITY, limits)
    }

    /// An arc: on its way each axis of its plane comes to bear the whole speed in the plane, and v²/r is an acceleration.
    fn take_arc(&mut self, arc: &Arc, way: [f64; 3], filament: f64, feed: f64, limits: &InForce) -> Option<Leg> {
        let (a, b, across) = arc.plane.axes();
        let length = arc.length_mm(way[across]);
        let planar = (arc.radius * arc.sweep / length).abs();
        let (start, end) = arc.headings();
        let shares = |along: [f64; 2]| {
            let mut shares = [0.0, 0.0, 0.0, filament / length];
            (shares[a], shares[b], shares[across]) = (planar * along[0], planar * along[1], way[across] / length);
            shares
        };
        let heading = |angle: f64| shares([angle.cos(), angle.sin()]);
        let purpose = if filament == 0.0 { Purpose::Travel } else { Purpose::Print };
        let all = (heading(start), shares([1.0, 1.0]), heading(end));
        self.leg(length, feed, purpose, all, arc.radius / (planar * planar), limits)
    }

    /// `shares` are those at the start, the greatest ones on the way, and those at the end; `radius` is that of the path.
    fn leg(
        &mut self,
        length: f64,
        feed: f64,
        purpose: Purpose,
        (start, most, end): ([f64; 4], [f64; 4], [f64; 4]),
        radius: f64,
        limits: &InForce,
    ) -> Option<Leg> {
        if !(NOTHING_MM..TOO_LONG_MM).contains(&length) {
            return None;
        }
        let mut acceleration = limits.acceleration(purpose);
        let load = greatest(&most, &limits.acceleration_inverse);
        if acceleration.mm_s2 * load > 1.0 {
            acceleration = Acceleration::new(1.0 / load);
        }
        let speed = larger(larger(feed, limits.least_feed(purpose)), LEAST_FEED_MM_S);
        let load = greatest(&most, &limits.feed_inverse);
        let speed = if speed * load > 1.0 { 1.0 / load } else { speed };
        let speed2 = smaller(speed * speed, acceleration.mm_s2 * radius);
        let entry2 = match &self.last {
            Some(last) => corner2(last, &start, speed2, acceleration.mm_s2, &limits.corner),
            None => 0.0,
        };
        self.last = Some(Heading { shares: end, speed2, acceleration: acceleration.mm_s2 });
        let gain2 = 2.0 * acceleration.mm_s2 * length;
        Some(Leg { length_mm: length, speed2, entry2, gain2, half_inverse: acceleration.half_inverse })
    }
}

/// Square of the greatest speed in the corner between two moves, mm²/s².
fn corner2(last: &Heading, next: &[f64; 4], speed2: f64, acceleration: f64, corner: &Corner) -> f64 {
    let both2 = smaller(last.speed2, speed2);
    match corner {
        Corner::Jerk(inverse) => {
            let change: [f64; 4] = std::array::from_fn(|axis| next[axis] - last.shares[axis]);
            let load = greatest(&change, inverse);
            // No branch: it would depend on each corner's angle, which no processor foresees.
            smaller(both2, 1.0 / (load * load))
        }
        Corner::Deviation(mm) => both2.min(rounded2(&last.shares, next, acceleration.min(last.acceleration), *mm)),
    }
}

/// The corner is imagined as an arc that touches both ways and passes the corner at `deviation`; taken at the acceleration
/// `a` its speed is v² = a·δ·sin(θ/2) / (1 − sin(θ/2)), θ being the angle between the ways (centripetal approximation, as
/// firmware families do it; from memory). A move of filament alone is at right angles to every move of the head.
pub(super) fn rounded2(last: &[f64; 4], next: &[f64; 4], acceleration: f64, deviation: f64) -> f64 {
    let head = |shares: &[f64; 4]| shares[0] != 0.0 || shares[1] != 0.0 || shares[2] != 0.0;
    let along = last[0] * next[0] + last[1] * next[1] + last[2] * next[2];
    let along = if head(last) || head(next) { along } else { last[3] * next[3] };
    let half_sine = (0.5 * (1.0 + along)).max(0.0).sqrt();
    // Straight on there is no corner: the quotient is infinite, or would be but for rounding. Straight back there is a stop.
    if half_sine > 0.999_999 {
        f64::INFINITY
    } else if half_sine < 1e-6 {
        0.0
    } else {
        acceleration * deviation * half_sine / (1.0 - half_sine)
    }
}

/// The greatest of the shares' sizes, each by its limit.
#[inline(always)]
pub(super) fn greatest(shares: &[f64; 4], inverse: &[f64; 4]) -> f64 {
    let load: [f64; 4] = std::array::from_fn(|axis| shares[axis].abs() * inverse[axis]);
    larger(larger(load[0], load[1]), larger(load[2], load[3]))
}
