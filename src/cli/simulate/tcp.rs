//! A TCP port with the manners of a serial server: one connection after another, and nothing is kept for those not connected.

use std::io::{self, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::Duration;

use super::Event;
use super::port::{Port, PortError};

/// The listening socket and the connection under way.
pub(super) struct Tcp {
    address: SocketAddr,
    current: Current,
}

type Current = Arc<Mutex<Option<TcpStream>>>;

/// A host that takes nothing for this long is not there.
const WRITE_PATIENCE: Duration = Duration::from_millis(200);

impl Tcp {
    pub(super) fn listen(address: SocketAddr, events: SyncSender<Event>) -> Result<Self, PortError> {
        let failed = |source| PortError::Listen { address, source };
        let listener = TcpListener::bind(address).map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let current = Current::default();
        let tcp = Self { address, current: Arc::clone(&current) };
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if serve(&stream, &current, &events).is_break() {
                    return;
                }
            }
        });
        Ok(tcp)
    }

    fn with_current<T>(&self, act: impl FnOnce(&mut Option<TcpStream>) -> T) -> T {
        act(&mut self.current.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// Reads a connection to its end; breaks when nobody wants the bytes any more.
fn serve(stream: &TcpStream, current: &Current, events: &SyncSender<Event>) -> std::ops::ControlFlow<()> {
    let ours = stream.set_nodelay(true).and_then(|()| stream.set_write_timeout(Some(WRITE_PATIENCE)));
    let Ok(writer) = ours.and_then(|()| stream.try_clone()) else { return std::ops::ControlFlow::Continue(()) };
    let put = |stream| *current.lock().unwrap_or_else(PoisonError::into_inner) = stream;
    put(Some(writer));
    let mut buffer = [0; 4096];
    let mut reader = stream;
    while let Ok(length @ 1..) = reader.read(&mut buffer) {
        if events.send(Event::Bytes(buffer[..length].to_vec())).is_err() {
            return std::ops::ControlFlow::Break(());
        }
    }
    put(None);
    std::ops::ControlFlow::Continue(())
}

impl Port for Tcp {
    fn describe(&self) -> String {
        format!("tcp {}", self.address)
    }

    fn write(&mut self, bytes: &[u8]) {
        self.with_current(|current| {
            if let Some(stream) = current
                && stream.write_all(bytes).is_err()
            {
                // Its reader sees the end and makes room for the next connection.
                drop(stream.shutdown(Shutdown::Both));
                *current = None;
            }
        });
    }

    fn cut(&mut self) -> io::Result<()> {
        self.with_current(|current| current.take().map_or(Ok(()), |stream| stream.shutdown(Shutdown::Both)))
    }
}
