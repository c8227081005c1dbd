//! What a line is told once, from the config.

use std::time::Duration;

use crate::belt::{Clearances, Drive, Span};
use crate::thermal::Cooling;
use crate::units::{Celsius, Micrometres};

/// How the line learns that the part has left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Check {
    /// A person answers.
    Ask,
    /// A named input of the printer must change while the belt runs, and come back.
    Switch,
    /// The user's program answers.
    Command,
    /// Nothing does: the person has given a standing word, and the whole advance is run twice.
    Trust,
}

impl Check {
    /// How often the whole advance is run for a part: twice where nothing checks that the part has left.
    #[must_use]
    pub const fn advances(self) -> u32 {
        match self {
            Self::Ask | Self::Switch | Self::Command => 1,
            Self::Trust => 2,
        }
    }

    /// Its keyword.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Ask => "ask",
            Self::Switch => "switch",
            Self::Command => "command",
            Self::Trust => "trust",
        }
    }
}

/// What the config says of the belt itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BeltSettings {
    /// Length of the loop, if it is known.
    pub loop_length: Option<Micrometres>,
    /// Where the nose is, along `u`.
    pub nose: Micrometres,
    /// Where a part has left the belt: the nose and the overrun.
    pub fallen: Micrometres,
    /// Where the bed is, along `u`.
    pub bed: Span,
    /// How far footprints keep off.
    pub clearances: Clearances,
}

/// A line's settings.
#[derive(Clone, Debug, PartialEq)]
pub struct LineSettings {
    /// The clear check.
    pub check: Check,
    /// How the belt is moved.
    pub drive: Drive,
    /// What is known of the belt from the config.
    pub belt: BeltSettings,
    /// How often a part that did not clear is tried again before the line holds.
    pub retries: u32,
    /// How far the belt goes back before it goes forward again.
    pub retry_back: Micrometres,
    /// How this bed is believed to cool, for the deadline of the wait.
    pub cooling: Cooling,
    /// What blows while the bed cools; `None`: nothing is switched on for it.
    pub fan: Option<String>,
    /// The longest that bed and nozzle may take to get warm.
    pub warm_limit: Duration,
    /// The longest that a bed may take to cool, unless the belief above gives a later deadline.
    pub cool_limit: Duration,
    /// The longest that a person may take to answer before the line is held (the question stays).
    pub ask_limit: Duration,
    /// The longest that the user's program may take to answer.
    pub command_limit: Duration,
    /// How long the nozzle stays hot in a hold in mid-print.
    pub held_nozzle_off: Duration,
    /// How long the bed stays hot in a hold in mid-print.
    pub held_bed_off: Duration,
    /// The longest silence of the thermometers while they matter.
    pub reading_limit: Duration,
    /// How long a word that a button is held counts, by the line's clock: [`super::JOG_LEASE`] of the life of whoever holds it.
    pub jog_lease: Duration,
    /// The hottest that the bed may get.
    pub bed_max: Celsius,
    /// The hottest that the nozzle may get.
    pub nozzle_max: Celsius,
}
