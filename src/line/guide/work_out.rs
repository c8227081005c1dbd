//! What follows from what a person measured: sentences for them, and settings for the config.

use std::collections::BTreeMap;

use super::leg::{Figure, Topic};
use super::legs::leg;
use super::setting::{Setting, SettingValue};
use crate::belt::{CalibrationError, Lay, belt_length, calibrated, feed_per_turn, steps_per_mm};
use crate::thermal::Cooling;
use crate::units::Millimetres;

/// What was entered, by the keys of the step's inputs.
pub type Values = BTreeMap<String, f64>;

/// The line as it runs now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standing {
    /// Printer units for each millimetre of belt.
    pub units_per_mm: f64,
    /// Whether positive units run away from the nose.
    pub inverted: bool,
    /// Where the nose is.
    pub nose: Millimetres,
    /// What the last run of the bed's heater said, if there was one that says enough.
    pub fitted: Option<Cooling>,
}

/// What was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Finding {
    /// For the person, in order.
    pub sentences: Vec<String>,
    /// For the config; empty where everything is right as it is.
    pub settings: Vec<Setting>,
}

/// What must be entered otherwise, or done first.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Hint {
    /// A figure is missing.
    #[error("{label} is missing")]
    Missing {
        /// Which.
        label: &'static str,
    },
    /// A figure is out of its range.
    #[error("{label} is {found}; it must be from {min} to {max} {unit}")]
    OutOfRange {
        /// Which.
        label: &'static str,
        /// What was entered.
        found: f64,
        /// Least.
        min: f64,
        /// Greatest.
        max: f64,
        /// In this unit.
        unit: &'static str,
    },
    /// The measurement cannot be.
    #[error(transparent)]
    Calibration(#[from] CalibrationError),
    /// The figures do not go together.
    #[error("{0}")]
    Senseless(&'static str),
}

/// Two ways to a loop's length that differ by more than this share are not both right.
const LOOP_DISAGREES: f64 = 0.02;

/// Works a step out. `date` is today's, for the comments in the config.
///
/// # Errors
/// [`Hint`] with what must be entered otherwise.
pub fn work_out(topic: Topic, values: &Values, standing: &Standing, date: &str) -> Result<Finding, Hint> {
    let asked = Asked { topic, values };
    asked.check()?;
    match topic {
        Topic::Ratio => ratio(&asked, date),
        Topic::Direction => direction(&asked, standing, date),
        Topic::Measure => measure(&asked, standing, date),
        Topic::Nose => nose(&asked, date),
        Topic::Loop => whole_loop(&asked, date),
        Topic::Splice => {
            Err(Hint::Senseless("nothing is worked out here: jog until the splice is at the nose, then say so"))
        }
        Topic::Heat => heat(standing, date),
    }
}

/// What was entered for a step, checked against its inputs.
struct Asked<'a> {
    topic: Topic,
    values: &'a Values,
}

