//! The config: one TOML file that a person writes. Below the bar; the rooms get settings of their own made from it.

mod build;
mod change;
mod edit;
mod file;
mod load;
mod surgery;

pub use build::{LineConfig, LinkConfig};
pub use change::Change;
pub use edit::{Draft, EditError};
pub use file::{
    BedSection, BeltSection, CheckKind, CheckSection, ConfigFile, DaemonSection, DriveKind, HeatSection, LineSection,
    LinkKind, MaterialSection, PrinterSection, STANDING_WORD,
};
pub use load::{Config, ConfigError};

/// A commented config that works unedited with the simulated printer; what `nosebar init` writes.
pub const SAMPLE: &str = include_str!("config/sample.toml");
