//! Circular moves, helical ones too.

use std::f64::consts::TAU;

/// The plane of an arc: its two axes in the order that makes a counter-clockwise turn positive, and the axis across it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Plane {
    Xy,
    Zx,
    Yz,
}

/// An arc around a centre, with linear travel along the third axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Arc {
    plane: Plane,
    centre: [f64; 2],
    radius: f64,
    start_angle: f64,
    /// Radians, positive counter-clockwise.
    sweep: f64,
    across_from: f64,
    across_by: f64,
}

/// Which way round an arc goes, and where its centre is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Turn {
    pub(super) clockwise: bool,
    /// Offset of the centre from the start, by axis.
    pub(super) offset: Option<[f64; 3]>,
    /// Radius, if there is no offset; below zero the longer way round.
    pub(super) radius: Option<f64>,
}

impl Plane {
    /// Indices of its first, second and third axis.
    const fn axes(self) -> [usize; 3] {
        match self {
            Self::Xy => [0, 1, 2],
            Self::Zx => [2, 0, 1],
            Self::Yz => [1, 2, 0],
        }
    }
}

impl Arc {
    /// The arc from one point to another; `None` if there is none: no centre, no radius, or ends too far apart.
    ///
    /// With a radius, of the two centres the one is taken that makes the shorter arc, for a radius below zero the longer
    /// (NISTIR 6556, §3.5.3.1).
    pub(super) fn new(plane: Plane, from: [f64; 3], to: [f64; 3], turn: Turn) -> Option<Self> {
        let [a, b, c] = plane.axes();
        let centre = match (turn.offset, turn.radius) {
            (Some(offset), _) => [from[a] + offset[a], from[b] + offset[b]],
            (None, Some(radius)) => centre_by_radius([from[a], from[b]], [to[a], to[b]], radius, turn.clockwise)?,
            (None, None) => return None,
        };
        let radius = (from[a] - centre[0]).hypot(from[b] - centre[1]);
        if radius < 1e-9 {
            return None;
        }
        let start_angle = (from[b] - centre[1]).atan2(from[a] - centre[0]);
        let end_angle = (to[b] - centre[1]).atan2(to[a] - centre[0]);
        let mut sweep = (end_angle - start_angle).rem_euclid(TAU);
        // Ends that coincide mean a full turn.
        if sweep < 1e-9 {
            sweep = TAU;
        }
        if turn.clockwise {
            sweep = if (TAU - sweep) < 1e-9 { -TAU } else { sweep - TAU };
        }
        Some(Self { plane, centre, radius, start_angle, sweep, across_from: from[c], across_by: to[c] - from[c] })
    }

    /// Length along the path.
    pub(super) fn length(&self) -> f64 {
        (self.radius * self.sweep).hypot(self.across_by)
    }

    /// The point after this share of the way.
    pub(super) fn point(&self, share: f64) -> [f64; 3] {
        let [a, b, c] = self.plane.axes();
        let angle = self.start_angle + self.sweep * share;
        let mut point = [0.0; 3];
        point[a] = self.centre[0] + self.radius * angle.cos();
        point[b] = self.centre[1] + self.radius * angle.sin();
        point[c] = self.across_from + self.across_by * share;
        point
    }

    /// The shares of the way, between two, at which an axis of the plane turns back.
    pub(super) fn turning_points(&self, from: f64, to: f64) -> impl Iterator<Item = f64> {
        let quarter = TAU / 4.0;
        let ends = [from, to].map(|share| (self.start_angle + self.sweep * share) / quarter);
        let (low, high) = (ends[0].min(ends[1]).ceil(), ends[0].max(ends[1]));
        let (start, sweep) = (self.start_angle, self.sweep);
        // A turn has four of them; a sweep is at most one turn.
        (0..5_u8)
            .map(move |step| low + f64::from(step))
            .take_while(move |q| *q <= high)
            .map(move |q| (q * quarter - start) / sweep)
    }
}

