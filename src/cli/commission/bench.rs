//! One line alone, with its foreman and its driver, in this process: no folder is watched, no page is served, no job begins.

use std::time::Duration;

use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::super::start::{NotStarted, ORDERS, REPORTS, connect_of, driver_settings, make_dir};
use crate::clock::Clock;
use crate::config::Config;
use crate::foreman::{Answer, Command, Foreman, Handle, LineCommand, LineView, Refused};
use crate::job::LineName;
use crate::printer::{Driver, SimulatedHandle};
use crate::store::{DataLock, FileStore, Store, StoreError};

/// The longest that a printer may take to answer before the guide goes on without it.
const CONNECT_PATIENCE: Duration = Duration::from_secs(20);

pub(super) struct Bench {
    pub(super) handle: Handle,
    /// A look behind the wire, where the printer is simulated in this process.
    pub(super) simulated: Option<SimulatedHandle>,
    name: LineName,
    closing: CancellationToken,
    foreman: JoinHandle<Result<(), StoreError>>,
    driver: JoinHandle<()>,
    _lock: DataLock,
}

impl Bench {
    /// Opens the books and connects `name`; the line is held before its printer is there, so that no job begins.
    pub(super) async fn start(config: &Config, name: &LineName, clock: Clock) -> Result<Self, NotStarted> {
        make_dir(&config.daemon.data)?;
        let lock = DataLock::take(&config.daemon.data).map_err(|error| in_use(config, name, &error))?;
        let files = FileStore::open_in(&config.daemon.data)?;
        let store = Store::open(&config.daemon.data.join("nosebar.db")).await?;
        let snapshot = store.load().await?;
        let (reports_in, reports) = mpsc::channel(REPORTS);
        let mut orders_of_lines = Vec::new();
        let mut driver = None;
        let mut simulated = None;
        for (index, line) in config.lines.iter().enumerate() {
            let (orders, orders_out) = mpsc::channel(ORDERS);
            orders_of_lines.push(orders);
            if line.name == *name {
                let (connect, handle) = connect_of(line, &clock);
                simulated = handle;
                let settings = driver_settings(line);
                driver = Some(Driver::new(connect, settings, clock.clone(), index, orders_out, reports_in.clone()));
            }
        }
        let driver = driver.ok_or_else(|| NotStarted(format!("there is no line {name}")))?;
        let closing = CancellationToken::new();
        let (foreman, handle) = Foreman::open(config, store, snapshot, files, clock, orders_of_lines, reports).await?;
        let foreman = tokio::spawn(foreman.run(closing.clone()));
        // A line that stands still already says no, and that is as good.
        drop(handle.ask(Command::Line { name: name.clone(), what: LineCommand::HoldNow, if_since: None }).await);
        let driver = tokio::spawn(driver.run());
        Ok(Self { handle, simulated, name: name.clone(), closing, foreman, driver, _lock: lock })
    }

    /// The line as it is now.
    pub(super) fn view(&self) -> LineView {
        let live = self.handle.live();
        let line = live.lines.iter().find(|line| line.name == self.name);
        line.cloned().expect("invariant: the bench was started with this line")
    }

    pub(super) async fn tell(&self, what: LineCommand) -> Result<(), Refused> {
        self.handle.ask(Command::Line { name: self.name.clone(), what, if_since: None }).await.map(drop)
    }

    pub(super) async fn ask(&self, command: Command) -> Result<Answer, Refused> {
        self.handle.ask(command).await
    }

    /// Waits until the line looks like this.
    pub(super) async fn until(&self, mut looks: impl FnMut(&LineView) -> bool) -> LineView {
        let mut watch = self.handle.watch();
        loop {
            let view = self.view();
            if looks(&view) || watch.changed().await.is_err() {
                return view;
            }
        }
    }

    /// Waits for the printer, but not for ever; whether it is there.
    pub(super) async fn connected(&self) -> bool {
        let there = |view: &LineView| view.connected && view.temperatures.bed_c.is_some() && may(view, "jog");
        tokio::time::timeout(CONNECT_PATIENCE, self.until(there)).await.is_ok()
    }

    pub(super) async fn close(self) -> Result<(), NotStarted> {
        self.closing.cancel();
        self.foreman.await??;
        drop(tokio::time::timeout(Duration::from_secs(5), self.driver).await);
        Ok(())
    }
}

/// Whether a command makes sense now.
pub(super) fn may(view: &LineView, command: &str) -> bool {
    view.commands.iter().any(|known| known == command)
}

fn in_use(config: &Config, name: &LineName, error: &StoreError) -> NotStarted {
    match error {
        StoreError::InUse { .. } => NotStarted(format!(
            "the daemon is running and has the line: commission it on its page, http://{}/lines/{name}/commission, or stop the daemon first",
            config.daemon.listen
        )),
        other => NotStarted(other.to_string()),
    }
}
