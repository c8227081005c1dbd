//! `nosebar init`: writes a commented config.

use std::fs::OpenOptions;
use std::io::{ErrorKind, Write};
use std::process::ExitCode;

use super::InitArgs;
use super::say::say;
use crate::config::SAMPLE;

const FILE: &str = "nosebar.toml";

pub(crate) fn run(args: &InitArgs) -> ExitCode {
    let path = args.dir.join(FILE);
    let written = std::fs::create_dir_all(&args.dir)
        .and_then(|()| OpenOptions::new().write(true).create_new(true).open(&path))
        .and_then(|mut file| file.write_all(SAMPLE.as_bytes()));
    match written {
        Ok(()) => {
            say(format_args!("wrote {}", path.display()));
            say(format_args!("next: nosebar serve --config {}", path.display()));
            ExitCode::SUCCESS
        }
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            eprintln!("nosebar: {} is there already and was left as it is", path.display());
            ExitCode::from(2)
        }
        Err(error) => {
            eprintln!("nosebar: {} cannot be written: {error}", path.display());
            ExitCode::from(2)
        }
    }
}
