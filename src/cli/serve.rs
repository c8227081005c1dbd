//! `nosebar serve`: runs the lines of a config until told to stop.

use std::process::ExitCode;

use tokio::signal::unix::{SignalKind, signal};

use super::ServeArgs;
use super::logs;
use super::say::say;
use super::start::{NotStarted, clock_for, listen, start};
use super::supervision;
use crate::config::{Config, LinkConfig};

pub(crate) fn run(args: &ServeArgs) -> ExitCode {
    logs::begin("info,sqlx=warn,notify=error");
    match block_on(serve(args)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("nosebar: {error}");
            ExitCode::from(2)
        }
    }
}

/// Runs a command's future on a runtime of its own.
pub(super) fn block_on<T>(future: impl Future<Output = Result<T, NotStarted>>) -> Result<T, NotStarted> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build()?.block_on(future)
}

async fn serve(args: &ServeArgs) -> Result<(), NotStarted> {
    let mut config = Config::read(&args.config)?;
    config.daemon.listen = args.listen.unwrap_or(config.daemon.listen);
    let clock = clock_for(&config.lines)?;
    let listener = listen(config.daemon.listen).await?;
    let mut house = start(&config, clock, listener).await?;
    // Whoever reads where the page is may stop the daemon at once.
    let stopped = stop_signal()?;
    house.door.say();
    say(format_args!("drop sliced files into {}", config.daemon.infeed.display()));
    if config.lines.iter().any(|line| !matches!(line.link, LinkConfig::Simulated { .. })) {
        say(CAUTIONS);
    }
    let watched = tokio::spawn(supervision::keep_alive(house.handle.clone()));
    supervision::say_ready(&house.door.page());
    let broken = tokio::select! {
        () = stopped => None,
        broken = house.broken_down() => Some(broken),
    };
    supervision::say_stopping();
    watched.abort();
    if let Some(broken) = broken {
        return Err(broken);
    }
    say("stopping: heaters of lines at work go off");
    house.close().await
}

/// Ready after Ctrl-C or a termination signal; a second one ends the process at once. From now on a signal is noted, also before
/// anybody waits for it.
pub(super) fn stop_signal() -> std::io::Result<impl Future<Output = ()>> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        tokio::spawn(async move {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            std::process::exit(3);
        });
    })
}

const CAUTIONS: &str = "Take care: hot parts and moving rollers. Keep hands, hair and sleeves from the nose and the rollers, be \
                        there for first runs, and keep the printer's own thermal protection on. Local rules come first.";
