//! Arcs of `G2` and `G3` in three planes, given by centre or by radius (NISTIR 6556, §3.5.3).

use std::f64::consts::{FRAC_PI_2, TAU};
use std::fmt;

/// Radii at start and end may differ by this much, mm, before the arc is at fault (NISTIR 6556, §3.5.3.2).
pub const TOLERANCE_MM: f64 = 0.002;

/// The same while inches are in force: 0.0002 in.
pub const TOLERANCE_INCH_IN_MM: f64 = 0.0002 * 25.4;

/// The plane in which arcs lie.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Plane {
    /// `G17`
    #[default]
    Xy,
    /// `G18`
    Zx,
    /// `G19`
    Yz,
}

impl Plane {
    /// Indices (0 = X) of the first and second axis in the plane and of the one across it; right-handed.
    #[must_use]
    pub const fn axes(self) -> (usize, usize, usize) {
        match self {
            Self::Xy => (0, 1, 2),
            Self::Zx => (2, 0, 1),
            Self::Yz => (1, 2, 0),
        }
    }
}

/// Which way an arc turns, seen from the positive end of the axis across its plane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// `G2`
    Clockwise,
    /// `G3`
    Counterclockwise,
}

/// An arc, or a helix where the axis across the plane moves too.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arc {
    /// Its plane.
    pub plane: Plane,
    /// The centre, mm, along the plane's first and second axis.
    pub centre: [f64; 2],
    /// Radius at the start, mm.
    pub radius: f64,
    /// Direction of the start seen from the centre, rad.
    pub start_angle: f64,
    /// Angle swept, rad, positive counterclockwise, never zero, at most a full turn.
    pub sweep: f64,
}

/// What is wrong with an arc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ArcFault {
    /// The end is nearer to or farther from the centre than the start, by this many mm.
    OffCentre(f64),
    /// The end is farther away than two radii: by this many mm.
    TooFar(f64),
    /// The radius form cannot tell the centre when the arc ends where it starts.
    EndsAtStart,
    /// Neither a centre nor a radius is given.
    NoCentre,
}

impl fmt::Display for ArcFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OffCentre(by) => write!(f, "ends {by:.4} mm nearer to or farther from its centre than it starts"),
            Self::TooFar(by) => write!(f, "ends {by:.4} mm farther away than two radii reach"),
            Self::EndsAtStart => f.write_str("ends where it starts, so that its radius does not tell its centre"),
            Self::NoCentre => f.write_str("has neither a centre nor a radius"),
        }
    }
}

impl Arc {
    /// An arc about the point that lies `offset` mm from `start`. Equal start and end make a full circle.
    ///
    /// The second value is by how much the radii at start and end differ, mm.
    #[must_use]
    pub fn about_centre(plane: Plane, turn: Turn, start: [f64; 3], end: [f64; 3], offset: [f64; 2]) -> (Self, f64) {
        let (a, b, _) = plane.axes();
        let centre = [start[a] + offset[0], start[b] + offset[1]];
        let radius = offset[0].hypot(offset[1]);
        let to_end = [end[a] - centre[0], end[b] - centre[1]];
        let start_angle = f64::atan2(-offset[1], -offset[0]);
        let sweep = sweep_of(turn, start_angle, f64::atan2(to_end[1], to_end[0]));
        (Self { plane, centre, radius, start_angle, sweep }, (to_end[0].hypot(to_end[1]) - radius).abs())
    }

    /// An arc of `radius` mm: at most half a turn if it is positive, at least half a turn if it is negative.
    ///
    /// # Errors
    /// The ends coincide, or are farther apart than two radii and `tolerance` mm.
    pub fn of_radius(
        plane: Plane,
        turn: Turn,
        start: [f64; 3],
        end: [f64; 3],
        radius: f64,
        tolerance: f64,
    ) -> Result<Self, ArcFault> {
        let (a, b, _) = plane.axes();
        let chord = [end[a] - start[a], end[b] - start[b]];
        let half = chord[0].hypot(chord[1]) / 2.0;
        if half == 0.0 {
            return Err(ArcFault::EndsAtStart);
        }
        let beyond = half - radius.abs();
        if beyond > tolerance {
            return Err(ArcFault::TooFar(2.0 * beyond));
        }
        let height = (radius * radius - half * half).max(0.0).sqrt();
        // The centre of the smaller arc lies to the left of a counterclockwise chord, to the right of a clockwise one.
        let left = (turn == Turn::Counterclockwise) == (radius > 0.0);
        let along = if left { height } else { -height } / (2.0 * half);
        let offset = [chord[0] / 2.0 - chord[1] * along, chord[1] / 2.0 + chord[0] * along];
        Ok(Self::about_centre(plane, turn, start, end, offset).0)
    }

