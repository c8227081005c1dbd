//! Heights to light: one hue, the lighter the higher.

use tiny_skia::{Pixmap, PremultipliedColorU8};

use super::relief::{Face, Relief, STEPS};

/// The lowest and the highest plastic. One hue, and none of those that mean something on the page: neither the blue of what
/// needs a person, nor yellow, nor red.
const LOW: [f32; 3] = [122.0, 106.0, 156.0];
const HIGH: [f32; 3] = [238.0, 230.0, 252.0];

/// Light on the sides that face the reader, against that on upper faces.
const SIDE_LIGHT: f32 = 0.8;

/// Shades of a face.
const SHADES: usize = 256;

/// Lays the relief over a picture of which it has a whole number of points per pixel.
pub(super) fn shade(pixmap: &mut Pixmap, relief: &Relief) {
    let shades = [shades(1.0), shades(SIDE_LIGHT)];
    let width = pixmap.width() as usize;
    let fineness = relief.width() / width;
    let points = u16::try_from(fineness * fineness).expect("invariant: a pixel has at most 4 points");
    let (columns, rows) = relief.painted();
    let pixels = pixmap.pixels_mut();
    for y in rows.start / fineness..rows.end.div_ceil(fineness) {
        for x in columns.start / fineness..columns.end.div_ceil(fineness) {
            let (sum, covered) = gather(relief, &shades, (x * fineness, y * fineness), fineness);
            if covered > 0 {
                let pixel = &mut pixels[y * width + x];
                *pixel = blend(*pixel, sum, covered, points);
            }
        }
    }
}

/// The sum of the colours that are seen at a pixel's points, and at how many of them plastic is.
fn gather(relief: &Relief, shades: &[Vec<[u8; 3]>; 2], (x, y): (usize, usize), fineness: usize) -> ([u16; 3], u16) {
    let (mut sum, mut covered) = ([0_u16; 3], 0);
    for column in x..x + fineness {
        for seen in (y..y + fineness).filter_map(|row| relief.seen(column, row)) {
            let shade = usize::from(seen.step) * (SHADES - 1) / usize::from(STEPS);
            let colour = shades[usize::from(seen.face == Face::Side)][shade];
            for (sum, part) in sum.iter_mut().zip(colour) {
                *sum += u16::from(part);
            }
            covered += 1;
        }
    }
    (sum, covered)
}

/// The mean of the plastic's points and of what lies behind the others.
fn blend(behind: PremultipliedColorU8, sum: [u16; 3], covered: u16, points: u16) -> PremultipliedColorU8 {
    let mean = |front: u16, behind: u8| {
        let mean = (front + u16::from(behind) * (points - covered) + points / 2) / points;
        u8::try_from(mean).expect("invariant: a mean of bytes is a byte")
    };
    let alpha = mean(255 * covered, behind.alpha());
    let [red, green, blue] = [(sum[0], behind.red()), (sum[1], behind.green()), (sum[2], behind.blue())]
        .map(|(front, behind)| mean(front, behind).min(alpha));
    PremultipliedColorU8::from_rgba(red, green, blue, alpha).expect("invariant: no part is above alpha")
}

fn shades(light: f32) -> Vec<[u8; 3]> {
    let shade = |index: usize| {
        #[expect(clippy::cast_precision_loss, reason = "0 to 255")]
        let share = index as f32 / (SHADES - 1) as f32;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 255")]
        [0, 1, 2].map(|part: usize| ((LOW[part] + share * (HIGH[part] - LOW[part])) * light).round() as u8)
    };
    (0..SHADES).map(shade).collect()
}
