//! `nosebar serve`.

use std::process::ExitCode;

use super::ServeArgs;

pub(crate) fn run(_args: &ServeArgs) -> ExitCode {
    ExitCode::from(2)
}
