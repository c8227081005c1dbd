//! Every published form of a reply.

use super::*;
use crate::units::{Celsius, Millimetres};

fn parse(line: &str) -> Reply {
    parse_reply(line.as_bytes())
}

fn ok() -> Reply {
    Reply::Ok { line: None, reports: Vec::new() }
}

fn reading(current: f64, target: Option<f64>) -> Reading {
    Reading { current: Some(Celsius(current)), target: target.map(Celsius) }
}

/// The one temperature report of a line, behind `ok` or on its own.
fn temperatures(line: &str) -> Temperatures {
    match parse(line) {
        Reply::Temperatures(found) => found,
        Reply::Ok { reports, .. } => match reports.as_slice() {
            [Reply::Temperatures(found)] => found.clone(),
            other => panic!("{line}: {other:?}"),
        },
        other => panic!("{line}: {other:?}"),
    }
}

#[test]
fn an_ok_is_an_ok_with_or_without_line_break_and_noise() {
    for line in ["ok", "ok\r\n", " ok ", "\0ok", "OK"] {
        assert_eq!(parse(line), ok(), "{line:?}");
    }
    for line in ["okay", "okok", "ok*Resend: 7"] {
        assert_eq!(parse(line), Reply::Other { text: line.to_owned() });
    }
}

#[test]
fn an_advanced_ok_tells_its_line() {
    // From memory: firmware family M with advanced acknowledgement.
    assert_eq!(parse("ok N12 P15 B3"), Reply::Ok { line: Some(12), reports: Vec::new() });
    assert_eq!(parse("ok P15 B3"), ok());
    let Reply::Ok { line: Some(9), reports } = parse("ok N9 P15 B3 T:20.0 /0.0") else { panic!() };
    assert!(matches!(reports[0], Reply::Temperatures(_)));
}

#[test]
fn a_resend_request_is_known_in_all_its_spellings() {
    // RepRap wiki, G-code page, "Replies from the RepRap machine".
    for line in ["Resend: 123", "Resend: N123", "Resend:123", "rs:123", "rs 123", "rs N123", "resend 123", "RS:123"] {
        assert_eq!(parse(line), Reply::Resend { line: Some(123) }, "{line}");
    }
    assert_eq!(parse("Resend: ?3"), Reply::Resend { line: None });
    assert_eq!(parse("rs232 ready"), Reply::Other { text: "rs232 ready".to_owned() });
}

#[test]
fn refusals_of_a_line_are_complaints_and_tell_the_line_that_is_wanted() {
    // RepRap wiki, G-code page, "Replies from the RepRap machine".
    for (line, wanted) in [
        ("Error:checksum mismatch, Last Line: 66555", Some(66_556)),
        ("Error: checksum mismatch, Last Line: 66555", Some(66_556)),
        ("Error:No Checksum with line number, Last Line: 7", Some(8)),
        ("Error:Line Number is not Last Line Number+1, Last Line: 0", Some(1)),
        ("Error:expected line 12 got 14", Some(12)),
        ("Error:Wrong checksum", None),
        ("Error:Missing checksum", None),
    ] {
        let Reply::Complaint { line: found, text } = parse(line) else { panic!("{line}") };
        assert_eq!(found, wanted, "{line}");
        assert!(line.ends_with(&text));
    }
}

#[test]
fn hardware_faults_are_faults() {
    for line in [
        "!!",
        "!! heater failed",
        "fatal: no sensor",
        "Error:Heating failed, system stopped! Heater_ID: 0",
        "Error:Thermal Runaway, system stopped! Heater_ID: bed",
        "Error:MAXTEMP triggered, system stopped! Heater_ID: 0",
        "Error:Printer halted. kill() called!",
        "error: something new",
    ] {
        assert!(matches!(parse(line), Reply::Fault { .. }), "{line}");
    }
    assert_eq!(
        parse("Error:Heating failed, system stopped! Heater_ID: 0"),
        Reply::Fault { text: "Heating failed, system stopped! Heater_ID: 0".to_owned() }
    );
}

#[test]
fn an_unknown_command_and_card_trouble_are_notes() {
    for line in [
        "Unknown command: \"G999\"",
        "echo:Unknown command: \"G999 X1\"",
        "Error:Unknown command: \"G999\"",
        "Error:SD card init failed",
        "Error:No SD card",
    ] {
        assert!(matches!(parse(line), Reply::Note { .. }), "{line}");
    }
    assert_eq!(parse("echo:Unknown command: \"G999\""), Reply::Note { text: "Unknown command: \"G999\"".to_owned() });
}

