//! A link to the simulated printer. The machine outlives its connections, as a real one does.

use std::collections::{BTreeMap, VecDeque};
use std::future::{Future, poll_fn};
use std::io;
use std::pin::{Pin, pin};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::Poll;
use std::time::Duration;

use tokio::sync::Notify;
use tokio::sync::futures::Notified;

use super::link::{Connect, Link, LinkFuture};
use crate::clock::{Busy, Clock};
use crate::sim::{Fault, Note, Printer, SimConfig, Truth};
use crate::units::Moment;

/// Opens connections to one simulated machine, which lives as long as this or a handle on it.
#[derive(Debug)]
pub struct SimulatedConnect {
    machine: Arc<Machine>,
}

/// A look behind the wire, for demo and tests; clones share the machine.
#[derive(Clone, Debug)]
pub struct SimulatedHandle {
    machine: Arc<Machine>,
}

#[derive(Debug)]
struct Machine {
    clock: Clock,
    inside: Mutex<Inside>,
    /// Something was done to the machine beside its connection.
    changed: Notify,
}

#[derive(Debug)]
struct Inside {
    printer: Printer,
    /// Connections opened so far: the last one is the one that counts.
    opened: u64,
}

struct SimulatedLink {
    machine: Arc<Machine>,
    /// Which connection this is, and how often connections had been cut when it was opened.
    opened: u64,
    cuts: u64,
    unread: VecDeque<u8>,
    /// Keeps a warped clock still from the end of one wait to the beginning of the next.
    token: Option<Busy>,
}

impl SimulatedConnect {
    /// A machine that is switched on now. The clock may be the machine's own or a warped one.
    #[must_use]
    pub fn new(config: SimConfig, clock: Clock) -> Self {
        let inside = Inside { printer: Printer::new(config, clock.now()), opened: 0 };
        Self { machine: Arc::new(Machine { clock, inside: Mutex::new(inside), changed: Notify::new() }) }
    }

    /// A look behind the wire.
    #[must_use]
    pub fn handle(&self) -> SimulatedHandle {
        SimulatedHandle { machine: Arc::clone(&self.machine) }
    }
}

impl Connect for SimulatedConnect {
    fn open(&self) -> LinkFuture<'_, Box<dyn Link>> {
        Box::pin(async move {
            let (mut inside, now) = self.machine.look();
            // What was said while nobody was connected is lost; only the first connection finds the machine starting.
            if inside.opened > 0 {
                inside.printer.discard_output();
            }
            // Opening the port resets a board that has stopped, as the control lines of common boards do (common practice).
            if inside.printer.is_halted() {
                inside.printer.fault(now, Fault::Reset);
            }
            inside.opened += 1;
            let (opened, cuts) = (inside.opened, inside.printer.cuts());
            drop(inside);
            let machine = Arc::clone(&self.machine);
            Ok(Box::new(SimulatedLink { machine, opened, cuts, unread: VecDeque::new(), token: None }) as Box<dyn Link>)
        })
    }

    fn describe(&self) -> String {
        "simulated printer".to_owned()
    }
}

impl SimulatedHandle {
    /// What truly happened until now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.machine.look().0.printer.truth()
    }

    /// Something goes wrong now.
    pub fn fault(&self, fault: Fault) {
        self.machine.act(|printer, now| printer.fault(now, fault));
    }

    /// How often each kind of fault has happened, by its word in a fault script.
    #[must_use]
    pub fn faults_suffered(&self) -> BTreeMap<&'static str, u64> {
        self.machine.look().0.printer.faults_suffered().clone()
    }

    /// A person takes every part off the belt.
    pub fn take_parts_off(&self) {
        self.machine.act(Printer::take_parts_off);
    }

    /// The next thing for the log.
    #[must_use]
    pub fn poll_note(&self) -> Option<Note> {
        self.machine.look().0.printer.poll_note()
    }

    /// The last commands that were executed, oldest first, without number and checksum.
    #[must_use]
    pub fn recent_commands(&self) -> Vec<String> {
        self.machine.look().0.printer.recent_commands().map(str::to_owned).collect()
    }
}

