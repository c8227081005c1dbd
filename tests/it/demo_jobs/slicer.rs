//! From a part to paths: walls, infill, skirt, spiral.

use std::f64::consts::FRAC_1_SQRT_2;

use super::outline::{Outline, Path, Point, Stroke, Way, at};

/// An outline with holes.
#[derive(Clone, Debug)]
pub(super) struct Region {
    pub(super) outer: Outline,
    pub(super) holes: Vec<Outline>,
}

/// What is laid between the walls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Fill {
    Nothing,
    /// A share of the room, above 0 to 1.
    Share(f64),
}

/// One layer.
#[derive(Clone, Debug)]
pub(super) struct Layer {
    pub(super) region: Region,
    pub(super) walls: u32,
    pub(super) fill: Fill,
}

/// Walls of one layer, from the inside out, holes first: the outer face is laid last, against something.
pub(super) fn walls(layer: &Layer, width: f64) -> Vec<Path> {
    let inset = |k: u32| (f64::from(k) + 0.5) * width;
    let around_holes = layer
        .region
        .holes
        .iter()
        .flat_map(|hole| (0..layer.walls).rev().map(move |k| hole.grown(inset(k)).around(Way::Clockwise)));
    let outside = (0..layer.walls).rev().map(|k| layer.region.outer.grown(-inset(k)).around(Way::CounterClockwise));
    around_holes.chain(outside).collect()
}

/// Straight lines between the walls, alternating from layer to layer, in the order in which the head should lay them.
pub(super) fn infill(layer: &Layer, index: usize, width: f64, from: Point) -> Vec<(Point, Point)> {
    let Fill::Share(share) = layer.fill else { return Vec::new() };
    // A line's round end reaches a little beyond its last point, so it stops a quarter of a width short of the wall.
    let inset = (f64::from(layer.walls) + 0.25) * width;
    let outer = layer.region.outer.grown(-inset);
    let holes: Vec<Outline> = layer.region.holes.iter().map(|hole| hole.grown(inset)).collect();
    let direction = at(FRAC_1_SQRT_2, if index.is_multiple_of(2) { FRAC_1_SQRT_2 } else { -FRAC_1_SQRT_2 });
    let across = at(-direction.y, direction.x);
    let spacing = width / share;
    let (low, high) = outer.span(across);
    let mut lines = Vec::new();
    let mut offset = low + spacing / 2.0;
    while offset < high {
        let origin = at(across.x * offset, across.y * offset);
        if let Some(whole) = outer.cut(origin, direction) {
            let cuts = holes.iter().filter_map(|hole| hole.cut(origin, direction));
            let pieces =
                cuts.fold(vec![whole], |pieces, cut| pieces.into_iter().flat_map(|p| without(p, cut)).collect());
            let long = pieces.into_iter().filter(|(first, last)| last - first > width);
            lines.extend(long.map(|(first, last)| (origin.plus(direction, first), origin.plus(direction, last))));
        }
        offset += spacing;
    }
    nearest_first(lines, from)
}

/// What is left of one stretch when another is taken out.
fn without((first, last): (f64, f64), (from, to): (f64, f64)) -> Vec<(f64, f64)> {
    [(first, last.min(from)), (first.max(to), last)].into_iter().filter(|(a, b)| a < b).collect()
}

fn nearest_first(mut lines: Vec<(Point, Point)>, mut from: Point) -> Vec<(Point, Point)> {
    let mut ordered = Vec::with_capacity(lines.len());
    while !lines.is_empty() {
        let (mut best, mut best_distance, mut turn) = (0, f64::MAX, false);
        for (i, (a, b)) in lines.iter().enumerate() {
            for (distance, turned) in [(from.distance(*a), false), (from.distance(*b), true)] {
                if distance < best_distance {
                    (best, best_distance, turn) = (i, distance, turned);
                }
            }
        }
        let (a, b) = lines.remove(best);
        let line = if turn { (b, a) } else { (a, b) };
        from = line.1;
        ordered.push(line);
    }
    ordered
}

/// A loop around the part, laid before it.
pub(super) fn skirt(region: &Region, gap: f64) -> Path {
    region.outer.grown(gap).around(Way::CounterClockwise)
}

/// One piece of a spiral: where to, how high, and the share of a whole layer's plastic.
#[derive(Clone, Copy, Debug)]
pub(super) struct Climb {
    pub(super) to: Point,
    pub(super) z: f64,
    pub(super) share: f64,
}

/// A single wall that climbs without pause by `step` a turn from `bottom` to `bottom + turns × step`.
///
/// The first turn rises off a flat floor and the last one closes the rim level, so both are wedges: their plastic grows from
/// nothing and shrinks to nothing.
pub(super) fn spiral(wall: &Outline, bottom: f64, step: f64, turns: u32) -> (Point, Vec<Climb>) {
    let Path { start, strokes } = wall.around(Way::CounterClockwise);
    let corners: Vec<Point> = strokes
        .iter()
        .map(|stroke| match stroke {
            Stroke::Line { to } | Stroke::Arc { to, .. } => *to,
        })
        .collect();
    let length = |i: usize| corners[i].distance(if i == 0 { start } else { corners[i - 1] });
    let around: f64 = (0..corners.len()).map(length).sum();
    let mut climbs = Vec::new();
    for turn in 0..=turns {
        let mut gone = 0.0;
        for (i, corner) in corners.iter().enumerate() {
            let middle = (gone + length(i) / 2.0) / around;
            gone += length(i);
            let (rise, share) = match turn {
                0 => (gone / around, middle),
                last if last == turns => (0.0, 1.0 - middle),
                _ => (gone / around, 1.0),
            };
            climbs.push(Climb { to: *corner, z: bottom + step * (f64::from(turn) + rise), share });
        }
    }
    (start, climbs)
}
