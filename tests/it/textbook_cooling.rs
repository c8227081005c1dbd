//! Coolings of textbooks: what is printed there, through the line's own formula and its own fit.

use std::time::Duration;

use nosebar::thermal::{Belief, Beliefs, Cooling, CoolingError, Point, fit};
use nosebar::units::Celsius;

/// Newton's law in any unit: a body at `first` that was at `second` after `span`, in surroundings of `ambient`; how long from
/// `from` to `to`, in the unit of `span`, and the rate.
struct Body {
    ambient: f64,
    first: f64,
    second: f64,
    span: f64,
}

impl Body {
    fn rate(&self) -> f64 {
        ((self.first - self.ambient) / (self.second - self.ambient)).ln() / self.span
    }

    /// One unit of time is a second here: the formula has no unit of its own.
    fn takes(&self, from: f64, to: f64) -> f64 {
        takes(self.ambient, 1.0 / self.rate(), from, to)
    }
}

fn takes(ambient: f64, tau: f64, from: f64, to: f64) -> f64 {
    // Thousandfold, so that the nanoseconds of a duration do not round the answer.
    let cooling = Cooling::new(Celsius(ambient), Duration::from_secs_f64(tau * 1000.0)).expect("a cooling that can be");
    cooling.wait(Celsius(from), Celsius(to)).expect("a finite time").as_secs_f64() / 1000.0
}

fn near(found: f64, exact: f64) {
    assert!((found - exact).abs() <= exact.abs() * 2e-7 + 1e-9, "{found}, and the exact value is {exact}");
}

#[test]
fn the_thermocouple_bead() {
    // Incropera and DeWitt, Example 5.1: τ = ρVc/hA = ρ·D·c/6h = 1 s gives D = 7.06·10⁻⁴ m and Bi = h·(r0/3)/k = 2.35·10⁻³.
    let diameter = 6.0 * 400.0 * 1.0 / (8500.0 * 400.0);
    near(diameter, 7.058_823_529e-4);
    near(400.0 * (diameter / 2.0 / 3.0) / 20.0, 2.352_941_18e-3);
    // From 25 to 199 °C in a stream of 200 °C: printed 5.2 s. Warming is cooling seen from the other side.
    near(takes(0.0, 1.0, 175.0, 1.0), 5.164_786_0);
}

#[test]
fn the_thermocouple_that_follows_its_stream() {
    // Çengel, Heat Transfer, Example 4-1: D 1 mm, k 35, ρ 8500, cp 320, h 210; 99 % of the step. Printed 0.462 1/s and 10 s.
    let length = 0.001 / 6.0;
    near(210.0 * length / 35.0, 0.001);
    let rate = 210.0 / (8500.0 * 320.0 * length);
    near(rate, 0.463_235_294);
    near(takes(0.0, 1.0 / rate, 100.0, 1.0), 9.941_320_3);
}

#[test]
fn the_sensor_in_a_hot_stream() {
    // FOSSEE Scilab companion 1436, Example 8.4: stream 300 °C, sensor 70 °C, 200 °C after 3 s. Printed τ = 3.6 s.
    let sensor = Body { ambient: 300.0, first: 70.0, second: 200.0, span: 3.0 };
    near(1.0 / sensor.rate(), 3.601_833_97);
    let tau = Duration::from_secs_f64(1.0 / sensor.rate());
    let stream = Cooling::new(Celsius(300.0), tau).expect("a heating that can be");
    near(stream.temperature(Celsius(70.0), Duration::from_secs(5)).0, 242.608_429);
}

#[test]
fn the_cheesecake_and_the_pitcher() {
    // OpenStax, Precalculus: 165 → 150 °F in 10 min at 35 °F, to 70 °F; printed k 0.0123 and about 107 min.
    let cake = Body { ambient: 35.0, first: 165.0, second: 150.0, span: 10.0 };
    near(cake.rate(), 0.012_260_232);
    near(cake.takes(165.0, 70.0), 107.027_858);
    // OpenStax, Precalculus, to be tried: 40 → 45 °F in an hour in a room of 70 °F, to 60 °F; printed about 6.026 h.
    let pitcher = Body { ambient: 70.0, first: 40.0, second: 45.0, span: 1.0 };
    near(takes(-70.0, 1.0 / pitcher.rate(), -40.0, -60.0), 6.025_685_4);
}

