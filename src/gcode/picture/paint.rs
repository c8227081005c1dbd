//! From the bytes of a file to its picture.

use std::io::{self, BufRead};

use super::belt::draw_belt;
use super::cut::Cutter;
use super::relief::{Brush, Relief, STEPS, Spot};
use super::scene::Scene;
use super::shade::shade;
use super::view::View;
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
const WIDTH_MM: (f64, f64) = (0.3, 2.0);
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
    /// Points of the grid per pixel, along each side.
    fineness: f64,
    layer_mm: f64,
    /// Cross-section of the filament, mm².
    filament_mm2: f64,
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
        let fineness: u8 = if width > SMOOTH_MAX_PX { 1 } else { 2 };
        let points = |pixels: u32| pixels as usize * usize::from(fineness);
        let radius = survey.filament_diameter_mm / 2.0;
        Self {
            view: View::of(scene, survey),
            relief: Relief::new(points(width), points(height)),
            fineness: f64::from(fineness),
            layer_mm: (survey.height_mm / f64::from(survey.layers.max(1))).clamp(LAYER_MM.0, LAYER_MM.1),
            filament_mm2: std::f64::consts::PI * radius * radius,
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
        let radius = arc.radius * self.view.scale * self.fineness;
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
    fn brush(&self, motion: &Move, laid_nm: i64) -> Brush {
        let volume = millimetres(laid_nm) * self.filament_mm2;
        let width = (volume / (motion.length_mm() * self.layer_mm)).clamp(WIDTH_MM.0, WIDTH_MM.1);
        let (half_x, half_y) = self.view.disc(width / 2.0);
        let points = |pixels: f64| single(pixels * self.fineness);
        // A stroke of less than a point would leave gaps where strokes touch.
        let half = (points(half_x).max(0.5), points(half_y).max(0.5));
        // Nothing hangs lower than the belt.
        let side_mm = motion.end[2].clamp(0.0, self.layer_mm);
        Brush { half, side: points(self.view.rise(side_mm)) }
    }

    fn stroke(&mut self, from: [f64; 3], to: [f64; 3], brush: &Brush) {
        let ends = [from, to].map(|[x, y, z]| {
            let (x, y) = self.view.at(x, y, z);
            [x * self.fineness, y * self.fineness, z]
        });
        if let Some([from, to]) = self.clip(ends, brush) {
            let spot = |[x, y, z]: [f64; 3]| Spot { x: single(x), y: single(y), step: self.step(z) };
            let (from, to) = (spot(from), spot(to));
            self.relief.stroke(from, to, brush);
        }
    }

    fn step(&self, z_mm: f64) -> u16 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 to STEPS by the clamp")]
        let step = (z_mm * self.steps_per_mm + 1.0).clamp(1.0, f64::from(STEPS)) as u16;
        step
    }

    /// The piece of a line that can be seen (Liang and Barsky's clipping); what lies far outside would drown in rounding.
    fn clip(&self, [from, to]: [[f64; 3]; 2], brush: &Brush) -> Option<[[f64; 3]; 2]> {
        let room = f64::from(brush.half.0.max(brush.half.1) + brush.side) + 1.0;
        let (mut begin, mut end) = (0.0_f64, 1.0_f64);
        for (axis, pixels) in [(0, self.view.width), (1, self.view.height)] {
            let (least, greatest) = (-room, pixels * self.fineness + room);
            let way = to[axis] - from[axis];
            if (least..=greatest).contains(&from[axis]) && (least..=greatest).contains(&to[axis]) {
                continue;
            }
            if way == 0.0 || !way.is_finite() {
                return None;
            }
            let (one, other) = ((least - from[axis]) / way, (greatest - from[axis]) / way);
            begin = begin.max(one.min(other));
            end = end.min(one.max(other));
        }
        let at = |share: f64| [0, 1, 2].map(|axis: usize| from[axis] + share * (to[axis] - from[axis]));
        match (begin, end) {
            (begin, end) if begin > end => None,
            (0.0, 1.0) => Some([from, to]),
            (begin, end) => Some([at(begin), at(end)]),
        }
    }
}

fn single(value: f64) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "a place in the picture, which has at most 2^12 points")]
    let value = value as f32;
    value
}
