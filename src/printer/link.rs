//! What a connection to a printer must be able to do. A new kind of link is one file with these two traits.

use std::future::Future;
use std::io;
use std::pin::Pin;

/// A boxed future, so that links can be chosen at run time.
pub type LinkFuture<'a, T> = Pin<Box<dyn Future<Output = io::Result<T>> + Send + 'a>>;

/// An open connection that carries bytes both ways.
pub trait Link: Send {
    /// Reads at least one byte into `buffer`, waiting for it; `Ok(0)` means that the other side has closed.
    /// Dropping the future loses no bytes.
    fn read<'a>(&'a mut self, buffer: &'a mut [u8]) -> LinkFuture<'a, usize>;

    /// Writes all of `bytes` and hands them to the machine without further delay.
    fn write_all<'a>(&'a mut self, bytes: &'a [u8]) -> LinkFuture<'a, ()>;

    /// Throws away what was written but has not left yet, where the link can do that: an emergency stop must not wait.
    fn discard_unsent(&mut self) {}

    /// Closes the connection in such a way that what was written last still arrives.
    fn close_gently(self: Box<Self>) {}

    /// The simulated machine's person takes every part off the belt. Real links have real people: does nothing.
    fn parts_taken_off(&mut self) {}
}

/// Opens links of one kind to one machine.
pub trait Connect: Send + Sync {
    /// Opens the connection.
    fn open(&self) -> LinkFuture<'_, Box<dyn Link>>;

    /// What it connects to, for messages: `serial port /dev/ttyUSB0 at 115200 baud`.
    fn describe(&self) -> String;
}
