//! What is seen in a picture, against what the file says.

use tiny_skia::Pixmap;

use super::paint::Painter;
use super::relief::{Brush, Face, Relief, Spot};
use super::scene::Scene;
use super::view::View;
use crate::gcode::{Dialect, Rules, survey};
use crate::job::{Footprint, Survey};

const BED: Footprint = Footprint { x_min_mm: 0.0, x_max_mm: 220.0, y_min_mm: 0.0, y_max_mm: 220.0 };

/// Two layers of a square of 30 mm, its second one half as large.
const STEPPED: &str = "G28\nM83\nG1 Z0.2 F600\nG1 X90 Y90\nG1 X120 E1\nG1 Y120 E1\nG1 X90 E1\nG1 Y90 E1\n\
    G1 Z5\nG1 X100 Y100\nG1 X110 E.4\nG1 Y110 E.4\nG1 X100 E.4\nG1 Y100 E.4\n";

fn scene(toward_nose: (f64, f64), nose_mm: f64) -> Scene {
    Scene { bed: BED, toward_nose, nose_mm, size_px: 512 }
}

fn usual() -> Scene {
    scene((0.0, 1.0), 220.0)
}

fn survey_of(program: &str) -> Survey {
    survey(program.as_bytes(), &Rules::default()).expect("bytes in memory can be read")
}

fn paint_in_pieces(program: &str, scene: &Scene, piece: usize) -> Vec<u8> {
    let mut painter = Painter::new(scene, &survey_of(program), Dialect::default());
    for bytes in program.as_bytes().chunks(piece) {
        painter.handle_bytes(bytes);
    }
    painter.finish()
}

fn paint(program: &str, scene: &Scene) -> Pixmap {
    Pixmap::decode_png(&paint_in_pieces(program, scene, 4096)).expect("a PNG")
}

/// Pixels where plastic is seen, `(left, top, right, bottom)`: where the picture differs from one in which nothing is laid.
fn plastic(program: &str, scene: &Scene) -> Option<(f64, f64, f64, f64)> {
    let bare = Painter::new(scene, &survey_of(program), Dialect::default()).finish();
    let (bare, full) = (Pixmap::decode_png(&bare).expect("a PNG"), paint(program, scene));
    let width = full.width();
    let pixels = bare.pixels().iter().zip(full.pixels()).zip(0..).filter(|((bare, full), _)| bare != full);
    pixels.map(|(_, index)| (f64::from(index % width), f64::from(index / width))).fold(None, |seen, (x, y)| {
        let (left, top, right, bottom) = seen.unwrap_or((x, y, x, y));
        Some((left.min(x), top.min(y), right.max(x + 1.0), bottom.max(y + 1.0)))
    })
}

/// The same as the survey has it: the footprint on the belt, less what the height hides.
fn expected(program: &str, scene: &Scene) -> (f64, f64, f64, f64) {
    let survey = survey_of(program);
    let view = View::of(scene, &survey);
    let (left, right, tail, lead) = scene.box_on_belt(&survey.footprint.expect("something is laid"));
    let z = survey.layer_z_mm[0];
    let ((left, top), (right, bottom)) = (view.on_belt(left, tail, z), view.on_belt(right, lead, z));
    (left, top, right, bottom)
}

#[track_caller]
fn is_near(seen: (f64, f64, f64, f64), expected: (f64, f64, f64, f64), tolerance: f64) {
    let pairs = [(seen.0, expected.0), (seen.1, expected.1), (seen.2, expected.2), (seen.3, expected.3)];
    assert!(pairs.iter().all(|(a, b)| (a - b).abs() <= tolerance), "{seen:?} is not {expected:?}");
}

#[test]
fn plastic_is_seen_where_the_survey_has_its_footprint_whichever_way_the_belt_runs() {
    for (toward_nose, nose) in [((0.0, 1.0), 220.0), ((0.0, -1.0), 0.0), ((1.0, 0.0), 220.0), ((-1.0, 0.0), 0.0)] {
        let scene = scene(toward_nose, nose);
        // Half a stroke's width and the rounding of a pixel.
        is_near(plastic(STEPPED, &scene).expect("plastic"), expected(STEPPED, &scene), 3.0);
    }
}

#[test]
fn the_nose_is_below_the_part_and_in_sight() {
    let view = View::of(&usual(), &survey_of(STEPPED));
    let (part, nose) = (view.at(105.0, 105.0, 0.0), view.at(105.0, 220.0, 0.0));
    assert!(part.1 < nose.1 && nose.1 < view.height, "{part:?} {nose:?}");
    // Standing at the nose of a belt that runs toward +Y, +X is at the left hand.
    assert!(view.at(120.0, 105.0, 0.0).0 < view.at(90.0, 105.0, 0.0).0);
}

