//! Where the simulated printer can be reached.

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::mpsc::SyncSender;

use thiserror::Error;

use super::pty::Pty;
use super::tcp::Tcp;
use super::{Event, SimulateArgs};

/// A place where a host can connect. What comes in is sent as [`Event::Bytes`].
pub(super) trait Port {
    /// For the log.
    fn describe(&self) -> String;
    /// Sends bytes to whoever is connected. They are lost when nobody is, or when nobody reads.
    fn write(&mut self, bytes: &[u8]);
    /// Cuts the connection under way. A new one can be made at the same place.
    fn cut(&mut self) -> io::Result<()>;
    /// Called once a second.
    fn tend(&mut self) {}
}

/// Why there is no port.
#[derive(Debug, Error)]
pub(super) enum PortError {
    #[error("cannot listen on {address}: {source}")]
    Listen { address: SocketAddr, source: io::Error },
    #[error("cannot make a pseudo-terminal: {0}")]
    Terminal(io::Error),
    #[error("{0} is there already and is no link; choose another path or remove it")]
    LinkTaken(PathBuf),
    #[error("cannot make the link {path}: {source}")]
    Link { path: PathBuf, source: io::Error },
}

/// Opens the port that the arguments ask for.
pub(super) fn open(args: &SimulateArgs, events: SyncSender<Event>) -> Result<Box<dyn Port>, PortError> {
    match (&args.pty, &args.tcp) {
        (Some(link), _) => Ok(Box::new(Pty::open(link.clone(), events)?)),
        (None, address) => {
            let address = address.expect("invariant: the arguments hold one of the two");
            Ok(Box::new(Tcp::listen(address, events)?))
        }
    }
}
