//! A belt that is tilted under the nozzle: prints of any length, laid in slanted layers along the belt.
//!
//! The gantry stands at the angle θ to the belt. The file's Y runs up along the gantry, its X across the belt, and its Z *is*
//! the belt: every millimetre of Z carries the belt, with all that was laid, one millimetre on toward the nose. So, with Y = 0
//! where the nozzle touches the belt,
//!
//! - height above the belt: `h = y · sin θ`,
//! - place of the nozzle along the belt: `g = ± y · cos θ` from the line where the gantry's plane meets it, plus when the
//!   gantry leans toward the nose,
//! - place, when the file's Z has come to `z_now`, of what was laid at `z`: `u = u_0 + g + (z_now − z)`.
//!
//! Plane geometry; no source.

use super::frame::Extent;
use crate::job::Survey;
use crate::units::{Micrometres, Millimetres};

/// Which way the gantry leans from the line where its plane meets the belt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lean {
    /// Its upper end is nearer the nose.
    TowardNose,
    /// Its upper end is farther from the nose.
    FromNose,
}

/// A belt that is tilted under the nozzle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tilt {
    /// The angle between the gantry's plane and the belt, rad, above 0 and at most a right angle.
    angle_rad: f64,
    lean: Lean,
    /// `u` of the line where the gantry's plane meets the belt.
    meets: Millimetres,
}

/// What a print takes of a tilted belt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TiltedPrint {
    /// Where its plastic may lie along the belt when the print ends.
    pub extent: Extent,
    /// How far the print's own Z carries the belt, from Z = 0 to its end: belt travel like any other.
    pub carried: Micrometres,
    /// Its greatest height above the belt.
    pub height: Millimetres,
}

impl Tilt {
    /// `None` unless the angle is above 0° and at most 90°.
    #[must_use]
    pub fn new(angle_deg: f64, lean: Lean, meets: Millimetres) -> Option<Self> {
        (angle_deg > 0.0 && angle_deg <= 90.0).then(|| Self { angle_rad: angle_deg.to_radians(), lean, meets })
    }

    /// Height above the belt at this Y of the file: `y · sin θ`.
    #[must_use]
    pub fn height(&self, y: Millimetres) -> Millimetres {
        Millimetres(y.0 * self.angle_rad.sin())
    }

    /// Where along the belt lies, when the file's Z has come to `z_now`, what was laid at `y` and `z`.
    #[must_use]
    pub fn along(&self, y: Millimetres, z: Millimetres, z_now: Millimetres) -> Millimetres {
        let ahead = y.0 * self.angle_rad.cos();
        let ahead = match self.lean {
            Lean::TowardNose => ahead,
            Lean::FromNose => -ahead,
        };
        Millimetres(self.meets.0 + ahead + (z_now.0 - z.0))
    }

