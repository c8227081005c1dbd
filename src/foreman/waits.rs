//! How long a line's bed takes to warm up and to cool, as its history has it: worked out once for jobs that are alike.

use std::cell::RefCell;
use std::collections::HashMap;

use crate::job::{HeatRun, HeatWay};
use crate::thermal::{Cooling, Likeness, Span, expected_cooling, expected_warming};
use crate::units::Celsius;

/// Masses in steps of a factor of e to this: half a step changes a time constant by a hundredth at most, a fifth of what two
/// coolings of one part differ by.
const MASS_STEP: f64 = 0.2;

/// Waits of one line; good for as long as nobody adds to its history.
pub(super) struct Waits {
    heat: Vec<HeatRun>,
    config: Cooling,
    known: RefCell<HashMap<Key, Option<Span>>>,
}

/// What a wait depends on. The fan is the line's.
#[derive(PartialEq, Eq, Hash)]
struct Key {
    cools: bool,
    material: Option<String>,
    mass_step: Option<i64>,
    /// Bits of the two temperatures.
    from_to: [u64; 2],
}

impl Waits {
    pub(super) fn new(heat: Vec<HeatRun>, config: Cooling) -> Self {
        Self { heat, config, known: RefCell::default() }
    }

    /// Whether the line has any experience with going this way.
    pub(super) fn knows(&self, way: HeatWay) -> bool {
        self.heat.iter().any(|run| run.way == way)
    }

    /// Until the bed is at `to`; `None` if it is not believed to get there.
    pub(super) fn expect(&self, way: HeatWay, like: &Likeness, from: Celsius, to: Celsius) -> Option<Span> {
        let mass = like.mass_g.filter(|mass| *mass > 0.0).map(|mass| (mass.ln() / MASS_STEP).round());
        #[expect(clippy::cast_possible_truncation, reason = "a logarithm of a number is below a thousand")]
        let mass_step = mass.map(|steps| steps as i64);
        let from_to = [from.0.to_bits(), to.0.to_bits()];
        let key = Key { cools: way == HeatWay::Cool, material: like.material.clone(), mass_step, from_to };
        *self.known.borrow_mut().entry(key).or_insert_with(|| {
            #[cfg(test)]
            WORKED_OUT.with(|count| count.set(count.get() + 1));
            let like = Likeness { mass_g: mass.map(|steps| (steps * MASS_STEP).exp()), ..like.clone() };
            match way {
                HeatWay::Cool => expected_cooling(&self.heat, self.config, &like, from, to).ok(),
                HeatWay::Warm => expected_warming(&self.heat, self.config, &like, from, to).ok(),
            }
        })
    }
}

#[cfg(test)]
thread_local! {
    static WORKED_OUT: std::cell::Cell<usize> = const { std::cell::Cell::new(0) };
}

/// How many waits have been worked out on this thread.
#[cfg(test)]
pub(super) fn worked_out() -> usize {
    WORKED_OUT.with(std::cell::Cell::get)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::LineName;
    use crate::units::UnixMillis;

    fn run(id: i64) -> HeatRun {
        // A part of 5 g in 600 s, one of 250 g in 700 s.
        let heavy = id % 2 == 0;
        HeatRun {
            id,
            line: LineName::new("one").expect("a good name"),
            way: HeatWay::Cool,
            cycle: None,
            at: UnixMillis(id),
            material: Some("pla".to_owned()),
            fan: None,
            mass_g: Some(if heavy { 250.0 } else { 5.0 }),
            start_c: 60.0,
            end_c: 30.0,
            ambient_c: 22.0,
            tau_s: if heavy { 700.0 } else { 600.0 },
            rms_k: 0.1,
            samples: 200,
        }
    }

    #[test]
    fn the_wait_is_what_is_expected_of_that_very_mass_within_a_hundredth_and_worked_out_for_a_few_of_them() {
        let history: Vec<HeatRun> = (0..40).map(run).collect();
        let config = Cooling::new(Celsius(22.0), std::time::Duration::from_secs(900)).expect("a good curve");
        let waits = Waits::new(history.clone(), config);
        let (from, to) = (Celsius(60.0), Celsius(30.0));
        for n in 1..=5000 {
            let like = Likeness { material: Some("pla".to_owned()), fan: None, mass_g: Some(f64::from(n) / 5.0) };
            let exact = expected_cooling(&history, config, &like, from, to).expect("it cools").wait.as_secs_f64();
            let told = waits.expect(HeatWay::Cool, &like, from, to).expect("it cools").wait.as_secs_f64();
            assert!((told / exact - 1.0).abs() < 0.01, "{told} s for {exact} s at {:?} g", like.mass_g);
        }
        assert!(waits.known.borrow().len() < 60, "{}", waits.known.borrow().len());
    }

    #[test]
    fn another_way_another_material_and_another_temperature_are_other_waits() {
        let config = Cooling::new(Celsius(22.0), std::time::Duration::from_secs(900)).expect("a good curve");
        let waits = Waits::new((0..40).map(run).collect(), config);
        let pla = Likeness { material: Some("pla".to_owned()), fan: None, mass_g: Some(10.0) };
        let petg = Likeness { material: Some("petg".to_owned()), ..pla.clone() };
        let told = |like, to| waits.expect(HeatWay::Cool, like, Celsius(60.0), Celsius(to)).expect("it cools");
        assert!(told(&pla, 35.0).wait < told(&pla, 30.0).wait);
        let width = |like| told(like, 30.0).until.expect("an end") - told(like, 30.0).from;
        assert!(width(&pla) < width(&petg), "another material is less well known");
        assert_eq!(waits.expect(HeatWay::Cool, &pla, Celsius(60.0), Celsius(20.0)), None, "never that cold");
        assert!(waits.knows(HeatWay::Cool) && !waits.knows(HeatWay::Warm));
        assert_eq!(waits.expect(HeatWay::Warm, &pla, Celsius(60.0), Celsius(50.0)), Some(Span::NONE));
    }
}
