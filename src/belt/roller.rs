//! Rollers and pulleys: what one turn of them feeds, and how large they are.

use std::f64::consts::PI;

use crate::units::Millimetres;

/// Belt that one turn of a roller of diameter `d` feeds: `π(d + t)`. The pitch line runs in the middle of a belt of thickness
/// `t`, and on the straight run the surface travels as far as the pitch line; `π(d + 2t)` is the wrapped surface alone.
/// `None` unless `d` is above zero and `t` zero or more.
#[must_use]
pub fn feed_per_turn(diameter: Millimetres, thickness: Millimetres) -> Option<Millimetres> {
    let can_be = diameter.0.is_finite() && diameter.0 > 0.0 && thickness.0.is_finite() && thickness.0 >= 0.0;
    can_be.then_some(Millimetres(PI * (diameter.0 + thickness.0)))
}

/// How often roller `other` turns for each turn of roller `one` when a belt of thickness `t` joins them:
/// `(d_one + t)/(d_other + t)`. `None` where [`feed_per_turn`] has no answer for one of them.
#[must_use]
pub fn turns_ratio(one: Millimetres, other: Millimetres, thickness: Millimetres) -> Option<f64> {
    Some(feed_per_turn(one, thickness)?.0 / feed_per_turn(other, thickness)?.0)
}

/// Pitch diameter of a toothed pulley: `pitch × teeth / π`. Its outside is less by twice the belt's pitch-line offset.
/// `None` unless both are above zero.
#[must_use]
pub fn pitch_diameter(pitch: Millimetres, teeth: f64) -> Option<Millimetres> {
    let can_be = pitch.0.is_finite() && pitch.0 > 0.0 && teeth.is_finite() && teeth > 0.0;
    can_be.then_some(Millimetres(pitch.0 * teeth / PI))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belt::steps_per_mm;

    fn close(found: f64, wanted: f64, within: f64) {
        assert!((found - wanted).abs() <= within, "{found} against {wanted}");
    }

    #[test]
    fn a_turn_feeds_the_circumference_of_the_pitch_line() {
        // Recomputed from π(d + t).
        for (d, t, feed) in [
            (20.0, 0.0, 62.831_853),
            (20.0, 1.0, 65.973_446),
            (20.0, 2.0, 69.115_038),
            (25.0, 1.5, 83.252_205),
            (30.0, 1.0, 97.389_372),
        ] {
            close(feed_per_turn(Millimetres(d), Millimetres(t)).expect("a roller").0, feed, 5e-7);
        }
        let turns = 200.0 / feed_per_turn(Millimetres(20.0), Millimetres(1.0)).expect("a roller").0;
        close(turns, 3.031_523, 5e-7);
        assert_eq!(feed_per_turn(Millimetres(0.0), Millimetres(1.0)), None);
        assert_eq!(feed_per_turn(Millimetres(20.0), Millimetres(-0.1)), None);
    }

    #[test]
    fn belt_thickness_changes_the_ratio_of_two_pulleys() {
        // Theory of Machines (FOSSEE textbook companion): 240 rpm on 1.5 m drives 0.75 m with a belt of 5 mm: 478.4 rpm; with
        // 2 % of slip 468.8; without the thickness 480.
        let rpm =
            |t| 240.0 * turns_ratio(Millimetres(1500.0), Millimetres(750.0), Millimetres(t)).expect("two pulleys");
        close(rpm(5.0), 478.41, 0.005);
        close(rpm(5.0) * 0.98, 468.84, 0.005);
        close(rpm(0.0), 480.0, 1e-9);
        // Khurmi, Theory of Machines, example 33.1: 300 mm at 240 rpm drives at 620 rpm: 116.1 mm.
        let driven = 240.0 * 300.0 / 620.0;
        close(driven, 116.129, 0.0005);
        close(
            turns_ratio(Millimetres(300.0), Millimetres(driven), Millimetres(0.0)).expect("two pulleys") * 240.0,
            620.0,
            1e-9,
        );
    }

    #[test]
    fn pitch_diameters_and_outsides_of_2_mm_pulleys() {
        // Pfeifer, manual of timing belts: PD = pitch·z/π and outside = PD − 2u; u = 0.254 mm from an open table of belts.
        for (teeth, pitch, outside) in [
            (16.0, 10.185_916, 9.677_916),
            (20.0, 12.732_395, 12.224_395),
            (36.0, 22.918_312, 22.410_312),
            (40.0, 25.464_791, 24.956_791),
        ] {
            let found = pitch_diameter(Millimetres(2.0), teeth).expect("a pulley").0;
            close(found, pitch, 5e-7);
            close(found - 2.0 * 0.254, outside, 5e-7);
        }
        assert_eq!(pitch_diameter(Millimetres(2.0), 0.0), None);
    }

    #[test]
    fn steps_for_a_millimetre_of_published_drives() {
        // A toothed belt's pitch line is at the pitch diameter, so its thickness there is none. Printed by calculators:
        // 16 teeth → 100, 18 → 88.888; recomputed: 20 → 80, 36 → 44.4444.
        for (teeth, steps) in [(16.0, 100.0), (18.0, 88.888_889), (20.0, 80.0), (36.0, 44.444_444)] {
            let d = pitch_diameter(Millimetres(2.0), teeth).expect("a pulley");
            close(steps_per_mm(200.0, 16.0, 1.0, 1.0, d, Millimetres(0.0)).expect("a drive"), steps, 5e-7);
        }
        // Screws feed their lead in a turn: one of 8 mm at 16 microsteps → 400 (printed), with 32:20 against it → 250 (printed
        // in a forum), at 8 microsteps → 200; one of 2 mm lead at 8 microsteps → 800 (printed).
        let screw = |microsteps, driven, driver, lead: f64| {
            steps_per_mm(200.0, microsteps, driven, driver, Millimetres(lead / PI), Millimetres(0.0)).expect("a drive")
        };
        close(screw(16.0, 1.0, 1.0, 8.0), 400.0, 1e-9);
        close(screw(16.0, 20.0, 32.0, 8.0), 250.0, 1e-9);
        close(screw(8.0, 1.0, 1.0, 8.0), 200.0, 1e-9);
        close(screw(8.0, 1.0, 1.0, 2.0), 800.0, 1e-9);
    }
}
