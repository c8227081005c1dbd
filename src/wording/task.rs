//! The words of each task.

use crate::belt::Restore;
use crate::gcode::{Distance, Units, Walker};
use crate::units::{Celsius, Millimetres};

/// How far the head goes up when it may stand in a part.
pub const LIFT: Millimetres = Millimetres(5.0);
/// How much filament is drawn back for a stand, so that the nozzle does not ooze.
const DRAW_BACK_MM: f64 = 2.0;

/// What a file may take for granted, whatever the one before it left behind: the survey has read it so.
pub const PRELUDE: [&str; 7] = ["G21", "G90", "M82", "T0", "G92 E0", "M220 S100", "M221 S100"];

/// Targets of bed and nozzle; `None` leaves one as it is.
#[must_use]
pub fn heat(bed: Option<Celsius>, nozzle: Option<Celsius>) -> Vec<String> {
    let bed = bed.map(|t| format!("M140 S{}", t.0));
    let nozzle = nozzle.map(|t| format!("M104 S{}", t.0));
    bed.into_iter().chain(nozzle).collect()
}

/// Heaters and part fan off, then up by `lift`, relative to where the head is: no coordinate offset can mislead that.
#[must_use]
pub fn cool_down(tool: u32, lift: Option<Millimetres>) -> Vec<String> {
    let mut lines = heat(Some(Celsius(0.0)), Some(Celsius(0.0)));
    if tool != 0 {
        lines.push("M104 T0 S0".to_owned());
    }
    // The print is over, and with it what it made of feeds: those of the belt are as the config says.
    lines.extend(["M107".to_owned(), "M220 S100".to_owned()]);
    if let Some(lift) = lift.filter(|l| l.0 > 0.0) {
        lines.extend(["G91".to_owned(), format!("G1 Z{:.3} F600", lift.0), "G90".to_owned()]);
    }
    lines.push("M400".to_owned());
    lines
}

/// How a print comes to a stand and goes on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stand {
    /// How far the head goes up.
    pub lift: Millimetres,
    /// Whether the filament goes back a little. Not by a cold nozzle: firmware refuses that, and coming back it would be too much.
    pub draws_back: bool,
}

/// Comes to a stand: buffered moves end, filament back a little, head up.
#[must_use]
pub fn stand(stand: Stand) -> Vec<String> {
    let mut lines = vec!["M400".to_owned()];
    if stand.draws_back {
        lines.extend(["M83".to_owned(), format!("G1 E-{DRAW_BACK_MM} F1800")]);
    }
    lines.extend([
        "G91".to_owned(),
        // Where G91 governs E it is relative now too; either way nothing but Z moves.
        format!("G1 Z{:.3} F600", stand.lift.0),
        "M400".to_owned(),
    ]);
    lines
}

/// Goes back to where [`stand`] left off, with everything as it was.
#[must_use]
pub fn go_back(stand: Stand, as_before: Restore) -> Vec<String> {
    let mut lines = vec!["G91".to_owned(), format!("G1 Z-{:.3} F600", stand.lift.0)];
    if stand.draws_back {
        lines.extend(["M83".to_owned(), format!("G1 E{DRAW_BACK_MM} F1800")]);
    }
    lines.extend([
        if as_before.relative { "G91" } else { "G90" }.to_owned(),
        if as_before.relative_e { "M83" } else { "M82" }.to_owned(),
        format!("G92 E{:.5}", as_before.e_register),
        format!("G1 F{}", if as_before.feed_mm_min > 0.0 { as_before.feed_mm_min } else { 1500.0 }),
    ]);
    lines
}

/// How the printer stands after everything that `walker` has seen.
#[must_use]
pub fn restore_of(walker: &Walker) -> Restore {
    let area_mm2 = walker.volumetric_mm2();
    Restore {
        tool: walker.tool(),
        relative: walker.distance() == Distance::Relative,
        relative_e: walker.e_distance() == Distance::Relative,
        e_register: walker.e_mm(),
        feed_mm_min: walker.feed_mm_min().unwrap_or(0.0),
        volumetric_mm: area_mm2.map(|area| 2.0 * (area / std::f64::consts::PI).sqrt()),
    }
}

/// How far up the head must go to be at `z`, in the machine's own coordinates, and not beyond `z_max`.
#[must_use]
pub fn lift_to(walker: &Walker, z: Millimetres, z_max: Millimetres) -> Option<Millimetres> {
    let at = walker.machine_mm()[2];
    Some(Millimetres(z.0.min(z_max.0) - at)).filter(|lift| lift.0 > 0.0)
}

/// The file may count in inches; our own commands do not.
#[must_use]
pub fn in_millimetres(walker: &Walker, lines: Vec<String>) -> Vec<String> {
    if walker.units() != Units::Inch {
        return lines;
    }
    let unit = |text: &str| std::iter::once(text.to_owned());
    unit("G21").chain(lines).chain(unit("G20")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cold_nozzle_neither_draws_filament_back_nor_gives_it_out_again() {
        let as_before = restore_of(&Walker::default());
        let moves_filament = |lines: Vec<String>| lines.iter().any(|line| line.starts_with("G1 E"));
        for draws_back in [true, false] {
            let how = Stand { lift: Millimetres(2.0), draws_back };
            assert_eq!(moves_filament(stand(how)), draws_back);
            assert_eq!(moves_filament(go_back(how, as_before)), draws_back);
        }
    }
}
