//! When the daemon is to be killed.

use std::time::Duration;

use serde_json::Value;

use crate::world::chance::Chance;

/// From what moment on the delay is counted that ends in a kill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Aim {
    /// The start of the process.
    Start(Duration),
    /// A person has seen what the line says after the start.
    Looked(Duration),
    /// A question has been answered.
    Answered(Duration),
    /// A file is about to come in.
    File(Duration),
    /// The line is seen at this.
    At(&'static str, Duration),
}

impl Aim {
    pub(super) fn choose(chance: &mut Chance) -> Self {
        let mut up_to = |ms: u64| Duration::from_millis(chance.next() % (ms + 1));
        let (soon, late, file) = (up_to(800), up_to(6000), up_to(250));
        let moment = chance.span(Duration::from_millis(1), Duration::from_millis(60));
        match chance.below(10) {
            0 | 1 => Self::Start(soon),
            2..=4 => Self::Looked(late),
            5 => Self::Answered(moment),
            6 | 7 => Self::File(file),
            _ => Self::At(chance.one_of(&["print", "cool", "advance", "advance", "check", "idle"]), moment),
        }
    }

    /// Whether the line is seen where it is to be killed.
    pub(super) fn is_seen(self, line: &Value) -> Option<Duration> {
        match self {
            Self::At(what, delay) if line["phase"] == what || (line["phase"].is_null() && line["state"] == what) => {
                Some(delay)
            }
            _ => None,
        }
    }

    /// Whether nothing is to be asked for meanwhile.
    pub(super) fn wants_rest(self) -> bool {
        matches!(self, Self::At("idle", _))
    }
}
