//! Millimetres of belt to the words that make a printer run it, and to motor steps.

use super::advance::{Advance, Feeds, Move, Stretch};
use crate::units::{Micrometres, Millimetres, MillimetresPerMinute};

/// How this printer moves its belt.
#[derive(Clone, Debug, PartialEq)]
pub struct Drive {
    /// What the belt hangs on.
    pub by: DriveBy,
    /// Printer units commanded for each millimetre of belt; 1 where the firmware's steps per unit are right.
    pub units_per_mm: f64,
    /// Whether positive units run away from the nose.
    pub inverted: bool,
    /// Longest move that the firmware accepts in one command.
    pub piece_max: Millimetres,
    /// Longest move between two looks at a switch.
    pub sampled_piece_max: Millimetres,
    /// Feed of approach and overrun.
    pub travel_feed: MillimetresPerMinute,
    /// Feed while the part bends off the nose.
    pub peel_feed: MillimetresPerMinute,
    /// The firmware's guard against cold extrusion, °C, to be restored after extruder moves.
    pub cold_guard_c: f64,
}

/// What the belt hangs on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DriveBy {
    /// An extruder's driver, by its tool number.
    Extruder(u32),
    /// A free axis, by its letter.
    Axis(char),
    /// The user's own lines, with `{mm}` and `{feed}` in place of the distance (signed printer units) and the feed (units/min).
    Lines(Vec<String>),
}

/// What must be as before when the belt has moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Restore {
    /// Selected tool.
    pub tool: u32,
    /// Whether X, Y, Z are relative.
    pub relative: bool,
    /// Whether E is relative.
    pub relative_e: bool,
    /// The E register: mm, or mm³ while E words count volume.
    pub e_register: f64,
    /// Feed in force, mm/min; 0 where it is not known.
    pub feed_mm_min: f64,
    /// Diameter of the filament while E words count volume: mm; `None` while they count its length.
    pub volumetric_mm: Option<f64>,
}

/// Commands that move the belt, and by how much.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// The lines to send, in order; once one of them has left, the others follow, whatever happens.
    pub lines: Vec<String>,
    /// Which of them moves the belt: from the moment that it is sent, the travel may have happened.
    pub moves_at: usize,
    /// How far the belt goes, µm; positive is toward the nose.
    pub travel: Micrometres,
}

/// Motor steps for a millimetre of belt: `steps × microsteps × (roller pulley teeth / motor pulley teeth) / (π (d + t))`,
/// with the roller's diameter `d` and the belt's thickness `t`: the pitch line runs in the middle of the belt.
/// `None` unless every argument is above zero (the thickness may be zero).
#[must_use]
pub fn steps_per_mm(
    steps_per_rev: f64,
    microsteps: f64,
    roller_teeth: f64,
    motor_teeth: f64,
    roller_diameter: Millimetres,
    belt_thickness: Millimetres,
) -> Option<f64> {
    let all_above_zero = [steps_per_rev, microsteps, roller_teeth, motor_teeth, roller_diameter.0]
        .iter()
        .all(|&v| v.is_finite() && v > 0.0);
    (all_above_zero && belt_thickness.0 >= 0.0).then(|| {
        steps_per_rev * microsteps * (roller_teeth / motor_teeth)
            / (std::f64::consts::PI * (roller_diameter.0 + belt_thickness.0))
    })
}

impl Drive {
    /// A belt as tests have it: 25 mm/s, 10 mm/s while the part bends off, and pieces of 50 mm, of 5 mm where a switch is watched.
    #[cfg(test)]
    pub(crate) fn plain(by: DriveBy) -> Self {
        Self {
            by,
            units_per_mm: 1.0,
            inverted: false,
            piece_max: Millimetres(50.0),
            sampled_piece_max: Millimetres(5.0),
            travel_feed: MillimetresPerMinute(1500.0),
            peel_feed: MillimetresPerMinute(600.0),
            cold_guard_c: 170.0,
        }
    }