    /// Length, mm, with `across` mm travelled along the axis across the plane.
    #[must_use]
    pub fn length_mm(&self, across: f64) -> f64 {
        (self.radius * self.sweep).hypot(across)
    }

    /// The point where this share of the sweep is done, 0 to 1: mm along the plane's first and second axis.
    #[must_use]
    pub fn at(&self, share: f64) -> [f64; 2] {
        let (sin, cos) = (self.start_angle + share * self.sweep).sin_cos();
        [self.centre[0] + self.radius * cos, self.centre[1] + self.radius * sin]
    }

    /// The outermost points of the arc along the plane's two axes, mm, its ends not included: `(least, greatest)`.
    #[must_use]
    pub fn bulges(&self) -> ([f64; 2], [f64; 2]) {
        let (mut least, mut greatest) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for (quarter, (axis, sign)) in [(0, 1.0), (1, 1.0), (0, -1.0), (1, -1.0)].into_iter().enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "0 to 3")]
            let angle = quarter as f64 * FRAC_PI_2;
            if self.passes(angle) {
                let at = self.centre[axis] + sign * self.radius;
                least[axis] = least[axis].min(at);
                greatest[axis] = greatest[axis].max(at);
            }
        }
        (least, greatest)
    }

    /// Direction of travel at the start and at the end, rad, in the plane.
    #[must_use]
    pub fn headings(&self) -> (f64, f64) {
        let start = self.start_angle + FRAC_PI_2.copysign(self.sweep);
        (start, start + self.sweep)
    }

    fn passes(&self, angle: f64) -> bool {
        let way = if self.sweep > 0.0 { angle - self.start_angle } else { self.start_angle - angle };
        way.rem_euclid(TAU) <= self.sweep.abs()
    }
}