#[test]
fn the_higher_the_lighter() {
    let program = "G28\nM83\nG1 Z0.2\nG1 X60 Y100\nG1 X80 E40\nG1 X90 Z2\nG1 X110 E40\nG1 X120 Z4\nG1 X140 E40\n\
        G1 X150 Z6\nG1 X170 E40\n";
    let (view, picture) = (View::of(&usual(), &survey_of(program)), paint(program, &usual()));
    let light = |x: f64, z: f64| {
        let (x, y) = view.at(x, 100.0, z);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the picture")]
        let pixel = picture.pixel(x as u32, y as u32).expect("in sight");
        (pixel.red(), pixel.green(), pixel.blue())
    };
    let lights = [light(70.0, 0.2), light(100.0, 2.0), light(130.0, 4.0), light(160.0, 6.0)];
    assert!(lights.is_sorted() && lights.windows(2).all(|two| two[0].1 < two[1].1), "{lights:?}");
}

#[test]
fn an_unretract_and_a_travel_lay_nothing() {
    let quiet = format!("{STEPPED}G1 E-3\nG1 X20 Y20\nG1 X60 E3\nG1 X20 Y180\n");
    assert_eq!(plastic(&quiet, &usual()), plastic(STEPPED, &usual()));
    let laid = format!("{STEPPED}G1 E-3\nG1 X20 Y20\nG1 X60 E4\n");
    assert_ne!(plastic(&laid, &usual()), plastic(STEPPED, &usual()));
}

#[test]
fn an_arc_is_drawn_where_it_bulges() {
    // A full circle of radius 20 about (100, 100); its ends are one point.
    let program = "G28\nM83\nG1 Z0.2\nG1 X80 Y100\nG2 I20 J0 E5\n";
    let (seen, expected) = (plastic(program, &usual()).expect("plastic"), expected(program, &usual()));
    is_near(seen, expected, 3.0);
    assert!(expected.2 - expected.0 > 50.0);
}

#[test]
fn the_picture_does_not_depend_on_how_the_bytes_are_cut() {
    let whole = paint_in_pieces(STEPPED, &usual(), STEPPED.len());
    for piece in [1, 2, 7, 64] {
        assert_eq!(paint_in_pieces(STEPPED, &usual(), piece), whole, "in pieces of {piece}");
    }
}

#[test]
fn a_file_that_lays_nothing_shows_the_belt_alone() {
    for program in ["", "G28\nG1 X50 Y50\n"] {
        assert_eq!(plastic(program, &usual()), None);
        assert!(paint(program, &usual()).pixels().iter().any(|pixel| pixel.alpha() == 255));
    }
}

#[test]
fn a_part_beside_the_bed_is_in_sight_all_the_same() {
    let program = "G28\nM83\nG1 Z0.2\nG1 X-300 Y100\nG1 X-280 E1\nG1 Y120 E1\n";
    is_near(plastic(program, &usual()).expect("plastic"), expected(program, &usual()), 3.0);
}

#[test]
fn numbers_without_sense_make_no_more_than_a_dull_picture() {
    let far = "G28\nM83\nG1 X1e18 Y-1e18 Z1e18 E1\nG1 X-999999999999999999 Y999999999999999999 E1\n\
        G1 X10 Y10 Z-5 E1\nG2 I999999999999 J1 E4\n";
    assert_eq!(paint(far, &usual()).width(), 512);
    let no_bed = Footprint { x_min_mm: f64::NAN, x_max_mm: f64::INFINITY, y_min_mm: 0.0, y_max_mm: 0.0 };
    let nowhere = Scene { bed: no_bed, toward_nose: (0.0, 0.0), nose_mm: f64::NAN, size_px: 64 };
    assert_eq!(paint(STEPPED, &nowhere).height(), 48);
}

#[test]
fn purges_on_the_bed_are_shown_and_kept_in_sight() {
    let purged = format!("{STEPPED}G1 X12 Y10 Z1\nG1 E15\n");
    let (survey, scene) = (survey_of(&purged), usual());
    assert_eq!(survey.purges.len(), 1);
    let view = View::of(&scene, &survey);
    let (x, y) = view.at(12.0, 10.0, 0.0);
    assert!((0.0..view.width).contains(&x) && (0.0..view.height).contains(&y));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the picture")]
    let dot = paint(&purged, &scene).pixel(x as u32, y as u32).expect("in sight");
    assert!(dot.red() > 200, "{dot:?}");
}

