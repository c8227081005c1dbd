//! What a line's earlier runs say of the next: a belief with its spread, and the wait to expect before a job is begun.

use std::time::Duration;

use super::model::{Cooling, CoolingError};
use super::spread::{Normal, Span};
use crate::job::{HeatRun, HeatWay};
use crate::units::Celsius;

/// A room may differ by so much from the figure in the config, K. A guess.
const CONFIG_FLOOR_SD_K: f64 = 6.0;
/// A bed's time constant may differ by so much from the figure in the config, as a share (in logarithms). A guess.
const CONFIG_TAU_SD: f64 = 0.6;
/// The same bed, the same part, another day: so much do rooms differ, K. A guess on the wide side.
const ROOM_SD_K: f64 = 2.0;
/// The same bed and the same part: so much do time constants differ. A guess on the wide side.
const TAU_SD: f64 = 0.05;
/// What another material, another fan and each factor of e in mass add to that.
const OTHER_MATERIAL_SD: f64 = 0.1;
const OTHER_FAN_SD: f64 = 0.4;
const MASS_SD: f64 = 0.1;
/// Of an earlier run each later one leaves so much weight: rooms change with the weather, beds with age.
const ROOM_MEMORY: f64 = 0.7;
const TAU_MEMORY: f64 = 0.95;
/// Runs shorter than this tell little of a curve.
pub(super) const SAMPLES_LEAST: u32 = 10;
/// The guesses at spread above weigh as much as so many runs.
const GUESS_RUNS: f64 = 2.0;
/// What a bed at full power reaches is above its target, by so much and so uncertainly, K. A guess for a line without history.
const WARM_BEYOND_K: f64 = 60.0;
const WARM_BEYOND_SD_K: f64 = 50.0;
const WARM_TAU_SD: f64 = 0.8;

/// What a run is like, for finding others that are alike.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Likeness {
    /// Material, by keyword.
    pub material: Option<String>,
    /// What blows.
    pub fan: Option<String>,
    /// Mass of the part, g.
    pub mass_g: Option<f64>,
}

/// What is believed of a curve before its first reading. The logarithm of the time constant is what is near a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Where it ends, °C.
    pub floor_c: f64,
    /// How far off that may be (one standard deviation), K.
    pub floor_sd_k: f64,
    /// Its time constant, s; above zero.
    pub tau_s: f64,
    /// How far off that may be (one standard deviation), as a share.
    pub tau_sd: f64,
}

impl Prior {
    /// What the config says of a cooling, and nothing more.
    #[must_use]
    pub fn configured(config: Cooling) -> Self {
        Self {
            floor_c: config.ambient().0,
            floor_sd_k: CONFIG_FLOOR_SD_K,
            tau_s: config.tau().as_secs_f64(),
            tau_sd: CONFIG_TAU_SD,
        }
    }

    /// What the config and earlier coolings of the line say of the next. `history` is in the order in which it happened.
    #[must_use]
    pub fn cooling(history: &[HeatRun], config: Cooling, like: &Likeness) -> Self {
        Self::configured(config).with(history, HeatWay::Cool, like)
    }

    /// What earlier warm-ups of the line say of the next, to this bed temperature. A bed at full power is as slow as the one
    /// that cools, and would end well above its target.
    #[must_use]
    pub fn warming(history: &[HeatRun], config: Cooling, target: Celsius, like: &Likeness) -> Self {
        Self {
            floor_c: target.0 + WARM_BEYOND_K,
            floor_sd_k: WARM_BEYOND_SD_K,
            tau_s: config.tau().as_secs_f64(),
            tau_sd: WARM_TAU_SD,
        }
        .with(history, HeatWay::Warm, like)
    }

    /// The cooling that is most likely; `None` if it cannot be.
    #[must_use]
    pub fn cooling_curve(&self) -> Option<Cooling> {
        let tau = Duration::try_from_secs_f64(self.tau_s).ok()?;
        Cooling::new(Celsius(self.floor_c), tau).ok()
    }

    fn with(self, history: &[HeatRun], way: HeatWay, like: &Likeness) -> Self {
        let sound = |run: &&HeatRun| {
            let numbers = [run.ambient_c, run.tau_s, run.start_c, run.end_c];
            run.way == way
                && run.samples >= SAMPLES_LEAST
                && numbers.iter().all(|v| v.is_finite())
                && run.tau_s > 0.0
                && told(run) > 0.0
        };
        let runs: Vec<&HeatRun> = history.iter().rev().filter(sound).collect();
        if runs.is_empty() {
            return self;
        }
        let rank = |memory: f64| (0..).map(move |n| memory.powi(n));
        let floors = runs.iter().zip(rank(ROOM_MEMORY)).map(|(run, age)| Seen {
            value: run.ambient_c,
            weight: age * told(run),
            apart: 0.0,
        });
        let taus = runs.iter().zip(rank(TAU_MEMORY)).map(|(run, age)| Seen {
            value: run.tau_s.ln(),
            weight: age * told(run),
            apart: apart(run, like),
        });
        let floor = together((self.floor_c, self.floor_sd_k), next(floors, ROOM_SD_K));
        let tau = together((self.tau_s.ln(), self.tau_sd), next(taus, TAU_SD));
        Self { floor_c: floor.0, floor_sd_k: floor.1, tau_s: tau.0.exp(), tau_sd: tau.1 }
    }
}

