//! The host's side as the daemon has it: a driver, and whoever gives it orders.

use std::path::PathBuf;

use nosebar::belt::{Drive, DriveBy};
use nosebar::clock::Clock;
use nosebar::gcode::{Dialect, Policy};
use nosebar::printer::{Connect, Driver, DriverSettings, Mail, Order, Report, SerialConnect, Task, TcpConnect};
use nosebar::units::{Millimetres, MillimetresPerMinute};
use nosebar::wire::DialogueConfig;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use super::printer_end::Place;

/// Room for orders and for reports, as in the daemon.
const ORDERS: usize = 64;
const REPORTS: usize = 256;
/// Lines that the daemon keeps in flight if nobody says otherwise.
pub(crate) const WINDOW_LINES: usize = 4;

pub(crate) struct Host {
    clock: Clock,
    orders: mpsc::Sender<Mail<Order>>,
    reports: mpsc::Receiver<(usize, Mail<Report>)>,
    driver: JoinHandle<()>,
}

/// How the daemon reaches it.
pub(crate) fn connect_to(place: &Place, baud: u32) -> Box<dyn Connect> {
    match place {
        Place::Terminal(path) => Box::new(SerialConnect { path: path.clone(), baud }),
        Place::Tcp(address) => Box::new(TcpConnect { address: address.to_string() }),
    }
}

impl Host {
    /// Connects, with so many lines in flight.
    pub(crate) fn start(connect: Box<dyn Connect>, window_lines: usize) -> Self {
        let clock = Clock::real();
        let (orders, orders_out) = mpsc::channel(ORDERS);
        let (reports_in, reports) = mpsc::channel(REPORTS);
        let settings = DriverSettings {
            drive: belt(),
            dialect: Dialect::default(),
            policy: Policy::default(),
            dialogue: DialogueConfig { window_lines, ..DialogueConfig::default() },
            switch_input: None,
            cool_begin: Vec::new(),
            cool_end: Vec::new(),
            z_max: Millimetres(250.0),
        };
        let driver = Driver::new(connect, settings, clock.clone(), 0, orders_out, reports_in);
        Self { orders, reports, driver: tokio::spawn(driver.run()), clock }
    }

    pub(crate) fn tell(&self, body: Order) {
        self.orders.try_send(Mail { body, busy: self.clock.busy() }).expect("the driver takes orders");
    }

    pub(crate) fn print(&self, file: PathBuf) {
        self.tell(Order::Do(1, Task::Print { file }));
    }

    /// Waits for a report that is as wanted.
    pub(crate) async fn until(&mut self, wanted: impl Fn(&Report) -> bool) {
        loop {
            let (_, mail) = self.reports.recv().await.expect("the driver works");
            if let Report::Failed { why, .. } | Report::Fault { text: why } = &mail.body {
                panic!("{why}");
            }
            if wanted(&mail.body) {
                return;
            }
        }
    }

    pub(crate) async fn until_connected(&mut self) {
        self.until(|report| matches!(report, Report::Connected { .. })).await;
    }

    pub(crate) async fn until_printed(&mut self) {
        self.until(|report| matches!(report, Report::Done { .. })).await;
    }

    /// Lets the driver go, and waits until its connection is closed.
    pub(crate) async fn end(self) {
        drop(self.orders);
        drop(self.reports);
        self.driver.await.expect("the driver ends in good order");
    }
}

/// A belt that is not moved here.
const fn belt() -> Drive {
    Drive {
        by: DriveBy::Extruder(1),
        units_per_mm: 1.0,
        inverted: false,
        piece_max: Millimetres(50.0),
        sampled_piece_max: Millimetres(5.0),
        travel_feed: MillimetresPerMinute(1500.0),
        peel_feed: MillimetresPerMinute(600.0),
        cold_guard_c: 170.0,
    }
}
