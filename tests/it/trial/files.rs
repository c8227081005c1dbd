//! Small sliced files, each different.

use std::fmt::Write as _;

/// A fixed sequence of chances (splitmix64, public domain).
pub(super) struct Chance(u64);

impl Chance {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Between two numbers.
    pub(super) fn within(&mut self, least: f64, greatest: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        least + (greatest - least) * ((z >> 11) as f64 / (1_u64 << 53) as f64)
    }

    fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        let at = self.within(0.0, choices.len() as f64) as usize;
        choices[at.min(choices.len() - 1)]
    }
}

/// Ends that leave the machine in other ways than a print begins.
const ENDS: [&str; 5] =
    ["", "M83\nG91\nG1 Z2 E-1 F2700\n", "G91\n", "G20\nG91\nG1 X-0.2 F50\n", "M220 S150\nM221 S90\n"];

/// A block of two layers somewhere on the bed: material, heat, place, size, E mode and end by chance.
pub(super) fn sliced(chance: &mut Chance) -> Vec<u8> {
    let (material, bed_least, bed_greatest) =
        chance.one_of(&[("pla", 50.0, 64.0), ("petg", 70.0, 85.0), ("abs", 92.0, 105.0)]);
    let bed = chance.within(bed_least, bed_greatest).round();
    let (width, depth) = (chance.within(4.0, 120.0), chance.within(11.0, 120.0));
    let (x, y) = (chance.within(5.0, 215.0 - width), chance.within(5.0, 215.0 - depth));
    let relative = chance.within(0.0, 1.0) < 0.5;
    let mut text = format!(
        "; material = {material}\nM140 S{bed}\nM104 S200\nG28\nM190 S{bed}\nM109 S200\nG90\n{}\nG92 E0\nG1 X{x:.3} Y{y:.3} Z0.3 F6000\n",
        if relative { "M83" } else { "M82" },
    );
    let mut sum = 0.0;
    for layer in 1..=2 {
        writeln!(text, "G1 Z{:.1} F600", 0.3 * f64::from(layer)).expect("text");
        for (dx, dy, length) in [(width, 0.0, width), (width, depth, depth), (0.0, depth, width), (0.0, 0.0, depth)] {
            let e = length * 0.04;
            sum += e;
            writeln!(text, "G1 X{:.3} Y{:.3} E{:.5} F9000", x + dx, y + dy, if relative { e } else { sum })
                .expect("text");
        }
    }
    text += "M104 S0\nM140 S0\nM107\n";
    text += chance.one_of(&ENDS);
    text.into_bytes()
}