fn sweep_of(turn: Turn, start: f64, end: f64) -> f64 {
    // Rounding must not turn a full circle into none.
    const NOTHING: f64 = 1e-9;
    let way = match turn {
        Turn::Counterclockwise => end - start,
        Turn::Clockwise => start - end,
    };
    // Both angles are from −π to π: to the left of the centre one place may have either.
    let way = match way.rem_euclid(TAU) {
        way if way <= NOTHING => TAU,
        way => way,
    };
    match turn {
        Turn::Counterclockwise => way,
        Turn::Clockwise => -way,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NEAR: f64 = 5e-7;

    fn is_near(a: f64, b: f64) -> bool {
        (a - b).abs() < NEAR
    }

    fn radius_arc(turn: Turn, start: [f64; 2], end: [f64; 2], radius: f64) -> Arc {
        let at = |point: [f64; 2]| [point[0], point[1], 0.0];
        Arc::of_radius(Plane::Xy, turn, at(start), at(end), radius, TOLERANCE_MM).expect("an arc")
    }

    fn centre_arc(turn: Turn, start: [f64; 2], end: [f64; 2], offset: [f64; 2]) -> Arc {
        let at = |point: [f64; 2]| [point[0], point[1], 0.0];
        Arc::about_centre(Plane::Xy, turn, at(start), at(end), offset).0
    }

    /// NISTIR 6556, §3.5.3.2: from (7, 7), `G17 G2 x10 y16 i3 j4 z9`, centre (10, 11), radius 5. Sweep and length computed.
    #[test]
    fn centre_form() {
        let arc = centre_arc(Turn::Clockwise, [7.0, 7.0], [10.0, 16.0], [3.0, 4.0]);
        assert_eq!((arc.centre, arc.radius), ([10.0, 11.0], 5.0));
        assert!(is_near(arc.sweep.to_degrees(), -143.130102), "{}", arc.sweep.to_degrees());
        assert!(is_near(arc.length_mm(0.0), 12.490458));
        assert_eq!(arc.bulges().0[0], 5.0);
        let back = centre_arc(Turn::Counterclockwise, [7.0, 7.0], [10.0, 16.0], [3.0, 4.0]);
        assert!(is_near(back.sweep.to_degrees(), 216.869898));
    }

    /// NISTIR 6556, §3.5.3.1: `G17 G2 x10 y15 r20`, here from (0, 0). Centres, sweeps and lengths computed.
    #[test]
    fn radius_form() {
        let small = radius_arc(Turn::Clockwise, [0.0, 0.0], [10.0, 15.0], 20.0);
        assert!(is_near(small.centre[0], 19.855069) && is_near(small.centre[1], -2.403379), "{small:?}");
        assert!(is_near(small.sweep.to_degrees(), -53.576426) && is_near(small.length_mm(0.0), 18.701701));
        let large = radius_arc(Turn::Clockwise, [0.0, 0.0], [10.0, 15.0], -20.0);
        assert!(is_near(large.centre[0], -9.855069) && is_near(large.centre[1], 17.403379), "{large:?}");
        assert!(is_near(large.sweep.to_degrees(), -306.423574) && is_near(large.length_mm(0.0), 106.962005));
    }

    /// The letters of NISTIR 6556, App. C.1: arcs as printed there, lengths and bulges computed.
    #[test]
    fn letters_of_the_engraving_program() {
        let e = centre_arc(Turn::Counterclockwise, [16.0, 2.5], [13.5, 0.0], [-2.5, 0.0]);
        assert!(is_near(e.sweep.to_degrees(), 270.0) && is_near(e.length_mm(0.0), 11.780972));
        assert_eq!((e.bulges().0[0], e.bulges().1[1]), (11.0, 5.0));
        for (x, low, high) in [(32.5, 30.0, 35.0), (57.5, 55.0, 60.0)] {
            let o = centre_arc(Turn::Clockwise, [x, 0.0], [x, 0.0], [0.0, 2.5]);
            assert!(is_near(o.length_mm(0.0), 15.707963));
            assert_eq!(o.bulges(), ([low, 0.0], [high, 5.0]));
        }
        let r = radius_arc(Turn::Clockwise, [64.0, 4.0], [69.0, 4.0], 4.0);
        assert!(is_near(r.centre[0], 66.5) && is_near(r.centre[1], 0.877501));
        assert!(is_near(r.sweep.to_degrees(), -77.364375) && is_near(r.length_mm(0.0), 5.401052));
        assert!(is_near(r.bulges().1[1], 4.877501));
        let d = centre_arc(Turn::Clockwise, [79.5, 0.0], [79.5, 5.0], [0.0, 2.5]);
        assert!(is_near(d.sweep.to_degrees(), -180.0) && is_near(d.length_mm(0.0), 7.853982));
        assert!(is_near(d.bulges().0[0], 77.0));
    }

    #[test]
    fn a_circle_is_whole_wherever_it_begins() {
        for (turn, sweep) in [(Turn::Clockwise, -TAU), (Turn::Counterclockwise, TAU)] {
            for offset in [[1.0, 0.0], [1.0, -0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0], [0.6, 0.8], [0.1, 1e-17]] {
                for start in [[0.0, 0.0], [0.3, 0.7]] {
                    let arc = centre_arc(turn, start, start, offset);
                    assert!(is_near(arc.sweep, sweep), "{turn:?} about {offset:?}: {}", arc.sweep);
                }
            }
        }
    }

    #[test]
    fn a_semicircle_whose_chord_is_two_radii_has_its_centre_between() {
        let arc = radius_arc(Turn::Clockwise, [121.019, -12.6], [121.019, 12.6], 12.6);
        assert!(is_near(arc.centre[0], 121.019) && is_near(arc.centre[1], 0.0));
        assert!(is_near(arc.length_mm(0.0), 39.584067));
    }

    /// NISTIR 6556, §3.5.3.2: radii may differ by 0.002 mm: 1.9 µm is right, 2.1 µm is an error.
    #[test]
    fn radii_may_differ_by_two_micrometres() {
        let mismatch =
            |end: f64| Arc::about_centre(Plane::Xy, Turn::Clockwise, [0.0; 3], [end, 0.0, 0.0], [5.0, 0.0]).1;
        assert!(mismatch(10.0019) < TOLERANCE_MM);
        assert!(mismatch(10.0021) > TOLERANCE_MM);
    }

    /// `atan2` tells −0 from 0: a circle that begins left of its centre must not become nothing.
    #[test]
    fn a_full_circle_is_whole_wherever_it_begins() {
        for (from, offset) in
            [([80.0, 100.0], [20.0, 0.0]), ([120.0, 100.0], [-20.0, 0.0]), ([100.0, 80.0], [0.0, 20.0])]
        {
            for turn in [Turn::Clockwise, Turn::Counterclockwise] {
                let arc = centre_arc(turn, from, from, offset);
                assert!(is_near(arc.sweep.abs(), TAU), "{turn:?} from {from:?}: {}", arc.sweep);
                assert_eq!(arc.sweep > 0.0, turn == Turn::Counterclockwise);
            }
        }
    }

    #[test]
    fn planes_turn_right_handed() {
        // In the ZX plane a quarter turn counterclockwise leads from +Z to +X.
        let start = [0.0, 0.0, 1.0];
        let end = [1.0, 3.0, 0.0];
        let (arc, mismatch) = Arc::about_centre(Plane::Zx, Turn::Counterclockwise, start, end, [-1.0, 0.0]);
        assert!(is_near(arc.sweep, FRAC_PI_2) && mismatch < NEAR);
        assert!(is_near(arc.length_mm(3.0), FRAC_PI_2.hypot(3.0)));
        let (arc, _) =
            Arc::about_centre(Plane::Yz, Turn::Counterclockwise, [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0]);
        assert!(is_near(arc.sweep, FRAC_PI_2));
    }
}
