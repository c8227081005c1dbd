//! Joins the wire to a link: connects, speaks, and connects again.

use std::collections::VecDeque;
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tokio::fs::File;
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc;

use super::link::{Connect, Link};
use super::session::{Memory, Outcome, Session, Wish};
use super::settings::DriverSettings;
use super::task::{Mail, Order, Report, TaskResult};
use crate::clock::{Busy, Clock};
use crate::units::Moment;

/// Waits between tries to connect; the last one again and again.
const BACKOFF_S: [u64; 4] = [1, 2, 5, 10];
const READ_BUFFER: usize = 4096;
const FILE_BUFFER: usize = 64 * 1024;
/// A write that takes longer than this has met a machine that no longer listens.
const WRITE_LIMIT: Duration = Duration::from_secs(10);

const STOP_NOT_SENT: &str = "the emergency stop could not be sent: switch the printer off by hand";

/// A driver: one task, the only writer of its printer (law L5).
pub struct Driver {
    connect: Box<dyn Connect>,
    settings: Arc<DriverSettings>,
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

/// How a connection ended.
enum End {
    Lost(String, TaskResult),
    ShutDown,
}

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
        Self {
            connect,
            settings: Arc::new(settings),
            clock,
            index,
            orders,
            file: None,
            waiting: VecDeque::new(),
            reports,
        }
    }

    /// Runs until the foreman has gone.
    pub async fn run(mut self) {
        let mut tries = 0;
        let mut memory = Memory::unknown(&self.settings);
        loop {
            let why = match self.connect.open().await {
                Ok(mut link) => match self.serve(link.as_mut(), &mut tries, &mut memory).await {
                    End::Lost(why, result) => Report::Lost { why, result },
                    End::ShutDown => return,
                },
                Err(error) => {
                    let why = format!("{}: {error}", self.connect.describe());
                    Report::Lost { why, result: TaskResult::default() }
                }
            };
            let busy = self.clock.busy();
            // Saying the same at every try would fill the journal.
            if (tries == 0 || matches!(&why, Report::Lost { result, .. } if *result != TaskResult::default()))
                && !self.report(why).await
            {
                return;
            }
            drop(busy);
            let wait = BACKOFF_S[tries.min(BACKOFF_S.len() - 1)];
            tries += 1;
            if !self.wait(Duration::from_secs(wait)).await {
                return;
            }
        }
    }

    /// Waits between tries; orders that come meanwhile have nobody to go to.
    async fn wait(&mut self, span: Duration) -> bool {
        let until = self.clock.now() + span;
        loop {
            tokio::select! {
                biased;
                order = next_order(&mut self.waiting, &mut self.orders) => {
                    let Some(mail) = order else { return false };
                    let answer = match mail.body {
                        Order::Do(task, _) => {
                            let why = "there is no connection to the printer".to_owned();
                            Report::Failed { task, why, result: TaskResult::default() }
                        }
                        Order::EmergencyStop => Report::Note { text: STOP_NOT_SENT.to_owned() },
                        Order::StopBelt | Order::PartsTakenOff => continue,
                    };
                    if !self.report(answer).await {
                        return false;
                    }
                }
                _busy = self.clock.sleep_until(until) => return true,
            }
        }
    }

    async fn report(&self, body: Report) -> bool {
        let busy = self.clock.busy();
        self.reports.send((self.index, Mail { body, busy })).await.is_ok()
    }

    /// Law of the loop: one input, then everything that follows from it, then wait.
    async fn serve(&mut self, link: &mut dyn Link, tries: &mut usize, memory: &mut Memory) -> End {
        let settings = Arc::clone(&self.settings);
        let mut session = Session::new(self.clock.now(), &settings, memory.clone());
        let end = self.speak(link, &mut session, tries).await;
        *memory = session.into_memory();
        end
    }

    async fn speak(&mut self, link: &mut dyn Link, session: &mut Session<'_>, tries: &mut usize) -> End {
        let mut buffer = vec![0; READ_BUFFER];
        // Alive while this task works, so that a warped clock waits for it.
        let mut busy: Option<Busy> = Some(self.clock.busy());
        loop {
            if let Err(end) = self.settle(link, session, tries).await {
                return end;
            }
            let deadline = session.deadline();
            tokio::select! {
                biased;
                order = next_order(&mut self.waiting, &mut self.orders) => {
                    let Some(mail) = order else { return End::ShutDown };
                    busy = Some(mail.busy);
                    if let Some(end) = obey(link, session, mail.body).await {
                        return end;
                    }
                }
                read = link.read(&mut buffer) => {
                    busy = Some(self.clock.busy());
                    match read {
                        Ok(0) => return lost(session, "the other side closed the connection"),
                        Ok(n) => session.dialogue.handle_bytes(self.clock.now(), &buffer[..n]),
                        Err(error) => return lost(session, &error.to_string()),
                    }
                }
                token = self.clock.sleep_until_some(deadline) => {
                    busy = Some(token);
                    session.dialogue.handle_timeout(self.clock.now());
                }
                () = Busy::give_back(&mut busy) => {}
            }
        }
    }

    /// Polls until nothing comes out.
    async fn settle(&mut self, link: &mut dyn Link, session: &mut Session<'_>, tries: &mut usize) -> Result<(), End> {
        loop {
            let now = self.clock.now();
            let mut quiet = true;
            while let Some(event) = session.dialogue.poll_event() {
                quiet = false;
                if let Outcome::Lost(why) = session.handle_event(now, event) {
                    self.tell(session, tries).await?;
                    return Err(lost(session, &why));
                }
            }
            self.fill(session, now).await;
            let mut bytes = Vec::new();
            if session.dialogue.poll_transmit(&mut bytes) {
                quiet = false;
                match self.write(link, &bytes).await {
                    Written::All => {}
                    Written::Failed(why) => return Err(lost(session, &why)),
                    Written::OvertakenByStop => return Err(stop_at_once(link, session).await),
                    Written::ShutDown => return Err(End::ShutDown),
                }
            }
            quiet &= !self.tell(session, tries).await?;
            if quiet {
                return Ok(());
            }
        }
    }

    /// Hands the session the file as it asks for it.
    async fn fill(&mut self, session: &mut Session<'_>, now: Moment) {
        session.fill(now);
        while let Some(wish) = session.poll_wish() {
            match (wish, &mut self.file) {
                (Wish::Open(path), file) => session.handle_opened(match PrintFile::open(&path).await {
                    Ok((opened, length)) => {
                        *file = Some(opened);
                        Ok(length)
                    }
                    Err(error) => Err(error),
                }),
                (Wish::Bytes, Some(file)) => session.handle_file(file.read().await),
                (Wish::Bytes, None) => session.handle_file(Err(io::ErrorKind::NotFound.into())),
            }
            session.fill(now);
        }
    }

    /// Writes, unless an emergency stop comes meanwhile: a machine that takes no bytes must not make it wait (law L5).
    async fn write(&mut self, link: &mut dyn Link, bytes: &[u8]) -> Written {
        let Self { orders, waiting, .. } = self;
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

    /// Tells the foreman what the session has to report. Says whether that was anything.
    async fn tell(&self, session: &mut Session<'_>, tries: &mut usize) -> Result<bool, End> {
        let mut told = false;
        while let Some(mut report) = session.poll_report() {
            told = true;
            if let Report::Connected { to } = &mut report {
                *to = self.connect.describe();
                *tries = 0;
            }
            if !self.report(report).await {
                return Err(End::ShutDown);
            }
        }
        Ok(told)
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

async fn obey(link: &mut dyn Link, session: &mut Session<'_>, order: Order) -> Option<End> {
    match order {
        Order::Do(id, task) => session.ask(id, task),
        Order::StopBelt => session.stop_belt(),
        Order::PartsTakenOff => link.parts_taken_off(),
        Order::EmergencyStop => return Some(stop_at_once(link, session).await),
    }
    None
}

/// What was written and has not left is thrown away; then the stop, and nothing after it.
async fn stop_at_once(link: &mut dyn Link, session: &mut Session<'_>) -> End {
    link.discard_unsent();
    let bytes = session.dialogue.emergency();
    let sent = tokio::time::timeout(WRITE_LIMIT, link.write_all(bytes)).await;
    let why = match sent {
        Ok(Ok(())) => "emergency stop: the printer needs a reset",
        _ => STOP_NOT_SENT,
    };
    lost(session, why)
}

fn lost(session: &Session<'_>, why: &str) -> End {
    End::Lost(why.to_owned(), session.interrupted())
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::super::LinkFuture;
    use super::*;
    use crate::belt::{Drive, DriveBy};
    use crate::gcode::{Dialect, Policy};
    use crate::units::{Millimetres, MillimetresPerMinute};
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
            drive: Drive {
                by: DriveBy::Extruder(1),
                units_per_mm: 1.0,
                inverted: false,
                piece_max: Millimetres(50.0),
                sampled_piece_max: Millimetres(5.0),
                travel_feed: MillimetresPerMinute(1500.0),
                peel_feed: MillimetresPerMinute(600.0),
                cold_guard_c: 170.0,
            },
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
