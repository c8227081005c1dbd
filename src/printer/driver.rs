//! Joins the wire to a link: does for the attendant what must be waited for.

use std::collections::VecDeque;
use std::io;
use std::path::Path;
use std::time::Duration;

use tokio::fs::File;
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc;

use super::attendant::{Attendant, Chore};
use super::link::{Connect, Link};
use super::settings::DriverSettings;
use super::task::{Mail, Order, Report};
use crate::clock::{Busy, Clock};

const READ_BUFFER: usize = 4096;
const FILE_BUFFER: usize = 64 * 1024;
/// A write that takes longer than this has met a machine that no longer listens.
const WRITE_LIMIT: Duration = Duration::from_secs(10);

/// A driver: one task, the only writer of its printer (law L5).
pub struct Driver {
    connect: Box<dyn Connect>,
    attendant: Attendant,
    link: Option<Box<dyn Link>>,
    clock: Clock,
    /// Which line it serves; sent along with every report.
    index: usize,
    orders: mpsc::Receiver<Mail<Order>>,
    /// The file that is being printed.
    file: Option<PrintFile>,
    /// Orders that came while bytes were being written.
    waiting: VecDeque<Mail<Order>>,
    reports: mpsc::Sender<(usize, Mail<Report>)>,
}

/// A file under print, with a buffer of its own.
struct PrintFile {
    file: File,
    buffer: Vec<u8>,
}

impl PrintFile {
    async fn open(path: &Path) -> io::Result<(Self, u64)> {
        let file = File::open(path).await?;
        let length = file.metadata().await?.len();
        Ok((Self { file, buffer: vec![0; FILE_BUFFER] }, length))
    }

    /// The next bytes; none at the end.
    async fn read(&mut self) -> io::Result<&[u8]> {
        let n = self.file.read(&mut self.buffer).await?;
        Ok(&self.buffer[..n])
    }
}

/// How a write ended.
enum Written {
    All,
    Failed(String),
    OvertakenByStop,
    ShutDown,
}

/// The foreman has gone.
struct ShutDown;

impl Driver {
    /// Joins its parts.
    #[must_use]
    pub fn new(
        connect: Box<dyn Connect>,
        settings: DriverSettings,
        clock: Clock,
        index: usize,
        orders: mpsc::Receiver<Mail<Order>>,
        reports: mpsc::Sender<(usize, Mail<Report>)>,
    ) -> Self {
        let attendant = Attendant::new(clock.now(), settings, connect.describe());
        Self { connect, attendant, link: None, clock, index, orders, file: None, waiting: VecDeque::new(), reports }
    }

    /// Runs until the foreman has gone. Law of the loop: one input, then everything that follows from it, then wait.
    pub async fn run(mut self) {
        let mut buffer = vec![0; READ_BUFFER];
        // Alive while this task works, so that a warped clock waits for it.
        let mut busy: Option<Busy> = Some(self.clock.busy());
        loop {
            if self.do_chores().await.is_err() {
                return;
            }
            let deadline = self.attendant.deadline();
            tokio::select! {
                biased;
                order = next_order(&mut self.waiting, &mut self.orders) => {
                    let Some(mail) = order else { return };
                    busy = Some(mail.busy);
                    self.attendant.handle_order(mail.body);
                }
                read = read_some(&mut self.link, &mut buffer) => {
                    busy = Some(self.clock.busy());
                    let now = self.clock.now();
                    match read {
                        Ok(0) => self.lose("the other side closed the connection".to_owned()),
                        Ok(n) => self.attendant.handle_bytes(now, &buffer[..n]),
                        Err(error) => self.lose(error.to_string()),
                    }
                }
                token = self.clock.sleep_until_some(deadline) => {
                    busy = Some(token);
                    self.attendant.handle_timeout(self.clock.now());
                }
                () = Busy::give_back(&mut busy) => {}
            }
        }
    }

    /// Polls until nothing comes out.
    async fn do_chores(&mut self) -> Result<(), ShutDown> {
        while let Some(chore) = self.attendant.poll(self.clock.now()) {
            match chore {
                Chore::Report(report) => self.report(report).await?,
                Chore::Open => {
                    let opened = self.connect.open().await.map(|link| self.link = Some(link));
                    self.attendant.handle_open(self.clock.now(), opened);
                }
                Chore::Write(bytes) => match self.write(&bytes).await {
                    Written::All => {}
                    Written::Failed(why) => self.lose(why),
                    Written::OvertakenByStop => self.attendant.handle_order(Order::EmergencyStop),
                    Written::ShutDown => return Err(ShutDown),
                },
                Chore::Stop(bytes) => self.stop_at_once(bytes).await,
                Chore::Close => self.link = None,
                Chore::OpenFile(path) => {
                    let opened = PrintFile::open(&path).await.map(|(file, length)| {
                        self.file = Some(file);
                        length
                    });
                    self.attendant.handle_opened(opened);
                }
                Chore::ReadFile => match &mut self.file {
                    Some(file) => self.attendant.handle_file(file.read().await),
                    None => self.attendant.handle_file(Err(io::ErrorKind::NotFound.into())),
                },
                Chore::TakePartsOff => self.link.iter_mut().for_each(|link| link.parts_taken_off()),
            }
        }
        Ok(())
    }

    async fn report(&mut self, body: Report) -> Result<(), ShutDown> {
        let busy = self.clock.busy();
        self.reports.send((self.index, Mail { body, busy })).await.map_err(|_| ShutDown)
    }

    fn lose(&mut self, why: String) {
        self.link = None;
        self.attendant.handle_gone(self.clock.now(), why);
    }