    /// The interval along the belt within which this file's plastic lies when it ends: that of the box which its footprint's
    /// Y and its layers' Z make. The part lies inside; where it is upright, a slice of `height · cot θ` at either end is
    /// empty, since a survey does not say which Y goes with which Z. `None` if it lays nothing.
    #[must_use]
    pub fn print(&self, survey: &Survey) -> Option<TiltedPrint> {
        let footprint = survey.footprint?;
        let top = Millimetres(survey.height_mm);
        let bottom = Millimetres(survey.layer_z_mm.first().map_or(0.0, |z| z.min(top.0)));
        // A file that does not say where its Z ends may end anywhere above; the least that it can have done is its last layer.
        let end = Millimetres(survey.end_z_mm.map_or(top.0, |z| z.max(top.0)));
        let corners = [footprint.y_min_mm, footprint.y_max_mm]
            .into_iter()
            .flat_map(|y| [bottom, top].map(|z| self.along(Millimetres(y), z, end).0));
        let (tail_mm, lead_mm) =
            corners.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), u| (low.min(u), high.max(u)));
        Some(TiltedPrint {
            extent: Extent { tail_mm, lead_mm },
            carried: end.to_micrometres(),
            height: self.height(Millimetres(footprint.y_max_mm)),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Footprint;

    /// The corners of an upright block, as a file for a tilted belt has them: `(y, z)` of each end, foot and top.
    fn block(length: f64, height: f64, angle_deg: f64) -> [(f64, f64); 4] {
        let (sin, cot) = (angle_deg.to_radians().sin(), 1.0 / angle_deg.to_radians().tan());
        let corner = |s: f64, h: f64| (h / sin, s + h * cot);
        [corner(0.0, 0.0), corner(length, 0.0), corner(0.0, height), corner(length, height)]
    }

    fn survey(corners: &[(f64, f64)]) -> Survey {
        let range = |values: &mut dyn Iterator<Item = f64>| {
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
        };
        let (y_min_mm, y_max_mm) = range(&mut corners.iter().map(|c| c.0));
        let (z_min, z_max) = range(&mut corners.iter().map(|c| c.1));
        Survey {
            footprint: Some(Footprint { x_min_mm: 10.0, x_max_mm: 20.0, y_min_mm, y_max_mm }),
            layer_z_mm: vec![z_min, z_max],
            height_mm: z_max,
            end_z_mm: Some(z_max),
            ..Survey::default()
        }
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-9
    }

    #[test]
    fn a_cube_at_45_degrees_comes_out_as_a_cube() {
        // A 10 mm cube: its slanted face is 10 / sin 45° = 14.142 mm of Y, and it takes 10 + 10 · cot 45° = 20 mm of Z.
        let corners = block(10.0, 10.0, 45.0);
        assert!(close(corners[3].0, 10.0 * std::f64::consts::SQRT_2) && close(corners[3].1, 20.0));
        let tilt = Tilt::new(45.0, Lean::TowardNose, Millimetres(100.0)).expect("an angle");
        let end = Millimetres(20.0);
        let at =
            corners.map(|(y, z)| (tilt.along(Millimetres(y), Millimetres(z), end).0, tilt.height(Millimetres(y)).0));
        // Its leading face was begun first and has been carried 20 mm; its trailing face stands 10 mm behind.
        for ((u, h), (u_wanted, h_wanted)) in
            at.into_iter().zip([(120.0, 0.0), (110.0, 0.0), (120.0, 10.0), (110.0, 10.0)])
        {
            assert!(close(u, u_wanted) && close(h, h_wanted), "({u}, {h})");
        }
    }

    #[test]
    fn the_extent_of_a_print_holds_the_part_and_an_empty_slice_at_either_end() {
        for (angle, cot) in [(45.0, 1.0), (30.0, 3.0_f64.sqrt()), (60.0, 1.0 / 3.0_f64.sqrt()), (90.0, 0.0)] {
            let (length, height) = (25.0, 8.0);
            let corners = block(length, height, angle);
            let tilt = Tilt::new(angle, Lean::TowardNose, Millimetres(50.0)).expect("an angle");
            let print = tilt.print(&survey(&corners)).expect("something is laid");
            let end = length + height * cot;
            let (lead, tail) = (50.0 + end, 50.0 + end - length);
            assert!(close(print.extent.lead_mm, lead + height * cot), "{angle}: {print:?}");
            assert!(close(print.extent.tail_mm, tail - height * cot), "{angle}: {print:?}");
            assert!(close(print.height.0, height), "{angle}: {print:?}");
            assert_eq!(print.carried, Millimetres(end).to_micrometres());
        }
    }

    #[test]
    fn a_gantry_that_leans_from_the_nose_lays_its_upper_layers_behind() {
        let tilt = Tilt::new(45.0, Lean::FromNose, Millimetres(0.0)).expect("an angle");
        let u = tilt.along(Millimetres(10.0), Millimetres(4.0), Millimetres(9.0)).0;
        assert!(close(u, 5.0 - 10.0 / std::f64::consts::SQRT_2));
    }

    #[test]
    fn what_was_laid_is_carried_a_millimetre_for_every_millimetre_of_z() {
        let tilt = Tilt::new(35.0, Lean::TowardNose, Millimetres(0.0)).expect("an angle");
        let at = |z_now| tilt.along(Millimetres(7.0), Millimetres(3.0), Millimetres(z_now)).0;
        assert!(close(at(503.0) - at(3.0), 500.0));
    }

    #[test]
    fn an_angle_that_cannot_be_makes_no_tilt() {
        for angle in [0.0, -45.0, 90.1, f64::NAN] {
            assert_eq!(Tilt::new(angle, Lean::TowardNose, Millimetres(0.0)), None, "{angle}");
        }
    }

    #[test]
    fn the_advance_after_a_slanted_print_is_counted_from_where_its_own_z_left_the_part() {
        use crate::belt::Advance;
        let tilt = Tilt::new(45.0, Lean::TowardNose, Millimetres(0.0)).expect("an angle");
        let print = tilt.print(&survey(&block(10.0, 10.0, 45.0))).expect("something is laid");
        let advance = Advance::plan(print.extent, Millimetres(200.0), Millimetres(40.0));
        // Tail at 20 − 20 = 0, lead at 20 + 10 = 30 mm.
        assert_eq!(advance, Advance { approach_um: 170_000, peel_um: 30_000, overrun_um: 40_000 });
    }
}
