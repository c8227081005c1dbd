//! The `nosebar` command; everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    nosebar::cli::run()
}
