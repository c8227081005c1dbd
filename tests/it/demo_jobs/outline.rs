//! Convex outlines: growing, shrinking, cutting by a line, walking around. All lengths in mm.

use std::f64::consts::PI;

/// A point on the bed, or a direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub(super) x: f64,
    pub(super) y: f64,
}

/// Shorthand for a point.
pub(super) const fn at(x: f64, y: f64) -> Point {
    Point { x, y }
}

impl Point {
    pub(super) fn plus(self, other: Self, times: f64) -> Self {
        at(self.x + times * other.x, self.y + times * other.y)
    }

    pub(super) fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y
    }

    pub(super) fn distance(self, other: Self) -> f64 {
        let d = self.plus(other, -1.0);
        d.dot(d).sqrt()
    }

    /// Turned by a quarter to the right: the outward normal of an edge that is walked counter-clockwise.
    fn right(self) -> Self {
        at(self.y, -self.x)
    }

    fn unit(self) -> Self {
        let length = self.dot(self).sqrt();
        at(self.x / length, self.y / length)
    }
}

/// A convex closed line.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Outline {
    /// Corners in counter-clockwise order.
    Polygon(Vec<Point>),
    /// Everything within `radius` of the stretch from `from` to `to`; a circle if these are the same.
    Slot { from: Point, to: Point, radius: f64 },
}

/// One piece of a path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Stroke {
    Line { to: Point },
    Arc { to: Point, centre: Point, way: Way, length: f64 },
}

/// Which way around.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    Clockwise,
    CounterClockwise,
}

/// Where to begin and how to go on.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Path {
    pub(super) start: Point,
    pub(super) strokes: Vec<Stroke>,
}

/// A rectangle with its middle at `middle`.
pub(super) fn rectangle(middle: Point, width: f64, depth: f64) -> Outline {
    let (w, d) = (width / 2.0, depth / 2.0);
    Outline::Polygon([(-w, -d), (w, -d), (w, d), (-w, d)].map(|(x, y)| at(middle.x + x, middle.y + y)).to_vec())
}

impl Outline {
    /// Moved outward by `by`; inward if that is negative. Corners stay sharp.
    pub(super) fn grown(&self, by: f64) -> Self {
        match self {
            Self::Slot { from, to, radius } => Self::Slot { from: *from, to: *to, radius: radius + by },
            Self::Polygon(corners) => Self::Polygon(
                (0..corners.len())
                    .map(|i| {
                        let before = edge_normal(corners, (i + corners.len() - 1) % corners.len());
                        let after = edge_normal(corners, i);
                        let mitre = before.plus(after, 1.0);
                        corners[i].plus(mitre, by / (1.0 + before.dot(after)))
                    })
                    .collect(),
            ),
        }
    }

    /// Where the line `origin + t × direction` runs inside: the first and last `t`.
    pub(super) fn cut(&self, origin: Point, direction: Point) -> Option<(f64, f64)> {
        match self {
            Self::Polygon(corners) => cut_polygon(corners, origin, direction),
            Self::Slot { from, to, radius } => [
                cut_circle(*from, *radius, origin, direction),
                cut_circle(*to, *radius, origin, direction),
                slot_sides(*from, *to, *radius).and_then(|sides| cut_polygon(&sides, origin, direction)),
            ]
            .into_iter()
            .flatten()
            .reduce(|(a, b), (c, d)| (a.min(c), b.max(d))),
        }
    }

    /// Least and greatest of the outline along `direction`.
    pub(super) fn span(&self, direction: Point) -> (f64, f64) {
        let (points, reach) = match self {
            Self::Polygon(corners) => (corners.clone(), 0.0),
            Self::Slot { from, to, radius } => (vec![*from, *to], *radius),
        };
        let along = points.iter().map(|p| p.dot(direction));
        let (low, high) = along.fold((f64::MAX, f64::MIN), |(low, high), a| (low.min(a), high.max(a)));
        (low - reach, high + reach)
    }

    /// Once around, back to the start.
    pub(super) fn around(&self, way: Way) -> Path {
        match self {
            Self::Polygon(corners) => {
                let mut rest = corners[1..].to_vec();
                if way == Way::Clockwise {
                    rest.reverse();
                }
                rest.push(corners[0]);
                Path { start: corners[0], strokes: rest.into_iter().map(|to| Stroke::Line { to }).collect() }
            }
            Self::Slot { from, to, radius } => around_slot(*from, *to, *radius, way),
        }
    }
}

fn edge_normal(corners: &[Point], i: usize) -> Point {
    corners[(i + 1) % corners.len()].plus(corners[i], -1.0).unit().right()
}

/// The four corners of a slot's straight part; none for a circle.
fn slot_sides(from: Point, to: Point, radius: f64) -> Option<[Point; 4]> {
    (from != to).then(|| {
        let side = to.plus(from, -1.0).unit().right();
        [from.plus(side, radius), to.plus(side, radius), to.plus(side, -radius), from.plus(side, -radius)]
    })
}

fn cut_polygon(corners: &[Point], origin: Point, direction: Point) -> Option<(f64, f64)> {
    let (mut first, mut last) = (f64::MIN, f64::MAX);
    for (i, corner) in corners.iter().enumerate() {
        let normal = edge_normal(corners, i);
        let (room, slope) = (corner.plus(origin, -1.0).dot(normal), direction.dot(normal));
        if slope.abs() < 1e-12 {
            if room < 0.0 {
                return None;
            }
        } else if slope > 0.0 {
            last = last.min(room / slope);
        } else {
            first = first.max(room / slope);
        }
    }
    (first < last).then_some((first, last))
}

/// `direction` has length 1.
fn cut_circle(centre: Point, radius: f64, origin: Point, direction: Point) -> Option<(f64, f64)> {
    let to_centre = centre.plus(origin, -1.0);
    let nearest = to_centre.dot(direction);
    let half_squared = radius * radius - (to_centre.dot(to_centre) - nearest * nearest);
    (half_squared > 0.0).then(|| (nearest - half_squared.sqrt(), nearest + half_squared.sqrt()))
}

fn around_slot(from: Point, to: Point, radius: f64, way: Way) -> Path {
    let side = if from == to { at(0.0, -1.0) } else { to.plus(from, -1.0).unit().right() };
    let half = |to, centre| Stroke::Arc { to, centre, way, length: PI * radius };
    let turn = if way == Way::CounterClockwise { radius } else { -radius };
    let start = from.plus(side, turn);
    let mut strokes = vec![
        Stroke::Line { to: to.plus(side, turn) },
        half(to.plus(side, -turn), to),
        Stroke::Line { to: from.plus(side, -turn) },
        half(start, from),
    ];
    if from == to {
        strokes.retain(|stroke| matches!(stroke, Stroke::Arc { .. }));
    }
    Path { start, strokes }
}
