//! Small sliced files, each different.

use std::fmt::Write as _;

use super::chance::Chance;

/// Ends that leave the machine in other ways than a print begins, and commands that must be left out.
const ENDS: [&str; 6] =
    ["", "M83\nG91\nG1 Z2 E-1 F2700\n", "G91\n", "G20\nG91\nG1 X-0.2 F50\n", "M220 S150\nM221 S90\n", "M84\nM18 X Y\n"];

/// A block of a few layers somewhere on the bed: material, heat, place, size, E mode and end by chance. One in `concerns` holds a
/// command that a person must read first; none if that is `None`.
pub(crate) fn sliced(chance: &mut Chance, concerns: Option<usize>) -> Vec<u8> {
    let (material, bed_least, bed_greatest) =
        chance.one_of(&[("pla", 50.0, 64.0), ("petg", 70.0, 85.0), ("abs", 92.0, 105.0)]);
    let bed = chance.within(bed_least, bed_greatest).round();
    let (width, depth) = (chance.within(4.0, 120.0), chance.within(11.0, 120.0));
    let (x, y) = (chance.within(5.0, 215.0 - width), chance.within(5.0, 215.0 - depth));
    let relative = chance.one_in(2);
    let mut text = format!("; material = {material}\nM140 S{bed}\nM104 S200\n");
    if concerns.is_some_and(|times| chance.one_in(times)) {
        text += "M9876 S1\n";
    }
    write!(
        text,
        "G28\nM190 S{bed}\nM109 S200\nG90\n{}\nG92 E0\nG1 X{x:.3} Y{y:.3} Z0.3 F6000\n",
        if relative { "M83" } else { "M82" }
    )
    .expect("text");
    let mut sum = 0.0;
    for layer in 1..=chance.below(3) + 1 {
        writeln!(text, "G1 Z{:.1} F600", 0.3 * layer as f64).expect("text");
        for (dx, dy, length) in [(width, 0.0, width), (width, depth, depth), (0.0, depth, width), (0.0, 0.0, depth)] {
            let e = length * 0.04;
            sum += e;
            writeln!(text, "G1 X{:.3} Y{:.3} E{:.5} F3000", x + dx, y + dy, if relative { e } else { sum })
                .expect("text");
        }
    }
    text += "M104 S0\nM140 S0\nM107\n";
    text += chance.one_of(&ENDS);
    text.into_bytes()
}
