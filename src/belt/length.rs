//! How long a belt around two rollers is.

use crate::units::Millimetres;

/// How a belt runs around its two rollers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lay {
    /// Both rollers turn the same way, as under every bed.
    Open,
    /// The straight runs cross, and the rollers turn against each other.
    Crossed,
}

/// The exact length of a belt around two rollers: with diameters `D ≥ d` and centre distance `C`,
///
/// - open: `2C·cos α + π(D + d)/2 + α(D − d)` with `sin α = (D − d)/2C`;
/// - crossed: `2C·cos α + (π/2 + α)(D + d)` with `sin α = (D + d)/2C`.
///
/// The diameters are those of the line whose length is asked for: for the middle of a belt of thickness `t` each is the roller's
/// own plus `t`. `None` unless every argument is above zero and the rollers stand apart: `2C > D + d`.
#[must_use]
pub fn belt_length(lay: Lay, one: Millimetres, other: Millimetres, centres: Millimetres) -> Option<Millimetres> {
    let (large, small) = (one.0.max(other.0), one.0.min(other.0));
    let can_be = [one.0, other.0, centres.0].iter().all(|&v| v.is_finite() && v > 0.0);
    if !(can_be && 2.0 * centres.0 > large + small) {
        return None;
    }
    let offset = match lay {
        Lay::Open => large - small,
        Lay::Crossed => large + small,
    };
    // The straight runs lean by this angle, and each roller is wrapped by so much more or less than half.
    let lean = (offset / (2.0 * centres.0)).asin();
    let wrapped = std::f64::consts::FRAC_PI_2 * (large + small) + lean * offset;
    Some(Millimetres(2.0 * centres.0 * lean.cos() + wrapped))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `2C + π(D + d)/2 + (D − d)²/4C` (open; with `(D + d)²` crossed): the approximation that catalogues print. It is the
    /// other way to the same length here.
    fn approximate(lay: Lay, one: f64, other: f64, centres: f64) -> f64 {
        let offset = match lay {
            Lay::Open => one - other,
            Lay::Crossed => one + other,
        };
        2.0 * centres + std::f64::consts::FRAC_PI_2 * (one + other) + offset * offset / (4.0 * centres)
    }

    fn exact(lay: Lay, one: f64, other: f64, centres: f64) -> f64 {
        belt_length(lay, Millimetres(one), Millimetres(other), Millimetres(centres))
            .expect("rollers that stand apart")
            .0
    }

    /// Lengths in the unit of their source; the formula knows none.
    const EXACT: &[(f64, f64, f64, f64)] = &[
        // Theory of Machines (FOSSEE textbook companion), ch. 2, illustration 3: 30 and 50 cm, 500 cm apart.
        (50.0, 30.0, 500.0, 1_125.863_713),
        // A worked example of two pulleys of 640 and 480 mm, 3 m apart.
        (640.0, 480.0, 3000.0, 7_761.425_345),
        // A worked example of two pulleys of 900 and 300 mm, 6 m apart.
        (900.0, 300.0, 6000.0, 13_899.958_719),
        // sarthaks.com: 1.6 and 0.5 m, 12 m apart.
        (1.6, 0.5, 12.0, 27.323_885),
        // machinecalcs: a 2 mm timing belt on 20 and 40 teeth (pitch diameters 40/π and 80/π mm), 100 mm apart.
        (80.0 / std::f64::consts::PI, 40.0 / std::f64::consts::PI, 100.0, 260.405_422),
    ];

    #[test]
    fn open_belts_have_the_exact_lengths_recomputed_for_published_examples() {
        for &(one, other, centres, length) in EXACT {
            let found = exact(Lay::Open, one, other, centres);
            assert!((found - length).abs() < 1e-6, "{one}, {other} at {centres}: {found} against {length}");
            let swapped = exact(Lay::Open, other, one, centres);
            assert!((swapped - found).abs() < 1e-9, "which roller comes first does not matter");
        }
    }

    #[test]
    fn the_approximation_of_the_catalogues_agrees_with_published_figures_and_with_the_exact_length() {
        let open = [1_125.863_706, 7_761.425_219, 13_899.955_592, 27.323_881, 260.405_285];
        for (&(one, other, centres, _), printed) in EXACT.iter().zip(open) {
            let found = approximate(Lay::Open, one, other, centres);
            assert!((found - printed).abs() < 6e-7, "{one}, {other} at {centres}: {found} against {printed}");
            let off = (exact(Lay::Open, one, other, centres) - found).abs() / found;
            assert!(off < 1e-6, "{one}, {other} at {centres}: {off}");
        }
        let crossed = [1_128.863_706, 7_863.825_219, 27.390_547];
        for ((one, other, centres), printed) in
            [(50.0, 30.0, 500.0), (640.0, 480.0, 3000.0), (1.6, 0.5, 12.0)].into_iter().zip(crossed)
        {
            let found = approximate(Lay::Crossed, one, other, centres);
            assert!((found - printed).abs() < 6e-7, "{one}, {other} at {centres}: {found} against {printed}");
            assert!((exact(Lay::Crossed, one, other, centres) - found).abs() / found < 1e-4);
        }
    }

    #[test]
    fn printed_answers_hold_to_the_digits_that_were_printed() {
        // The 640 / 480 mm example prints 7761.4 and 7863.8 mm, 102.4 mm apart, by the approximation; the exact crossed belt
        // is 0.3 mm longer.
        let (open, crossed) =
            (approximate(Lay::Open, 640.0, 480.0, 3000.0), approximate(Lay::Crossed, 640.0, 480.0, 3000.0));
        assert!((open - 7761.4).abs() < 0.05 && (crossed - 7863.8).abs() < 0.05, "{open} {crossed}");
        assert!((crossed - open - 102.4).abs() < 1e-9, "{}", crossed - open);
        // The 900 / 300 mm example prints a difference of 45 mm: (D + d)² − (D − d)² over 4C, which is D·d/C.
        let (open, crossed) =
            (approximate(Lay::Open, 900.0, 300.0, 6000.0), approximate(Lay::Crossed, 900.0, 300.0, 6000.0));
        assert!((crossed - open - 45.0).abs() < 1e-9);
        // The 30 / 50 cm example shortens the belt by exactly 3 cm.
        let (open, crossed) = (approximate(Lay::Open, 50.0, 30.0, 500.0), approximate(Lay::Crossed, 50.0, 30.0, 500.0));
        assert!((crossed - open - 3.0).abs() < 1e-9);
        // sarthaks.com prints 27.32 m; machinecalcs 260.40 mm, 130 teeth of 2 mm.
        assert!((exact(Lay::Open, 1.6, 0.5, 12.0) - 27.32).abs() < 0.005);
        let teeth = (EXACT[4].3 / 2.0).round();
        assert!((teeth - 130.0).abs() < f64::EPSILON);
    }

    proptest::proptest! {
        /// Two equal rollers: twice the centre distance and one circumference, by either formula.
        #[test]
        fn equal_rollers_need_two_straight_runs_and_one_circumference(d in 1.0..500.0_f64, apart in 0.1..5000.0_f64) {
            let centres = d + apart;
            let length = 2.0 * centres + std::f64::consts::PI * d;
            proptest::prop_assert!((exact(Lay::Open, d, d, centres) - length).abs() < 1e-9 * length);
            proptest::prop_assert!((approximate(Lay::Open, d, d, centres) - length).abs() < 1e-9 * length);
        }

        /// The straight runs, by Pythagoras, and the two arcs, by their angles: the same length by another way.
        #[test]
        fn straight_runs_and_arcs_add_up(large in 1.0..200.0_f64, share in 0.05..1.0_f64, apart in 0.1..2000.0_f64) {
            let (small, centres) = (large * share, large + apart);
            let run = (centres * centres - ((large - small) / 2.0).powi(2)).sqrt();
            let lean = ((large - small) / 2.0).atan2(run);
            let arcs = (std::f64::consts::PI + 2.0 * lean) * large / 2.0 + (std::f64::consts::PI - 2.0 * lean) * small / 2.0;
            let length = 2.0 * run + arcs;
            proptest::prop_assert!((exact(Lay::Open, large, small, centres) - length).abs() < 1e-9 * length);
        }
    }

    #[test]
    fn rollers_that_touch_or_have_no_size_have_no_belt() {
        for (one, other, centres) in
            [(20.0, 20.0, 20.0), (0.0, 20.0, 200.0), (20.0, -1.0, 200.0), (20.0, 20.0, f64::NAN)]
        {
            assert_eq!(belt_length(Lay::Open, Millimetres(one), Millimetres(other), Millimetres(centres)), None);
        }
        assert_eq!(belt_length(Lay::Open, Millimetres(f64::NAN), Millimetres(1.0), Millimetres(9.0)), None);
    }
}
