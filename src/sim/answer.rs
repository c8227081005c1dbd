//! The texts of the replies.

use super::config::ReportForm;

/// What a temperature report is made of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reading {
    pub(super) temperature_c: f64,
    pub(super) target_c: f64,
    /// Share of full power.
    pub(super) power: f64,
}

/// A temperature report, without `ok`. The forms are those of the RepRap wiki, G-code page, M105.
pub(super) fn temperatures(form: ReportForm, nozzle: Reading, bed: Reading) -> String {
    let (t, tt) = (nozzle.temperature_c, nozzle.target_c);
    let (b, bt) = (bed.temperature_c, bed.target_c);
    let (p, bp) = (duty(nozzle.power), duty(bed.power));
    match form {
        ReportForm::Whole => format!("T:{t:.0} B:{b:.0}"),
        ReportForm::WholeWithTargets => format!("T:{t:.0} /{tt:.0} B:{b:.0} /{bt:.0}"),
        ReportForm::Decimals => format!("T:{t:.2} /{tt:.2} B:{b:.2} /{bt:.2} T0:{t:.2} /{tt:.2} @:{p} B@:{bp}"),
        ReportForm::Tight => format!("T0:{t:.1}/{tt:.0} B:{b:.1}/{bt:.0} @0:{p} B@:{bp}"),
        ReportForm::Raw => {
            format!("T:{t:.2} /{tt:.0} @:{p} T0:{t:.2} /{tt:.0} @0:{p} RAW0:{} B:{b:.2} /{bt:.0} B@:{bp}", raw(t))
        }
    }
}

/// M114 in the form of firmware family M.
pub(super) fn position([x, y, z]: [f64; 3], e: f64, steps: [f64; 3]) -> String {
    let [sx, sy, sz] = steps.map(|mm| mm * STEPS_PER_MM);
    format!("X:{x:.2} Y:{y:.2} Z:{z:.2} E:{e:.2} Count X:{sx:.0} Y:{sy:.0} Z:{sz:.0}")
}

/// M119: the endstops, and the switch at the nose.
pub(super) fn endstops(switch_name: &str, pressed: bool, homed: [bool; 3]) -> Vec<String> {
    let state = |triggered: bool| if triggered { "TRIGGERED" } else { "open" };
    let [x, y, z] = homed.map(state);
    let mut lines = vec!["Endstops:".to_owned(), format!("x_min: {x}"), format!("y_min: {y}"), format!("z_min: {z}")];
    lines.push(format!("{switch_name}: {}", state(pressed)));
    lines
}

/// M115.
pub(super) fn firmware(tools: usize, emergency: bool) -> Vec<String> {
    vec![
        format!("FIRMWARE_NAME:simulated PROTOCOL_VERSION:1.0 MACHINE_TYPE:belt EXTRUDER_COUNT:{tools}"),
        "Cap:AUTOREPORT_TEMP:1".to_owned(),
        format!("Cap:EMERGENCY_PARSER:{}", u8::from(emergency)),
    ]
}

/// For the step counts of a position report.
const STEPS_PER_MM: f64 = 80.0;

/// Power as a number from 0 to 127.
fn duty(power: f64) -> u8 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share times 127")]
    let duty = (power.clamp(0.0, 1.0) * 127.0).round() as u8;
    duty
}

/// The converter's reading of a thermistor, near enough to look like one.
fn raw(temperature_c: f64) -> i32 {
    #[expect(clippy::cast_possible_truncation, reason = "a temperature")]
    let raw = (4000.0 - 3.3 * temperature_c).round() as i32;
    raw
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_form_is_spelt_as_published() {
        let nozzle = Reading { temperature_c: 201.04, target_c: 202.0, power: 1.0 };
        let bed = Reading { temperature_c: 116.96, target_c: 120.0, power: 0.5 };
        let forms = [
            (ReportForm::Whole, "T:201 B:117"),
            (ReportForm::WholeWithTargets, "T:201 /202 B:117 /120"),
            (ReportForm::Decimals, "T:201.04 /202.00 B:116.96 /120.00 T0:201.04 /202.00 @:127 B@:64"),
            (ReportForm::Tight, "T0:201.0/202 B:117.0/120 @0:127 B@:64"),
            (ReportForm::Raw, "T:201.04 /202 @:127 T0:201.04 /202 @0:127 RAW0:3337 B:116.96 /120 B@:64"),
        ];
        for (form, text) in forms {
            assert_eq!(temperatures(form, nozzle, bed), text);
        }
    }

    #[test]
    fn the_nose_switch_stands_among_the_endstops() {
        let lines = endstops("nose", true, [true, false, false]);
        assert_eq!(lines, ["Endstops:", "x_min: TRIGGERED", "y_min: open", "z_min: open", "nose: TRIGGERED"]);
    }
}
