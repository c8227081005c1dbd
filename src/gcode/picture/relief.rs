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

/// How far from the grid's corner a stroke may begin or end, in points: the grid, and a brush on each side of it, take less.
pub(super) const FAR: f32 = 4096.0;

/// A stroke that moves sideways by no more, in points, is as good as upright; its slope would drown in rounding.
const UPRIGHT: f32 = 1.0 / 256.0;

/// Points of a column that are raised at once. Few strokes cover more.
const LANES: usize = 8;
/// The same, numbered.
const NUMBERS: [i16; LANES] = [0, 1, 2, 3, 4, 5, 6, 7];

/// Rows of a column that are never seen, one above it and one below: a run may begin and end just outside.
const UNSEEN_ROWS: usize = 2;

/// The grid, column after column: strokes are filled by upright runs.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Relief {
    width: u16,
    height: u16,
    /// Twice the step of height, plus one on an upper face; 0 where there is nothing.
    points: Vec<u16>,
    /// The columns and rows outside of which there is nothing.
    columns: Range<usize>,
    rows: Range<usize>,
}

/// Points of a column that a stroke covers.
#[derive(Clone, Copy)]
struct Run {
    /// The first of them.
    at: usize,
    /// So many show the upper face.
    upper: i16,
    /// So many are covered, the others by the side.
    all: i16,
    step: u16,
}

impl Relief {
    pub(super) fn new(width: u16, height: u16) -> Self {
        let (columns, rows) = (usize::from(width), usize::from(height));
        let points = vec![0; columns * (rows + UNSEEN_ROWS) + LANES];
        Self { width, height, points, columns: columns..0, rows: rows..0 }
    }

    /// Points from left to right.
    pub(super) fn width(&self) -> usize {
        usize::from(self.width)
    }

    /// The columns and rows outside of which there is nothing.
    pub(super) fn painted(&self) -> (Range<usize>, Range<usize>) {
        (self.columns.clone(), self.rows.clone())
    }

    /// What is seen at a point of the grid; `None` where there is no plastic.
    pub(super) fn seen(&self, x: usize, y: usize) -> Option<Seen> {
        let point = self.points[x * self.stride() + y + 1];
        let face = if point & 1 == 1 { Face::Top } else { Face::Side };
        (point > 0).then_some(Seen { step: point >> 1, face })
    }

    /// Points from a column to the next one.
    fn stride(&self) -> usize {
        usize::from(self.height) + UNSEEN_ROWS
    }

    /// Draws a straight stroke, no end of which is farther away than [`FAR`].
    pub(super) fn stroke(&mut self, from: Spot, to: Spot, brush: &Brush) {
        if from.step == to.step {
            self.sweep(from, to, brush, |_| from.step);
        } else {
            self.climb(from, to, brush);
        }
    }

    /// The same for one that climbs.
    #[cold]
    fn climb(&mut self, from: Spot, to: Spot, brush: &Brush) {
        let (begin, end) = (f32::from(from.step), f32::from(to.step));
        let run = to.x - from.x;
        // What hardly moves sideways hides itself behind its higher end.
        let (begin, climb) = if run.abs() < 1.0 { (begin.max(end), 0.0) } else { (begin, (end - begin) / run) };
        let (left, right) = (run.min(0.0), run.max(0.0));
        self.sweep(from, to, brush, |way| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between two steps")]
            let step = (begin + climb * way.clamp(left, right)) as u16;
            step
        });
    }

    /// Draws a stroke that is so high so many points to the right of where it begins.
    #[inline]
    fn sweep(&mut self, from: Spot, to: Spot, brush: &Brush, step: impl Fn(f32) -> u16) {
        let (half_x, half_y) = brush.half;
        let (top, bottom) = (least(from.y, to.y) - half_y, greatest(from.y, to.y) + half_y);
        let columns = within(least(from.x, to.x) - half_x, greatest(from.x, to.x) + half_x, self.width);
        let rows = within(top, bottom + brush.side, self.height);
        if columns.is_empty() || rows.is_empty() {
            return;
        }
        self.columns = self.columns.start.min(columns.start)..self.columns.end.max(columns.end);
        self.rows = self.rows.start.min(rows.start)..self.rows.end.max(rows.end);
        let run = to.x - from.x;
        let (slope, reach) = if run.abs() > UPRIGHT {
            let slope = (to.y - from.y) / run;
            (slope, (half_y * half_y + slope * slope * half_x * half_x).sqrt())
        } else {
            // It fills its box.
            (0.0, f32::INFINITY)
        };
        let (top, bottom) = (greatest(top, -1.0), least(bottom, f32::from(self.height)));
        let end = i32::from(self.height) + 1;
        #[expect(clippy::cast_precision_loss, reason = "a column of the grid is below 2^12")]
        let mut way = columns.start as f32 + 0.5 - from.x;
        let mut column = columns.start * self.stride() + 1;
        for _ in columns {
            let middle = from.y + slope * way;
            let lower = least(middle + reach, bottom);
            let first = nearest(greatest(least(middle - reach, bottom), top));
            #[expect(clippy::cast_possible_truncation, reason = "no more than the grid is high")]
            let run = Run {
                at: column.wrapping_add_signed(first as isize),
                upper: (nearest(lower) - first).max(1) as i16,
                all: (nearest(lower + brush.side).min(end) - first) as i16,
                step: step(way),
            };
            self.raise(run);
            way += 1.0;
            column += self.stride();
        }
    }

    /// Raises the points of a run that are lower, [`LANES`] at a time. Points behind the run stay as they are, so that they may
    /// belong to the next column.
    #[inline(always)]
    fn raise(&mut self, mut run: Run) {
        const MANY: i16 = LANES as i16;
        loop {
            let points = self.points[run.at..].first_chunk_mut::<LANES>().expect("invariant: there is room behind all");
            for (point, number) in points.iter_mut().zip(NUMBERS) {
                let top = if number < run.upper { run.step << 1 | 1 } else { 0 };
                let side = if number < run.all { run.step << 1 } else { 0 };
                *point = (*point).max(top | side);
            }
            if run.upper.max(run.all) <= MANY {
                return;
            }
            run = Run { at: run.at + LANES, upper: run.upper - MANY, all: run.all - MANY, ..run };
        }
    }
}

/// The points between 0 and a length whose middles lie between two places; one at least, unless it would lie outside.
#[inline]
fn within(from: f32, to: f32, length: u16) -> Range<usize> {
    let start = nearest(from);
    let end = nearest(to).max(start + 1).min(i32::from(length));
    #[expect(clippy::cast_sign_loss, reason = "no less than 0")]
    let range = start.max(0) as usize..end.max(0) as usize;
    range
}

/// The first point whose middle does not lie before a place. What is beyond 2^22 makes no sense.
#[inline]
fn nearest(place: f32) -> i32 {
    /// A float so large has no room for a fraction: adding it rounds, and the low bits of the sum are the whole number.
    const LARGE: f32 = 12_582_912.0;
    (place + LARGE).to_bits().wrapping_sub(LARGE.to_bits()).cast_signed()
}

/// The lesser of two numbers, neither of which is NaN; one instruction.
#[inline]
fn least(one: f32, other: f32) -> f32 {
    if one < other { one } else { other }
}

#[inline]
fn greatest(one: f32, other: f32) -> f32 {
    if one > other { one } else { other }
}
