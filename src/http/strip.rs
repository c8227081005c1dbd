//! A belt drawn as a strip to scale: the nose at the right, as many millimetres to its left as something has still to travel.
//!
//! Pure: measures in, shapes out. Shapes have classes and no colours; what they mean stands beside them in words too.

use crate::foreman::BeltView;

/// The drawing's width, and the height of the belt in it; the template knows the same.
pub(super) const WIDTH: f64 = 320.0;
/// What is narrower could not be seen.
const NARROWEST: f64 = 2.5;
/// Room beyond the nose and the bed's far end, mm.
const BEYOND_MM: f64 = 12.0;

/// How much of the belt is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Reach {
    /// All of it, once round.
    Loop,
    /// What lies on the bed, where it can be seen and touched.
    Bed,
}

/// What a bar on the strip stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mark {
    Worn,
    Placed,
    Part,
    Splice,
    Flaw,
}

impl Mark {
    /// The class in the style sheet.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Self::Worn => "worn",
            Self::Placed => "placed",
            Self::Part => "lies",
            Self::Splice => "splice",
            Self::Flaw => "flaw",
        }
    }
}

/// A bar on the strip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Bar {
    pub(super) mark: Mark,
    pub(super) x: f64,
    pub(super) width: f64,
    /// How dark wear is drawn, 0…1; 1 for all else.
    pub(super) strength: f64,
}

/// A figure below the strip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tick {
    pub(super) x: f64,
    pub(super) mm: i64,
}

/// A strip, ready for its template.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Strip {
    /// What it shows, mm before the nose: the left edge, the right edge.
    pub(super) from_mm: f64,
    pub(super) to_mm: f64,
    pub(super) nose_x: f64,
    /// Where the bed is: left edge and width.
    pub(super) bed: (f64, f64),
    pub(super) bars: Vec<Bar>,
    pub(super) ticks: Vec<Tick>,
    /// The same in words.
    pub(super) words: String,
}

impl Strip {
    /// Draws a belt; `None` where neither its loop nor its bed has a length.
    pub(super) fn new(belt: &BeltView, reach: Reach) -> Option<Self> {
        let [bed_near, bed_far] = belt.bed_mm;
        let beyond = belt.overrun_mm.max(0.0) + BEYOND_MM;
        let far = match (reach, belt.loop_mm) {
            (Reach::Loop, Some(length)) => length.max(bed_far),
            _ => bed_far + BEYOND_MM,
        };
        if !(far.is_finite() && far > 0.0 && beyond.is_finite()) {
            return None;
        }
        let window = Window { from: far, to: -beyond };
        Some(Self {
            from_mm: window.from,
            to_mm: window.to,
            nose_x: window.x(0.0),
            bed: (window.x(bed_far), window.x(bed_near) - window.x(bed_far)),
            bars: bars(belt, window),
            ticks: window.ticks(),
            words: words(belt),
        })
    }
}

#[derive(Clone, Copy)]
struct Window {
    from: f64,
    to: f64,
}

impl Window {
    fn x(self, before_mm: f64) -> f64 {
        let share = (self.from - before_mm) / (self.from - self.to);
        (share.clamp(0.0, 1.0) * WIDTH * 10.0).round() / 10.0
    }

    /// A stretch from its near end on, as far as it can be seen.
    fn bar(self, mark: Mark, near: f64, length: f64) -> Option<Bar> {
        let far = near + length;
        if !(near.is_finite() && far.is_finite()) || far <= self.to || near > self.from {
            return None;
        }
        let (left, right) = (self.x(far), self.x(near));
        let width = (right - left).max(NARROWEST);
        let x = (left + (right - left - width) / 2.0).clamp(0.0, WIDTH - width);
        Some(Bar { mark, x, width, strength: 1.0 })
    }

