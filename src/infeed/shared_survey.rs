//! A survey shared by two threads: the caller's finds the runs of plain moves, one of its own gives them their meaning.

use std::io;
use std::panic::resume_unwind;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle};

use tokio_util::bytes::Bytes;

use super::pour::Inspect;
use crate::gcode::{Reading, Rules, Scan, Scanner};
use crate::job::Survey;

/// Pieces that may wait for the second thread. With pieces of 256 KiB, each with its runs in a megabyte, neither thread has to be
/// woken for most of them; smaller ones were seen to cost more in waking than they save.
const WAITING_MAX: usize = 4;

/// A survey under way, on the caller's thread and one of its own.
#[derive(Debug)]
pub struct SharedSurvey {
    scanner: Scanner,
    to_reading: SyncSender<(Bytes, Scan)>,
    /// Scans that are done with.
    back: Receiver<Scan>,
    reading: JoinHandle<Reading>,
}

impl SharedSurvey {
    /// Of a file of which nothing has been seen.
    ///
    /// # Errors
    /// The system's, where it has no thread to give.
    pub fn begin(rules: &Rules) -> io::Result<Self> {
        let (to_reading, pieces) = sync_channel::<(Bytes, Scan)>(WAITING_MAX);
        let (done, back) = sync_channel(WAITING_MAX + 2);
        let mut reading = Reading::new(rules);
        let work = move || {
            for (bytes, mut scan) in pieces {
                reading.handle_scanned(&bytes, &mut scan);
                // Nobody wants it back after the last piece.
                drop(done.try_send(scan));
            }
            reading
        };
        let reading = Builder::new().name("survey moves".to_owned()).spawn(work)?;
        Ok(Self { scanner: Scanner::new(rules), to_reading, back, reading })
    }
}

impl Inspect for SharedSurvey {
    fn handle_bytes(&mut self, bytes: &Bytes) {
        let mut scan = self.back.try_recv().unwrap_or_default();
        self.scanner.scan(bytes, &mut scan);
        // A reading that panicked hears nothing more, and says so when it is joined.
        drop(self.to_reading.send((bytes.clone(), scan)));
    }

    /// # Panics
    /// As the other thread did.
    fn finish(self: Box<Self>, sha256: String) -> Survey {
        drop(self.to_reading);
        match self.reading.join() {
            Ok(reading) => reading.finish(sha256),
            Err(panic) => resume_unwind(panic),
        }
    }
}
