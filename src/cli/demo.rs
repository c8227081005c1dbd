//! `nosebar demo`.

use std::process::ExitCode;

use super::DemoArgs;

pub(crate) fn run(_args: &DemoArgs) -> ExitCode {
    ExitCode::from(2)
}