/// One earlier run's figure.
struct Seen {
    value: f64,
    /// How much it tells, 0…1.
    weight: f64,
    /// Variance that stems from its not being alike.
    apart: f64,
}

/// How much of its way a run went, 0…1: a run that broke off early knows little of where it would have ended.
fn told(run: &HeatRun) -> f64 {
    ((run.start_c - run.end_c) / (run.start_c - run.ambient_c)).clamp(0.0, 1.0)
}

/// How much the time constant may differ for a run's not being alike, as a variance.
fn apart(run: &HeatRun, like: &Likeness) -> f64 {
    let other = |differs: bool, sd: f64| if differs { sd * sd } else { 0.0 };
    let mass = match (run.mass_g, like.mass_g) {
        (Some(a), Some(b)) if a > 0.0 && b > 0.0 => (a / b).ln() * MASS_SD,
        _ => 0.0,
    };
    other(run.material != like.material, OTHER_MATERIAL_SD) + other(run.fan != like.fan, OTHER_FAN_SD) + mass * mass
}

/// Mean and standard deviation of the next figure after those seen; `spread` is the guess at how much runs differ.
fn next(seen: impl Iterator<Item = Seen>, spread: f64) -> Option<(f64, f64)> {
    let guess = spread * spread;
    let seen: Vec<(f64, f64, f64)> =
        seen.map(|s| (s.value, s.weight * guess / (guess + s.apart), s.apart)).filter(|s| s.1 > 0.0).collect();
    let weight: f64 = seen.iter().map(|s| s.1).sum();
    if weight <= 0.0 {
        return None;
    }
    let mean = seen.iter().map(|s| s.0 * s.1).sum::<f64>() / weight;
    let squares: f64 = seen.iter().map(|s| s.1 * (s.0 - mean).powi(2)).sum();
    let differ = (GUESS_RUNS * guess + squares) / (GUESS_RUNS + weight);
    // However many unlike runs there are, they stay unlike.
    let nearest = seen.iter().map(|s| s.2).fold(f64::INFINITY, f64::min);
    Some((mean, (differ * (1.0 + 1.0 / weight.max(0.1)) + nearest).sqrt()))
}

/// Two beliefs made one.
fn together(one: (f64, f64), other: Option<(f64, f64)>) -> (f64, f64) {
    let Some(other) = other else { return one };
    let (a, b) = (one.1.powi(-2), other.1.powi(-2));
    ((one.0 * a + other.0 * b) / (a + b), (a + b).sqrt().recip())
}

/// The wait to expect for a part of a job that is not begun yet: the bed cools from `start` to `release`.
///
/// # Errors
/// [`CoolingError::Never`] with both numbers where the bed is not believed to get there.
pub fn expected_cooling(
    history: &[HeatRun],
    config: Cooling,
    like: &Likeness,
    start: Celsius,
    release: Celsius,
) -> Result<Span, CoolingError> {
    expected(Prior::cooling(history, config, like), start, release)
}

/// The warm-up to expect, from `start` to `target`.
///
/// # Errors
/// [`CoolingError::Never`] where the bed is not believed to get there.
pub fn expected_warming(
    history: &[HeatRun],
    config: Cooling,
    like: &Likeness,
    start: Celsius,
    target: Celsius,
) -> Result<Span, CoolingError> {
    if start.0 >= target.0 {
        return Ok(Span::NONE);
    }
    let prior = Prior::warming(history, config, target, like);
    Normal::of_prior(prior, start.0)
        .span(target.0)
        .ok_or(CoolingError::Never { floor: Celsius(prior.floor_c), release: target })
}

