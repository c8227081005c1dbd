//! The words that every room shares: jobs and their states, cycles, what a survey found in a file, what a machine can take.
//!
//! Job states and reasons are the keywords of RFC 8011 (§5.3.7, §5.3.8) and of the PWG's 3D extensions to them; line states
//! bear names of ISA-TR88.00.02.

mod alarm;
mod cycle;
mod found;
mod heat;
mod id;
mod key;
mod keyword;
mod machine;
mod motion;
mod print_run;
mod queue;
mod said;
mod timetable;

pub use alarm::{AlarmKind, AlarmRow, AlarmState};
pub use cycle::{CheckedBy, Cycle, LineReason, LineRow, LineState, Outcome, PartWord, Phase};
pub use found::{Dropped, Filament, FileFacts, Finding, Footprint, Purge, Reach, Survey, Temperatures, TimeMark};
pub use heat::{HeatRun, HeatWay};
pub use id::{BadLineName, CycleId, JobId, LineName};
pub use key::{AccessKey, BadKeyName, KeyHash, KeyId, KeyName, Rights};
pub use machine::{Limits, Material};
pub use motion::MotionLimits;
pub use print_run::PrintRun;
pub use queue::{Job, JobReason, JobState, NAME_MAX};
pub use said::said;
