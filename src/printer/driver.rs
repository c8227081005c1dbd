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
use super::task::{Mail, Order, Report, Task, TaskId};
use crate::clock::{Busy, Clock};

const READ_BUFFER: usize = 4096;
const FILE_BUFFER: usize = 64 * 1024;
/// A write that takes longer than this has met a machine that no longer listens.
const WRITE_LIMIT: Duration = Duration::from_secs(10);
/// How long a printer has for its last task.
const LEAVE_LIMIT: Duration = Duration::from_secs(3);
/// The last task: nobody asked for it.
const LAST: TaskId = TaskId::MAX;

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
    /// Orders that came while something else was waited for.
    waiting: VecDeque<Mail<Order>>,
    reports: mpsc::Sender<(usize, Mail<Report>)>,
    /// Whether the foreman has gone, and if so whether the last task is over.
    leaving: Option<bool>,
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

/// How something ended that was waited for.
enum Waited<T> {
    Over(T),
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
        let waiting = VecDeque::new();
        Self { connect, attendant, link: None, clock, index, orders, file: None, waiting, reports, leaving: None }
    }

    /// Runs until the foreman has gone, and then has the heaters put off. In good order they are off by then; but if the foreman
    /// broke down nobody else is left to do it.
    pub async fn run(mut self) {
        self.serve().await;
        if self.attendant.is_connected() {
            self.leaving = Some(false);
            self.attendant.handle_order(Order::StopBelt);
            self.attendant.handle_order(Order::Do(LAST, Task::Quiet { lift: false }));
            // By the machine's own time: a printer that says nothing keeps nobody waiting.
            drop(tokio::time::timeout(LEAVE_LIMIT, self.serve()).await);
        }
    }

    /// Law of the loop: one input, then everything that follows from it, then wait.
    async fn serve(&mut self) {
        let mut buffer = vec![0; READ_BUFFER];
        // Alive while this task works, so that a warped clock waits for it.
        let mut busy: Option<Busy> = Some(self.clock.busy());
        loop {
            if self.do_chores().await.is_err() || self.leaving == Some(true) {
                return;
            }
            let deadline = self.attendant.deadline();
            tokio::select! {
                biased;
                order = next_order(&mut self.waiting, &mut self.orders), if self.leaving.is_none() => {
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
                Chore::Write(bytes) => self.write(&bytes).await?,
                Chore::Stop(bytes) => self.stop_at_once(bytes).await,
                Chore::Close => self.link = None,
                Chore::OpenFile(path) => self.open_file(&path).await?,
                Chore::ReadFile => self.read_file().await?,
                Chore::TakePartsOff => self.link.iter_mut().for_each(|link| link.parts_taken_off()),
            }
        }
        Ok(())
    }

    /// A foreman who has no ear yet must not make an emergency stop wait; what was to be told follows it.
    async fn report(&mut self, body: Report) -> Result<(), ShutDown> {
        if self.leaving.is_some() {
            let gone = matches!(body, Report::Lost { .. } | Report::Reset { .. });
            let ended = matches!(body, Report::Done { task: LAST, .. } | Report::Failed { task: LAST, .. });
            self.leaving = Some(gone || ended || self.leaving == Some(true));
            return Ok(());
        }
        let busy = self.clock.busy();
        let Self { orders, waiting, reports, .. } = self;
        match unless_stopped(orders, waiting, reports.reserve()).await {
            Waited::Over(Ok(room)) => room.send((self.index, Mail { body, busy })),
            Waited::OvertakenByStop => {
                self.attendant.handle_untold(body);
                self.attendant.handle_order(Order::EmergencyStop);
            }
            Waited::Over(Err(_)) | Waited::ShutDown => return Err(ShutDown),
        }
        Ok(())
    }

    fn lose(&mut self, why: String) {
        self.link = None;
        self.attendant.handle_gone(self.clock.now(), why);
    }

    /// Writes, unless an emergency stop comes meanwhile: a machine that takes no bytes must not make it wait (law L5).
    async fn write(&mut self, bytes: &[u8]) -> Result<(), ShutDown> {
        let Self { orders, waiting, link, .. } = self;
        let Some(link) = link else {
            self.lose("there is no connection".to_owned());
            return Ok(());
        };
        let writing = tokio::time::timeout(WRITE_LIMIT, link.write_all(bytes));
        match unless_stopped(orders, waiting, writing).await {
            Waited::Over(Ok(Ok(()))) => {}
            Waited::Over(Ok(Err(error))) => self.lose(error.to_string()),
            Waited::Over(Err(_)) => self.lose("the printer takes no more bytes".to_owned()),
            Waited::OvertakenByStop => self.attendant.handle_order(Order::EmergencyStop),
            Waited::ShutDown => return Err(ShutDown),
        }
        Ok(())
    }

    /// Nor does a slow disk make it wait.
    async fn open_file(&mut self, path: &Path) -> Result<(), ShutDown> {
        match unless_stopped(&mut self.orders, &mut self.waiting, PrintFile::open(path)).await {
            Waited::Over(opened) => {
                let opened = opened.map(|(file, length)| {
                    self.file = Some(file);
                    length
                });
                self.attendant.handle_opened(opened);
            }
            Waited::OvertakenByStop => self.attendant.handle_order(Order::EmergencyStop),
            Waited::ShutDown => return Err(ShutDown),
        }
        Ok(())
    }

    async fn read_file(&mut self) -> Result<(), ShutDown> {
        let Self { orders, waiting, file, attendant, .. } = self;
        let Some(file) = file else {
            attendant.handle_file(Err(io::ErrorKind::NotFound.into()));
            return Ok(());
        };
        match unless_stopped(orders, waiting, file.read()).await {
            Waited::Over(bytes) => attendant.handle_file(bytes),
            Waited::OvertakenByStop => attendant.handle_order(Order::EmergencyStop),
            Waited::ShutDown => return Err(ShutDown),
        }
        Ok(())
    }

    /// What was written and has not left is thrown away; then the stop, and nothing after it.
    async fn stop_at_once(&mut self, bytes: &[u8]) {
        let sent = match self.link.take() {
            Some(mut link) => {
                link.discard_unsent();
                let sent = matches!(tokio::time::timeout(WRITE_LIMIT, link.write_all(bytes)).await, Ok(Ok(())));
                link.close_gently();
                sent
            }
            None => false,
        };
        self.attendant.handle_stopped(self.clock.now(), sent);
    }
}

