//! `nosebar commission`: the guide through commissioning in the terminal, and its sums alone.

mod answers;
mod bench;
mod calc;
mod steps;

use std::path::Path;
use std::process::ExitCode;

use super::CommissionArgs;
use super::logs;
use super::say::say;
use super::serve::{block_on, stop_signal};
use super::start::{NotStarted, clock_for};
use crate::config::Config;
use crate::job::LineName;
use answers::Answers;
use steps::Walk;

pub(crate) fn run(args: &CommissionArgs) -> ExitCode {
    let done = match &args.sum {
        Some(sum) => calc::print(sum),
        None => {
            logs::begin("error");
            block_on(commission(&args.config, args.line.as_deref()))
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("nosebar: {error}");
            ExitCode::from(2)
        }
    }
}

async fn commission(path: &Path, wanted: Option<&str>) -> Result<(), NotStarted> {
    let config = Config::read(path)?;
    let name = line_of(&config, wanted)?;
    let clock = clock_for(&config.lines)?;
    let mut walk = Walk::begin(path, config, name, clock, Answers::from_stdin()).await?;
    // A signal ends the walk where it is: what is being tried is ended with it.
    let stopped = stop_signal()?;
    let walked = tokio::select! {
        walked = walk.steps() => walked,
        () = stopped => Ok(()),
    };
    walk.end().await?;
    walked?;
    say("The line stays held. Start the daemon and resume the line when it may take jobs.");
    Ok(())
}

fn line_of(config: &Config, wanted: Option<&str>) -> Result<LineName, NotStarted> {
    let names = || config.lines.iter().map(|line| line.name.as_str()).collect::<Vec<_>>().join(", ");
    match (wanted, config.lines.as_slice()) {
        (None, [only]) => Ok(only.name.clone()),
        (None, _) => Err(NotStarted(format!("which line? name one of: {}", names()))),
        (Some(wanted), lines) => {
            let line = lines.iter().find(|line| line.name.as_str() == wanted);
            line.map(|line| line.name.clone())
                .ok_or_else(|| NotStarted(format!("there is no line {wanted:?}; there are: {}", names())))
        }
    }
}
