//! Puts the rooms together: what `serve` and `demo` have in common.

use std::collections::HashSet;
use std::fmt;
use std::path::Path;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::front_door::FrontDoor;
use super::rules::{backdrop, check_cooling, dialect, policy, releases, survey_rules};
use crate::belt::{Direction, DriveBy};
use crate::clock::Clock;
use crate::config::{Config, DaemonSection, LineConfig, LinkConfig};
use crate::foreman::{Foreman, Handle};
use crate::http::{self, Desk, Seal, TlsError};
use crate::infeed::{self, InfeedConfig, Intake, Pictures};
use crate::job::{Job, LineName};
use crate::printer::{Connect, Driver, DriverSettings, SerialConnect, SimulatedConnect, SimulatedHandle, TcpConnect};
use crate::sim::{BeltConfig, BeltDrive, FrameConfig, ReleaseStep, SimConfig, TowardNose};
use crate::store::{DataLock, FileStore, Rescue, Store};
use crate::units::Millimetres;
use crate::wire::DialogueConfig;

/// Orders that may wait for a driver.
pub(super) const ORDERS: usize = 64;
/// Reports that may wait for the foreman.
pub(super) const REPORTS: usize = 256;
/// After this many silent spans a printer is given up: long commands may say nothing for minutes.
const GIVE_UP_AFTER: u32 = 12;

/// The rooms, running.
pub(super) struct House {
    pub(super) handle: Handle,
    pub(super) door: FrontDoor,
    pub(super) simulated: Vec<(LineName, SimulatedHandle)>,
    closing: CancellationToken,
    foreman: JoinHandle<Result<(), crate::store::StoreError>>,
    others: Vec<JoinHandle<()>>,
    _lock: DataLock,
}

/// Why it does not start; one sentence for a person.
#[derive(Debug)]
pub(super) struct NotStarted(pub(super) String);

impl fmt::Display for NotStarted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<E: std::error::Error> From<E> for NotStarted {
    fn from(error: E) -> Self {
        Self(error.to_string())
    }
}

/// Starts the rooms of a config, with the page at `listener`.
pub(super) async fn start(config: &Config, clock: Clock, listener: TcpListener) -> Result<House, NotStarted> {
    for line in &config.lines {
        check_cooling(line).map_err(NotStarted)?;
    }
    let seal = seal_of(&config.daemon)?;
    make_dir(&config.daemon.data)?;
    make_dir(&config.daemon.infeed)?;
    let lock = DataLock::take(&config.daemon.data)?;
    let files = FileStore::open_in(&config.daemon.data)?;
    let (store, rescue) = Store::open_or_rescue(&config.daemon.data.join("nosebar.db"), clock.wall()).await?;
    let reader = store.reader();
    let known = reader.known_files().await?;
    let found = found_files(&files, &known, rescue)?;
    let snapshot = store.load().await?;
    let left = snapshot.jobs.iter().filter_map(|job| Some((job.id, job.source_key.clone()?))).collect();

    let (reports_in, reports) = mpsc::channel(REPORTS);
    let mut orders_of_lines = Vec::new();
    let mut drivers = Vec::new();
    let mut simulated = Vec::new();
    for (index, line) in config.lines.iter().enumerate() {
        let (orders, orders_out) = mpsc::channel(ORDERS);
        let (connect, handle) = connect_of(line, &clock);
        simulated.extend(handle.map(|handle| (line.name.clone(), handle)));
        let settings = driver_settings(line);
        drivers.push(Driver::new(connect, settings, clock.clone(), index, orders_out, reports_in.clone()));
        orders_of_lines.push(orders);
    }
    let (closing, wall) = (CancellationToken::new(), clock.clone());
    let (foreman, handle) =
        Foreman::open(config, store, snapshot, files.clone(), clock, orders_of_lines, reports).await?;

    let mut others: Vec<JoinHandle<()>> = drivers.into_iter().map(|driver| tokio::spawn(driver.run())).collect();
    let foreman = tokio::spawn(foreman.run(closing.clone()));
    let pictures = Pictures::new(files.clone(), config.lines.iter().map(backdrop).collect());
    let intake = Intake::new(files, infeed::surveyors(survey_rules(config)), handle.clone());
    let intake = intake.with_releases(releases(config));
    for (hash, job) in found {
        if let Err(error) = intake.take_found(&hash, job.as_ref()).await {
            tracing::error!(hash, %error, "a file of the file store did not become a job again");
        }
    }
    let infeed_config = InfeedConfig {
        settle: Duration::from_secs_f64(config.daemon.settle_s),
        rescan: Duration::from_secs_f64(config.daemon.rescan_s),
        ..InfeedConfig::new(&config.daemon.infeed, config.lines.iter().map(|l| l.name.clone()).collect())
    };
    others.push(tokio::spawn(infeed::run(infeed_config, intake.clone(), left, closing.clone())));
    let desk = Desk::new(handle.clone(), reader, intake);
    let desk = desk.with_pictures(pictures);
    let desk = desk.with_upload_max(config.daemon.upload_max_mib.saturating_mul(1 << 20));
    let door = FrontDoor::open(&config.daemon, listener.local_addr()?, seal.as_ref(), &handle).await?;
    let desk = door.furnish(desk).with_clock(wall);
    let until = closing.clone().cancelled_owned();
    others.push(tokio::spawn(async move {
        let ended = match seal {
            Some(seal) => {
                let serving = http::serve(seal.listen(listener), desk.with_seal(seal.clone()), until);
                tokio::select! {
                    ended = serving => ended,
                    never = seal.keep_fresh() => match never {},
                }
            }
            None => http::serve(listener, desk, until).await,
        };
        if let Err(error) = ended {
            tracing::error!(%error, "the page is no longer served");
        }
    }));
    Ok(House { handle, door, simulated, closing, foreman, others, _lock: lock })
}

