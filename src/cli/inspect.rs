//! `nosebar inspect`.

use std::process::ExitCode;

use super::InspectArgs;

pub(crate) fn run(_args: &InspectArgs) -> ExitCode {
    ExitCode::from(2)
}
