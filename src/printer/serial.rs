//! A printer on a serial port: 8 data bits, no parity, 1 stop bit, no flow control. Serves pseudo-terminals too.

use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{ClearBuffer, ErrorKind, SerialPort, SerialPortBuilderExt, SerialStream};

use super::{Connect, Link, LinkFuture};

/// Opens a serial port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialConnect {
    /// The device: `/dev/ttyUSB0`, or better one of `/dev/serial/by-id/`, whose names stay.
    pub path: PathBuf,
    /// Bits a second.
    pub baud: u32,
}

impl Connect for SerialConnect {
    fn open(&self) -> LinkFuture<'_, Box<dyn Link>> {
        Box::pin(async move {
            let link = SerialLink::open(&self.path, self.baud).map_err(|error| self.explain(&error))?;
            Ok(Box::new(link) as Box<dyn Link>)
        })
    }

    fn describe(&self) -> String {
        format!("serial port {} at {} baud", self.path.display(), self.baud)
    }
}

impl SerialConnect {
    /// What went wrong, and what a person can do about it.
    fn explain(&self, error: &tokio_serial::Error) -> io::Error {
        let path = self.path.display();
        let (kind, text) = match error.kind() {
            ErrorKind::Io(kind @ io::ErrorKind::NotFound) => {
                let ports = tokio_serial::available_ports().unwrap_or_default();
                let names: Vec<_> = ports.into_iter().map(|port| port.port_name).collect();
                let present = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
                (
                    kind,
                    format!(
                        "there is no serial port {path}; is the printer plugged in and switched on? Ports here: {present}"
                    ),
                )
            }
            ErrorKind::Io(kind @ io::ErrorKind::PermissionDenied) => {
                let group = owning_group(&self.path).map_or_else(String::new, |group| format!(" {group:?}"));
                (
                    kind,
                    format!(
                        "serial port {path} may not be opened; add the user to the group{group} that owns it and log in again"
                    ),
                )
            }
            ErrorKind::NoDevice => {
                let text = format!("serial port {path} is in use by another program; close that one first");
                (io::ErrorKind::ResourceBusy, text)
            }
            ErrorKind::Io(kind) => (kind, format!("serial port {path} cannot be opened: {error}")),
            ErrorKind::InvalidInput | ErrorKind::Unknown => {
                let text = format!("{path} cannot be used as a serial port at {} baud: {error}", self.baud);
                (io::ErrorKind::InvalidInput, text)
            }
        };
        io::Error::new(kind, text)
    }
}

/// Name of the group that owns a file, its number if it has no name.
fn owning_group(path: &Path) -> Option<String> {
    let gid = std::fs::metadata(path).ok()?.gid().to_string();
    let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
    // name:password:number:members
    let named = groups.lines().find(|line| line.split(':').nth(2) == Some(&gid));
    Some(named.and_then(|line| line.split(':').next()).map_or(gid, str::to_owned))
}

/// An open serial port.
#[derive(Debug)]
struct SerialLink {
    stream: SerialStream,
}

impl SerialLink {
    /// Opens the port for this process alone. What was received before is thrown away: it answers somebody else.
    fn open(path: &Path, baud: u32) -> tokio_serial::Result<Self> {
        let invalid = |why| tokio_serial::Error::new(ErrorKind::InvalidInput, why);
        let path = path.to_str().ok_or_else(|| invalid("the name of a port must be UTF-8"))?;
        if baud == 0 {
            return Err(invalid("the speed must be above zero"));
        }
        // Framing and exclusive use are the builder's defaults. DTR is raised, as printers expect; many restart at that.
        let stream = tokio_serial::new(path, baud).dtr_on_open(true).open_native_async()?;
        stream.clear(ClearBuffer::Input)?;
        Ok(Self { stream })
    }
}

impl Link for SerialLink {
    /// When the port goes away (cable pulled, other end of a pseudo-terminal closed), this gives `Ok(0)` or an error, as
    /// the driver pleases: either means that the link is gone.
    fn read<'a>(&'a mut self, buffer: &'a mut [u8]) -> LinkFuture<'a, usize> {
        Box::pin(self.stream.read(buffer))
    }

    fn write_all<'a>(&'a mut self, bytes: &'a [u8]) -> LinkFuture<'a, ()> {
        Box::pin(async move {
            // Room made by throwing unsent bytes away is not always announced: see for ourselves before waiting for it.
            let written = match self.stream.try_write(bytes) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => 0,
                written => written?,
            };
            // Written is enough: the driver sends at once. A flush would block the thread until the last bit is out.
            self.stream.write_all(&bytes[written..]).await
        })
    }

    fn discard_unsent(&mut self) {
        if let Err(error) = self.stream.clear(ClearBuffer::Output) {
            tracing::warn!(%error, "unsent bytes could not be thrown away; they go out before the stop");
        }
    }
}

impl Drop for SerialLink {
    fn drop(&mut self) {
        // A pseudo-terminal stays locked after closing as long as anybody else has it open. Too late to do more about an error.
        let _ = self.stream.set_exclusive(false);
    }
}

#[cfg(test)]
mod tests {
    use std::fs::File;
    use std::io::{Read, Write};
    use std::os::fd::OwnedFd;
    use std::time::Duration;

    use nix::pty::openpty;
    use nix::sys::termios::{LocalFlags, tcgetattr};
    use nix::unistd::ttyname;
    use tokio::time::timeout;

