//! The real foreman, store, intake and driver around a simulated machine, without page and folder.

use nosebar::cli::{driver_settings, simulated_machine, survey_rules};
use nosebar::clock::Clock;
use nosebar::config::Config;
use nosebar::foreman::{Foreman, Handle, LineCommand};
use nosebar::infeed::{Intake, TakeOptions, surveyors};
use nosebar::job::LineState;
use nosebar::printer::{Driver, SimulatedConnect, SimulatedHandle};
use nosebar::store::{FileStore, Store, StoreError};
use tempfile::TempDir;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::bytes::Bytes;
use tokio_util::sync::CancellationToken;

use super::keep_outs;

/// The rooms, running.
pub(super) struct House {
    pub(super) handle: Handle,
    pub(super) machine: SimulatedHandle,
    intake: Intake,
    closing: CancellationToken,
    foreman: JoinHandle<Result<(), StoreError>>,
    driver: JoinHandle<()>,
    _dir: TempDir,
}

fn config(drive: &str) -> Config {
    let text = format!(
        "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\nsilence_s = 3.0\n\
         [line.belt]\n{drive}\nlook_every_mm = 10.0\n{}[line.check]\nkind = \"switch\"\ninput = \"nose\"\n",
        keep_outs::config()
    );
    Config::parse(&text, "trial.toml".as_ref()).expect("a good config")
}

impl House {
    /// A line with this belt drive; its machine suffers these faults.
    pub(super) async fn open(drive: &str, faults: &str, seed: u64, clock: Clock) -> Self {
        let config = config(drive);
        // In memory where that can be: hundreds of cycles are thousands of synced writes.
        let dir = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new()).expect("a folder");
        let files = FileStore::open_in(dir.path()).expect("a file store");
        let store = Store::open(&dir.path().join("nosebar.db")).await.expect("a store");
        let snapshot = store.load().await.expect("an empty store");
        let line = &config.lines[0];
        let mut machine = simulated_machine(line);
        machine.faults = faults.parse().expect("a good fault script");
        machine.release.seed = seed;
        machine.commands_kept = 300;
        // A light bed: the line asks for temperatures every second, and hundreds of waits are many questions.
        machine.bed.tau_s = 200.0;
        let connect = SimulatedConnect::new(machine, clock.clone());
        let machine = connect.handle();
        let (orders, orders_out) = mpsc::channel(64);
        let (reports_in, reports) = mpsc::channel(256);
        let driver = Driver::new(Box::new(connect), driver_settings(line), clock.clone(), 0, orders_out, reports_in);
        let opened = Foreman::open(&config, store, snapshot, files.clone(), clock, vec![orders], reports);
        let (foreman, handle) = opened.await.expect("the foreman begins");
        let closing = CancellationToken::new();
        Self {
            intake: Intake::new(files, surveyors(survey_rules(&config)), handle.clone()),
            handle,
            machine,
            driver: tokio::spawn(driver.run()),
            foreman: tokio::spawn(foreman.run(closing.clone())),
            closing,
            _dir: dir,
        }
    }

    /// Takes a sliced file in.
    pub(super) async fn take(&mut self, name: &str, bytes: Vec<u8>) {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let body = tokio_stream::iter([Ok::<_, std::io::Error>(Bytes::from(bytes))]);
        let taken = self.intake.take_stream(name, body, TakeOptions::default(), 1 << 20).await;
        taken.unwrap_or_else(|error| panic!("{name} is not taken: {error}\n{text}"));
    }

    /// Waits until the line could take a copy.
    pub(super) async fn until_idle(&self) {
        let mut lines = self.handle.watch();
        let idle = lines.wait_for(|live| live.lines[0].state == LineState::Idle && live.lines[0].connected).await;
        drop(idle.expect("the foreman is there"));
    }

    /// A person does something to the line.
    pub(super) async fn operate(&self, what: LineCommand) {
        self.handle.ask(keep_outs::command(what)).await.expect("it makes sense now");
    }

    /// Law L6, and that no part was printed over, moved hot or scraped. Answers what the belt has run, µm.
    pub(super) fn books_are_true(&self, cycles: u32) -> i64 {
        let (live, truth) = (self.handle.live(), self.machine.truth());
        let line = &live.lines[0];
        assert_eq!((line.belt_odometer_um, line.belt_uncertain_um), (truth.belt_um, 0), "after cycle {cycles}");
        assert_eq!((truth.parts_fallen, truth.prints_over_a_part), (cycles, 0), "after cycle {cycles}: {truth:#?}");
        assert_eq!((truth.belt_moved_hot, truth.belt_moved_while_head_low), (0, 0), "after cycle {cycles}");
        truth.belt_um
    }

    pub(super) async fn close(self) {
        self.closing.cancel();
        self.foreman.await.expect("the foreman does not break down").expect("the store is closed");
        drop(tokio::time::timeout(std::time::Duration::from_secs(5), self.driver).await);
    }
}
