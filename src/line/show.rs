//! What a line shows of itself.

use super::core::{InWork, Line};
use super::settings::LineSettings;
use super::signal::Readings;
use super::timer::Timer;
use crate::belt::Ledger;
use crate::job::{CycleId, LineName, LineReason, LineState, Phase};
use crate::units::{Micrometres, Moment};

impl Line {
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &LineName {
        &self.name
    }

    /// Its settings.
    #[must_use]
    pub fn settings(&self) -> &LineSettings {
        &self.settings
    }

    /// Its state and the reason for it.
    #[must_use]
    pub fn state(&self) -> (LineState, LineReason) {
        (self.state, self.reason)
    }

    /// One sentence more about the state.
    #[must_use]
    pub fn note(&self) -> &str {
        &self.note
    }

    /// Since when it is in this state and stage.
    #[must_use]
    pub fn since(&self) -> Moment {
        self.since
    }

    /// The copy under way.
    #[must_use]
    pub fn in_work(&self) -> Option<&InWork> {
        self.in_work.as_ref()
    }

    /// A cycle whose part awaits a person's word after a restart or an emergency.
    #[must_use]
    pub fn orphan(&self) -> Option<CycleId> {
        self.orphan
    }

    /// The phase of the copy under way.
    #[must_use]
    pub fn phase(&self) -> Option<Phase> {
        self.in_work.as_ref().map(|w| w.stage.phase())
    }

    /// Whether the belt is known to be clear.
    #[must_use]
    pub fn belt_clear(&self) -> bool {
        self.belt_clear
    }

    /// Belt travel since installation, and what is marked and lies on the belt.
    #[must_use]
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Whether it will be held when the part under way has left.
    #[must_use]
    pub fn hold_after_part(&self) -> bool {
        self.hold_after_part
    }

    /// Whether there is a connection to the printer.
    #[must_use]
    pub fn connected(&self) -> bool {
        self.connected
    }

    /// Last reported temperatures, and when they came.
    #[must_use]
    pub fn readings(&self) -> (Readings, Option<Moment>) {
        (self.readings, self.read_at)
    }

    /// When the phase gives up waiting.
    #[must_use]
    pub fn phase_deadline(&self) -> Option<Moment> {
        self.timers.at(Timer::Phase)
    }
}

impl InWork {
    /// Belt travel of this cycle so far.
    #[must_use]
    pub fn travelled(&self) -> Micrometres {
        self.travelled
    }
}
