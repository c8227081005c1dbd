//! How high the plastic is at each point of the picture: a grid of heights of which the greatest stays.
//!
//! In a parallel view from above, whatever is higher at a point of the picture hides what is lower there. So the order of the
//! strokes does not matter, and every stroke costs only the points that it covers.

use std::ops::Range;

/// Steps of height that are told apart.
pub(super) const STEPS: u16 = 32_767;

/// A point of a stroke: where it is, in points of the grid, and its step of height, 1 to [`STEPS`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spot {
    pub(super) x: f32,
    pub(super) y: f32,
    pub(super) step: u16,
}

/// What draws a stroke, in points of the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Brush {
    /// Half its width and half its height, as a disc on the belt is seen.
    pub(super) half: (f32, f32),
    /// Height of the side that it turns to the reader.
    pub(super) side: f32,
}

/// What is seen at a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Seen {
    /// Step of height.
    pub(super) step: u16,
    /// The upper face, or the side toward the reader.
    pub(super) face: Face,
}

/// Which face of the plastic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Face {
    Top,
    Side,
}

/// The grid, column after column: strokes are filled by upright runs.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Relief {
    width: usize,
    height: usize,
    /// Twice the step of height, plus one on an upper face; 0 where there is nothing.
    points: Vec<u16>,
    /// The columns and rows outside of which there is nothing.
    columns: Range<usize>,
    rows: Range<usize>,
}

impl Relief {
    pub(super) fn new(width: usize, height: usize) -> Self {
        Self { width, height, points: vec![0; width * height], columns: width..0, rows: height..0 }
    }

    /// Points from left to right.
    pub(super) const fn width(&self) -> usize {
        self.width
    }

    /// The columns and rows outside of which there is nothing.
    pub(super) fn painted(&self) -> (Range<usize>, Range<usize>) {
        (self.columns.clone(), self.rows.clone())
    }

    /// What is seen at a point of the grid; `None` where there is no plastic.
    pub(super) fn seen(&self, x: usize, y: usize) -> Option<Seen> {
        let point = self.points[x * self.height + y];
        let face = if point & 1 == 1 { Face::Top } else { Face::Side };
        (point > 0).then_some(Seen { step: point >> 1, face })
    }

    /// Draws a straight stroke.
    pub(super) fn stroke(&mut self, from: Spot, to: Spot, brush: &Brush) {
        let (a, b) = if from.x <= to.x { (from, to) } else { (to, from) };
        let (half_x, half_y) = brush.half;
        let (top, bottom) = (a.y.min(b.y) - half_y, a.y.max(b.y) + half_y);
        let columns = run(a.x - half_x, b.x + half_x, self.width);
        let rows = run(top, bottom + brush.side, self.height);
        self.columns = self.columns.start.min(columns.start)..self.columns.end.max(columns.end);
        self.rows = self.rows.start.min(rows.start)..self.rows.end.max(rows.end);
        let run_x = b.x - a.x;
        // Far from upright lines alone have a slope that means something; the others fill their box.
        let slope = if run_x > f32::EPSILON { (b.y - a.y) / run_x } else { 0.0 };
        let reach = if run_x > f32::EPSILON {
            (half_y * half_y + slope * slope * half_x * half_x).sqrt()
        } else {
            f32::INFINITY
        };
        let climb = (f32::from(b.step) - f32::from(a.step)) / run_x;
        for column in columns {
            #[expect(clippy::cast_precision_loss, reason = "a column of the grid is below 2^13")]
            let way = column as f32 + 0.5 - a.x;
            let middle = a.y + slope * way;
            let rows = ((middle - reach).max(top), (middle + reach).min(bottom));
            let step = if a.step == b.step || run_x < 1.0 {
                a.step.max(b.step)
            } else {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between two steps")]
                let step = (f32::from(a.step) + climb * way.clamp(0.0, run_x)) as u16;
                step
            };
            self.fill(column, rows, brush.side, step);
        }
    }

    fn fill(&mut self, column: usize, (top, bottom): (f32, f32), side: f32, step: u16) {
        let upper = run(top, bottom, self.height);
        let lower = upper.end..index(bottom + side).clamp(upper.end, self.height);
        let points = &mut self.points[column * self.height..(column + 1) * self.height];
        for point in &mut points[upper] {
            *point = (*point).max(step << 1 | 1);
        }
        for point in &mut points[lower] {
            *point = (*point).max(step << 1);
        }
    }
}

/// The points whose middles lie between two places; one at least, unless it would lie outside.
fn run(from: f32, to: f32, length: usize) -> Range<usize> {
    if to < 0.0 {
        return 0..0;
    }
    let start = index(from);
    let end = index(to).max(start + 1).min(length);
    start.min(end)..end
}

/// The first point whose middle does not lie before a place.
fn index(place: f32) -> usize {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturating, which is wanted")]
    let index = (place + 0.5) as usize;
    index
}