    /// The moves of an advance at this drive's feeds.
    #[must_use]
    pub fn advance_moves(&self, advance: Advance) -> Vec<Move> {
        advance.moves(Feeds { travel: self.travel_feed, peel: self.peel_feed })
    }

    /// A new try: back a little, then forward by as much and the full overrun.
    #[must_use]
    pub fn retry_moves(&self, back: Micrometres, advance: Advance) -> Vec<Move> {
        let forward = Micrometres(back.0 + advance.overrun_um);
        vec![
            Move { stretch: Stretch::Back, travel: -back, feed: self.travel_feed },
            Move { stretch: Stretch::Overrun, travel: forward, feed: self.peel_feed },
        ]
    }

    /// How long these moves take at their feeds, without acceleration, s.
    #[must_use]
    pub fn seconds(moves: &[Move]) -> f64 {
        moves.iter().map(|m| m.travel.to_millimetres().0.abs() / m.feed.0 * 60.0).sum()
    }

    /// Lines before the first belt move.
    #[must_use]
    pub fn before(&self, as_before: Restore) -> Vec<String> {
        let mut lines = match &self.by {
            // The guard is lifted for these moves alone: the belt's "extruder" has no heater.
            DriveBy::Extruder(tool) => vec![format!("T{tool}"), "M83".to_owned(), "M302 S0".to_owned()],
            DriveBy::Axis(_) => vec!["G91".to_owned()],
            DriveBy::Lines(_) => Vec::new(),
        };
        // Where E counts volume, the belt would go as far as so much filament is long.
        if as_before.volumetric_mm.is_some() && !matches!(self.by, DriveBy::Axis(_)) {
            lines.push("M200 D0".to_owned());
        }
        lines
    }

    /// Lines after the last belt move, which leave everything as it was. They must be sent too when the moves were cut short.
    #[must_use]
    pub fn after(&self, restore: Restore) -> Vec<String> {
        let mut lines = Vec::new();
        if self.lifts_guard() {
            lines.push(format!("M302 S{}", self.cold_guard_c));
        }
        if !matches!(self.by, DriveBy::Axis(_)) {
            lines.push(format!("T{}", restore.tool));
        }
        if !matches!(self.by, DriveBy::Extruder(_)) {
            lines.push(if restore.relative { "G91" } else { "G90" }.to_owned());
        }
        // Where G90 and G91 govern E as well, its mode has to be said behind them.
        lines.push(if restore.relative_e { "M83" } else { "M82" }.to_owned());
        if !matches!(self.by, DriveBy::Axis(_)) {
            lines.extend(restore.volumetric_mm.map(|diameter| format!("M200 D{}", decimals(diameter))));
            lines.push(format!("G92 E{}", decimals(restore.e_register)));
        }
        if restore.feed_mm_min > 0.0 {
            lines.push(format!("G1 F{}", decimals(restore.feed_mm_min)));
        }
        lines
    }

    /// What a machine is told that an advance may have left in the middle, when nobody knows any more how it was before: the
    /// guard must be on, and a print tool selected.
    #[must_use]
    pub fn calm(&self) -> Vec<String> {
        let guard = self.lifts_guard().then(|| format!("M302 S{}", self.cold_guard_c));
        let tool = matches!(self.by, DriveBy::Extruder(_)).then(|| "T0".to_owned());
        guard.into_iter().chain(tool).collect()
    }

    fn lifts_guard(&self) -> bool {
        match &self.by {
            DriveBy::Extruder(_) => true,
            DriveBy::Axis(_) => false,
            DriveBy::Lines(lines) => {
                lines.iter().any(|line| line.trim_start().to_ascii_uppercase().starts_with("M302"))
            }
        }
    }

