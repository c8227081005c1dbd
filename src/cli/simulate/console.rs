//! What can be typed, and the signals that end it.

use std::io::{self, BufRead};
use std::sync::mpsc::SyncSender;
use std::thread;

use tokio::signal::unix::{SignalKind, signal};

use super::Event;
use crate::sim::{Fault, ScriptError};

/// What a typed line asks for.
#[derive(Debug, PartialEq)]
pub(super) enum Typed {
    Nothing,
    TakeOff,
    Truth,
    Quit,
    Fault(Fault),
}

/// Reads a typed line; the error says what can be typed.
pub(super) fn parse(line: &str) -> Result<Typed, String> {
    Ok(match line.trim() {
        "" => Typed::Nothing,
        "take-off" => Typed::TakeOff,
        "truth" => Typed::Truth,
        "quit" => Typed::Quit,
        "stick" => Typed::Fault(Fault::LastPartSticks),
        other => Typed::Fault(other.parse().map_err(|ScriptError { found, expected, .. }| {
            format!("found {found}, expected {expected}; or else `take-off`, `stick`, `truth` or `quit`")
        })?),
    })
}

/// Sends every line of the standard input. Its end is not the end of anything.
pub(super) fn watch_input(events: SyncSender<Event>) {
    thread::spawn(move || {
        for line in io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if events.send(Event::Typed(line)).is_err() {
                return;
            }
        }
    });
}

/// Sends word of SIGINT, SIGTERM and SIGHUP.
pub(super) fn watch_signals(events: SyncSender<Event>) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (mut interrupt, mut terminate, mut hang_up) = {
        let _inside = runtime.enter();
        (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?, signal(SignalKind::hangup())?)
    };
    thread::spawn(move || {
        runtime.block_on(async {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hang_up.recv() => {}
            }
        });
        drop(events.send(Event::Quit));
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_and_faults_can_be_typed() {
        assert_eq!(parse(" take-off "), Ok(Typed::TakeOff));
        assert_eq!(parse("stick"), Ok(Typed::Fault(Fault::LastPartSticks)));
        assert_eq!(parse("reset"), Ok(Typed::Fault(Fault::Reset)));
        assert_eq!(parse("cut"), Ok(Typed::Fault(Fault::Cut)));
        assert_eq!(parse(""), Ok(Typed::Nothing));
        assert!(parse("belt slips 2%").is_ok());
        let hint = parse("tkae-off").expect_err("misspelt");
        assert!(hint.starts_with("found `tkae-off`, expected `garble`") && hint.contains("`take-off`"), "{hint}");
    }
}
