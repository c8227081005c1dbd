//! The printer's end of a cable: takes lines as fast as the cable carries them and no faster, and answers each when its time has
//! come. Threads that keep their own time: the runtime's timer counts in milliseconds.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::ttyname;

use super::intake::{Intake, Taken};
use super::watch::now;

/// How fast a printer takes lines and answers.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    /// Speed of the cable, baud, ten bits to a byte; `None`: every line is answered as soon as it is read.
    pub(crate) baud: Option<u32>,
    /// From the end of a line to the beginning of its answer.
    pub(crate) delay: Duration,
    /// So long before an answer is due, its thread stops sleeping and looks at the clock without end. Zero where many printers
    /// share a processor: a sleep ends some 0.06 ms late.
    pub(crate) awake: Duration,
}

impl Pace {
    pub(crate) const AT_ONCE: Self = Self { baud: None, delay: Duration::ZERO, awake: Duration::ZERO };
}

/// Where a host can reach it.
#[derive(Clone, Debug)]
pub(crate) enum Place {
    Terminal(PathBuf),
    Tcp(SocketAddr),
}

/// How a host reaches a printer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    Terminal,
    Tcp,
}

impl By {
    pub(crate) const BOTH: [Self; 2] = [Self::Terminal, Self::Tcp];

    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Terminal => "pseudo-terminal",
            Self::Tcp => "TCP",
        }
    }
}

/// A printer that serves one host after another until the process ends.
pub(crate) struct PrinterEnd {
    pub(crate) place: Place,
    pub(crate) seen: Arc<Seen>,
    /// The host's end of a terminal, kept open so that the terminal outlives the hosts that come and go.
    _host_end: Option<OwnedFd>,
}

/// What a printer has seen.
#[derive(Default)]
pub(crate) struct Seen {
    taken: Mutex<Taken>,
    /// Emergency stops, by when they were read.
    stops: Mutex<Option<Sender<Instant>>>,
    /// Held by whoever wants the printer to read nothing.
    reading: Mutex<()>,
    /// Counts emergency stops: what was to be answered before one is not answered any more.
    life: AtomicU64,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Seen {
    pub(crate) fn taken(&self) -> MutexGuard<'_, Taken> {
        lock(&self.taken)
    }

    /// Sends word of every emergency stop from now on.
    pub(crate) fn watch_stops(&self) -> Receiver<Instant> {
        let (send, stops) = channel();
        *lock(&self.stops) = Some(send);
        stops
    }

    /// The printer reads nothing until this is dropped, but for what it is reading already.
    pub(crate) fn deafen(&self) -> MutexGuard<'_, ()> {
        lock(&self.reading)
    }

    fn stopped(&self, at: Instant) {
        self.life.fetch_add(1, Ordering::SeqCst);
        if let Some(stops) = &*lock(&self.stops) {
            // Whoever watched may have gone.
            _ = stops.send(at);
        }
    }
}

impl PrinterEnd {
    pub(crate) fn start(by: By, pace: Pace) -> Self {
        let seen = Arc::new(Seen::default());
        let (place, host_end) = match by {
            By::Terminal => {
                let pair = openpty(None, None).expect("a pseudo-terminal");
                let mut modes = tcgetattr(&pair.slave).expect("modes of a terminal");
                cfmakeraw(&mut modes);
                tcsetattr(&pair.slave, SetArg::TCSANOW, &modes).expect("a raw terminal");
                let path = ttyname(&pair.slave).expect("a terminal has a name");
                let reads = File::from(pair.master);
                let writes = reads.try_clone().expect("a second handle");
                let seen = Arc::clone(&seen);
                thread::spawn(move || serve(reads, writes, pace, &seen));
                (Place::Terminal(path), Some(pair.slave))
            }
            By::Tcp => {
                let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
                let address = listener.local_addr().expect("a port has a number");
                let seen = Arc::clone(&seen);
                thread::spawn(move || {
                    for stream in listener.incoming() {
                        let reads = stream.expect("a connection");
                        reads.set_nodelay(true).expect("answers leave at once");
                        let writes = reads.try_clone().expect("a second handle");
                        serve(reads, writes, pace, &seen);
                    }
                });
                (Place::Tcp(address), None)
            }
        };
        Self { place, seen, _host_end: host_end }
    }
}

/// An answer that waits for its moment.
struct Due {
    at: Instant,
    life: u64,
    answer: Vec<u8>,
    bytes: usize,
}

/// Serves one host until it goes.
fn serve(mut reads: impl Read, mut writes: impl Write + Send + 'static, pace: Pace, seen: &Arc<Seen>) {
    let mut intake = Intake::new(pace.baud, pace.delay, now());
    let (due_in, due_out) = channel::<Due>();
    let mut at_once: Option<Box<dyn Write>> = None;
    if pace.baud.is_some() {
        let seen = Arc::clone(seen);
        thread::spawn(move || answer(&due_out, &mut writes, pace.awake, &seen));
    } else {
        at_once = Some(Box::new(writes));
    }
    let mut buffer = [0; 4096];
    let mut answers = Vec::new();
    loop {
        // A terminal whose host has gone, and a connection that broke, read as an error.
        let got = match reads.read(&mut buffer) {
            Ok(0) | Err(_) => return,
            Ok(got) => got,
        };
        drop(seen.deafen());
        let read_at = now();
        intake.handle_bytes(&buffer[..got]);
        while let Some(line) = intake.next_line() {
            if line == b"M112" {
                intake = Intake::new(pace.baud, pace.delay, read_at);
                seen.stopped(read_at);
                break;
            }
            let Some((at, answer)) = intake.take(read_at, &line, &mut seen.taken()) else { continue };
            if at_once.is_some() {
                seen.taken().answered(line.len() + 1);
                answers.extend(answer);
            } else {
                let life = seen.life.load(Ordering::SeqCst);
                // Its thread has ended when nobody listens to answers any more.
                drop(due_in.send(Due { at, life, answer, bytes: line.len() + 1 }));
            }
        }
        if let Some(writes) = &mut at_once
            && !answers.is_empty()
            && writes.write_all(&std::mem::take(&mut answers)).is_err()
        {
            return;
        }
    }
}

/// Writes each answer when it is due.
fn answer(due: &Receiver<Due>, writes: &mut impl Write, awake: Duration, seen: &Seen) {
    while let Ok(Due { at, life, answer, bytes }) = due.recv() {
        thread::sleep(at.saturating_duration_since(now()).saturating_sub(awake));
        while now() < at {
            if awake.is_zero() {
                thread::sleep(at.saturating_duration_since(now()));
            } else {
                thread::yield_now();
            }
        }
        seen.taken().answered(bytes);
        if life == seen.life.load(Ordering::SeqCst) && writes.write_all(&answer).is_err() {
            return;
        }
    }
}