#[test]
fn the_bodies_of_the_course_pages() {
    // Course pages, address not kept. Printed k .0606 and 8.58 h.
    let body = Body { ambient: 70.0, first: 87.0, second: 86.0, span: 1.0 };
    near(body.rate(), 0.060_624_621_8);
    near(body.takes(98.6, 87.0), 8.580_563_3);
    // Printed k 0.47 and 2.15 h.
    let body = Body { ambient: 15.0, first: 23.0, second: 20.0, span: 1.0 };
    near(body.rate(), 0.470_003_629);
    near(body.takes(37.0, 23.0), 2.152_326_1);
    // Printed about 1:23 pm: 0.617 h before two.
    let body = Body { ambient: 20.0, first: 35.0, second: 30.0, span: 2.0 };
    near(body.takes(37.0, 35.0), 0.617_380_6);
    // Printed 1.96 h; the rate is given.
    near(takes(40.0, 1.0 / 0.1947, 98.6, 80.0), 1.961_249_0);
    // Printed 7:26 pm, that is 4.57 h before midnight; the inputs are from memory.
    let body = Body { ambient: 60.0, first: 80.0, second: 75.0, span: 2.0 };
    near(body.rate(), 0.143_841_036);
    near(body.takes(98.6, 80.0), 4.571_156_8);
}

#[test]
fn the_dishes_of_the_course_pages() {
    // Course page, address not kept: 375 → 215 °F in 15 min at 72 °F, to 120 °F. Printed 36.8 min.
    let dish = Body { ambient: 72.0, first: 375.0, second: 215.0, span: 15.0 };
    near(dish.rate(), 0.050_059_213);
    near(dish.takes(375.0, 120.0), 36.807_048);
    // 300 → 200 in 10 min at 60, to 75; recomputed.
    let cake = Body { ambient: 60.0, first: 300.0, second: 200.0, span: 10.0 };
    near(cake.takes(300.0, 75.0), 51.439_828);
}

#[test]
fn the_bed_of_a_printer() {
    // 60 → 30 °C in a room of 22 °C with τ = 600 s; recomputed.
    near(takes(22.0, 600.0, 60.0, 30.0), 934.886_771);
}

#[test]
fn what_has_no_answer_has_an_error() {
    let bed = Cooling::new(Celsius(22.0), Duration::from_secs(600)).expect("a cooling that can be");
    for target in [22.0, 21.9, -300.0] {
        let never = bed.wait(Celsius(60.0), Celsius(target));
        assert_eq!(never, Err(CoolingError::Never { floor: Celsius(22.0), release: Celsius(target) }));
    }
    for at_or_above in [60.0, 61.0, 1000.0] {
        assert_eq!(bed.wait(Celsius(60.0), Celsius(at_or_above)), Ok(Duration::ZERO));
    }
    for unknown in [f64::NAN, f64::INFINITY] {
        assert_eq!(Cooling::new(Celsius(unknown), Duration::from_secs(1)), Err(CoolingError::NoAmbient));
    }
    assert_eq!(Cooling::new(Celsius(22.0), Duration::ZERO), Err(CoolingError::NoTimeConstant));
    // Neither is a time from a temperature that is no number.
    assert!(bed.wait(Celsius(f64::NAN), Celsius(30.0)).is_err());
    assert!(bed.wait(Celsius(60.0), Celsius(f64::NAN)).is_err());
}

#[test]
fn an_ambient_temperature_that_nobody_knows_is_found_from_three_readings() {
    // The dish again, a reading each 5 minutes, recomputed from its rate: surroundings and rate come back.
    let rate = 0.050_059_213;
    let readings = [0.0, 5.0, 10.0].map(|x: f64| Point { x, y: 72.0 + 303.0 * (-rate * x).exp(), weight: 1.0 });
    let beliefs = Beliefs { start: Belief::Known(375.0), floor: Belief::Free(100.0), ln_rate: Belief::Free(-2.0) };
    let fitted = fit(&readings, &beliefs).expect("a fit");
    near(fitted.curve.floor, 72.0);
    near(fitted.curve.rate, rate);
}
