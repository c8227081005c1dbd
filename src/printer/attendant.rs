//! A driver without its waiting: it connects, speaks and connects again, and says what is to be done for that.

use std::collections::VecDeque;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use super::session::{Memory, Outcome, Session, Wish};
use super::settings::DriverSettings;
use super::task::{Order, Report, TaskResult};
use crate::units::Moment;

/// Waits between tries to connect; the last one again and again.
const BACKOFF_S: [u64; 4] = [1, 2, 5, 10];

const STOP_NOT_SENT: &str = "the emergency stop could not be sent: switch the printer off by hand";

/// Something that is to be done, in the order in which it comes.
#[derive(Debug)]
pub enum Chore {
    /// Tell the foreman.
    Report(Report),
    /// Open the connection, answered with [`Attendant::handle_open`].
    Open,
    /// Write this.
    Write(Vec<u8>),
    /// Throw away what was written and has not left, write this, close, and say by [`Attendant::handle_stopped`] whether it left.
    Stop(&'static [u8]),
    /// Close the connection.
    Close,
    /// Open this file, answered with [`Attendant::handle_opened`].
    OpenFile(PathBuf),
    /// Read on in the file, answered with [`Attendant::handle_file`].
    ReadFile,
    /// The simulated machine's person takes everything off the belt.
    TakePartsOff,
}

/// The only one who speaks to its printer (law L5).
pub struct Attendant {
    settings: Arc<DriverSettings>,
    /// What it connects to, for messages.
    place: String,
    tries: usize,
    memory: Memory,
    state: State,
    chores: VecDeque<Chore>,
}

enum State {
    /// No connection; the next try is then.
    Away(Moment),
    /// A connection is being opened.
    Opening,
    /// There is one.
    Speaking(Box<Session>),
    /// An emergency stop is being sent; what became of the belt until then.
    Stopping(TaskResult),
}

impl Attendant {
    /// Connects at once, to `place`.
    #[must_use]
    pub fn new(now: Moment, settings: DriverSettings, place: String) -> Self {
        let memory = Memory::unknown(&settings);
        Self { settings: Arc::new(settings), place, tries: 0, memory, state: State::Away(now), chores: VecDeque::new() }
    }

    /// Whether there is a connection.
    #[must_use]
    pub fn is_connected(&self) -> bool {
        matches!(self.state, State::Speaking(_))
    }

    /// The next thing to do.
    pub fn poll(&mut self, now: Moment) -> Option<Chore> {
        loop {
            if let Some(chore) = self.chores.pop_front() {
                return Some(chore);
            }
            match &mut self.state {
                State::Away(at) if *at <= now => {
                    self.state = State::Opening;
                    return Some(Chore::Open);
                }
                State::Away(_) | State::Opening | State::Stopping(_) => return None,
                State::Speaking(_) => {
                    if !self.speak(now) {
                        return None;
                    }
                }
            }
        }
    }

    /// One round of polling the session. Says whether anything came of it.
    fn speak(&mut self, now: Moment) -> bool {
        let State::Speaking(session) = &mut self.state else { return false };
        let mut lost = None;
        while let Some(event) = session.dialogue.poll_event() {
            if let Outcome::Lost(why) = session.handle_event(now, event) {
                lost = Some(why);
                break;
            }
        }
        if lost.is_none() {
            session.fill(now);
            if let Some(wish) = session.poll_wish() {
                self.chores.push_back(match wish {
                    Wish::Open(path) => Chore::OpenFile(path),
                    Wish::Bytes => Chore::ReadFile,
                });
            }
            let mut bytes = Vec::new();
            if session.dialogue.poll_transmit(&mut bytes) {
                self.chores.push_back(Chore::Write(bytes));
            }
        }
        while let Some(mut report) = session.poll_report() {
            if let Report::Connected { to } = &mut report {
                to.clone_from(&self.place);
                self.tries = 0;
            }
            self.chores.push_back(Chore::Report(report));
        }
        if let Some(why) = lost {
            self.chores.push_back(Chore::Close);
            self.end(now, why);
        }
        !self.chores.is_empty()
    }

