//! `nosebar simulate`.

use std::process::ExitCode;

use super::SimulateArgs;

pub(crate) fn run(_args: &SimulateArgs) -> ExitCode {
    ExitCode::from(2)
}