#[test]
fn signs_of_the_conversation_are_known() {
    let busy = |reason: &str| Reply::Busy { reason: reason.to_owned() };
    let action = |text: &str| Reply::Action { text: text.to_owned() };
    assert_eq!(parse("start"), Reply::Start);
    assert_eq!(parse_reply(b"\xff\x00\x80start\r"), Reply::Start);
    assert_eq!(parse("restart"), Reply::Other { text: "restart".to_owned() });
    assert_eq!(parse("wait"), Reply::Wait);
    assert_eq!(parse("busy:processing"), busy("processing"));
    assert_eq!(parse("busy: processing"), busy("processing"));
    assert_eq!(parse("echo:busy: paused for user"), busy("paused for user"));
    assert_eq!(parse("// ready when you are"), Reply::Comment { text: "ready when you are".to_owned() });
    assert_eq!(parse("//action:pause"), action("pause"));
    assert_eq!(parse("//action:out_of_filament T0"), action("out_of_filament T0"));
    assert_eq!(parse("// action:cancel"), action("cancel"));
}

#[test]
fn every_published_temperature_report_is_read() {
    // RepRap wiki, G-code page, M105 and "Replies from the RepRap machine".
    let t = temperatures("ok T:201 B:117");
    assert_eq!((t.nozzle(0), t.bed()), (Some(reading(201.0, None)), Some(reading(117.0, None))));
    let t = temperatures("ok T:201 /202 B:117 /120");
    assert_eq!((t.nozzle(0), t.bed()), (Some(reading(201.0, Some(202.0))), Some(reading(117.0, Some(120.0)))));
    let t = temperatures("ok T:201 /202 B:117 /120 C:49.3 /50");
    assert_eq!(t.of(Heater::Chamber), Some(reading(49.3, Some(50.0))));
    let t = temperatures("ok T:201 /202 T0:110 /110 T1:23 /0 B:117 /120 C:49.3 /50");
    assert_eq!(t.readings.len(), 5);
    assert_eq!((t.nozzle(0), t.nozzle(1)), (Some(reading(110.0, Some(110.0))), Some(reading(23.0, Some(0.0)))));
    assert_eq!((t.of(Heater::Active), t.nozzle(7)), (Some(reading(201.0, Some(202.0))), t.of(Heater::Active)));
    let t = temperatures("ok T0:110 /110 T1:23 /0 B:117 /120");
    assert_eq!((t.readings.len(), t.of(Heater::Active)), (3, None));
    let t = temperatures("ok T:20.2 /0.0 B:19.1 /0.0 T0:20.2 /0.0 @:0 B@:0 P:19.8 A:26.4");
    assert_eq!(t.of(Heater::Probe), Some(reading(19.8, None)));
    assert_eq!(t.of(Heater::Ambient), Some(reading(26.4, None)));
    assert_eq!(t.powers, [(Heater::Active, 0.0), (Heater::Bed, 0.0)]);
}

#[test]
fn reports_without_ok_and_without_blanks_are_read() {
    // RepRap wiki, G-code page, M105: lines of a blocking heat-up and of automatic reports.
    let t = temperatures("T0:27.8/0 @0:0");
    assert_eq!((t.nozzle(0), t.powers.as_slice()), (Some(reading(27.8, Some(0.0))), &[(Heater::Tool(0), 0.0)][..]));
    let t = temperatures("T0:27.7/0 B:21.6/0 @0:0 B@:0");
    assert_eq!(t.bed(), Some(reading(21.6, Some(0.0))));
    let t = temperatures("T0:27.8/0 T1:27.8/210 B:21.6/0 C:85.0/0 @0:0 @1:255 B@:0 C@:0");
    assert_eq!(
        (t.nozzle(1), t.of(Heater::Chamber)),
        (Some(reading(27.8, Some(210.0))), Some(reading(85.0, Some(0.0))))
    );
    assert_eq!(t.powers[1], (Heater::Tool(1), 255.0));
    let t = temperatures("T:23.61 /0 @:0 T0:23.61 /0 @0:0 RAW0:3922 T1:23.89 /0 @1:0 RAW1:3920");
    assert_eq!((t.readings.len(), t.powers.len()), (3, 3));
    let t = temperatures(" B:45.2 /60.0");
    assert_eq!((t.bed(), t.nozzle(0)), (Some(reading(45.2, Some(60.0))), None));
    let t = temperatures("T:190.3 E:0 W:?");
    assert_eq!(t.nozzle(0), Some(reading(190.3, None)));
}

#[test]
fn a_reading_below_absolute_zero_is_a_missing_sensor() {
    let t = temperatures("ok T:-273.4 /0 B:-274 /60");
    assert_eq!(t.nozzle(0), Some(Reading { current: None, target: Some(Celsius(0.0)) }));
    assert_eq!(t.bed(), Some(Reading { current: None, target: Some(Celsius(60.0)) }));
    assert_eq!(temperatures("T:-12.5").nozzle(0), Some(reading(-12.5, None)));
}