/// The certificate of a config, if it names one.
pub(super) fn seal_of(daemon: &DaemonSection) -> Result<Option<Seal>, TlsError> {
    daemon.tls_files().map(|(certificate, key)| Seal::read(certificate, key)).transpose()
}

/// Files of the file store that no job has: a crash or a refusal left them, and they are removed. But where jobs were lost with
/// a damaged database they are to be taken in anew, with what is still known of their jobs.
fn found_files(
    files: &FileStore,
    known: &HashSet<String>,
    rescue: Option<Rescue>,
) -> Result<Vec<(String, Option<Job>)>, NotStarted> {
    let Some(Rescue { aside, what, whole, jobs, mut fileless, .. }) = rescue else {
        files.sweep(known)?;
        return Ok(Vec::new());
    };
    tracing::error!(aside = %aside.display(), what, jobs, "the database was damaged and has been set aside");
    if whole {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    fileless.retain(|job| !job.state.is_terminal());
    for hash in files.unknown(known)? {
        let (of_it, others): (Vec<_>, _) = fileless.into_iter().partition(|job| *job.sha256 == hash);
        fileless = others;
        let jobs = of_it.into_iter().map(Some);
        let before = found.len();
        found.extend(jobs.map(|job| (hash.clone(), job)));
        if found.len() == before {
            found.push((hash, None));
        }
    }
    Ok(found)
}

impl House {
    /// Waits for the foreman, who works until the house is closed: if this is ready before, nothing can be done here any more.
    pub(super) async fn broken_down(&mut self) -> NotStarted {
        let why = match (&mut self.foreman).await {
            Ok(Ok(())) => "it has gone home".to_owned(),
            Ok(Err(error)) => error.to_string(),
            Err(fault) => fault.to_string(),
        };
        // Drivers put the heaters off.
        self.closing.cancel();
        for task in self.others.drain(..) {
            drop(tokio::time::timeout(Duration::from_secs(5), task).await);
        }
        NotStarted(format!(
            "the foreman broke down ({why}), and every printer was told to put its heaters off; look at every machine, then start the daemon again"
        ))
    }

    /// Ends everything: printers come to rest, books are closed.
    pub(super) async fn close(self) -> Result<(), NotStarted> {
        self.closing.cancel();
        self.door.close().await;
        self.foreman.await??;
        for task in self.others {
            // Drivers end when the foreman has gone; a task that broke down has said so already.
            drop(tokio::time::timeout(Duration::from_secs(5), task).await);
        }
        Ok(())
    }
}

/// Binds the page's address.
pub(super) async fn listen(address: std::net::SocketAddr) -> Result<TcpListener, NotStarted> {
    TcpListener::bind(address).await.map_err(|error| {
        NotStarted(format!("the page cannot listen at {address}: {error}; choose another address with --listen"))
    })
}

/// The clock for these lines: only if every printer is simulated can line time run faster than real time.
pub(super) fn clock_for(lines: &[LineConfig]) -> Result<Clock, NotStarted> {
    let speed = |line: &LineConfig| match line.link {
        LinkConfig::Simulated { speed } => speed,
        LinkConfig::Serial { .. } | LinkConfig::Tcp { .. } => 1.0,
    };
    let first = lines.first().map_or(1.0, speed);
    if let Some(other) = lines.iter().find(|line| (speed(line) - first).abs() > f64::EPSILON) {
        return Err(NotStarted(format!(
            "line {} runs at speed {} and line {} at {}; all lines share one clock, and real printers run at 1",
            lines[0].name,
            first,
            other.name,
            speed(other)
        )));
    }
    Ok(if (first - 1.0).abs() > f64::EPSILON { Clock::warped(first) } else { Clock::real() })
}

/// What a line's driver is told.
#[must_use]
pub fn driver_settings(line: &LineConfig) -> DriverSettings {
    DriverSettings {
        drive: line.settings.drive.clone(),
        dialect: dialect(line),
        policy: policy(line),
        dialogue: DialogueConfig {
            window_lines: line.window_lines,
            window_bytes: line.window_bytes,
            line_bytes_max: line.limits.line_bytes_max as usize,
            silence: line.silence,
            give_up: line.silence * GIVE_UP_AFTER,
            ..DialogueConfig::default()
        },
        switch_input: line.switch_input.clone(),
        cool_begin: line.cool_begin_lines.clone(),
        cool_end: line.cool_end_lines.clone(),
        z_max: Millimetres(line.limits.z_max_mm),
    }
}

pub(super) fn connect_of(line: &LineConfig, clock: &Clock) -> (Box<dyn Connect>, Option<SimulatedHandle>) {
    match &line.link {
        LinkConfig::Serial { port, baud } => (Box::new(SerialConnect { path: port.clone(), baud: *baud }), None),
        LinkConfig::Tcp { address } => (Box::new(TcpConnect { address: address.clone() }), None),
        LinkConfig::Simulated { .. } => {
            let connect = SimulatedConnect::new(simulated_machine(line), clock.clone());
            let handle = connect.handle();
            (Box::new(connect), Some(handle))
        }
    }
}

/// A simulated machine that is built as the config says that the line is.
#[must_use]
pub fn simulated_machine(line: &LineConfig) -> SimConfig {
    let usual = SimConfig::default();
    let drive = &line.settings.drive;
    let belt = BeltConfig {
        drive: match drive.by {
            DriveBy::Extruder(tool) => BeltDrive::Extruder(tool as usize),
            DriveBy::Axis(letter) => BeltDrive::Axis(u8::try_from(letter).unwrap_or(b'A')),
            // Own lines can only be guessed at: the simulated machine has the usual belt.
            DriveBy::Lines(_) => usual.belt.drive,
        },
        units_per_mm: drive.units_per_mm,
        inverted: drive.inverted,
    };
    let bed = line.frame.bed;
    let frame = FrameConfig {
        toward_nose: match line.frame.toward_nose {
            Direction::PlusX => TowardNose::PlusX,
            Direction::MinusX => TowardNose::MinusX,
            Direction::PlusY => TowardNose::PlusY,
            Direction::MinusY => TowardNose::MinusY,
        },
        nose_mm: line.frame.nose.0,
        x_mm: [bed.x_min_mm, bed.x_max_mm],
        y_mm: [bed.y_min_mm, bed.y_max_mm],
    };
    let mut release = usual.release;
    // The machine knows no materials: a hotter bed means a material that lets go earlier on its way down.
    release.steps = [(0.0, 32.0), (65.0, 40.0), (90.0, 50.0)]
        .map(|(bed_from_c, release_c)| ReleaseStep { bed_from_c, release_c })
        .to_vec();
    let switch_name = line.switch_input.clone().unwrap_or(usual.switch_name);
    SimConfig { belt, frame, release, switch_name, ..SimConfig::default() }
}

pub(super) fn make_dir(path: &Path) -> Result<(), NotStarted> {
    std::fs::create_dir_all(path)
        .map_err(|error| NotStarted(format!("the folder {} cannot be made: {error}", path.display())))
}