#[test]
fn what_is_higher_hides_what_is_lower_in_any_order() {
    let brush = Brush { half: (1.0, 1.0), side: 2.0 };
    let spot = |x: f32, y: f32, step: u16| Spot { x, y, step };
    let strokes = [(spot(2.0, 8.0, 10), spot(14.0, 8.0, 10)), (spot(8.0, 2.0, 300), spot(8.0, 12.0, 20))];
    let mut reliefs = [Relief::new(16, 16), Relief::new(16, 16)];
    for (from, to) in strokes {
        reliefs[0].stroke(from, to, &brush);
    }
    for (from, to) in strokes.into_iter().rev() {
        reliefs[1].stroke(to, from, &brush);
    }
    assert_eq!(reliefs[0], reliefs[1]);
    let seen = |x, y| reliefs[0].seen(x, y).map(|seen| (seen.step, seen.face));
    assert_eq!(seen(3, 8), Some((10, Face::Top)));
    assert_eq!(seen(3, 10), Some((10, Face::Side)));
    assert_eq!(seen(3, 13), None);
    assert!(seen(8, 4).is_some_and(|(step, _)| step > 10));
}

#[test]
fn the_lens_shows_a_point_where_the_view_does() {
    for toward_nose in [(0.0, 1.0), (0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (0.6, 0.8)] {
        let view = View::of(&scene(toward_nose, 220.0), &survey_of(STEPPED));
        for [x, y, z] in [[0.0, 0.0, 0.0], [105.0, 97.0, 5.0], [-30.0, 250.0, 0.2]] {
            let (seen, expected) = (view.lens(2.0).at([x, y, z]), view.at(x, y, z));
            assert!((seen[0] - 2.0 * expected.0).abs() < 1e-9 && (seen[1] - 2.0 * expected.1).abs() < 1e-9, "{seen:?}");
        }
    }
}

/// What a stroke should leave at a point, worked out for this point alone; `None` where rounding decides.
fn expected_at(point: (u8, u8), [from, to]: [Spot; 2], brush: &Brush) -> Option<Option<Face>> {
    let [x, y] = [point.0, point.1].map(|index| f64::from(index) + 0.5);
    let [ax, ay, bx, by] = [from.x, from.y, to.x, to.y].map(f64::from);
    let (half_x, half_y) = (f64::from(brush.half.0), f64::from(brush.half.1));
    let slope = (by - ay) / (bx - ax);
    let reach = half_y.hypot(slope * half_x);
    let middle = ay + slope * (x - ax);
    let above = (middle - reach).max(ay.min(by) - half_y);
    let below = (middle + reach).min(ay.max(by) + half_y);
    let ends = (ax.min(bx) - half_x, ax.max(bx) + half_x);
    let end = below + f64::from(brush.side);
    // A run has one point at least, the first one whose middle is not above it.
    let first = (above + 0.5).floor() + 0.5;
    let edges = [ends.0 - x, ends.1 - x, above - y, below - y, end - y, above + 0.5 - (above + 0.5).round()];
    if edges.iter().any(|edge| edge.abs() < 1e-3) {
        return None;
    }
    let face = if !(ends.0..ends.1).contains(&x) {
        None
    } else if (above..below).contains(&y) || y == first {
        Some(Face::Top)
    } else {
        (below..end).contains(&y).then_some(Face::Side)
    };
    Some(face)
}

/// Strokes in, across and beyond the edges of a grid of 40 by 30 points.
#[test]
fn a_stroke_covers_the_points_within_its_outline_and_no_others() {
    let mut state = 1_u32;
    let mut draw = |least: f32, greatest: f32| {
        // Numerical Recipes' quick generator (from memory): any even spread does.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        least + (greatest - least) * f32::from((state >> 16) as u16) / 65_536.0
    };
    let mut seen = [0, 0, 0];
    for _ in 0..1_000 {
        let mut spot = || Spot { x: draw(-30.0, 70.0), y: draw(-30.0, 60.0), step: 7 };
        let ends = [spot(), spot()];
        let brush = Brush { half: (draw(0.5, 3.0), draw(0.5, 9.0)), side: draw(0.0, 12.0) };
        let mut relief = Relief::new(40, 30);
        relief.stroke(ends[0], ends[1], &brush);
        for point in (0..40).flat_map(|x| (0..30).map(move |y| (x, y))) {
            let Some(expected) = expected_at(point, ends, &brush) else { continue };
            let face = relief.seen(point.0.into(), point.1.into()).map(|seen| seen.face);
            assert_eq!(face, expected, "at {point:?} of {ends:?} with {brush:?}");
            seen[face.map_or(0, |face| 1 + usize::from(face == Face::Side))] += 1;
        }
    }
    assert!(seen.iter().all(|count| *count > 10_000), "{seen:?}");
}
