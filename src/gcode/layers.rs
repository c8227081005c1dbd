//! Layers: the heights at which plastic is laid, and what to do with a print that climbs without pause.

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

use super::bounds::{Bounds, round6};
use super::lanes::{extremes, larger, smaller, sum};
use super::moves::{Move, Path};
use super::run::{LINES, Steps};
use crate::job::Footprint;

/// Levels kept; a print of a metre in layers of 0.05 mm has as many.
const LEVELS_MAX: usize = 20_000;

/// A climb is over once this much was laid at one height, mm. A fine spiral written with three decimals stays at a height for
/// a few millimetres.
const FLAT_RUN_MM: f64 = 20.0;

/// No layer is thinner, mm; a climb that seems so is none.
const STEP_LEAST_MM: f64 = 0.01;

/// What was laid at which height.
#[derive(Debug, Default)]
pub(crate) struct Layers {
    /// By Z in micrometres.
    levels: BTreeMap<i64, Level>,
    /// The level being laid, not yet in the map.
    open: Option<(i64, Level)>,
    /// The height of the last move that went to the open level, mm: most moves stay there.
    open_z: Option<f64>,
    /// All levels that were closed, those beyond the last that is kept included.
    touched: Bounds,
    climb: Climb,
    height: Option<f64>,
    is_full: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct Level {
    length_mm: f64,
    bounds: Bounds,
}

impl Level {
    fn take(&mut self, motion: &Move, length_mm: f64) {
        self.length_mm += length_mm;
        self.bounds.take_way(motion);
    }

    fn take_run(&mut self, steps: &Steps, laid: &[f64; LINES], bounds: &Bounds) {
        let count = steps.count();
        let (length, laid) = (&steps.length[..count], &laid[..count]);
        self.length_mm += sum(length, laid, |length, laid| if laid > 0.0 { length } else { 0.0 }) / 1e6;
        if self.bounds.contains(bounds) {
            return;
        }
        // Moves that lay nothing are put out of sight.
        let mut away = [0.0; LINES];
        for (away, laid) in away.iter_mut().zip(laid) {
            *away = if *laid > 0.0 { 0.0 } else { f64::INFINITY };
        }
        let mut on_bed = *bounds;
        for (axis, all) in steps.position.iter().enumerate().take(2) {
            let (from, to) = (&all[..count], &all[1..=count]);
            let (mut low, mut high) = ([0.0; LINES], [0.0; LINES]);
            for at in 0..count {
                low[at] = smaller(from[at], to[at]) + away[at];
                high[at] = larger(from[at], to[at]) - away[at];
            }
            on_bed.least[axis] = extremes(&low[..count]).0 / 1e6;
            on_bed.greatest[axis] = extremes(&high[..count]).1 / 1e6;
        }
        if on_bed.least[0] <= on_bed.greatest[0] {
            self.bounds.take_bounds(&on_bed);
        }
    }
}

/// The layers of a whole file.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Stack {
    /// Z of each layer, mm, rising.
    pub(crate) z_mm: Vec<f64>,
    /// The rectangle that plastic touches while the head moves over the bed.
    pub(crate) footprint: Option<Footprint>,
    /// Where the lowest layer touches the bed.
    pub(crate) first: Option<Footprint>,
    /// Greatest Z at which plastic was laid, mm.
    pub(crate) height_mm: f64,
    /// Whether there were more heights than are kept.
    pub(crate) is_full: bool,
}

impl Layers {
    /// Takes a move that lays plastic while going over the bed, on a way of this length.
    pub(crate) fn take_laid(&mut self, motion: &Move, length_mm: f64) {
        let rise = motion.end[2] - motion.start[2];
        let top = motion.start[2].max(motion.end[2]);
        self.height = Some(self.height.map_or(top, |height| height.max(top)));
        if self.climb.goes_on(rise, length_mm) {
            self.climb.take(motion, rise, length_mm);
            return;
        }
        let z = micrometres(motion.end[2]);
        if self.open.is_none_or(|(open, _)| open != z) {
            self.close_level();
            self.open = Some((z, Level::default()));
        }
        self.open_z = Some(motion.end[2]);
        if let Some((_, level)) = &mut self.open {
            level.take(motion, length_mm);
        }
    }

    /// Takes the moves of a run, which lies within `bounds`; `laid` says which of them lay plastic while they go over the bed.
    pub(crate) fn take_run(&mut self, steps: &Steps, laid: &[f64; LINES], bounds: &Bounds) {
        let count = steps.count();
        if !self.climb.is_active
            && self.open_z.is_some()
            && steps.level_mm() == self.open_z
            && let Some((_, level)) = &mut self.open
        {
            level.take_run(steps, laid, bounds);
            return;
        }
        for (at, laid) in laid[..count].iter().enumerate() {
            let motion = steps.motion(at);
            if *laid > 0.0 {
                self.take_laid(&motion, steps.length[at] / 1e6);
            } else {
                self.take_travel(&motion);
            }
        }
    }

    /// Takes a move that lays nothing. A spiral never travels: whatever comes next is no part of one begun before.
    pub(crate) fn take_travel(&mut self, motion: &Move) {
        if motion.is_over_bed() || motion.start[2] != motion.end[2] {
            self.climb.pause();
        }
    }

