//! The commands of the terminal. Each has a file; `main.rs` alone knows the process's exit status.

mod addresses;
mod announce;
mod args;
mod backup;
mod commission;
mod compose;
mod demo;
mod front_door;
mod init;
mod inspect;
mod key;
mod logs;
mod rules;
mod say;
mod serve;
mod simulate;
mod start;
mod supervision;

use std::process::ExitCode;

use clap::Parser;

pub use args::{
    Args, BackupArgs, Command, CommissionArgs, CommissionSum, ComposeArgs, DemoArgs, InitArgs, InspectArgs, KeyArgs,
    KeyWhat, ServeArgs, SimulateArgs,
};
pub use rules::survey_rules;
pub use start::{driver_settings, simulated_machine};

/// Reads the arguments, runs the command, and says how it went.
#[must_use]
pub fn run() -> ExitCode {
    match Args::parse().command {
        Command::Serve(args) => serve::run(&args),
        Command::Init(args) => init::run(&args),
        Command::Demo(args) => demo::run(&args),
        Command::Inspect(args) => inspect::run(&args),
        Command::Backup(args) => backup::run(&args),
        Command::Commission(args) => commission::run(&args),
        Command::Compose(args) => compose::run(&args),
        Command::Key(args) => key::run(&args),
        Command::Simulate(args) => simulate::run(&args),
    }
}
