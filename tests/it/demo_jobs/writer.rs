//! From paths to the lines of a sliced file.

use std::f64::consts::PI;
use std::fmt::Write as _;

use super::outline::{Path, Point, Stroke, Way, at};

/// Whether E words count from the last `G92` or from the last position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Extrusion {
    Absolute,
    Relative,
}

/// Nominal diameter, mm.
pub(super) const FILAMENT_DIAMETER_MM: f64 = 1.75;
/// Pulled back before a travel, mm.
const RETRACT_MM: f64 = 0.8;
/// Shorter travels ooze nothing worth a retraction, mm.
const SHORT_MM: f64 = 2.0;
const RETRACT_FEED: f64 = 2400.0;
const TRAVEL_FEED: f64 = 7200.0;
const Z_FEED: f64 = 600.0;

/// The head and the file that it writes.
#[derive(Debug)]
pub(super) struct Writer {
    text: String,
    extrusion: Extrusion,
    at: Point,
    z: f64,
    e: f64,
    feed: f64,
    retracted: bool,
    /// Width × height of the line being laid, mm².
    section: f64,
    /// Feed while laying, mm/min.
    laying_feed: f64,
}

impl Writer {
    pub(super) fn new(extrusion: Extrusion) -> Self {
        Self {
            text: String::new(),
            extrusion,
            at: at(0.0, 0.0),
            z: 0.0,
            e: 0.0,
            feed: 0.0,
            retracted: false,
            section: 0.0,
            laying_feed: 0.0,
        }
    }

    /// A line as it stands.
    pub(super) fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// How wide and high the next lines are (mm), and how fast they are laid (mm/s).
    pub(super) fn set_section(&mut self, width: f64, height: f64, speed: f64) {
        (self.section, self.laying_feed) = (width * height, speed * 60.0);
    }

    pub(super) fn position(&self) -> Point {
        self.at
    }

    /// Begins to count E from zero.
    pub(super) fn zero_e(&mut self) {
        self.line("G92 E0");
        self.e = 0.0;
    }

    /// Goes up or down to `z`.
    pub(super) fn raise(&mut self, z: f64) {
        if (z - self.z).abs() < 0.0005 {
            return;
        }
        let feed = self.feed_word(Z_FEED);
        let _ = writeln!(self.text, "G1 Z{}{feed}", number(z, 3));
        self.z = z;
    }

    /// Goes there without laying; pulls the filament back first if the way is long.
    pub(super) fn travel(&mut self, to: Point) {
        let way = self.at.distance(to);
        if way < 0.0005 {
            return;
        }
        if way > SHORT_MM {
            self.retract();
        }
        let (feed, place) = (self.feed_word(TRAVEL_FEED), words(self.at, to));
        let _ = writeln!(self.text, "G0{place}{feed}");
        self.at = to;
        self.restore();
    }

    /// Goes to the path's start and lays it.
    pub(super) fn lay(&mut self, path: &Path) {
        self.travel(path.start);
        for stroke in &path.strokes {
            match *stroke {
                Stroke::Line { to } => self.lay_to(to),
                Stroke::Arc { to, centre, way, length } => self.lay_arc(to, centre, way, length),
            }
        }
    }

    pub(super) fn lay_to(&mut self, to: Point) {
        let place = words(self.at, to);
        self.push(&format!("G1{place}"), self.at.distance(to), 1.0);
        self.at = to;
    }

    fn lay_arc(&mut self, to: Point, centre: Point, way: Way, length: f64) {
        let word = if way == Way::Clockwise { "G2" } else { "G3" };
        let (i, j) = (number(centre.x - self.at.x, 3), number(centre.y - self.at.y, 3));
        let arc = format!("{word} X{} Y{} I{i} J{j}", number(to.x, 3), number(to.y, 3));
        self.push(&arc, length, 1.0);
        self.at = to;
    }

    /// Lays a line that climbs to `z` with a share of the whole section.
    pub(super) fn lay_climbing(&mut self, to: Point, z: f64, share: f64) {
        let climb = format!("G1{} Z{}", words(self.at, to), number(z, 3));
        self.push(&climb, self.at.distance(to), share);
        (self.at, self.z) = (to, z);
    }

    /// Pushes plastic out standing still.
    pub(super) fn purge(&mut self, length: f64) {
        self.restore();
        let (e, feed) = (self.e_word(length), self.feed_word(180.0));
        let _ = writeln!(self.text, "G1{e}{feed}");
    }

    pub(super) fn retract(&mut self) {
        if !self.retracted {
            let (e, feed) = (self.e_word(-RETRACT_MM), self.feed_word(RETRACT_FEED));
            let _ = writeln!(self.text, "G1{e}{feed}");
            self.retracted = true;
        }
    }

    fn restore(&mut self) {
        if self.retracted {
            let (e, feed) = (self.e_word(RETRACT_MM), self.feed_word(RETRACT_FEED));
            let _ = writeln!(self.text, "G1{e}{feed}");
            self.retracted = false;
        }
    }

    /// Lifts the head clear of the part and parks it, with the filament pulled back.
    pub(super) fn leave(&mut self, lift: f64, park: Point) {
        self.retract();
        self.raise(self.z + lift);
        let (feed, place) = (self.feed_word(TRAVEL_FEED), words(self.at, park));
        let _ = writeln!(self.text, "G0{place}{feed}");
        self.at = park;
    }

    pub(super) fn into_text(self) -> String {
        self.text
    }

    fn push(&mut self, motion: &str, length: f64, share: f64) {
        let filament_area = PI * FILAMENT_DIAMETER_MM * FILAMENT_DIAMETER_MM / 4.0;
        let e = self.e_word(length * share * self.section / filament_area);
        let feed = self.feed_word(self.laying_feed);
        let _ = writeln!(self.text, "{motion}{e}{feed}");
    }

    fn e_word(&mut self, length: f64) -> String {
        self.e += length;
        match self.extrusion {
            Extrusion::Absolute => format!(" E{}", number(self.e, 5)),
            Extrusion::Relative => format!(" E{}", number(length, 5)),
        }
    }

    fn feed_word(&mut self, feed: f64) -> String {
        if (feed - self.feed).abs() < 0.5 {
            return String::new();
        }
        self.feed = feed;
        format!(" F{}", number(feed, 0))
    }
}

/// The X and Y words that change.
fn words(from: Point, to: Point) -> String {
    let mut words = String::new();
    for (letter, before, after) in [('X', from.x, to.x), ('Y', from.y, to.y)] {
        let (before, after) = (number(before, 3), number(after, 3));
        if before != after {
            let _ = write!(words, " {letter}{after}");
        }
    }
    words
}

/// A decimal number without trailing zeros.
pub(super) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = if decimals > 0 { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}
