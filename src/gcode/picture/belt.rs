//! What lies under the part: the belt with the bed's outline, the nose, the way to it, the footprint and the purges.

use tiny_skia::{Color, FillRule, LineCap, Paint, Path, PathBuilder, Pixmap, Stroke, StrokeDash, Transform};

use super::view::View;
use crate::job::{Footprint, Survey};

/// Greys that stand out on white and on black paper alike, and under the plastic.
const BELT: [u8; 3] = [70, 75, 78];
const TURN: [u8; 3] = [52, 56, 58];
const MARK: [u8; 3] = [140, 147, 151];
const EXIT: [u8; 3] = [236, 238, 239];

/// How far the belt is seen beyond the bed's far edge and beyond the nose where it turns under, mm.
const FAR_MM: f64 = 2000.0;
const TURN_MM: f64 = 8.0;

/// Before the nose there must be so much room for the arrow between part and nose; otherwise it lies beside the part.
const ARROW_LEAST_MM: f64 = 18.0;

/// Draws what lies under the part.
///
/// # Panics
/// Never: the scene's limits leave no picture without pixels.
pub(super) fn draw_belt(view: &View, survey: &Survey) -> Pixmap {
    let (width, height) = view.scene.pixels();
    let mut canvas = Canvas {
        view,
        pixmap: Pixmap::new(width, height).expect("invariant: a scene has a width and a height"),
        line: single(view.width / 320.0).max(1.0),
    };
    canvas.draw_strip();
    canvas.draw_nose(survey.footprint.as_ref());
    canvas.draw_arrow(survey.footprint.as_ref());
    if let Some(footprint) = &survey.footprint {
        canvas.outline(footprint, EXIT, 1.0, true);
    }
    for purge in survey.purges.iter().filter(|purge| view.scene.is_over_bed(purge.x_mm, purge.y_mm)) {
        canvas.dot(view.at(purge.x_mm, purge.y_mm, 0.0));
    }
    canvas.pixmap
}

struct Canvas<'a> {
    view: &'a View,
    pixmap: Pixmap,
    /// A thin line, pixels.
    line: f32,
}

impl Canvas<'_> {
    /// The belt up to the nose, and the bed's edges on it.
    fn draw_strip(&mut self) {
        let scene = self.view.scene;
        let (left, right, tail, _) = scene.box_on_belt(&scene.bed);
        let nose = scene.nose_mm;
        self.area(
            &[(left, tail.min(nose) - FAR_MM), (right, tail.min(nose) - FAR_MM), (right, nose), (left, nose)],
            BELT,
        );
        self.area(&[(left, nose), (right, nose), (right, nose + TURN_MM), (left, nose + TURN_MM)], TURN);
        self.outline(&scene.bed, MARK, 1.0, false);
    }

    /// A thick edge, lighter where the part will go over it.
    fn draw_nose(&mut self, footprint: Option<&Footprint>) {
        let scene = self.view.scene;
        let (left, right, ..) = scene.box_on_belt(&scene.bed);
        let nose = scene.nose_mm;
        self.stroke(line(&[self.on(left, nose), self.on(right, nose)]), MARK, 4.0, LineCap::Butt);
        if let Some(footprint) = footprint {
            let (left, right, ..) = scene.box_on_belt(footprint);
            self.stroke(line(&[self.on(left, nose), self.on(right, nose)]), EXIT, 4.0, LineCap::Butt);
        }
    }

    /// From the part to the nose; beside the part where it lies too near.
    fn draw_arrow(&mut self, footprint: Option<&Footprint>) {
        let scene = self.view.scene;
        let (left, right, tail, lead) = scene.box_on_belt(footprint.unwrap_or(&scene.bed));
        let nose = scene.nose_mm;
        let room = nose - lead;
        let (across, from, to) = if footprint.is_some() && room >= ARROW_LEAST_MM {
            (f64::midpoint(left, right), lead + room * 0.2, nose - room * 0.2)
        } else if footprint.is_some() {
            let bed = scene.box_on_belt(&scene.bed);
            let beside =
                if bed.1 - right > left - bed.0 { right + ARROW_LEAST_MM / 2.0 } else { left - ARROW_LEAST_MM / 2.0 };
            (beside, tail, nose - 4.0)
        } else {
            (f64::midpoint(left, right), f64::midpoint(tail, nose), nose - (nose - tail) * 0.1)
        };
        self.arrow(self.on(across, from), self.on(across, to));
    }

    fn arrow(&mut self, from: (f32, f32), to: (f32, f32)) {
        let head = self.line * 7.0;
        self.stroke(line(&[from, (to.0, to.1 - head)]), MARK, 2.5, LineCap::Butt);
        let tip = [(to.0 - head, to.1 - head), (to.0 + head, to.1 - head), to];
        self.fill(polygon(&tip), MARK);
    }

    fn outline(&mut self, box_: &Footprint, colour: [u8; 3], width: f32, dashed: bool) {
        let (left, right, tail, lead) = self.view.scene.box_on_belt(box_);
        let corners =
            [(left, tail), (right, tail), (right, lead), (left, lead)].map(|(across, along)| self.on(across, along));
        let dash = if dashed { StrokeDash::new(vec![self.line * 4.0, self.line * 3.0], 0.0) } else { None };
        let stroke = Stroke { width: width * self.line, dash, ..Stroke::default() };
        if let Some(path) = polygon(&corners) {
            self.pixmap.stroke_path(&path, &paint(colour), &stroke, Transform::identity(), None);
        }
    }

    fn dot(&mut self, (x, y): (f64, f64)) {
        let radius = self.line * 2.5;
        self.fill(PathBuilder::from_circle(single(x), single(y), radius), EXIT);
    }

    fn area(&mut self, corners: &[(f64, f64)], colour: [u8; 3]) {
        let corners: Vec<_> = corners.iter().map(|&(across, along)| self.on(across, along)).collect();
        self.fill(polygon(&corners), colour);
    }

    fn fill(&mut self, path: Option<Path>, colour: [u8; 3]) {
        // A path without area has nothing to fill.
        if let Some(path) = path {
            self.pixmap.fill_path(&path, &paint(colour), FillRule::Winding, Transform::identity(), None);
        }
    }

    fn stroke(&mut self, path: Option<Path>, colour: [u8; 3], width: f32, line_cap: LineCap) {
        let stroke = Stroke { width: width * self.line, line_cap, ..Stroke::default() };
        if let Some(path) = path {
            self.pixmap.stroke_path(&path, &paint(colour), &stroke, Transform::identity(), None);
        }
    }

    fn on(&self, across: f64, along: f64) -> (f32, f32) {
        let (x, y) = self.view.on_belt(across, along, 0.0);
        (single(x), single(y))
    }
}

fn polygon(corners: &[(f32, f32)]) -> Option<Path> {
    let mut builder = open(corners);
    builder.close();
    builder.finish()
}

fn line(points: &[(f32, f32)]) -> Option<Path> {
    open(points).finish()
}

fn open(points: &[(f32, f32)]) -> PathBuilder {
    let mut builder = PathBuilder::new();
    for (index, &(x, y)) in points.iter().enumerate() {
        if index == 0 { builder.move_to(x, y) } else { builder.line_to(x, y) }
    }
    builder
}

fn paint([red, green, blue]: [u8; 3]) -> Paint<'static> {
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color(Color::from_rgba8(red, green, blue, 255));
    paint
}

fn single(value: f64) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "a place in or about the picture")]
    let value = value as f32;
    value
}