impl Asked<'_> {
    fn check(&self) -> Result<(), Hint> {
        for input in leg(self.topic).inputs {
            let found = self.values.get(input.key).copied();
            match (input.figure, found) {
                (Figure::Number { unit, min, max, .. }, Some(found)) if !(min..=max).contains(&found) => {
                    return Err(Hint::OutOfRange { label: input.label, found, min, max, unit });
                }
                (Figure::Number { usual: None, optional: false, .. } | Figure::YesNo, None) => {
                    return Err(Hint::Missing { label: input.label });
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn may_be(&self, key: &str) -> Option<f64> {
        self.values.get(key).copied().or_else(|| {
            leg(self.topic).inputs.iter().find(|input| input.key == key).and_then(|input| match input.figure {
                Figure::Number { usual, .. } => usual,
                Figure::YesNo => None,
            })
        })
    }

    /// A value that [`Self::check`] has seen.
    fn value(&self, key: &str) -> f64 {
        self.may_be(key).expect("invariant: a figure that must be entered was checked to be there")
    }

    fn mm(&self, key: &str) -> Millimetres {
        Millimetres(self.value(key))
    }
}

fn belt(key: &'static str, value: SettingValue, comment: String) -> Setting {
    Setting { table: "belt", key, value, comment }
}

fn ratio(asked: &Asked<'_>, date: &str) -> Result<Finding, Hint> {
    let (roller, thickness) = (asked.mm("roller_mm"), asked.mm("belt_mm"));
    let needed = steps_per_mm(
        asked.value("steps"),
        asked.value("microsteps"),
        asked.value("roller_teeth"),
        asked.value("motor_teeth"),
        roller,
        thickness,
    );
    let feed = feed_per_turn(roller, thickness);
    let (Some(needed), Some(feed)) = (needed, feed) else {
        return Err(Hint::Senseless("every figure must be above zero; the belt's thickness may be zero"));
    };
    let firmware = asked.value("firmware_steps");
    let units = needed / firmware;
    Ok(Finding {
        sentences: vec![
            format!("One turn of the roller feeds {:.3} mm of belt.", feed.0),
            format!("The belt needs {needed:.4} motor steps for a millimetre."),
            format!("The firmware makes {firmware} steps of a unit, so a millimetre of belt is {units:.6} units."),
        ],
        settings: vec![belt(
            "units_per_mm",
            SettingValue::Number(units),
            format!("computed {date}: {needed:.4} steps/mm, {firmware} in the firmware"),
        )],
    })
}

fn direction(asked: &Asked<'_>, standing: &Standing, date: &str) -> Result<Finding, Hint> {
    if asked.value("toward") > 0.5 {
        return Ok(Finding {
            sentences: vec!["The belt runs the right way; nothing needs to change.".to_owned()],
            settings: Vec::new(),
        });
    }
    Ok(Finding {
        sentences: vec!["The belt runs the wrong way; its direction is turned around.".to_owned()],
        settings: vec![belt(
            "inverted",
            SettingValue::Flag(!standing.inverted),
            format!("seen {date}: a jog toward the nose ran away from it"),
        )],
    })
}

fn measure(asked: &Asked<'_>, standing: &Standing, date: &str) -> Result<Finding, Hint> {
    let (commanded, measured) = (asked.mm("commanded_mm"), asked.mm("measured_mm"));
    let new = calibrated(standing.units_per_mm, commanded, measured)?;
    let off = (measured.0 / commanded.0 - 1.0) * 100.0;
    let mut sentences = vec![format!(
        "Asked for {commanded}, ran {measured} ({off:+.2} %): {:.6} units for a millimetre become {new:.6}.",
        standing.units_per_mm
    )];
    if off.abs() < 0.05 {
        sentences.push("It ran as far as was asked for; nothing needs to change.".to_owned());
        return Ok(Finding { sentences, settings: Vec::new() });
    }
    let comment = format!("measured {date}: {commanded} asked, {measured} run");
    Ok(Finding { sentences, settings: vec![belt("units_per_mm", SettingValue::Number(new), comment)] })
}

fn nose(asked: &Asked<'_>, date: &str) -> Result<Finding, Hint> {
    let nose = asked.mm("nose_mm");
    Ok(Finding {
        sentences: vec![format!("The nose is {nose} from the origin of the sliced files, along the way toward it.")],
        settings: vec![belt("nose_mm", SettingValue::Number(nose.0), format!("measured {date}: where the belt turns"))],
    })
}

fn whole_loop(asked: &Asked<'_>, date: &str) -> Result<Finding, Hint> {
    let run = asked.may_be("travelled_mm");
    let rollers = [asked.may_be("roller_one_mm"), asked.may_be("roller_two_mm"), asked.may_be("centres_mm")];
    let thickness = asked.may_be("belt_mm").unwrap_or(0.0);
    let sum = match rollers {
        [Some(one), Some(two), Some(centres)] => {
            // The length of the belt's middle: half a thickness outside each roller.
            let (one, two) = (Millimetres(one + thickness), Millimetres(two + thickness));
            let length = belt_length(Lay::Open, one, two, Millimetres(centres)).ok_or(Hint::Senseless(
                "the rollers would touch: the distance from axle to axle must be more than half the sum of the diameters",
            ))?;
            Some(length.0)
        }
        [None, None, None] => None,
        _ => return Err(Hint::Senseless("the sum needs both diameters and the distance from axle to axle")),
    };
    let mut sentences = Vec::new();
    if let Some(sum) = sum {
        sentences.push(format!("Two rollers and their distance make a loop of {sum:.1} mm."));
    }
    if let Some(run) = run {
        sentences.push(format!("The splice came back after {run:.1} mm."));
    }
    if let (Some(sum), Some(run)) = (sum, run)
        && (run / sum - 1.0).abs() > LOOP_DISAGREES
    {
        sentences.push(format!(
            "The two differ by {:.1} %: look whether the splice went around once, and whether the belt runs over more than two rollers.",
            (run / sum - 1.0).abs() * 100.0
        ));
    }
    let (length, how) = match (run, sum) {
        (Some(run), _) => (run, "measured"),
        (None, Some(sum)) => (sum, "computed"),
        (None, None) => {
            return Err(Hint::Senseless("enter what was run from mark to mark, or both rollers and their distance"));
        }
    };
    let by = if how == "measured" { "the splice once around" } else { "two rollers and their distance" };
    let value = SettingValue::Number((length * 1000.0).round() / 1000.0);
    Ok(Finding { sentences, settings: vec![belt("loop_mm", value, format!("{how} {date}: {by}"))] })
}

fn heat(standing: &Standing, date: &str) -> Result<Finding, Hint> {
    let Some(cooling) = standing.fitted else {
        return Err(Hint::Senseless("no run of the heater has said enough yet; begin one, and let it come to its end"));
    };
    let (ambient, tau) = (cooling.ambient().0, cooling.tau().as_secs_f64());
    let setting = |key, value| Setting {
        table: "heat",
        key,
        value: SettingValue::Number(value),
        comment: format!("measured {date}: a run of the heater"),
    };
    Ok(Finding {
        sentences: vec![format!(
            "The bed cools toward {ambient:.1} °C, and loses 63 % of what it is above that in {tau:.0} s."
        )],
        settings: vec![
            setting("ambient_c", (ambient * 10.0).round() / 10.0),
            setting("cooling_time_constant_s", tau.round()),
        ],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const STANDING: Standing = Standing { units_per_mm: 1.0, inverted: false, nose: Millimetres(220.0), fitted: None };

    fn found(topic: Topic, values: &[(&str, f64)]) -> Result<Finding, Hint> {
        let values = values.iter().map(|&(key, value)| (key.to_owned(), value)).collect();
        work_out(topic, &values, &STANDING, "2026-11-25")
    }

    fn written(topic: Topic, values: &[(&str, f64)]) -> Vec<String> {
        let settings = found(topic, values).expect("a finding").settings;
        settings.iter().map(|s| format!("{}.{} = {} # {}", s.table, s.key, s.value, s.comment)).collect()
    }

    #[test]
    fn a_ratio_needs_what_the_firmware_has() {
        // π(20 + 1) = 65.973446 mm a turn, 3200 microsteps: 48.504363 steps/mm.
        let values = [("roller_mm", 20.0), ("belt_mm", 1.0), ("firmware_steps", 93.0)];
        assert_eq!(
            written(Topic::Ratio, &values),
            ["belt.units_per_mm = 0.521552 # computed 2026-11-25: 48.5044 steps/mm, 93 in the firmware"]
        );
        assert_eq!(found(Topic::Ratio, &values[..2]), Err(Hint::Missing { label: "The firmware's steps for a unit" }));
    }

    #[test]
    fn a_belt_that_runs_the_wrong_way_is_turned_around() {
        assert_eq!(
            written(Topic::Direction, &[("toward", 0.0)]),
            ["belt.inverted = true # seen 2026-11-25: a jog toward the nose ran away from it"]
        );
        assert!(written(Topic::Direction, &[("toward", 1.0)]).is_empty());
        assert_eq!(found(Topic::Direction, &[]), Err(Hint::Missing { label: "Did the belt run toward the nose?" }));
    }

    #[test]
    fn a_measurement_sets_the_units_right() {
        assert_eq!(
            written(Topic::Measure, &[("commanded_mm", 100.0), ("measured_mm", 95.0)]),
            ["belt.units_per_mm = 1.052632 # measured 2026-11-25: 100 mm asked, 95 mm run"]
        );
        assert!(written(Topic::Measure, &[("commanded_mm", 100.0), ("measured_mm", 100.0)]).is_empty());
        let told = |measured| {
            found(Topic::Measure, &[("commanded_mm", 100.0), ("measured_mm", measured)]).expect_err("no").to_string()
        };
        assert!(told(9.5).contains("measure again"));
        assert!(told(0.0).contains("both must be above zero"));
        assert!(told(-3.0).contains("it must be from 0"));
        assert!(told(f64::NAN).contains("it must be from 0"));
    }

    #[test]
    fn a_loop_is_measured_or_summed_and_a_disagreement_is_said() {
        let rollers = [("roller_one_mm", 20.0), ("roller_two_mm", 20.0), ("centres_mm", 300.0), ("belt_mm", 1.0)];
        // 2 × 300 + π × 21.
        assert_eq!(
            written(Topic::Loop, &rollers),
            ["belt.loop_mm = 665.973 # computed 2026-11-25: two rollers and their distance"]
        );
        let both = [&rollers[..], &[("travelled_mm", 700.0)]].concat();
        let finding = found(Topic::Loop, &both).expect("a finding");
        assert_eq!(finding.settings[0].value, SettingValue::Number(700.0));
        assert!(finding.sentences[2].starts_with("The two differ by 5.1 %"), "{:?}", finding.sentences);
        assert!(matches!(found(Topic::Loop, &rollers[..2]), Err(Hint::Senseless(_))));
        assert!(matches!(found(Topic::Loop, &[]), Err(Hint::Senseless(_))));
        let touching = [("roller_one_mm", 20.0), ("roller_two_mm", 20.0), ("centres_mm", 15.0)];
        assert!(matches!(found(Topic::Loop, &touching), Err(Hint::Senseless(_))));
    }

    #[test]
    fn a_nose_is_where_it_was_measured() {
        assert_eq!(
            written(Topic::Nose, &[("nose_mm", 231.5)]),
            ["belt.nose_mm = 231.5 # measured 2026-11-25: where the belt turns"]
        );
        assert!(matches!(found(Topic::Nose, &[("nose_mm", 9999.0)]), Err(Hint::OutOfRange { .. })));
    }

    #[test]
    fn a_heater_run_without_a_result_sets_nothing() {
        assert!(matches!(found(Topic::Heat, &[]), Err(Hint::Senseless(_))));
        let cooling = Cooling::new(crate::units::Celsius(21.46), std::time::Duration::from_secs_f64(812.4));
        let standing = Standing { fitted: cooling.ok(), ..STANDING };
        let finding = work_out(Topic::Heat, &Values::new(), &standing, "2026-11-25").expect("a finding");
        let written: Vec<_> = finding.settings.iter().map(|s| (s.key, s.value.to_string())).collect();
        assert_eq!(written, [("ambient_c", "21.5".to_owned()), ("cooling_time_constant_s", "812.0".to_owned())]);
    }
}
