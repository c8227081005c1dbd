//! From the bytes of a file to its picture.

use std::io::{self, BufRead};

use super::belt::draw_belt;
use super::cut::Cutter;
use super::relief::{Brush, FAR, Relief, STEPS, Spot};
use super::scene::Scene;
use super::shade::shade;
use super::view::{Lens, View};
use crate::gcode::arc::Arc;
use crate::gcode::laid::Laid;
use crate::gcode::lex::{Word, lex_line};
use crate::gcode::modes::Dialect;
use crate::gcode::moves::{Move, Path, millimetres};
use crate::gcode::pieces::each_piece;
use crate::gcode::walk::Walker;
use crate::job::Survey;

/// Pictures up to this wide are worked out on a grid of twice their width and height, so that edges are smooth; larger ones
/// are made to be looked at smaller than they are.
const SMOOTH_MAX_PX: u32 = 1024;

/// Limits of what a stroke's width and a layer's height may seem to be, mm, whatever a file pretends.
const WIDTH_MM: (f32, f32) = (0.3, 2.0);
const LAYER_MM: (f64, f64) = (0.02, 2.0);

/// Pieces that an arc is drawn in at most.
const CHORDS_MAX: f64 = 1024.0;

/// The picture of a file, of which a reader gives all, as a PNG. A reader with a buffer of 256 KiB or so is best.
///
/// # Errors
/// The reader's own.
pub fn picture(reader: impl BufRead, scene: &Scene, survey: &Survey, dialect: Dialect) -> io::Result<Vec<u8>> {
    let mut painter = Painter::new(scene, survey, dialect);
    each_piece(reader, |bytes| painter.handle_bytes(bytes))?;
    Ok(painter.finish())
}

/// Paints the part that a file makes. The file's survey is known from before: it tells the scale.
#[derive(Debug)]
pub struct Painter {
    walker: Walker,
    laid: Laid,
    cutter: Cutter,
    words: Vec<Word>,
    easel: Easel,
}

/// The picture under way.
#[derive(Debug)]
struct Easel {
    survey: Survey,
    view: View,
    relief: Relief,
    /// From millimetres to points of the grid.
    lens: Lens,
    /// Points of the grid per millimetre: across the belt, of a stroke's width (half of it, as a disc is seen), and of height.
    scale: f64,
    disc: (f32, f32),
    rise: f32,
    layer_mm: f32,
    /// Width of a stroke of 1 mm for which 1 nm of filament is fed, mm.
    width_per_nm: f64,
    steps_per_mm: f64,
}

impl Painter {
    /// A picture of which nothing is painted yet but the belt.
    #[must_use]
    pub fn new(scene: &Scene, survey: &Survey, dialect: Dialect) -> Self {
        Self {
            walker: Walker::new(dialect),
            laid: Laid::default(),
            cutter: Cutter::default(),
            words: Vec::with_capacity(16),
            easel: Easel::new(scene, survey),
        }
    }

    /// Takes the next bytes of the file, cut anywhere.
    pub fn handle_bytes(&mut self, bytes: &[u8]) {
        let Self { walker, laid, cutter, words, easel } = self;
        cutter.take(bytes, |line| handle_line(line, walker, laid, words, easel));
    }

    /// Paints a move that lays so much filament, nm. For whoever has the moves already.
    pub fn handle_laid(&mut self, motion: &Move, laid_nm: i64) {
        self.easel.paint(motion, laid_nm);
    }

    /// The picture as a PNG (W3C, "Portable Network Graphics"), transparent beside the belt.
    ///
    /// # Panics
    /// Never: a picture within the limits of its size can be encoded.
    #[must_use]
    pub fn finish(mut self) -> Vec<u8> {
        let Self { walker, laid, cutter, words, easel } = &mut self;
        cutter.finish(|line| handle_line(line, walker, laid, words, easel));
        let mut pixmap = draw_belt(&easel.view, &easel.survey);
        shade(&mut pixmap, &easel.relief);
        pixmap.encode_png().expect("invariant: a picture in memory can be encoded")
    }
}

fn handle_line(line: &[u8], walker: &mut Walker, laid: &mut Laid, words: &mut Vec<Word>, easel: &mut Easel) {
    let line = lex_line(line, words);
    let Some(motion) = walker.handle_line(&line, words).motion else { return };
    let laid_nm = laid.take(0, walker.tool(), &motion);
    if laid_nm > 0 && motion.is_over_bed() {
        easel.paint(&motion, laid_nm);
    }
}

