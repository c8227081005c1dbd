//! Alarms: what is not as it should be, by name, until a person has acknowledged it and it is over.

use serde::{Deserialize, Serialize};

use super::keyword::keywords;

keywords! {
    /// What an alarm is about: a closed list.
    AlarmKind {
        /// The bed is hotter than it may ever be.
        BedTooHot = "bed-too-hot",
        /// The nozzle is hotter than it may ever be.
        NozzleTooHot = "nozzle-too-hot",
        /// The bed warms up more slowly than its first readings foretold.
        WarmsTooSlowly = "warms-too-slowly",
        /// The bed cools more slowly than its first readings foretold.
        CoolsTooSlowly = "cools-too-slowly",
        /// In mid-print a heater no longer keeps the temperature that it had reached.
        HeatLost = "heat-lost",
        /// No temperature was reported for too long.
        NoTemperature = "no-temperature",
        /// A phase went past its deadline.
        PhaseOverdue = "phase-overdue",
        /// The print takes longer than it should.
        PrintsTooSlowly = "prints-too-slowly",
    }
}

keywords! {
    /// Where an alarm is, after ANSI/ISA-18.2. One that is normal is not there.
    AlarmState {
        /// It goes on, and nobody has acknowledged it.
        Unacknowledged = "unacknowledged",
        /// It goes on, and a person knows.
        Acknowledged = "acknowledged",
        /// It is over, and nobody has acknowledged it.
        ReturnedUnacknowledged = "returned-unacknowledged",
    }
}

impl AlarmState {
    /// Where it goes when what it is about begins; `None` is normal. `None` comes out if nothing changes.
    #[must_use]
    pub const fn on_condition(state: Option<Self>) -> Option<Self> {
        match state {
            None | Some(Self::ReturnedUnacknowledged) => Some(Self::Unacknowledged),
            Some(Self::Unacknowledged | Self::Acknowledged) => None,
        }
    }

    /// Where it goes when what it is about is over; `None` is normal.
    #[must_use]
    pub const fn on_return(self) -> Option<Self> {
        match self {
            Self::Unacknowledged | Self::ReturnedUnacknowledged => Some(Self::ReturnedUnacknowledged),
            Self::Acknowledged => None,
        }
    }

    /// Where it goes when a person acknowledges it; `None` is normal.
    #[must_use]
    pub const fn on_acknowledge(self) -> Option<Self> {
        match self {
            Self::Unacknowledged | Self::Acknowledged => Some(Self::Acknowledged),
            Self::ReturnedUnacknowledged => None,
        }
    }

    /// Whether what it is about goes on.
    #[must_use]
    pub const fn goes_on(self) -> bool {
        !matches!(self, Self::ReturnedUnacknowledged)
    }

    /// Whether a person knows of it.
    #[must_use]
    pub const fn is_acknowledged(self) -> bool {
        matches!(self, Self::Acknowledged)
    }
}

impl AlarmKind {
    /// Its name for people.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::BedTooHot => "Bed too hot",
            Self::NozzleTooHot => "Nozzle too hot",
            Self::WarmsTooSlowly => "Bed warms too slowly",
            Self::CoolsTooSlowly => "Bed cools too slowly",
            Self::HeatLost => "Heat lost in the print",
            Self::NoTemperature => "No temperature reported",
            Self::PhaseOverdue => "Phase overdue",
            Self::PrintsTooSlowly => "Prints too slowly",
        }
    }

    /// What is likely to be behind it.
    #[must_use]
    pub const fn cause(self) -> &'static str {
        match self {
            Self::BedTooHot | Self::NozzleTooHot => {
                "A heater that does not switch off, a thermometer that has come loose, or a limit in the config that is too low."
            }
            Self::WarmsTooSlowly => "A heater or its cable that fails, a weak supply, a fan that blows at the bed.",
            Self::CoolsTooSlowly => "A warm room, a fan that does not run, a heater that is not off.",
            Self::HeatLost => "A heater or its cable that fails, or a thermometer that has come loose.",
            Self::NoTemperature => "A cable or a printer that no longer answers, or one command that takes very long.",
            Self::PhaseOverdue => "Something that the line waits for has not come.",
            Self::PrintsTooSlowly => {
                "A printer set to a lower speed, a bad cable that sends lines twice, or speed limits in the config that are not \
                 the printer's."
            }
        }
    }

    /// What follows if nobody does anything.
    #[must_use]
    pub const fn consequence(self) -> &'static str {
        match self {
            Self::BedTooHot | Self::NozzleTooHot => {
                "The heaters are switched off and the line is aborted; if the heater does not obey, it can burn."
            }
            Self::WarmsTooSlowly => {
                "The print begins later; past the deadline the line switches the heaters off and holds."
            }
            Self::CoolsTooSlowly => "The part stays on the belt for longer; past the deadline the line holds.",
            Self::HeatLost => "The print is held: nothing good comes out of a cold nozzle.",
            Self::NoTemperature => {
                "Nobody sees how hot the machine is. But for a print, the line holds with its heaters off."
            }
            Self::PhaseOverdue => "The line is held.",
            Self::PrintsTooSlowly => "All that comes after will be done later than foretold.",
        }
    }

    /// What to do.
    #[must_use]
    pub const fn what_to_do(self) -> &'static str {
        match self {
            Self::BedTooHot | Self::NozzleTooHot => {
                "Look at the machine. If it still gets hotter, cut its power, and do not switch it on again before the heater, its \
                 switch and its thermometer have been seen to."
            }
            Self::WarmsTooSlowly => "Look at the heater, its cable and its supply before the next print.",
            Self::CoolsTooSlowly => {
                "Look at the fan and the room; if the heater is warm although it is off, cut the power."
            }
            Self::HeatLost => {
                "Look at the heater and its cable. Resume heats up again and goes on; stop scraps the copy."
            }
            Self::NoTemperature => "Look at the printer: is it on, does it move, is its cable in place?",
            Self::PhaseOverdue => {
                "Look at the line; its sentence says what it waited for. Then let it go on, or stop it."
            }
            Self::PrintsTooSlowly => {
                "Look at the printer and its cable; if the part is good, there is nothing more to do."
            }
        }
    }
}

/// An alarm as it is kept across restarts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AlarmRow {
    /// What it is about.
    pub kind: AlarmKind,
    /// Where it is.
    pub state: AlarmState,
    /// The figures when it was raised.
    pub note: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ANSI/ISA-18.2-2016, alarm state transition diagram, as the alarms page of `pyautomation` gives it.
    #[test]
    fn an_alarm_goes_the_ways_of_the_standard() {
        use AlarmState::{Acknowledged, ReturnedUnacknowledged, Unacknowledged};
        assert_eq!(AlarmState::on_condition(None), Some(Unacknowledged));
        assert_eq!(Unacknowledged.on_acknowledge(), Some(Acknowledged));
        assert_eq!(Unacknowledged.on_return(), Some(ReturnedUnacknowledged));
        assert_eq!(Acknowledged.on_return(), None);
        assert_eq!(ReturnedUnacknowledged.on_acknowledge(), None);
        assert_eq!(AlarmState::on_condition(Some(ReturnedUnacknowledged)), Some(Unacknowledged));
        assert_eq!(AlarmState::on_condition(Some(Acknowledged)), None, "what goes on does not ask twice");
    }
}