    /// Figures at round distances, few enough to be read.
    fn ticks(self) -> Vec<Tick> {
        let every = [10, 20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000];
        #[expect(clippy::cast_possible_truncation, reason = "a belt is far shorter than 2^63 mm")]
        let far = self.from.floor() as i64;
        let step = every.into_iter().find(|step| far / step <= 6).unwrap_or_else(|| far.max(1));
        #[expect(clippy::cast_precision_loss, reason = "a belt is far shorter than 2^53 mm")]
        let tick = |mm: i64| Tick { x: self.x(mm as f64), mm };
        // What stands at the very edge would be cut off.
        (1..=far / step).map(|k| tick(k * step)).filter(|tick| tick.x > 10.0).collect()
    }
}

fn bars(belt: &BeltView, window: Window) -> Vec<Bar> {
    let mut bars = Vec::new();
    if let Some(wear) = &belt.wear {
        let worn = wear.stretches.iter().filter_map(|stretch| {
            let strength = f64::from(stretch.prints) / f64::from(wear.most.max(1));
            let bar = window.bar(Mark::Worn, stretch.before_mm, stretch.length_mm)?;
            Some(Bar { strength: (strength * 100.0).round() / 100.0, ..bar })
        });
        bars.extend(worn);
    }
    // Marks come round with the loop: what is at one end of the drawing may be at the other one too.
    let mut round = |mark, near: f64, length: f64| {
        let around = belt.loop_mm.unwrap_or(0.0);
        let times = if around > 0.0 { -1..=1 } else { 0..=0 };
        bars.extend(times.filter_map(|k| window.bar(mark, near + f64::from(k) * around, length)));
    };
    for flaw in &belt.flaws {
        round(Mark::Flaw, flaw.before_mm, flaw.length_mm);
    }
    if let Some(splice) = belt.splice_before_mm {
        round(Mark::Splice, splice - belt.unsure_mm, 2.0 * belt.unsure_mm);
    }
    if let Some([near, far]) = belt.placed_mm {
        bars.extend(window.bar(Mark::Placed, near, far - near));
    }
    bars.extend(belt.parts.iter().filter_map(|part| window.bar(Mark::Part, part.before_mm, part.length_mm)));
    bars
}