    /// The layers, given the layer height that the file states.
    pub(crate) fn finish(mut self, stated_mm: Option<f64>) -> Stack {
        self.close_level();
        self.climb.pause();
        self.touched.take_bounds(&self.climb.bounds);
        let climbed = self.climbed_levels(stated_mm);
        let lowest = self.levels.first_key_value();
        let first = match (lowest, climbed.first()) {
            (Some((flat, level)), Some(climbing)) if flat <= climbing => level.bounds.footprint(),
            (_, Some(_)) => self.climb.first_turn.footprint(),
            (Some((_, level)), None) => level.bounds.footprint(),
            (None, None) => None,
        };
        let mut all: Vec<i64> = self.levels.into_keys().chain(climbed).collect();
        all.sort_unstable();
        #[expect(clippy::cast_precision_loss, reason = "heights are far below 2^53 µm")]
        let z_mm = all.into_iter().map(|z| z as f64 / 1000.0).collect();
        let footprint = self.touched.footprint();
        Stack { z_mm, footprint, first, height_mm: round6(self.height.unwrap_or(0.0)), is_full: self.is_full }
    }

    fn close_level(&mut self) {
        let Some((z, level)) = self.open.take() else { return };
        self.touched.take_bounds(&level.bounds);
        if self.levels.len() >= LEVELS_MAX && !self.levels.contains_key(&z) {
            self.is_full = true;
            return;
        }
        let known = self.levels.entry(z).or_default();
        known.length_mm += level.length_mm;
        known.bounds.take_bounds(&level.bounds);
    }

    /// The nominal levels of a spiral, µm; none if what climbs is no spiral, such as seams that ramp up within a layer, unless
    /// nothing was laid flat at all.
    fn climbed_levels(&self, stated_mm: Option<f64>) -> Vec<i64> {
        let climb = &self.climb;
        if climb.length_mm == 0.0 {
            return Vec::new();
        }
        let (low, high) = (micrometres(climb.bounds.least[2]), micrometres(climb.bounds.greatest[2]));
        let flat_mm: f64 = self.levels.range(low + 1..=high.max(low + 1)).map(|(_, level)| level.length_mm).sum();
        let is_spiral = climb.length_mm > flat_mm && climb.fall_mm < 0.1 * climb.rise_mm;
        if !is_spiral && !self.levels.is_empty() {
            return Vec::new();
        }
        let step = climb.step_mm(stated_mm).map_or(high - low, micrometres).max(1);
        // The last turn may be cut short: a started half counts.
        let steps = usize::try_from((high - low + step / 2) / step).unwrap_or(0).min(LEVELS_MAX);
        let start = usize::from(low < step / 2);
        let nominal = (start..=steps).map(|turn| low + step * i64::try_from(turn).expect("at most LEVELS_MAX"));
        let near = step * 2 / 5;
        nominal.filter(|z| self.levels.range(z - near..=z + near).next().is_none()).collect()
    }
}

/// Plastic laid while Z changes, and between such moves while nothing else happens.
#[derive(Debug, Default)]
struct Climb {
    is_active: bool,
    flat_run_mm: f64,
    heading: Option<f64>,
    turning: f64,
    turns: f64,
    rise_mm: f64,
    fall_mm: f64,
    length_mm: f64,
    bounds: Bounds,
    first_turn: Bounds,
}

impl Climb {
    /// Whether a move belongs to a climb: it rises or falls itself, or follows soon upon one that did.
    fn goes_on(&mut self, rise: f64, length: f64) -> bool {
        if rise != 0.0 {
            self.is_active = true;
            self.flat_run_mm = 0.0;
        } else if self.is_active {
            self.flat_run_mm += length;
            if self.flat_run_mm > FLAT_RUN_MM {
                self.pause();
            }
        }
        self.is_active
    }

    fn take(&mut self, motion: &Move, rise: f64, length: f64) {
        let (heading, leaving, swept) = match motion.path {
            Path::Line => {
                let heading = f64::atan2(motion.end[1] - motion.start[1], motion.end[0] - motion.start[0]);
                (heading, heading, 0.0)
            }
            Path::Arc(arc) => {
                let (entering, leaving) = arc.headings();
                (entering, leaving, arc.sweep)
            }
        };
        self.turning += swept + self.heading.map_or(0.0, |before| half_turn(heading - before));
        self.heading = Some(leaving);
        self.rise_mm += rise.max(0.0);
        self.fall_mm -= rise.min(0.0);
        self.length_mm += length;
        self.bounds.take_way(motion);
        if self.turns + self.turning.abs() / TAU <= 1.0 {
            self.first_turn.take_way(motion);
        }
    }

    /// Ends the stretch: its turning becomes whole turns.
    fn pause(&mut self) {
        if self.is_active {
            self.turns += self.turning.abs() / TAU;
            (self.turning, self.heading, self.flat_run_mm, self.is_active) = (0.0, None, 0.0, false);
        }
    }

    /// Rise of one turn, mm: what the file states if that is near what it does, for the two can differ in the last digit.
    fn step_mm(&self, stated: Option<f64>) -> Option<f64> {
        let measured = (self.turns >= 1.0).then(|| self.rise_mm / self.turns).filter(|step| *step >= STEP_LEAST_MM);
        match (measured, stated) {
            (Some(measured), Some(stated)) if (measured / stated - 1.0).abs() < 0.25 => Some(stated),
            (Some(measured), _) => Some(measured),
            (None, stated) => stated,
        }
    }
}

/// An angle between −π and π, rad.
fn half_turn(angle: f64) -> f64 {
    (angle + PI).rem_euclid(TAU) - PI
}

fn micrometres(millimetres: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "`as` saturates, which is wanted")]
    let whole = (millimetres * 1000.0).round() as i64;
    // Room to add and subtract without overflow.
    whole.clamp(-1_000_000_000_000, 1_000_000_000_000)
}