impl Easel {
    fn new(scene: &Scene, survey: &Survey) -> Self {
        let (width, height) = scene.pixels();
        let fineness: u16 = if width > SMOOTH_MAX_PX { 1 } else { 2 };
        let points =
            |pixels: u32| fineness * u16::try_from(pixels).expect("invariant: a scene has at most 2^11 pixels");
        let radius = survey.filament_diameter_mm / 2.0;
        let layer_mm = (survey.height_mm / f64::from(survey.layers.max(1))).clamp(LAYER_MM.0, LAYER_MM.1);
        let view = View::of(scene, survey);
        let fine = f64::from(fineness);
        let (half_x, half_y) = view.disc(fine / 2.0);
        Self {
            view,
            relief: Relief::new(points(width), points(height)),
            lens: view.lens(fine),
            scale: view.scale * fine,
            disc: (single(half_x), single(half_y)),
            rise: single(view.rise(fine)),
            layer_mm: single(layer_mm),
            width_per_nm: std::f64::consts::PI * radius * radius / layer_mm * millimetres(1),
            steps_per_mm: f64::from(STEPS - 1) / survey.height_mm.max(LAYER_MM.0),
            survey: Survey { layer_z_mm: Vec::new(), timetable: Vec::new(), ..survey.clone() },
        }
    }

    fn paint(&mut self, motion: &Move, laid_nm: i64) {
        let brush = self.brush(motion, laid_nm);
        match motion.path {
            Path::Line => self.stroke(motion.start, motion.end, &brush),
            Path::Arc(arc) => self.paint_arc(&arc, motion, &brush),
        }
    }

    fn paint_arc(&mut self, arc: &Arc, motion: &Move, brush: &Brush) {
        let (a, b, across) = arc.plane.axes();
        let radius = arc.radius * self.scale;
        // A chord leaves its arc by a quarter of a point: r·(1 − cos(φ/2)) ≈ r·φ²/8.
        let chords = (arc.sweep.abs() * (radius / 2.0).sqrt()).ceil().clamp(1.0, CHORDS_MAX);
        let mut from = motion.start;
        let mut chord = 1.0;
        while chord < chords {
            let share = chord / chords;
            let mut to = motion.start;
            [to[a], to[b]] = arc.at(share);
            to[across] += share * (motion.end[across] - motion.start[across]);
            self.stroke(from, to, brush);
            from = to;
            chord += 1.0;
        }
        self.stroke(from, motion.end, brush);
    }

    /// As wide as the plastic is: its cross-section over the height of a layer.
    #[inline]
    fn brush(&self, motion: &Move, laid_nm: i64) -> Brush {
        #[expect(clippy::cast_precision_loss, reason = "exact below 9 km of filament")]
        let laid_nm = laid_nm as f64;
        let width = single(laid_nm * self.width_per_nm / motion.length_mm()).clamp(WIDTH_MM.0, WIDTH_MM.1);
        // A stroke of less than a point would leave gaps where strokes touch.
        let half = ((width * self.disc.0).max(0.5), (width * self.disc.1).max(0.5));
        // Nothing hangs lower than the belt.
        let side_mm = single(motion.end[2]).clamp(0.0, self.layer_mm);
        Brush { half, side: side_mm * self.rise }
    }

    #[inline]
    fn stroke(&mut self, from: [f64; 3], to: [f64; 3], brush: &Brush) {
        let ends = [from, to].map(|point| {
            let [x, y] = self.lens.at(point);
            [x, y, point[2]]
        });
        let far = f64::from(FAR);
        let [near, also_near] = ends.map(|[x, y, _]| (x.abs() < far) & (y.abs() < far));
        if near & also_near {
            self.draw(ends, brush);
        } else if let Some(ends) = clip(ends) {
            self.draw(ends, brush);
        }
    }

    #[inline]
    fn draw(&mut self, ends: [[f64; 3]; 2], brush: &Brush) {
        let [from, to] = ends.map(|[x, y, z]| Spot { x: single(x), y: single(y), step: self.step(z) });
        self.relief.stroke(from, to, brush);
    }

    fn step(&self, z_mm: f64) -> u16 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 to STEPS by the clamp")]
        let step = (z_mm * self.steps_per_mm + 1.0).clamp(1.0, f64::from(STEPS)) as u16;
        step
    }
}

/// The piece of a line that may be seen (Liang and Barsky's clipping); what lies far outside would drown in rounding.
#[cold]
fn clip([from, to]: [[f64; 3]; 2]) -> Option<[[f64; 3]; 2]> {
    let far = f64::from(FAR);
    let (mut begin, mut end) = (0.0_f64, 1.0_f64);
    for axis in [0, 1] {
        let way = to[axis] - from[axis];
        if from[axis].abs() <= far && to[axis].abs() <= far {
            continue;
        }
        if way == 0.0 || !way.is_finite() {
            return None;
        }
        let (one, other) = ((-far - from[axis]) / way, (far - from[axis]) / way);
        begin = begin.max(one.min(other));
        end = end.min(one.max(other));
    }
    let at = |share: f64| {
        let [x, y, z] = [0, 1, 2].map(|axis: usize| from[axis] + share * (to[axis] - from[axis]));
        [x.clamp(-far, far), y.clamp(-far, far), z]
    };
    (begin <= end).then(|| [at(begin), at(end)])
}

fn single(value: f64) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "a place in the picture, which has at most 2^12 points")]
    let value = value as f32;
    value
}
