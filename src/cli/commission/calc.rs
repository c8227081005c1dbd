//! The sums of commissioning alone: nothing is touched, neither machine nor config.

use super::super::args::CommissionSum;
use super::super::say::say;
use super::super::start::NotStarted;
use crate::line::{Standing, Topic, Values, work_out};
use crate::units::Millimetres;

pub(super) fn print(sum: &CommissionSum) -> Result<(), NotStarted> {
    let (topic, old, given) = match sum {
        CommissionSum::Ratio(s) => (
            Topic::Ratio,
            1.0,
            vec![
                ("steps", s.steps),
                ("microsteps", s.microsteps),
                ("motor_teeth", s.motor_teeth),
                ("roller_teeth", s.roller_teeth),
                ("roller_mm", s.roller),
                ("belt_mm", s.belt),
                ("firmware_steps", s.firmware_steps),
            ],
        ),
        CommissionSum::Measure(s) => {
            (Topic::Measure, s.old, vec![("commanded_mm", s.commanded), ("measured_mm", s.measured)])
        }
        CommissionSum::Loop(s) => (
            Topic::Loop,
            1.0,
            vec![
                ("roller_one_mm", s.roller),
                ("roller_two_mm", s.other_roller.unwrap_or(s.roller)),
                ("centres_mm", s.centres),
                ("belt_mm", s.belt),
            ],
        ),
    };
    let values: Values = given.into_iter().map(|(key, value)| (key.to_owned(), value)).collect();
    let standing = Standing { units_per_mm: old, inverted: false, nose: Millimetres(0.0), fitted: None };
    let finding = work_out(topic, &values, &standing, "")?;
    for sentence in finding.sentences {
        say(sentence);
    }
    for setting in finding.settings {
        say(format_args!("{}.{} = {}", setting.table, setting.key, setting.value));
    }
    Ok(())
}