    /// Writes, unless an emergency stop comes meanwhile: a machine that takes no bytes must not make it wait (law L5).
    async fn write(&mut self, bytes: &[u8]) -> Written {
        let Self { orders, waiting, link, .. } = self;
        let Some(link) = link else { return Written::Failed("there is no connection".to_owned()) };
        let writing = tokio::time::timeout(WRITE_LIMIT, link.write_all(bytes));
        tokio::pin!(writing);
        loop {
            tokio::select! {
                biased;
                order = orders.recv() => match order {
                    None => return Written::ShutDown,
                    Some(mail) if mail.body == Order::EmergencyStop => return Written::OvertakenByStop,
                    Some(mail) => waiting.push_back(mail),
                },
                written = &mut writing => return match written {
                    Ok(Ok(())) => Written::All,
                    Ok(Err(error)) => Written::Failed(error.to_string()),
                    Err(_) => Written::Failed("the printer takes no more bytes".to_owned()),
                },
            }
        }
    }

    /// What was written and has not left is thrown away; then the stop, and nothing after it.
    async fn stop_at_once(&mut self, bytes: &[u8]) {
        let sent = match self.link.take() {
            Some(mut link) => {
                link.discard_unsent();
                matches!(tokio::time::timeout(WRITE_LIMIT, link.write_all(bytes)).await, Ok(Ok(())))
            }
            None => false,
        };
        self.attendant.handle_stopped(self.clock.now(), sent);
    }
}

/// Waits for bytes; without a connection it never ends.
async fn read_some(link: &mut Option<Box<dyn Link>>, buffer: &mut [u8]) -> io::Result<usize> {
    match link {
        Some(link) => link.read(buffer).await,
        None => std::future::pending().await,
    }
}

/// Orders that had to wait come first.
async fn next_order(
    waiting: &mut VecDeque<Mail<Order>>,
    orders: &mut mpsc::Receiver<Mail<Order>>,
) -> Option<Mail<Order>> {
    match waiting.pop_front() {
        Some(mail) => Some(mail),
        None => orders.recv().await,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use super::super::LinkFuture;
    use super::*;
    use crate::belt::{Drive, DriveBy};
    use crate::gcode::{Dialect, Policy};
    use crate::units::Millimetres;
    use crate::wire::{DialogueConfig, EMERGENCY_STOP};

    /// A machine that takes no bytes but an emergency stop, and says nothing.
    #[derive(Clone, Default)]
    struct Stuffed(Arc<Mutex<Vec<Vec<u8>>>>);

    impl Link for Stuffed {
        fn read<'a>(&'a mut self, _: &'a mut [u8]) -> LinkFuture<'a, usize> {
            Box::pin(std::future::pending())
        }

        fn write_all<'a>(&'a mut self, bytes: &'a [u8]) -> LinkFuture<'a, ()> {
            Box::pin(async move {
                if bytes != EMERGENCY_STOP {
                    return std::future::pending().await;
                }
                self.0.lock().expect("nobody panicked").push(bytes.to_vec());
                Ok(())
            })
        }
    }

    impl Connect for Stuffed {
        fn open(&self) -> LinkFuture<'_, Box<dyn Link>> {
            Box::pin(async { Ok(Box::new(self.clone()) as Box<dyn Link>) })
        }

        fn describe(&self) -> String {
            "a stuffed machine".to_owned()
        }
    }

    fn settings() -> DriverSettings {
        DriverSettings {
            drive: Drive::plain(DriveBy::Extruder(1)),
            dialect: Dialect::default(),
            policy: Policy::default(),
            dialogue: DialogueConfig::default(),
            switch_input: None,
            cool_begin: Vec::new(),
            cool_end: Vec::new(),
            z_max: Millimetres(250.0),
        }
    }

    #[tokio::test(start_paused = true)]
    async fn an_emergency_stop_does_not_wait_for_a_machine_that_takes_no_bytes() {
        let machine = Stuffed::default();
        let clock = Clock::real();
        let (orders, orders_out) = mpsc::channel(4);
        let (reports_in, mut reports) = mpsc::channel(4);
        let driver = Driver::new(Box::new(machine.clone()), settings(), clock.clone(), 0, orders_out, reports_in);
        tokio::spawn(driver.run());
        // The first write is under way, and does not end.
        tokio::time::sleep(Duration::from_millis(1)).await;
        let send = |body| orders.try_send(Mail { body, busy: clock.busy() }).expect("room");
        send(Order::StopBelt);
        send(Order::EmergencyStop);
        let told = tokio::time::timeout(Duration::from_millis(50), reports.recv()).await;
        let (_, mail) = told.expect("law L5: within 50 ms").expect("a report");
        assert!(matches!(mail.body, Report::Lost { why, .. } if why.starts_with("emergency stop")));
        assert_eq!(*machine.0.lock().expect("nobody panicked"), [EMERGENCY_STOP]);
    }

    #[tokio::test(start_paused = true)]
    async fn an_emergency_stop_without_a_connection_says_that_it_was_not_sent() {
        let machine = Stuffed::default();
        let clock = Clock::real();
        let (orders, orders_out) = mpsc::channel(4);
        let (reports_in, mut reports) = mpsc::channel(4);
        let driver = Driver::new(Box::new(machine), settings(), clock.clone(), 0, orders_out, reports_in);
        tokio::spawn(driver.run());
        // The first write is given up after its time; the driver then waits before it connects again.
        let (_, mail) = reports.recv().await.expect("a report");
        assert!(matches!(mail.body, Report::Lost { .. }));
        orders.try_send(Mail { body: Order::EmergencyStop, busy: clock.busy() }).expect("room");
        let (_, mail) = reports.recv().await.expect("a report");
        assert!(matches!(mail.body, Report::Note { text } if text.contains("by hand")));
    }
}