fn expected(prior: Prior, start: Celsius, release: Celsius) -> Result<Span, CoolingError> {
    let tau = Duration::try_from_secs_f64(prior.tau_s).unwrap_or(Duration::MAX);
    let wait = Cooling::new(Celsius(prior.floor_c), tau)?.wait_for_release(start, release)?;
    if wait.is_zero() {
        return Ok(Span::NONE);
    }
    let span = Normal::of_prior(prior, start.0).span(release.0);
    Ok(span.unwrap_or(Span { wait, from: Duration::ZERO, until: None }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::LineName;
    use crate::units::UnixMillis;

    fn run(tau_s: f64, ambient_c: f64) -> HeatRun {
        HeatRun {
            id: 1,
            line: LineName::new("one").expect("a good name"),
            way: HeatWay::Cool,
            cycle: None,
            at: UnixMillis(0),
            material: Some("pla".to_owned()),
            fan: None,
            mass_g: Some(20.0),
            start_c: 60.0,
            end_c: 32.0,
            ambient_c,
            tau_s,
            rms_k: 0.1,
            samples: 500,
        }
    }

    fn like() -> Likeness {
        Likeness { material: Some("pla".to_owned()), fan: None, mass_g: Some(20.0) }
    }

    fn config() -> Cooling {
        Cooling::new(Celsius(22.0), Duration::from_secs(900)).expect("a cooling that can be")
    }

    #[test]
    fn without_history_the_config_is_believed_with_doubt() {
        let prior = Prior::cooling(&[], config(), &like());
        assert_eq!(prior, Prior::configured(config()));
        let span = expected_cooling(&[], config(), &like(), Celsius(60.0), Celsius(32.0)).expect("a wait");
        assert!((span.wait.as_secs_f64() - 900.0 * 3.8_f64.ln()).abs() < 1e-3, "{span:?}");
        assert!(span.from < span.wait / 2 && span.until.is_none_or(|until| until > span.wait * 2), "{span:?}");
    }

    #[test]
    fn the_more_alike_runs_there_are_the_closer_the_belief() {
        let runs = [run(610.0, 24.0), run(590.0, 25.0), run(600.0, 24.5)];
        let spread = |n: usize| Prior::cooling(&runs[..n], config(), &like()).tau_sd;
        assert!(spread(3) < spread(1) && spread(1) < 0.1, "{} {}", spread(1), spread(3));
        let prior = Prior::cooling(&runs, config(), &like());
        assert!((prior.tau_s - 600.0).abs() < 8.0 && (prior.floor_c - 24.5).abs() < 0.6, "{prior:?}");
        assert!(prior.floor_sd_k > 1.5, "another day, another room: {prior:?}");
    }

    #[test]
    fn runs_of_the_same_fan_material_and_mass_count_most() {
        let blown = HeatRun { fan: Some("on".to_owned()), ..run(300.0, 24.0) };
        let heavy = HeatRun { mass_g: Some(200.0), ..run(800.0, 24.0) };
        let runs = [run(600.0, 24.0), run(600.0, 24.0), blown, heavy];
        let tau = |fan: Option<&str>, mass_g| {
            let like = Likeness { fan: fan.map(str::to_owned), mass_g: Some(mass_g), ..like() };
            Prior::cooling(&runs, config(), &like)
        };
        assert!((tau(None, 20.0).tau_s / 600.0).ln().abs() < 0.08, "{:?}", tau(None, 20.0));
        assert!((tau(Some("on"), 20.0).tau_s / 300.0).ln().abs() < 0.1, "{:?}", tau(Some("on"), 20.0));
        assert!(tau(None, 200.0).tau_s > 650.0, "{:?}", tau(None, 200.0));
        // Unlike runs alone, however many, leave doubt.
        let many = vec![run(600.0, 24.0); 50];
        let other = Likeness { fan: Some("on".to_owned()), ..like() };
        assert!(Prior::cooling(&many, config(), &other).tau_sd > 0.3);
    }

    #[test]
    fn runs_that_tell_nothing_are_left_out() {
        let broken = [
            HeatRun { samples: 3, ..run(10.0, 24.0) },
            HeatRun { tau_s: f64::NAN, ..run(10.0, 24.0) },
            HeatRun { end_c: 60.0, ..run(10.0, 24.0) },
            HeatRun { way: HeatWay::Warm, ..run(10.0, 24.0) },
        ];
        assert_eq!(Prior::cooling(&broken, config(), &like()), Prior::configured(config()));
    }

    #[test]
    fn a_wait_without_end_is_foreseen_with_both_numbers() {
        let runs = vec![run(600.0, 33.0); 5];
        let found = expected_cooling(&runs, config(), &like(), Celsius(60.0), Celsius(31.0));
        assert!(
            matches!(found, Err(CoolingError::Never { floor, release }) if floor.0 > 31.0 && release.0 == 31.0),
            "{found:?}"
        );
        let there = expected_cooling(&runs, config(), &like(), Celsius(30.0), Celsius(31.0));
        assert_eq!(there, Ok(Span::NONE));
    }

    #[test]
    fn a_warm_up_is_expected_from_earlier_ones() {
        let warm = HeatRun { way: HeatWay::Warm, start_c: 22.0, end_c: 57.0, ambient_c: 140.0, ..run(600.0, 0.0) };
        let found = expected_warming(&[warm.clone(), warm], config(), &like(), Celsius(22.0), Celsius(57.0));
        let wait = found.expect("a wait").wait.as_secs_f64();
        assert!((wait / (600.0 * (118.0_f64 / 83.0).ln()) - 1.0).abs() < 0.1, "{wait}");
    }
}
