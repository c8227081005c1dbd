//! Joins the wire to a link: connects, speaks, and connects again.

use std::time::Duration;

use tokio::sync::mpsc;

use super::link::{Connect, Link};
use super::session::{Outcome, Session};
use super::settings::DriverSettings;
use super::task::{Mail, Order, Report, TaskResult};
use crate::clock::{Busy, Clock};

/// Waits between tries to connect; the last one again and again.
const BACKOFF_S: [u64; 4] = [1, 2, 5, 10];
const READ_BUFFER: usize = 4096;
/// A write that takes longer than this has met a machine that no longer listens.
const WRITE_LIMIT: Duration = Duration::from_secs(10);

/// A driver: one task, the only writer of its printer (law L5).
pub struct Driver {
    connect: Box<dyn Connect>,
    settings: DriverSettings,
    clock: Clock,
    /// Which line it serves; sent along with every report.
    index: usize,
    orders: mpsc::Receiver<Mail<Order>>,
    reports: mpsc::Sender<(usize, Mail<Report>)>,
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
        Self { connect, settings, clock, index, orders, reports }
    }

    /// Runs until the foreman has gone.
    pub async fn run(mut self) {
        let mut tries = 0;
        loop {
            let why = match self.connect.open().await {
                Ok(mut link) => match self.serve(link.as_mut(), &mut tries).await {
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
                order = self.orders.recv() => {
                    let Some(mail) = order else { return false };
                    if let Order::Do(task, _) = mail.body {
                        let why = "there is no connection to the printer".to_owned();
                        let result = TaskResult::default();
                        if !self.report(Report::Failed { task, why, result }).await {
                            return false;
                        }
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
    async fn serve(&mut self, link: &mut dyn Link, tries: &mut usize) -> End {
        let mut session = Session::new(self.clock.now(), &self.settings);
        let mut buffer = vec![0; READ_BUFFER];
        // Alive while this task works, so that a warped clock waits for it.
        let mut busy: Option<Busy> = Some(self.clock.busy());
        loop {
            if let Err(end) = self.settle(link, &mut session, tries).await {
                return end;
            }
            let deadline = session.deadline();
            tokio::select! {
                biased;
                order = self.orders.recv() => {
                    let Some(mail) = order else { return End::ShutDown };
                    busy = Some(mail.busy);
                    if let Some(end) = obey(link, &mut session, mail.body).await {
                        return end;
                    }
                }
                read = link.read(&mut buffer) => {
                    busy = Some(self.clock.busy());
                    match read {
                        Ok(0) => return lost(&session, "the other side closed the connection"),
                        Ok(n) => session.dialogue.handle_bytes(self.clock.now(), &buffer[..n]),
                        Err(error) => return lost(&session, &error.to_string()),
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
    async fn settle(&self, link: &mut dyn Link, session: &mut Session<'_>, tries: &mut usize) -> Result<(), End> {
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
            session.fill(now).await;
            let mut bytes = Vec::new();
            if session.dialogue.poll_transmit(&mut bytes) {
                quiet = false;
                match tokio::time::timeout(WRITE_LIMIT, link.write_all(&bytes)).await {
                    Ok(Ok(())) => {}
                    Ok(Err(error)) => return Err(lost(session, &error.to_string())),
                    Err(_) => return Err(lost(session, "the printer takes no more bytes")),
                }
            }
            quiet &= !self.tell(session, tries).await?;
            if quiet {
                return Ok(());
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

async fn obey(link: &mut dyn Link, session: &mut Session<'_>, order: Order) -> Option<End> {
    match order {
        Order::Do(id, task) => session.ask(id, task),
        Order::StopBelt => session.stop_belt(),
        Order::PartsTakenOff => link.parts_taken_off(),
        Order::EmergencyStop => {
            link.discard_unsent();
            let bytes = session.dialogue.emergency();
            let sent = tokio::time::timeout(WRITE_LIMIT, link.write_all(bytes)).await;
            let why = match sent {
                Ok(Ok(())) => "emergency stop: the printer needs a reset",
                _ => "the emergency stop could not be sent: switch the printer off by hand",
            };
            return Some(lost(session, why));
        }
    }
    None
}

fn lost(session: &Session<'_>, why: &str) -> End {
    End::Lost(why.to_owned(), session.interrupted())
}
