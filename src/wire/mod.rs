//! The language between host and printer: numbered, checksummed lines out, replies in, and the dialogue that keeps a window
//! of lines in flight so that each one is carried out once and in order, whatever the cable does to it.
//!
//! It moves no bytes itself, reads no clock, and knows nothing of jobs: what the commands mean is other rooms' business, save
//! the three of the line protocol itself (set the line number, ask for temperatures as a sign of life, emergency stop).

mod command;
mod dialogue;
mod reply;

pub use command::{
    CommandError, EMERGENCY_STOP, FRAME_BYTES_MAX, check_command, checksum, command_bytes_max, numbered,
};
pub use dialogue::{Dialogue, DialogueConfig, DialogueEvent, SubmitError, Ticket, Whereabouts};
pub use reply::{
    Endstop, EndstopState, Firmware, Heater, Position, Reading, Reply, ReplyLines, Temperatures, parse_reply,
};