fn centre_by_radius(from: [f64; 2], to: [f64; 2], radius: f64, clockwise: bool) -> Option<[f64; 2]> {
    let chord = [to[0] - from[0], to[1] - from[1]];
    let length = chord[0].hypot(chord[1]);
    let rise2 = radius * radius - length * length / 4.0;
    // Ends a little further apart than the diameter are a half circle written with few digits.
    if length < 1e-9 || rise2 < -1e-3 * radius * radius {
        return None;
    }
    let rise = rise2.max(0.0).sqrt();
    // The shorter counter-clockwise arc has its centre to the left of its chord.
    let left = if clockwise == (radius < 0.0) { rise } else { -rise };
    let across = [-chord[1] / length, chord[0] / length];
    Some([from[0] + chord[0] / 2.0 + across[0] * left, from[1] + chord[1] / 2.0 + across[1] * left])
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn xy(to: [f64; 3], clockwise: bool, offset: [f64; 3]) -> Arc {
        let turn = Turn { clockwise, offset: Some(offset), radius: None };
        Arc::new(Plane::Xy, [0.0; 3], to, turn).expect("an arc")
    }

    fn by_radius(radius: f64, clockwise: bool) -> f64 {
        let turn = Turn { clockwise, offset: None, radius: Some(radius) };
        Arc::new(Plane::Xy, [0.0; 3], [1.0, 1.0, 0.0], turn).expect("an arc").length()
    }

    #[test]
    fn an_arc_is_as_long_as_its_part_of_the_circle() {
        assert!((xy([2.0, 0.0, 0.0], true, [1.0, 0.0, 0.0]).length() - PI).abs() < 1e-12);
        assert!((xy([0.0, 0.0, 0.0], false, [3.0, 0.0, 0.0]).length() - 6.0 * PI).abs() < 1e-12);
        let helix = xy([0.0, 0.0, 4.0], true, [0.0, 2.0, 0.0]);
        assert!((helix.length() - (4.0 * PI).hypot(4.0)).abs() < 1e-12);
    }

    #[test]
    fn a_full_circle_is_whole_wherever_it_begins() {
        for degrees in 0..360_u16 {
            let (sin, cos) = f64::from(degrees).to_radians().sin_cos();
            let from = [50.0 + 3.0 * cos, 70.0 + 3.0 * sin, 0.2];
            for clockwise in [true, false] {
                let turn = Turn { clockwise, offset: Some([-3.0 * cos, -3.0 * sin, 0.0]), radius: None };
                let arc = Arc::new(Plane::Xy, from, from, turn).expect("an arc");
                assert!((arc.length() - 6.0 * PI).abs() < 1e-9, "{degrees}° {clockwise}: {}", arc.length());
                // Halfway it is on the other side.
                let opposite = [50.0 - 3.0 * cos, 70.0 - 3.0 * sin, 0.2];
                let half = arc.point(0.5);
                assert!((0..3).all(|axis| (half[axis] - opposite[axis]).abs() < 1e-9), "{degrees}° {half:?}");
            }
        }
    }

    #[test]
    fn a_radius_takes_the_shorter_way_and_below_zero_the_longer() {
        for clockwise in [true, false] {
            assert!((by_radius(1.0, clockwise) - PI / 2.0).abs() < 1e-12);
            assert!((by_radius(-1.0, clockwise) - 1.5 * PI).abs() < 1e-12);
        }
    }

    #[test]
    fn an_arc_ends_where_it_shall_in_every_plane() {
        for plane in [Plane::Xy, Plane::Zx, Plane::Yz] {
            for clockwise in [true, false] {
                let [a, b, c] = plane.axes();
                let (mut to, mut offset) = ([0.0; 3], [0.0; 3]);
                (to[a], to[b], to[c], offset[a]) = (1.0, 1.0, 5.0, 1.0);
                let turn = Turn { clockwise, offset: Some(offset), radius: None };
                let arc = Arc::new(plane, [0.0; 3], to, turn).expect("an arc");
                let end = arc.point(1.0);
                assert!((0..3).all(|axis| (end[axis] - to[axis]).abs() < 1e-12), "{plane:?} {clockwise} {end:?}");
            }
        }
    }

    #[test]
    fn the_box_of_an_arc_reaches_its_quarter_points() {
        // Clockwise from (0, 0) to (2, 0) around (1, 0): over the top.
        let arc = xy([2.0, 0.0, 0.0], true, [1.0, 0.0, 0.0]);
        let top = arc.turning_points(0.0, 1.0).map(|share| arc.point(share)[1]).fold(0.0, f64::max);
        assert!((top - 1.0).abs() < 1e-12);
        assert_eq!(arc.turning_points(0.1, 0.4).count(), 0);
    }

    #[test]
    fn an_arc_without_centre_or_out_of_reach_is_none() {
        let turn = |radius| Turn { clockwise: true, offset: None, radius };
        assert_eq!(Arc::new(Plane::Xy, [0.0; 3], [9.0, 0.0, 0.0], turn(Some(1.0))), None);
        assert_eq!(Arc::new(Plane::Xy, [0.0; 3], [9.0, 0.0, 0.0], turn(None)), None);
    }
}
