//! The least that streaming can be: a task that writes lines as the window allows, and one that counts answers.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::runtime::Runtime;
use tokio::sync::Semaphore;
use tokio_serial::SerialPortBuilderExt;

use crate::common::printer_end::Place;

/// The printer's buffer: so many bytes, and no more than four lines, since each takes a quarter of it at least.
const WINDOW_BYTES: usize = 127;
const QUARTER: usize = 31;

/// Sends these lines, and waits for an `ok` to each.
pub(crate) fn stream(runtime: &Runtime, place: &Place, baud: u32, lines: Arc<Vec<Vec<u8>>>) {
    runtime.block_on(async {
        match place {
            Place::Tcp(address) => {
                let stream = TcpStream::connect(address).await.expect("the printer listens");
                stream.set_nodelay(true).expect("lines leave at once");
                let (reads, writes) = stream.into_split();
                exchange(reads, writes, lines).await;
            }
            Place::Terminal(path) => {
                let path = path.to_str().expect("a name in UTF-8");
                let mut stream = tokio_serial::new(path, baud).open_native_async().expect("the terminal opens");
                stream.set_exclusive(false).expect("others may have it afterwards");
                let (reads, writes) = tokio::io::split(stream);
                exchange(reads, writes, lines).await;
            }
        }
    });
}

async fn exchange(
    reads: impl AsyncRead + Unpin,
    writes: impl AsyncWrite + Unpin + Send + 'static,
    lines: Arc<Vec<Vec<u8>>>,
) {
    let room = Arc::new(Semaphore::new(WINDOW_BYTES));
    let sent = Arc::new(Mutex::new(VecDeque::new()));
    let count = lines.len();
    let writer = tokio::spawn(write(writes, lines, Arc::clone(&room), Arc::clone(&sent)));
    read(reads, count, &room, &sent).await;
    writer.await.expect("it wrote all");
}

/// Writes as many lines at once as the window has room for.
async fn write(
    mut writes: impl AsyncWrite + Unpin,
    lines: Arc<Vec<Vec<u8>>>,
    room: Arc<Semaphore>,
    sent: Arc<Mutex<VecDeque<u32>>>,
) {
    let mut out = Vec::new();
    let mut next = 0;
    while next < lines.len() {
        let takes = |line: &[u8]| u32::try_from(line.len().max(QUARTER)).expect("a short line");
        room.acquire_many(takes(&lines[next])).await.expect("the window stays").forget();
        loop {
            out.extend_from_slice(&lines[next]);
            sent.lock().unwrap_or_else(PoisonError::into_inner).push_back(takes(&lines[next]));
            next += 1;
            let Some(line) = lines.get(next) else { break };
            let Ok(more) = room.try_acquire_many(takes(line)) else { break };
            more.forget();
        }
        writes.write_all(&out).await.expect("the printer reads");
        out.clear();
    }
}

async fn read(mut reads: impl AsyncRead + Unpin, count: usize, room: &Semaphore, sent: &Mutex<VecDeque<u32>>) {
    let mut buffer = [0; 4096];
    let mut answered = 0;
    while answered < count {
        let got = reads.read(&mut buffer).await.expect("the printer answers");
        assert!(got > 0, "the printer stays");
        let answers = memchr::memchr_iter(b'\n', &buffer[..got]).count();
        answered += answers;
        let mut sent = sent.lock().unwrap_or_else(PoisonError::into_inner);
        let freed: u32 = sent.drain(..answers).sum();
        room.add_permits(freed as usize);
    }
}