/// Waits for `work`, but no longer when an emergency stop comes; other orders are put aside.
async fn unless_stopped<T>(
    orders: &mut mpsc::Receiver<Mail<Order>>,
    waiting: &mut VecDeque<Mail<Order>>,
    work: impl Future<Output = T>,
) -> Waited<T> {
    tokio::pin!(work);
    loop {
        tokio::select! {
            biased;
            // What a foreman said before he went still counts; that he has gone is known by then.
            order = orders.recv(), if !(orders.is_closed() && orders.is_empty()) => match order {
                None => return Waited::ShutDown,
                Some(mail) if mail.body == Order::EmergencyStop => return Waited::OvertakenByStop,
                Some(mail) => waiting.push_back(mail),
            },
            done = &mut work => return Waited::Over(done),
        }
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
    use crate::units::{Celsius, Millimetres};
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

    /// A machine that answers every line with its temperatures.
    #[derive(Clone, Default)]
    struct Talker {
        taken: Arc<Mutex<Vec<u8>>>,
        answered: usize,
    }

    impl Link for Talker {
        fn read<'a>(&'a mut self, buffer: &'a mut [u8]) -> LinkFuture<'a, usize> {
            const ANSWER: &[u8] = b"ok T:21 /0 B:21 /0\n";
            Box::pin(async move {
                let lines = self.taken.lock().expect("nobody panicked").iter().filter(|byte| **byte == b'\n').count();
                if self.answered == lines {
                    return std::future::pending().await;
                }
                self.answered += 1;
                buffer[..ANSWER.len()].copy_from_slice(ANSWER);
                Ok(ANSWER.len())
            })
        }

        fn write_all<'a>(&'a mut self, bytes: &'a [u8]) -> LinkFuture<'a, ()> {
            self.taken.lock().expect("nobody panicked").extend_from_slice(bytes);
            Box::pin(async { Ok(()) })
        }
    }

    impl Connect for Talker {
        fn open(&self) -> LinkFuture<'_, Box<dyn Link>> {
            Box::pin(async { Ok(Box::new(self.clone()) as Box<dyn Link>) })
        }

        fn describe(&self) -> String {
            "a talkative machine".to_owned()
        }
    }

    impl Talker {
        fn was_stopped(&self) -> bool {
            self.taken.lock().expect("nobody panicked").ends_with(EMERGENCY_STOP)
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
    async fn a_foreman_who_breaks_down_leaves_no_heater_on() {
        let machine = Talker::default();
        let taken = Arc::clone(&machine.taken);
        let clock = Clock::real();
        let (orders, orders_out) = mpsc::channel(4);
        let (reports_in, mut reports) = mpsc::channel(64);
        let driver =
            tokio::spawn(Driver::new(Box::new(machine), settings(), clock.clone(), 0, orders_out, reports_in).run());
        let heat = Task::Heat { bed: Some(Celsius(60.0)), nozzle: Some(Celsius(210.0)) };
        orders.try_send(Mail { body: Order::Do(1, heat), busy: clock.busy() }).expect("room");
        while !matches!(reports.recv().await.expect("a report").1.body, Report::Done { task: 1, .. }) {}
        drop((orders, reports));
        driver.await.expect("it ends by itself");
        let taken = String::from_utf8(taken.lock().expect("nobody panicked").clone()).expect("text");
        let last = |command: &str| taken.rfind(command).unwrap_or_else(|| panic!("no {command} in {taken}"));
        assert!(last("M140 S0") > last("M140 S60") && last("M104 S0") > last("M104 S210"), "{taken}");
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

    #[tokio::test(start_paused = true)]
    async fn an_emergency_stop_does_not_wait_for_a_foreman_who_hears_nothing() {
        let machine = Talker::default();
        let clock = Clock::real();
        let (orders, orders_out) = mpsc::channel(4);
        let (reports_in, mut reports) = mpsc::channel(1);
        let driver = Driver::new(Box::new(machine.clone()), settings(), clock.clone(), 0, orders_out, reports_in);
        tokio::spawn(driver.run());
        // There is room for one report, and there are more: temperatures every second.
        tokio::time::sleep(Duration::from_secs(3)).await;
        assert_eq!(reports.len(), 1);
        orders.try_send(Mail { body: Order::EmergencyStop, busy: clock.busy() }).expect("room");
        tokio::time::sleep(Duration::from_millis(50)).await;
        assert!(machine.was_stopped(), "law L5: within 50 ms");
        let mut told = Vec::new();
        while !matches!(told.last(), Some(Report::Lost { .. })) {
            told.push(reports.recv().await.expect("a report").1.body);
        }
        assert!(
            matches!(told[..], [.., Report::Temperatures { .. }, Report::Connected { .. }, Report::Lost { .. }]),
            "all is told: {told:?}"
        );
    }

    #[tokio::test]
    async fn an_emergency_stop_does_not_wait_for_a_disk_that_is_slow() {
        let machine = Talker::default();
        let clock = Clock::real();
        let (orders, orders_out) = mpsc::channel(4);
        let (reports_in, mut reports) = mpsc::channel(64);
        let driver = Driver::new(Box::new(machine.clone()), settings(), clock.clone(), 0, orders_out, reports_in);
        tokio::spawn(driver.run());
        while !matches!(reports.recv().await.expect("a report").1.body, Report::Connected { .. }) {}
        // Opening a pipe takes until somebody writes into it.
        let dir = tempfile::tempdir().expect("a folder");
        let file = dir.path().join("pipe");
        nix::unistd::mkfifo(&file, nix::sys::stat::Mode::S_IRWXU).expect("a pipe");
        let send = |body| orders.try_send(Mail { body, busy: clock.busy() }).expect("room");
        send(Order::Do(1, Task::Print { file: file.clone() }));
        tokio::time::sleep(Duration::from_millis(20)).await;
        send(Order::EmergencyStop);
        let lost = async { while !matches!(reports.recv().await.expect("a report").1.body, Report::Lost { .. }) {} };
        let told = tokio::time::timeout(Duration::from_secs(10), lost).await;
        drop(std::fs::OpenOptions::new().write(true).open(&file).expect("the pipe is being opened"));
        told.expect("the stop leaves while the file is being opened");
        assert!(machine.was_stopped());
    }
}
