//! A pseudo-terminal with a link to it: what a host takes for a serial port.

use std::collections::VecDeque;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;

use nix::pty::openpty;
use nix::sys::termios::{FlushArg, SetArg, cfmakeraw, tcflush, tcgetattr, tcsetattr};
use nix::unistd::ttyname;

use super::Event;
use super::port::{Port, PortError};

/// A pseudo-terminal under a link that stays the same when the terminal is made anew.
pub(super) struct Pty {
    link: PathBuf,
    events: SyncSender<Event>,
    terminal: Terminal,
}

/// One pseudo-terminal. The host's end is kept open here too, so that the terminal outlives the hosts that come and go.
struct Terminal {
    path: PathBuf,
    host_end: File,
    backlog: Arc<Backlog>,
    signs: Arc<Signs>,
    /// Bytes that lay unread when it was last tended.
    unread: u64,
}

/// What the terminal and its threads tell each other.
#[derive(Default)]
struct Signs {
    /// The terminal is closed.
    closed: AtomicBool,
    /// Something came in since this was last looked at: a host is there.
    heard: AtomicBool,
}

/// Replies that wait for the terminal to take them.
#[derive(Default)]
struct Backlog {
    replies: Mutex<VecDeque<Vec<u8>>>,
    more: Condvar,
}

/// Replies that may wait. The oldest ones are lost first: a host that has just come must hear the newest.
const BACKLOG_MAX: usize = 256;

impl Backlog {
    fn lock(&self) -> MutexGuard<'_, VecDeque<Vec<u8>>> {
        self.replies.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn push(&self, bytes: Vec<u8>) {
        let mut replies = self.lock();
        replies.push_back(bytes);
        if replies.len() > BACKLOG_MAX {
            replies.pop_front();
        }
        self.more.notify_one();
    }

    fn pop(&self) -> Option<Vec<u8>> {
        let waited = self.more.wait_while(self.lock(), |replies| replies.is_empty());
        waited.unwrap_or_else(PoisonError::into_inner).pop_front()
    }
}

impl Pty {
    pub(super) fn open(link: PathBuf, events: SyncSender<Event>) -> Result<Self, PortError> {
        let terminal = Terminal::open(&events).map_err(PortError::Terminal)?;
        point(&link, &terminal.path)?;
        Ok(Self { link, events, terminal })
    }
}

/// Makes `link` point to `target`, in place of an older link.
fn point(link: &Path, target: &Path) -> Result<(), PortError> {
    let failed = |source| PortError::Link { path: link.to_path_buf(), source };
    match fs::symlink_metadata(link) {
        Ok(there) if there.is_symlink() => fs::remove_file(link).map_err(failed)?,
        Ok(_) => return Err(PortError::LinkTaken(link.to_path_buf())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(failed(error)),
    }
    symlink(target, link).map_err(failed)
}

impl Terminal {
    fn open(events: &SyncSender<Event>) -> io::Result<Self> {
        let pair = openpty(None, None)?;
        let mut modes = tcgetattr(&pair.slave)?;
        cfmakeraw(&mut modes);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &modes)?;
        let path = ttyname(&pair.slave)?;
        let machine_end = File::from(pair.master);
        let signs = Arc::new(Signs::default());
        read_on(machine_end.try_clone()?, events.clone(), Arc::clone(&signs));
        let backlog = Arc::new(Backlog::default());
        write_on(machine_end, Arc::clone(&backlog), Arc::clone(&signs));
        Ok(Self { path, host_end: File::from(pair.slave), backlog, signs, unread: 0 })
    }
}

/// Sends everything that comes in, until the terminal is closed.
fn read_on(mut machine_end: File, events: SyncSender<Event>, signs: Arc<Signs>) {
    thread::spawn(move || {
        let mut buffer = [0; 4096];
        while let Ok(length @ 1..) = machine_end.read(&mut buffer) {
            signs.heard.store(true, Ordering::Release);
            let unwanted = signs.closed.load(Ordering::Acquire);
            if unwanted || events.send(Event::Bytes(buffer[..length].to_vec())).is_err() {
                return;
            }
        }
    });
}

/// Writes in a thread of its own: a terminal that nobody reads takes no more bytes, and the machine must not wait for it.
fn write_on(mut machine_end: File, backlog: Arc<Backlog>, signs: Arc<Signs>) {
    thread::spawn(move || {
        while let Some(bytes) = backlog.pop() {
            if signs.closed.load(Ordering::Acquire) || machine_end.write_all(&bytes).is_err() {
                return;
            }
        }
    });
}

impl Port for Pty {
    fn describe(&self) -> String {
        format!("pseudo-terminal {}", self.link.display())
    }

    fn write(&mut self, bytes: &[u8]) {
        self.terminal.backlog.push(bytes.to_vec());
    }

    /// The host sees its terminal hang up; a new one is behind the same link.
    fn cut(&mut self) -> io::Result<()> {
        let terminal = Terminal::open(&self.events)?;
        point(&self.link, &terminal.path).map_err(io::Error::other)?;
        self.terminal = terminal;
        Ok(())
    }

    fn tend(&mut self) {
        let host_end = &self.terminal.host_end;
        // A host that asked for the port alone and died would keep it taken, since it never closes for good.
        let _ = rustix::termios::ioctl_tiocnxcl(host_end);
        // Replies that lie unread for a second, with no word from a host, have no reader. A serial line would have lost them.
        let unread = rustix::io::ioctl_fionread(host_end).unwrap_or(0);
        let heard = self.terminal.signs.heard.swap(false, Ordering::AcqRel);
        if !heard && unread >= self.terminal.unread && self.terminal.unread > 0 {
            self.terminal.backlog.lock().clear();
            let _ = tcflush(host_end, FlushArg::TCIFLUSH);
        }
        self.terminal.unread = unread;
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        self.signs.closed.store(true, Ordering::Release);
        // Both threads hold the machine's end: the one may wait for a reply or for room, the other for a byte.
        self.backlog.push(Vec::new());
        let _ = tcflush(&self.host_end, FlushArg::TCIFLUSH);
        drop(self.host_end.write_all(b"\n"));
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        if fs::read_link(&self.link).is_ok_and(|target| target == self.terminal.path) {
            drop(fs::remove_file(&self.link));
        }
    }
}
