//! What goes into a dialogue and comes out of it.

use std::time::Duration;

use crate::units::Moment;
use crate::wire::{CommandError, Reply};

/// How to talk to one printer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DialogueConfig {
    /// Lines that may be in flight: sent, and not acknowledged.
    pub window_lines: usize,
    /// Bytes that may be in flight, line breaks included. A line longer than this goes alone.
    pub window_bytes: usize,
    /// Longest line that the printer takes, bytes, with number and checksum, without line break.
    pub line_bytes_max: usize,
    /// How long nothing may be heard of lines in flight before the printer is asked how far it is. `busy` and temperatures
    /// count as a sign of life.
    pub silence: Duration,
    /// How long no byte at all may come while something is in flight before the printer is given up. Must be longer than
    /// the longest command that the printer carries out in silence, or see [`allow_quiet`](super::Dialogue::allow_quiet).
    pub give_up: Duration,
    /// How long an answer to the handshake may take before it is tried again; doubled each time.
    pub handshake_retry: Duration,
    /// Line numbers start anew after this one. At most 99,999, so that the number has five digits.
    pub line_number_max: u32,
}

impl Default for DialogueConfig {
    /// The window is that of small controllers, four lines or 127 bytes; the times are guesses that suit a printer which
    /// reports `busy` or temperatures while it works. Common practice, no source.
    fn default() -> Self {
        Self {
            window_lines: 4,
            window_bytes: 127,
            line_bytes_max: 96,
            silence: Duration::from_secs(10),
            give_up: Duration::from_secs(120),
            handshake_retry: Duration::from_secs(2),
            line_number_max: 99_999,
        }
    }
}

/// Names a submitted command in the events; tickets rise by one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(pub u64);

/// How far a command without acknowledgement has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Whereabouts {
    /// Not sent: it has not happened.
    Waiting,
    /// Sent: it may have happened.
    Sent,
}

/// Something that the dialogue has to tell.
#[derive(Clone, Debug, PartialEq)]
pub enum DialogueEvent {
    /// The printer counts lines as we do; commands flow.
    HandshakeDone,
    /// The printer has taken a command. Tickets come in rising order, each once.
    Acknowledged {
        /// Which.
        ticket: Ticket,
    },
    /// The printer said something that is not about the conversation itself: temperatures, position, words…
    /// What came with an acknowledgement stands right before it.
    Reply(Reply),
    /// The printer asked for lines again.
    Resent {
        /// The first of them.
        line: u32,
        /// How many, this one included, were on their way.
        count: u32,
    },
    /// The printer has restarted in mid-conversation: everything in flight is lost. The dialogue has ended.
    Reset,
    /// The printer reports that something is wrong with it. The dialogue has ended.
    Fault {
        /// The printer's words.
        text: String,
    },
    /// The printer insists on a line that we do not have. Nothing can be said of what it has done; the dialogue has ended.
    Desync {
        /// The line that it wants.
        wanted: u32,
        /// The oldest line that could have been sent again.
        oldest: u32,
        /// The number of the next line.
        next: u32,
    },
    /// The printer refuses a line however often it is sent: it may be too long for its buffer, or the cable is bad. The dialogue
    /// has ended.
    Stuck {
        /// The line.
        line: u32,
        /// How often it was sent.
        times: u32,
    },
    /// The printer does not answer. The dialogue has ended.
    Silent {
        /// Since when nothing that makes sense has been heard of it.
        since: Moment,
    },
}

/// Why a command was not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SubmitError {
    /// It cannot be put on a line.
    #[error(transparent)]
    Command(#[from] CommandError),
    /// The dialogue has not begun, or has ended.
    #[error("no dialogue with the printer is under way; start one first")]
    Ended,
}