#[test]
fn both_position_reports_are_read() {
    // RepRap wiki, G-code page, M114.
    let Reply::Ok { reports, .. } = parse("ok C: X:0.00 Y:0.00 Z:0.00 E:0.00") else { panic!() };
    let [Reply::Position(position)] = reports.as_slice() else { panic!("{reports:?}") };
    assert_eq!(position.axes.iter().map(|(axis, _)| axis).collect::<String>(), "XYZE");
    let Reply::Position(position) = parse("X:10.50 Y:-2.00 Z:5.00 E:0.00 Count X:840 Y: -160 Z:2000") else { panic!() };
    assert_eq!((position.axis('X'), position.axis('A')), (Some(Millimetres(10.5)), None));
    assert_eq!(position.steps, [('X', 840.0), ('Y', -160.0), ('Z', 2000.0)]);
}

#[test]
fn the_letter_c_is_the_chamber_with_a_number_and_a_position_with_an_axis() {
    // RepRap wiki, G-code page, general shape of a reply.
    let Reply::Ok { reports, .. } = parse("ok T:93.2 B:22.9 C: X:9.2 Y:125.4 Z:3.7 E:1902.5") else { panic!() };
    let [Reply::Temperatures(found), Reply::Position(position)] = reports.as_slice() else { panic!("{reports:?}") };
    assert_eq!((found.bed(), found.of(Heater::Chamber)), (Some(reading(22.9, None)), None));
    assert_eq!((position.axis('X'), position.axis('E')), (Some(Millimetres(9.2)), Some(Millimetres(1902.5))));
    assert_eq!(temperatures("ok T:93.2 C:9.2").of(Heater::Chamber), Some(reading(9.2, None)));
}

#[test]
fn firmware_and_its_abilities_are_read() {
    // RepRap wiki, G-code page, M115.
    let line = "ok PROTOCOL_VERSION:0.1 FIRMWARE_NAME:FiveD FIRMWARE_URL:http%3A//reprap.org MACHINE_TYPE:Mendel EXTRUDER_COUNT:1";
    let Reply::Ok { reports, .. } = parse(line) else { panic!() };
    let [Reply::Firmware(firmware)] = reports.as_slice() else { panic!("{reports:?}") };
    assert_eq!(firmware.fields.len(), 5);
    assert_eq!(firmware.field("MACHINE_TYPE"), Some("Mendel"));
    assert_eq!(firmware.field("FIRMWARE_URL"), Some("http%3A//reprap.org"));
    let Reply::Firmware(firmware) = parse("FIRMWARE_NAME:Own 2.1 (May 2026) MACHINE_TYPE:Belt printer UUID:00-11")
    else {
        panic!()
    };
    assert_eq!(firmware.field("FIRMWARE_NAME"), Some("Own 2.1 (May 2026)"));
    assert_eq!(firmware.field("MACHINE_TYPE"), Some("Belt printer"));
    let capability = |present| Reply::Capability { name: "AUTOREPORT_TEMP".to_owned(), present };
    assert_eq!(parse("Cap:AUTOREPORT_TEMP:1"), capability(true));
    assert_eq!(parse("Cap:AUTOREPORT_TEMP:0"), capability(false));
}

#[test]
fn end_stops_are_read_and_their_names_made_alike() {
    let one = |name: &str, state| Reply::Endstops(vec![Endstop { name: name.to_owned(), state }]);
    assert_eq!(parse("x_min: open"), one("x_min", EndstopState::Open));
    assert_eq!(parse("Z_Probe:TRIGGERED"), one("z_probe", EndstopState::Triggered));
    assert_eq!(parse("filament: TRIGGERED"), one("filament", EndstopState::Triggered));
    let Reply::Endstops(list) = parse("Endstops - X: not stopped, Y: at min stop, Z probe: at min stop") else {
        panic!()
    };
    assert_eq!(list[0], Endstop { name: "x".to_owned(), state: EndstopState::Open });
    assert_eq!(list[2], Endstop { name: "z_probe".to_owned(), state: EndstopState::Triggered });
    assert!(matches!(parse("Reporting endstop status"), Reply::Other { .. }));
}

#[test]
fn anything_else_is_kept_as_text_whatever_its_bytes() {
    assert_eq!(parse_reply(b"echo: M\xfcller \xff"), Reply::Other { text: "echo: M\u{fffd}ller \u{fffd}".to_owned() });
    assert_eq!(parse_reply(b""), Reply::Other { text: String::new() });
    for line in ["T", "T:", "X:", "C:", "Resend", "ok:", "Cap:", "a:b:c", "Error:", "//", "echo:", "M301 P:22.2"] {
        let _ = parse(line);
    }
    assert!(matches!(parse("M301 P:22.2 I:1.08"), Reply::Other { .. }), "settings are no temperatures");
}