impl Machine {
    /// The machine as it is now.
    fn look(&self) -> (MutexGuard<'_, Inside>, Moment) {
        // A panic elsewhere cannot leave it half changed in a way that matters to a simulation.
        let mut inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        let now = self.clock.now();
        inside.printer.advance(now);
        (inside, now)
    }

    fn act(&self, act: impl FnOnce(&mut Printer, Moment)) {
        let (mut inside, now) = self.look();
        act(&mut inside.printer, now);
        drop(inside);
        self.changed.notify_waiters();
    }
}

/// What a look at the machine showed.
enum Seen {
    /// The connection is gone.
    Closed,
    /// There is something to read.
    Bytes,
    /// Nothing until then, if nothing is sent.
    Nothing(Option<Moment>),
}

impl SimulatedLink {
    fn see(&mut self) -> Seen {
        let (mut inside, now) = self.machine.look();
        if !self.is_alive(&inside) {
            return Seen::Closed;
        }
        self.unread.extend(inside.printer.poll_output().unwrap_or_default());
        if !self.unread.is_empty() {
            return Seen::Bytes;
        }
        // Never at once again, whatever the machine says.
        let soon = now + Duration::from_micros(1);
        Seen::Nothing(inside.printer.deadline().map(|moment| moment.max(soon)))
    }

    fn is_alive(&self, inside: &Inside) -> bool {
        self.opened == inside.opened && self.cuts == inside.printer.cuts()
    }

    async fn wait(&mut self, until: Option<Moment>, changed: Pin<&mut Notified<'_>>) {
        let clock = self.machine.clock.clone();
        let Some(moment) = until else {
            self.token = None;
            changed.await;
            self.token = Some(clock.busy());
            return;
        };
        let mut sleep = pin!(clock.sleep_until(moment));
        // The clock must know of this wait before it is let go, lest it runs past the moment to a later sleeper's.
        let early = poll_fn(|context| Poll::Ready(sleep.as_mut().poll(context))).await;
        if let Poll::Ready(token) = early {
            self.token = Some(token);
            return;
        }
        self.token = None;
        let token = tokio::select! {
            token = sleep => token,
            () = changed => clock.busy(),
        };
        self.token = Some(token);
    }
}

impl Link for SimulatedLink {
    fn read<'a>(&'a mut self, buffer: &'a mut [u8]) -> LinkFuture<'a, usize> {
        Box::pin(async move {
            let machine = Arc::clone(&self.machine);
            loop {
                let mut changed = pin!(machine.changed.notified());
                changed.as_mut().enable();
                match self.see() {
                    Seen::Closed => {
                        // A dead link may be kept for a while: it must not keep the clock.
                        self.token = None;
                        return Ok(0);
                    }
                    Seen::Bytes => {
                        self.token.get_or_insert_with(|| machine.clock.busy());
                        let length = buffer.len().min(self.unread.len());
                        for (place, byte) in buffer.iter_mut().zip(self.unread.drain(..length)) {
                            *place = byte;
                        }
                        return Ok(length);
                    }
                    Seen::Nothing(until) => self.wait(until, changed).await,
                }
            }
        })
    }

    fn write_all<'a>(&'a mut self, bytes: &'a [u8]) -> LinkFuture<'a, ()> {
        Box::pin(async move {
            let (mut inside, now) = self.machine.look();
            if !self.is_alive(&inside) {
                return Err(io::Error::new(
                    io::ErrorKind::BrokenPipe,
                    "the connection to the simulated printer was cut",
                ));
            }
            inside.printer.handle_bytes(now, bytes);
            Ok(())
        })
    }

    fn parts_taken_off(&mut self) {
        self.machine.act(Printer::take_parts_off);
    }
}

#[cfg(test)]
mod tests;
