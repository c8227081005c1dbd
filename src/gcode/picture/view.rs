//! From millimetres on the belt to points of the picture: a parallel view from above the nose.

use super::scene::Scene;
use crate::job::Survey;

/// A millimetre along the belt, and one of height, are so long in the picture, against one across the belt: sine and cosine of
/// 40°, the angle at which the reader looks down.
const ALONG: f64 = 0.642_8;
const UP: f64 = 0.766;

/// A part is not enlarged beyond this: so much of the belt's width is seen at least, mm.
const WIDTH_LEAST_MM: f64 = 60.0;

/// Free room on each side, as a share of what is shown, and below the nose, mm.
const MARGIN: f64 = 0.05;
const UNDER_NOSE_MM: f64 = 8.0;

/// How the scene lies in the picture. All lengths in pixels, y growing downward.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct View {
    pub(super) scene: Scene,
    pub(super) width: f64,
    pub(super) height: f64,
    /// Pixels per millimetre across the belt.
    pub(super) scale: f64,
    left: f64,
    top: f64,
}

/// A view worked out to two sums: what each millimetre in X, Y and Z adds to a place in the picture, and where all begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lens {
    right: [f64; 2],
    down: [f64; 3],
    origin: [f64; 2],
}

impl Lens {
    /// The place where a point over the bed is seen.
    #[inline]
    pub(super) fn at(&self, [x, y, z]: [f64; 3]) -> [f64; 2] {
        [
            self.origin[0] + self.right[0] * x + self.right[1] * y,
            self.origin[1] + self.down[0] * x + self.down[1] * y + self.down[2] * z,
        ]
    }
}

/// A box in the picture's plane, mm.
#[derive(Clone, Copy)]
struct Span {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl View {
    /// A view in which everything that must leave the belt can be seen, and the nose.
    pub(super) fn of(scene: &Scene, survey: &Survey) -> Self {
        let (width, height) = scene.pixels();
        let (width, height) = (f64::from(width), f64::from(height));
        let span = what_to_show(scene, survey);
        let room = 1.0 - 2.0 * MARGIN;
        let wide = (span.right - span.left).max(WIDTH_LEAST_MM);
        let scale = (width * room / wide).min(height * (1.0 - MARGIN) / (span.bottom - span.top));
        // Sizes that a file or a config made up leave a picture of something, if only of the belt's middle.
        let scale = if scale.is_normal() { scale } else { 1.0 };
        let left = left_of(scene, &span, width / scale);
        // What is free is free behind the part: the nose stays at the lower edge.
        let top = span.bottom - height / scale;
        Self { scene: *scene, width, height, scale, left, top }
    }

    /// The point of the picture where a point over the bed is seen.
    pub(super) fn at(&self, x_mm: f64, y_mm: f64, z_mm: f64) -> (f64, f64) {
        let (across, along) = self.scene.on_belt(x_mm, y_mm);
        self.on_belt(across, along, z_mm)
    }

    /// The same for a place on the belt.
    pub(super) fn on_belt(&self, across: f64, along: f64, z_mm: f64) -> (f64, f64) {
        let (x, y) = plane(across, along, z_mm);
        ((x - self.left) * self.scale, (y - self.top) * self.scale)
    }

    /// The view through a grid that has so many points per pixel, along each side.
    pub(super) fn lens(&self, fineness: f64) -> Lens {
        let scale = self.scale * fineness;
        let (x, y) = self.scene.toward_nose;
        Lens {
            right: [-y * scale, x * scale],
            down: [x * ALONG * scale, y * ALONG * scale, -UP * scale],
            origin: [-self.left * scale, -self.top * scale],
        }
    }

    /// What a disc of this radius lying on the belt measures: half its width, half its height.
    pub(super) fn disc(&self, radius_mm: f64) -> (f64, f64) {
        (radius_mm * self.scale, radius_mm * self.scale * ALONG)
    }

    /// How far apart two points are whose heights differ so much.
    pub(super) fn rise(&self, height_mm: f64) -> f64 {
        height_mm * self.scale * UP
    }
}

fn plane(across: f64, along: f64, z_mm: f64) -> (f64, f64) {
    (across, along * ALONG - z_mm * UP)
}

/// The part, the purges on the bed, and the nose before them; without a part the whole bed.
fn what_to_show(scene: &Scene, survey: &Survey) -> Span {
    let (left, right, tail, lead) = scene.box_on_belt(&survey.footprint.unwrap_or(scene.bed));
    let high = survey.height_mm.max(0.0);
    let corners = [(left, tail, 0.0), (right, lead, 0.0), (left, tail, high), (right, lead, high)];
    let purges = survey.purges.iter().filter(|purge| scene.is_over_bed(purge.x_mm, purge.y_mm));
    let purges = purges.map(|purge| scene.on_belt(purge.x_mm, purge.y_mm)).map(|(across, along)| (across, along, 0.0));
    let nose = f64::midpoint(left, right);
    let nose = [(nose, scene.nose_mm, 0.0), (nose, scene.nose_mm + UNDER_NOSE_MM, 0.0)];
    let none = Span { left: f64::INFINITY, right: f64::NEG_INFINITY, top: f64::INFINITY, bottom: f64::NEG_INFINITY };
    corners.into_iter().chain(purges).chain(nose).fold(none, |span, (across, along, z)| {
        let (x, y) = plane(across, along, z);
        Span { left: span.left.min(x), right: span.right.max(x), top: span.top.min(y), bottom: span.bottom.max(y) }
    })
}

/// The picture's left edge, mm: what is to be shown in the middle, but rather belt than the void beside it.
fn left_of(scene: &Scene, span: &Span, seen: f64) -> f64 {
    let (left, right, _, _) = scene.box_on_belt(&scene.bed);
    let beside = seen * MARGIN / 2.0;
    let middle = f64::midpoint(span.left, span.right) - seen / 2.0;
    if !middle.is_finite() {
        return f64::midpoint(left, right) - seen / 2.0;
    }
    let (least, greatest) = (left - beside, right + beside - seen);
    let wanted = if least <= greatest { middle.clamp(least, greatest) } else { f64::midpoint(least, greatest) };
    // What is to be seen stays in sight, also beside the belt.
    let in_sight = (span.right + seen * MARGIN - seen, span.left - seen * MARGIN);
    if in_sight.0 <= in_sight.1 { wanted.clamp(in_sight.0, in_sight.1) } else { middle }
}