    /// The commands of one move, starting with the belt at `odometer`, cut to what the firmware accepts and, where a
    /// switch is looked at between pieces, to what cannot slip past it.
    #[must_use]
    pub fn pieces(&self, odometer: Micrometres, belt_move: &Move, sampled: bool) -> Vec<Piece> {
        let longest = if sampled { self.sampled_piece_max } else { self.piece_max }.to_micrometres().0.max(1);
        let count = (belt_move.travel.0.abs() + longest - 1) / longest;
        let at = |k: i64| if count == 0 { 0 } else { belt_move.travel.0 * k / count };
        (0..count)
            .map(|k| {
                let (from, to) = (odometer.0 + at(k), odometer.0 + at(k + 1));
                Piece {
                    moves_at: self.moves_at(),
                    lines: self.piece_lines(Micrometres(from), Micrometres(to), belt_move.feed),
                    travel: Micrometres(to - from),
                }
            })
            .collect()
    }

    fn moves_at(&self) -> usize {
        match &self.by {
            DriveBy::Extruder(_) | DriveBy::Axis(_) => 0,
            DriveBy::Lines(lines) => lines.iter().position(|line| line.contains("{mm}")).unwrap_or(0),
        }
    }

    fn piece_lines(&self, from: Micrometres, to: Micrometres, feed: MillimetresPerMinute) -> Vec<String> {
        let sign = if self.inverted { -1.0 } else { 1.0 };
        // The difference of two rounded positions: what is rounded off one piece comes back with the next.
        let units = |um: Micrometres| (um.to_millimetres().0 * self.units_per_mm * 1e4).round() / 1e4;
        let distance = decimals(sign * (units(to) - units(from)));
        let rate = decimals((feed.0 * self.units_per_mm).max(1.0));
        match &self.by {
            DriveBy::Extruder(_) => vec![format!("G1 E{distance} F{rate}")],
            DriveBy::Axis(letter) => vec![format!("G1 {letter}{distance} F{rate}")],
            DriveBy::Lines(lines) => {
                lines.iter().map(|line| line.replace("{mm}", &distance).replace("{feed}", &rate)).collect()
            }
        }
    }
}