    /// When it wants to be told the time.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        match &self.state {
            State::Away(at) => Some(*at),
            State::Opening | State::Stopping(_) => None,
            State::Speaking(session) => session.deadline(),
        }
    }

    /// The time has come.
    pub fn handle_timeout(&mut self, now: Moment) {
        if let State::Speaking(session) = &mut self.state {
            session.dialogue.handle_timeout(now);
        }
    }

    /// The foreman asks for something. Without a connection there is nobody to ask.
    pub fn handle_order(&mut self, order: Order) {
        let State::Speaking(session) = &mut self.state else {
            let answer = match order {
                Order::Do(task, _) => {
                    let why = "there is no connection to the printer".to_owned();
                    Report::Failed { task, why, result: TaskResult::default() }
                }
                Order::EmergencyStop => Report::Note { text: STOP_NOT_SENT.to_owned() },
                Order::StopBelt | Order::PartsTakenOff => return,
            };
            return self.chores.push_back(Chore::Report(answer));
        };
        match order {
            Order::Do(id, task) => session.ask(id, task),
            Order::StopBelt => session.stop_belt(),
            Order::PartsTakenOff => self.chores.push_back(Chore::TakePartsOff),
            // What was to be done before must not be any more.
            Order::EmergencyStop => {
                let bytes = session.dialogue.emergency();
                let result = session.interrupted();
                self.chores.retain(|chore| matches!(chore, Chore::Report(_)));
                self.chores.push_front(Chore::Stop(bytes));
                self.close(State::Stopping(result));
            }
        }
    }

    /// A report was not taken yet: it stays the next.
    pub fn handle_untold(&mut self, report: Report) {
        self.chores.push_front(Chore::Report(report));
    }

    /// The connection is open, or could not be opened.
    pub fn handle_open(&mut self, now: Moment, open: io::Result<()>) {
        match open {
            Ok(()) => {
                let session = Session::new(now, Arc::clone(&self.settings), self.memory.clone());
                self.state = State::Speaking(Box::new(session));
            }
            Err(error) => {
                let why = format!("{}: {error}", self.place);
                self.lose(now, why, TaskResult::default());
            }
        }
    }

    /// Bytes came from the printer.
    pub fn handle_bytes(&mut self, now: Moment, bytes: &[u8]) {
        if let State::Speaking(session) = &mut self.state {
            session.dialogue.handle_bytes(now, bytes);
        }
    }

    /// The connection has gone.
    pub fn handle_gone(&mut self, now: Moment, why: String) {
        if self.is_connected() {
            self.chores.retain(|chore| matches!(chore, Chore::Report(_)));
            self.end(now, why);
        }
    }

    /// The emergency stop has left, or could not be written.
    pub fn handle_stopped(&mut self, now: Moment, sent: bool) {
        let State::Stopping(result) = self.state else { return };
        let why = if sent { "emergency stop: the printer needs a reset" } else { STOP_NOT_SENT };
        self.lose(now, why.to_owned(), result);
    }

    /// The file is open and this long, or could not be opened.
    pub fn handle_opened(&mut self, length: io::Result<u64>) {
        if let State::Speaking(session) = &mut self.state {
            session.handle_opened(length);
        }
    }

    /// The next bytes of the file, none at its end.
    pub fn handle_file(&mut self, bytes: io::Result<&[u8]>) {
        if let State::Speaking(session) = &mut self.state {
            session.handle_file(bytes);
        }
    }

    fn end(&mut self, now: Moment, why: String) {
        let State::Speaking(session) = &self.state else { return };
        let result = session.interrupted();
        self.close(State::Opening);
        self.lose(now, why, result);
    }

    /// Leaves the session; what the next one must know is remembered.
    fn close(&mut self, next: State) {
        if let State::Speaking(session) = std::mem::replace(&mut self.state, next) {
            self.memory = session.into_memory();
        }
    }

    fn lose(&mut self, now: Moment, why: String, result: TaskResult) {
        // Saying the same at every try would fill the journal.
        if self.tries == 0 || result != TaskResult::default() {
            self.chores.push_back(Chore::Report(Report::Lost { why, result }));
        }
        let wait = BACKOFF_S[self.tries.min(BACKOFF_S.len() - 1)];
        self.tries += 1;
        self.state = State::Away(now + Duration::from_secs(wait));
    }
}