/// "Belt of 1200 mm. Splice 340 mm before the nose. 1 flaw: 12 to 40 mm before the nose. 1 part that is not known to have left."
fn words(belt: &BeltView) -> String {
    let mut text = match belt.loop_mm {
        Some(length) => format!("Belt of {length:.0} mm, the nose at the right."),
        None => "Belt on the bed, the nose at the right; the length of the loop is not known.".to_owned(),
    };
    if let Some(splice) = belt.splice_before_mm {
        text.push_str(&format!(" Splice {splice:.0} mm before the nose."));
    }
    for flaw in &belt.flaws {
        let (near, far) = (flaw.before_mm, flaw.before_mm + flaw.length_mm);
        text.push_str(&format!(" Flaw {} from {near:.0} to {far:.0} mm before the nose.", flaw.id));
    }
    for part in &belt.parts {
        let (near, far) = (part.before_mm, part.before_mm + part.length_mm);
        text.push_str(&format!(" A part that is not known to have left, from {near:.0} to {far:.0} mm."));
    }
    if let Some([near, far]) = belt.placed_mm {
        text.push_str(&format!(" The copy under way lies from {near:.0} to {far:.0} mm."));
    }
    if let Some(wear) = belt.wear.as_ref().filter(|wear| wear.most > 0) {
        text.push_str(&format!(" Printed on up to {} times.", wear.most));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::foreman::{BeltPartView, FlawView, WearView, WornView};
    use crate::job::CycleId;

    fn belt() -> BeltView {
        BeltView {
            loop_mm: Some(600.0),
            bed_mm: [20.0, 220.0],
            overrun_mm: 28.0,
            splice_before_mm: Some(300.0),
            unsure_mm: 0.0,
            flaws: Vec::new(),
            parts: Vec::new(),
            free_mm: None,
            wear: None,
            placed_mm: None,
        }
    }

    fn bars_of(belt: &BeltView, mark: Mark) -> Vec<(f64, f64)> {
        let strip = Strip::new(belt, Reach::Loop).expect("a strip");
        strip.bars.iter().filter(|bar| bar.mark == mark).map(|bar| (bar.x, bar.width)).collect()
    }

    /// 640 mm are drawn on 320 units: half a unit for each millimetre, the nose 40 mm from the right edge.
    #[test]
    fn the_strip_is_to_scale() {
        let part = BeltPartView { cycle: CycleId(1), before_mm: 40.0, length_mm: 60.0 };
        let strip = Strip::new(&BeltView { parts: vec![part], ..belt() }, Reach::Loop).expect("a strip");
        assert_eq!((strip.from_mm, strip.to_mm), (600.0, -40.0));
        assert_eq!(strip.nose_x, 300.0);
        assert_eq!(strip.bed, (190.0, 100.0));
        assert_eq!(
            strip.bars,
            [
                Bar { mark: Mark::Splice, x: 148.75, width: NARROWEST, strength: 1.0 },
                Bar { mark: Mark::Part, x: 250.0, width: 30.0, strength: 1.0 },
            ]
        );
        assert_eq!(
            strip.ticks.iter().map(|tick| (tick.mm, tick.x)).collect::<Vec<_>>(),
            [(100, 250.0), (200, 200.0), (300, 150.0), (400, 100.0), (500, 50.0),]
        );
        assert!(strip.words.starts_with("Belt of 600 mm, the nose at the right. Splice 300 mm before the nose."));
    }

    #[test]
    fn a_flaw_across_the_end_of_the_loop_is_seen_at_both_ends() {
        let flaw = |before_mm| FlawView { id: 1, before_mm, length_mm: 40.0, note: String::new() };
        let flaws = bars_of(&BeltView { flaws: vec![flaw(580.0)], ..belt() }, Mark::Flaw);
        assert_eq!(flaws, [(290.0, 20.0), (0.0, 10.0)]);
        assert_eq!(bars_of(&BeltView { flaws: vec![flaw(100.0)], ..belt() }, Mark::Flaw), [(230.0, 20.0)]);
        let at_nose = BeltView { splice_before_mm: Some(0.0), ..belt() };
        assert_eq!(bars_of(&at_nose, Mark::Splice), [(298.75, NARROWEST), (0.0, NARROWEST)]);
    }

    #[test]
    fn doubt_makes_the_splice_wide() {
        let belt = BeltView { unsure_mm: 30.0, ..belt() };
        assert_eq!(bars_of(&belt, Mark::Splice), [(135.0, 30.0)]);
    }

    #[test]
    fn wear_is_as_dark_as_its_share_of_the_most() {
        let worn = |before_mm, prints| WornView { before_mm, length_mm: 50.0, prints };
        let wear = WearView { most: 8, least: 0, most_before_mm: 0.0, stretches: vec![worn(0.0, 8), worn(100.0, 2)] };
        let strip = Strip::new(&BeltView { wear: Some(wear), ..belt() }, Reach::Bed).expect("a strip");
        let strengths: Vec<_> = strip.bars.iter().map(|bar| bar.strength).collect();
        assert_eq!(strengths, [1.0, 0.25]);
    }

    #[test]
    fn the_bed_alone_is_drawn_where_no_loop_is_known_and_nothing_where_nothing_is() {
        let strip = Strip::new(&BeltView { loop_mm: None, splice_before_mm: None, ..belt() }, Reach::Loop);
        assert_eq!(strip.map(|strip| strip.from_mm), Some(232.0));
        assert_eq!(Strip::new(&BeltView { loop_mm: None, bed_mm: [f64::NAN; 2], ..belt() }, Reach::Bed), None);
    }
}