/// A number as firmware reads it: no exponent, at most five decimals, no idle zeros.
fn decimals(value: f64) -> String {
    let text = format!("{value:.5}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drive(by: DriveBy) -> Drive {
        Drive { travel_feed: MillimetresPerMinute(3000.0), ..Drive::plain(by) }
    }

    fn forward(um: i64) -> Move {
        Move { stretch: Stretch::Approach, travel: Micrometres(um), feed: MillimetresPerMinute(3000.0) }
    }

    const AS_BEFORE: Restore = Restore {
        tool: 0,
        relative: false,
        relative_e: false,
        e_register: 3_129.992_05,
        feed_mm_min: 7800.0,
        volumetric_mm: None,
    };

    #[test]
    fn an_extruder_drive_leaves_tool_mode_register_feed_and_guard_as_before() {
        let drive = drive(DriveBy::Extruder(1));
        assert_eq!(drive.before(AS_BEFORE), ["T1", "M83", "M302 S0"]);
        assert_eq!(drive.after(AS_BEFORE), ["M302 S170", "T0", "M82", "G92 E3129.99205", "G1 F7800"]);
    }

    #[test]
    fn e_counts_length_while_an_extruder_moves_the_belt_and_volume_again_afterwards() {
        let as_before = Restore { volumetric_mm: Some(1.75), e_register: 40.0, feed_mm_min: 0.0, ..AS_BEFORE };
        let drive = drive(DriveBy::Extruder(1));
        assert_eq!(drive.before(as_before), ["T1", "M83", "M302 S0", "M200 D0"]);
        assert_eq!(drive.after(as_before), ["M302 S170", "T0", "M82", "M200 D1.75", "G92 E40"]);
    }

    #[test]
    fn own_lines_may_change_anything_and_all_of_it_is_put_right() {
        let own = |lines: &[&str]| drive(DriveBy::Lines(lines.iter().map(|line| (*line).to_owned()).collect()));
        let relative = Restore { relative: true, ..AS_BEFORE };
        assert_eq!(own(&["G91", "G1 A{mm}"]).after(relative), ["T0", "G91", "M82", "G92 E3129.99205", "G1 F7800"]);
        let lifts = own(&["T1", "M302 P1", "M83", "G1 E{mm}"]);
        assert_eq!(lifts.after(AS_BEFORE)[0], "M302 S170");
        assert_eq!(lifts.pieces(Micrometres(0), &forward(1), false)[0].moves_at, 3);
        assert_eq!((lifts.calm(), own(&["G1 A{mm}"]).calm()), (vec!["M302 S170".to_owned()], Vec::new()));
    }

    #[test]
    fn an_axis_drive_restores_both_distance_modes() {
        let drive = drive(DriveBy::Axis('A'));
        assert_eq!(drive.after(Restore { relative_e: true, ..AS_BEFORE }), ["G90", "M83", "G1 F7800"]);
        assert_eq!(drive.pieces(Micrometres(0), &forward(1500), false)[0].lines, ["G1 A1.5 F3000"]);
    }

    #[test]
    fn own_lines_get_distance_and_feed() {
        let drive = drive(DriveBy::Lines(vec!["BELT DISTANCE={mm} SPEED={feed}".to_owned()]));
        assert_eq!(drive.pieces(Micrometres(0), &forward(-2000), false)[0].lines, ["BELT DISTANCE=-2 SPEED=3000"]);
    }

    #[test]
    fn pieces_are_short_enough_and_add_up_exactly() {
        let drive = drive(DriveBy::Extruder(1));
        for (um, sampled, count) in [(195_802, false, 4), (195_802, true, 40), (-10_001, true, 3), (0, false, 0)] {
            let pieces = drive.pieces(Micrometres(77), &forward(um), sampled);
            assert_eq!(pieces.len(), count);
            assert_eq!(pieces.iter().map(|p| p.travel.0).sum::<i64>(), um);
        }
    }

    #[test]
    fn rounding_does_not_add_up_over_many_pieces() {
        let drive = Drive { units_per_mm: 1.0 / 3.0, ..drive(DriveBy::Extruder(1)) };
        let mut commanded = 0.0;
        let mut odometer = 0;
        for _ in 0..1000 {
            for piece in drive.pieces(Micrometres(odometer), &forward(12_345), false) {
                let word = piece.lines[0].split(['E', ' ']).nth(2).expect("an E word").to_owned();
                commanded += word.parse::<f64>().expect("a number");
                odometer += piece.travel.0;
            }
        }
        let wanted = Micrometres(odometer).to_millimetres().0 / 3.0;
        assert!((commanded - wanted).abs() < 1e-4, "{commanded} against {wanted}");
    }

    #[test]
    fn an_inverted_drive_turns_the_sign() {
        let drive = Drive { inverted: true, ..drive(DriveBy::Extruder(1)) };
        assert_eq!(drive.pieces(Micrometres(0), &forward(5000), false)[0].lines, ["G1 E-5 F3000"]);
    }

    #[test]
    fn steps_for_a_millimetre_follow_the_pitch_line() {
        // Feed per revolution π(d + t) with d 20 mm and t 1 mm is 65.973446 mm (recomputed from the formula).
        let steps = steps_per_mm(200.0, 16.0, 20.0, 20.0, Millimetres(20.0), Millimetres(1.0)).expect("all above zero");
        assert!((steps - 3200.0 / 65.973_446).abs() < 1e-6);
        assert_eq!(steps_per_mm(200.0, 16.0, 0.0, 20.0, Millimetres(20.0), Millimetres(1.0)), None);
        assert_eq!(steps_per_mm(200.0, 16.0, 20.0, 20.0, Millimetres(0.0), Millimetres(1.0)), None);
    }

    #[test]
    fn a_retry_goes_back_and_forward_again_with_the_full_overrun() {
        let advance = Advance { approach_um: 1, peel_um: 2, overrun_um: 40_000 };
        let moves = drive(DriveBy::Extruder(1)).retry_moves(Micrometres(10_000), advance);
        assert_eq!(moves.iter().map(|m| m.travel.0).collect::<Vec<_>>(), [-10_000, 50_000]);
    }
}
