//! What a service manager is told, where one asks: `sd_notify(3)`, a datagram to the socket that `$NOTIFY_SOCKET` names.

use std::time::Duration;

use sd_notify::NotifyState;

use crate::foreman::{Command, Handle, RefusedCode};

/// Everything runs.
pub(super) fn say_ready(page: &str) {
    tell(&[NotifyState::Ready, NotifyState::Status(&format!("page: {page}"))]);
}

/// A signal has come: printers come to rest.
pub(super) fn say_stopping() {
    tell(&[NotifyState::Stopping, NotifyState::Status("heaters of lines at work go off")]);
}

/// Tells the manager's watchdog twice in its time that the foreman answers; a foreman that hangs is killed and started anew,
/// and the lines ask. Ends at once where no watchdog is set.
pub(super) async fn keep_alive(foreman: Handle) {
    let Some(limit) = sd_notify::watchdog_enabled() else { return };
    let mut ticks = tokio::time::interval((limit / 2).max(Duration::from_millis(10)));
    loop {
        ticks.tick().await;
        // A store that fails is no reason: the foreman is at work, and says so on the page.
        match foreman.ask(Command::Greet).await {
            Err(refused) if refused.code == RefusedCode::Busy => {}
            Ok(_) | Err(_) => tell(&[NotifyState::Watchdog]),
        }
    }
}

fn tell(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::warn!(%error, "the service manager cannot be told");
    }
}
