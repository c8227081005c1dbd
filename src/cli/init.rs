//! `nosebar init`.

use std::process::ExitCode;

use super::InitArgs;

pub(crate) fn run(_args: &InitArgs) -> ExitCode {
    ExitCode::from(2)
}