    use super::*;

    const SOON: Duration = Duration::from_secs(10);

    /// The machine's end, the port's own end, and how to open it.
    fn port() -> (File, OwnedFd, SerialConnect) {
        let pty = openpty(None, None).unwrap();
        let path = ttyname(&pty.slave).unwrap();
        (File::from(pty.master), pty.slave, SerialConnect { path, baud: 115_200 })
    }

    async fn failure(path: impl Into<PathBuf>, baud: u32) -> io::Error {
        SerialConnect { path: path.into(), baud }.open().await.map(|_| ()).unwrap_err()
    }

    #[tokio::test]
    async fn bytes_go_both_ways_unchanged() {
        let (mut machine, _, connect) = port();
        let mut link = connect.open().await.unwrap();
        link.write_all(b"N0 M110 N0*125\n\x03\x04\r\xff").await.unwrap();
        let mut buffer = [0; 64];
        let got = machine.read(&mut buffer).unwrap();
        assert_eq!(&buffer[..got], b"N0 M110 N0*125\n\x03\x04\r\xff", "nothing is translated");
        machine.write_all(b"ok\r\n\x03\x11\x13").unwrap();
        let mut got = Vec::new();
        while got.len() < 7 {
            let read = timeout(SOON, link.read(&mut buffer)).await.unwrap().unwrap();
            got.extend_from_slice(&buffer[..read]);
        }
        assert_eq!(got, b"ok\r\n\x03\x11\x13");
    }

    #[tokio::test]
    async fn the_port_is_set_to_speed_and_raw() {
        let (_machine, end, connect) = port();
        for baud in [115_200, 250_000] {
            let link = SerialLink::open(&connect.path, baud).unwrap();
            assert_eq!(link.stream.baud_rate().unwrap(), baud);
            let cooked = LocalFlags::ECHO | LocalFlags::ICANON | LocalFlags::ISIG;
            assert!(!tcgetattr(&end).unwrap().local_flags.intersects(cooked));
        }
    }

    #[tokio::test]
    async fn a_port_has_one_user_and_is_free_again_afterwards() {
        let (_machine, _end, connect) = port();
        let link = connect.open().await.unwrap();
        let error = connect.open().await.map(|_| ()).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::ResourceBusy);
        assert!(error.to_string().contains("in use by another program"), "{error}");
        drop(link);
        assert!(connect.open().await.is_ok());
    }

    #[tokio::test]
    async fn dropping_a_read_loses_no_bytes() {
        let (mut machine, _, connect) = port();
        let mut link = connect.open().await.unwrap();
        let mut buffer = [0; 8];
        assert!(timeout(Duration::from_millis(20), link.read(&mut buffer)).await.is_err(), "there is nothing to read");
        machine.write_all(b"ok\n").unwrap();
        assert_eq!(timeout(SOON, link.read(&mut buffer)).await.unwrap().unwrap(), 3);
    }

    #[tokio::test]
    async fn a_pulled_cable_ends_the_reading() {
        let (machine, end, connect) = port();
        let mut link = connect.open().await.unwrap();
        drop((machine, end));
        let mut buffer = [0; 8];
        let read = timeout(SOON, link.read(&mut buffer)).await.unwrap();
        assert!(matches!(read, Ok(0) | Err(_)), "{read:?}");
    }

    #[tokio::test]
    async fn an_emergency_stop_gets_through_a_port_that_is_stuffed() {
        let (mut machine, _, connect) = port();
        let mut link = connect.open().await.unwrap();
        let flood = vec![b'x'; 1 << 20];
        assert!(timeout(Duration::from_millis(50), link.write_all(&flood)).await.is_err(), "nobody reads");
        link.discard_unsent();
        timeout(SOON, link.write_all(b"\nM112\n")).await.unwrap().unwrap();
        let mut buffer = vec![0; 1 << 20];
        let mut got = Vec::new();
        while !got.ends_with(b"\nM112\n") {
            let read = machine.read(&mut buffer).unwrap();
            got.extend_from_slice(&buffer[..read]);
        }
        assert!(got.len() < flood.len());
    }

    #[tokio::test]
    async fn a_port_that_is_not_there_is_explained() {
        let error = failure("/dev/no-such-port", 115_200).await;
        assert_eq!(error.kind(), io::ErrorKind::NotFound);
        assert!(error.to_string().starts_with("there is no serial port /dev/no-such-port; is the printer"), "{error}");
    }

    #[tokio::test]
    async fn a_file_that_is_no_port_is_explained() {
        let file = tempfile::NamedTempFile::new().unwrap();
        let error = failure(file.path(), 115_200).await;
        assert!(error.to_string().contains("cannot be used as a serial port"), "{error}");
        let error = failure("/dev/null", 0).await;
        assert!(error.to_string().contains("the speed must be above zero"), "{error}");
    }

    #[test]
    fn a_forbidden_port_names_the_group_that_helps() {
        let connect = SerialConnect { path: "/dev/null".into(), baud: 115_200 };
        let denied = tokio_serial::Error::new(ErrorKind::Io(io::ErrorKind::PermissionDenied), "Permission denied");
        let error = connect.explain(&denied);
        let group = owning_group(Path::new("/dev/null")).unwrap();
        assert!(error.to_string().contains(&format!("add the user to the group {group:?} that owns it")), "{error}");
        assert_eq!(connect.describe(), "serial port /dev/null at 115200 baud");
    }
}
