//! What is tried on a line, in words and figures.

use super::stand::Stand;
use super::view::{HeatRunView, TrialView};
use crate::line::{HeatStage, Line, Standing};

/// The figures that commissioning begins from.
pub(super) fn standing(stand: &Stand) -> Standing {
    let settings = stand.line.settings();
    Standing {
        units_per_mm: settings.drive.units_per_mm,
        inverted: settings.drive.inverted,
        nose: stand.config.frame.nose,
        fitted: stand.line.heat_run().and_then(|run| run.fitted(settings.cooling)),
    }
}

pub(super) fn trial_view(stand: &Stand) -> TrialView {
    let settings = stand.line.settings();
    TrialView {
        units_per_mm: settings.drive.units_per_mm,
        inverted: settings.drive.inverted,
        nose_mm: stand.config.frame.nose.0,
        travel_mm_min: settings.drive.travel_feed.0,
        bed_max_c: settings.bed_max.0,
        heat_run: stand.line.heat_run().map(|run| {
            let ended = run.stage == HeatStage::Ended;
            let fitted = if ended { run.fitted(settings.cooling) } else { None };
            HeatRunView {
                target_c: run.target.0,
                stage: stage_word(run.stage).to_owned(),
                samples: run.warming.len() + run.cooling.len(),
                ambient_c: fitted.map(|cooling| cooling.ambient().0),
                time_constant_s: fitted.map(|cooling| cooling.tau().as_secs_f64()),
            }
        }),
    }
}

const fn stage_word(stage: HeatStage) -> &'static str {
    match stage {
        HeatStage::Warming => "warming",
        HeatStage::Soaking => "soaking",
        HeatStage::Cooling => "cooling",
        HeatStage::Ended => "ended",
    }
}

/// One sentence for a line that is in `execute` without a copy.
pub(super) fn trial_words(line: &Line) -> String {
    let bed = line.readings().0.bed.map_or_else(|| "no reading yet".to_owned(), |c| format!("{:.1} °C", c.0));
    match line.heat_run().filter(|run| run.stage != HeatStage::Ended) {
        Some(run) => match run.stage {
            HeatStage::Warming => format!("Trying the bed's heater: {bed} of {:.0} °C", run.target.0),
            HeatStage::Soaking => format!("Trying the bed's heater: held at {:.0} °C", run.target.0),
            HeatStage::Cooling | HeatStage::Ended => format!("Trying how the bed cools: {bed}, heater off"),
        },
        None if line.is_pressed() => "Jogging the belt while a button is held".to_owned(),
        None => "Jogging the belt".to_owned(),
    }
}

/// Commands of commissioning that make sense now.
pub(super) fn trial_commands(line: &Line) -> &'static [&'static str] {
    if line.is_pressed() {
        &["let-go", "end-trial"]
    } else if line.tries() {
        &["end-trial"]
    } else if line.may_try() {
        &["jog", "jog-while", "heat-trial"]
    } else {
        &[]
    }
}
