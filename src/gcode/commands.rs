//! What is known of each command: the RepRap wiki's page "G-code", sorted by what may happen on an unattended line.

use super::lex::Word;

/// How a command is treated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Known and harmless.
    Plain,
    /// Tells the progress of the whole file.
    Progress,
    /// Left out: the daemon does this itself, or it would harm the belt's position.
    Dropped,
    /// A person should agree first: code and sentence.
    Concern(&'static str, &'static str),
    /// Never sent: code and sentence.
    Refused(&'static str, &'static str),
    /// Selects a tool.
    Tool(u32),
    /// Sets or lifts the limit below which no filament is pushed.
    ColdExtrusion,
    /// Switches the printer's own limits of travel.
    SoftLimits,
    /// Not in this table.
    Unknown,
}

/// The treatment of a command. A digit behind the point makes another command of it, which some firmwares do not see: what
/// is refused or left out without one is so with one too.
pub(crate) fn kind_of(command: &Word) -> Kind {
    if command.letter == b'M' && command.has_value && (0.0..1e6).contains(&command.value) {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked")]
        let kind = kind_of_m(command.value as u32);
        let stays = matches!(kind, Kind::Refused(..) | Kind::Dropped | Kind::ColdExtrusion | Kind::SoftLimits);
        return if stays || command.value.fract() == 0.0 { kind } else { Kind::Unknown };
    }
    match command.code() {
        Some((b'T', tool, 0)) => Kind::Tool(tool),
        Some((b'G', number, sub)) => kind_of_g(number, sub),
        _ => Kind::Unknown,
    }
}

const fn kind_of_g(number: u32, sub: u32) -> Kind {
    match (number, sub) {
        // Moves, dwell, retracts, planes, units, homing, levelling, parking, distance modes, setting the position.
        (0..=4 | 10..=12 | 17..=21 | 27..=30 | 32 | 34 | 80 | 90..=92, 0) | (92, 1..=3) | (29, _) => Kind::Plain,
        (54..=59, _) => Kind::Concern("work-offset", "moves the origin to a place that only the printer knows"),
        _ => Kind::Unknown,
    }
}

const fn kind_of_m(number: u32) -> Kind {
    match number {
        73 | 117 => Kind::Progress,
        // Motors off or after a time: the belt might slip. Line numbers and reports: the daemon's own affair.
        18 | 84 | 85 | 110 | 113 | 155 => Kind::Dropped,
        0 | 1 | 25 | 226 | 291 | 600..=603 | 701 | 702 => {
            Kind::Concern("waits-for-person", "stops and waits for a person, or for a change of filament")
        }
        20..=24 | 26..=30 | 32 | 33 | 928 => {
            Kind::Concern("card", "reads, writes or prints files on the printer's own card")
        }
        240 | 241 => {
            Kind::Concern("moves-belt", "switches a conveyor's motor, and the belt is moved by this program alone")
        }
        149 => Kind::Concern("temperature-units", "changes the unit of temperatures, and °C are expected"),
        206 | 428 => Kind::Concern("work-offset", "moves the origin to a place that only the printer knows"),
        111 => Kind::Concern("debug", "switches the printer's debugging, which can turn a print into a dry run"),
        410 => {
            Kind::Concern("quick-stop", "breaks off moves that are under way, after which the position is not known")
        }
        500 | 502 | 504 => Kind::Refused("stored-settings", "writes or resets the printer's stored settings"),
        92 | 350 | 351 => Kind::Refused("step-settings", "changes how many steps make a millimetre"),
        303 | 306 => Kind::Refused("heater-tuning", "tunes a heater, which overshoots its temperature on purpose"),
        997 | 999 => Kind::Refused("firmware", "updates or restarts the printer's firmware"),
        112 => Kind::Refused("emergency-stop", "is the emergency stop"),
        81 => Kind::Refused("power-off", "switches the printer's power off, with the part still on a hot bed"),
        575 => Kind::Refused("link-speed", "changes the speed of the connection"),
        302 => Kind::ColdExtrusion,
        211 => Kind::SoftLimits,
        _ if is_plain_m(number) => Kind::Plain,
        _ => Kind::Unknown,
    }
}

/// Temperatures, fans, lights, sounds, reports, modes of E, speeds and flows, accelerations, object marks, levelling states.
const fn is_plain_m(number: u32) -> bool {
    matches!(
        number,
        17 | 31 | 42 | 75..=78 | 80 | 82 | 83 | 104..=109 | 114..=116 | 118..=123 | 126..=129 | 140 | 141 | 150
            | 163..=166 | 190..=192 | 200 | 201 | 203..=205 | 207..=209 | 217 | 218 | 220 | 221 | 245 | 246 | 250 | 256
            | 280 | 290 | 300 | 301 | 304 | 355 | 400..=407 | 412 | 413 | 420 | 425 | 486 | 501 | 503 | 566 | 568 | 572
            | 593 | 808 | 851 | 855 | 900 | 906 | 907 | 913 | 914 | 951
    )
}
