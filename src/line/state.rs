//! The states of a line and the legal moves between them.
//!
//! ```text
//!              begin                    stop
//!   ┌──────┐ ───────► ┌─────────┐ ──────────────► ┌─────────┐
//!   │ idle │          │ execute │                 │ stopped │
//!   └──────┘ ◄─────── └─────────┘ ◄────────────── └─────────┘
//!    ▲  │  cycle ended  │    ▲        resume
//!    │  │          hold │    │ resume
//!    │  └────────────►┌──────┐
//!    │     word given │ held │   a person's word, or resume, leads on from here
//!    ├─────────────── └──────┘
//!    │ ┌───────────┐   ┌─────────┐
//!    ├─│ suspended │   │ aborted │   from anywhere; back only by a person's word
//!    │ └───────────┘   └─────────┘
//!    └──────────────────────┘
//! ```
//!
//! A trial of commissioning (a jog, a run of the bed's heater) goes the same ways: from `idle`, `held` or `stopped` into
//! `execute`, since something moves or heats, and when it ends into `held` with the reason `commissioning`, until a person resumes.

use crate::job::{LineReason, LineState};

/// Whether a line in `from` may enter `to`.
#[must_use]
pub const fn may_follow(from: LineState, to: LineState) -> bool {
    use LineState as S;
    match to {
        // Heat and motion begin from idle, and go on from a hold or a stop; never straight out of an abort.
        S::Execute => matches!(from, S::Idle | S::Held | S::Stopped | S::Execute),
        // An abort asks a person first; everything else may come to rest.
        S::Idle | S::Suspended => true,
        S::Held | S::Stopped | S::Aborted => true,
    }
}

/// A state for the journal: its words before its keywords.
pub(super) fn sentence(state: LineState, reason: LineReason, note: &str) -> String {
    let stands = if state == LineState::Execute { "at work" } else { state.as_str() };
    match reason {
        _ if !note.is_empty() => format!("the line is {stands}: {note}"),
        LineReason::None => format!("the line is {stands}"),
        reason => format!("the line is {stands} ({reason})"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_executed_straight_out_of_an_abort_or_a_suspension() {
        assert!(!may_follow(LineState::Aborted, LineState::Execute));
        assert!(!may_follow(LineState::Suspended, LineState::Execute));
    }

    #[test]
    fn everything_can_be_stopped_held_and_aborted() {
        for &from in LineState::ALL {
            for to in [LineState::Stopped, LineState::Held, LineState::Aborted] {
                assert!(may_follow(from, to), "{from} to {to}");
            }
        }
    }
}
