//! A printer behind a serial server: a raw TCP socket, bytes as they are.

use std::io;
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

use super::{Connect, Link, LinkFuture};

/// How long connecting may take: long enough for a lost packet or two to be sent again. A guess.
const CONNECT: Duration = Duration::from_secs(10);
/// A connection without traffic is tried after this long, and then as often. The printer is asked for temperatures more often
/// anyway; this finds a server that lost its memory of us while nothing was to be said.
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// How long a connection that is being closed waits for the other side to close too: a few lost packets long. A guess.
const PARTING: Duration = Duration::from_secs(5);

/// Opens a TCP connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TcpConnect {
    /// Host and port: `192.0.2.7:8888`, `printer.local:8888`, `[2001:db8::7]:8888`.
    pub address: String,
}

impl Connect for TcpConnect {
    fn open(&self) -> LinkFuture<'_, Box<dyn Link>> {
        Box::pin(async move { Ok(Box::new(self.connect().await?) as Box<dyn Link>) })
    }

    fn describe(&self) -> String {
        format!("TCP address {}", self.address)
    }
}

impl TcpConnect {
    async fn connect(&self) -> io::Result<TcpLink> {
        let connecting = timeout(CONNECT, TcpStream::connect(&self.address)).await;
        let late = || io::Error::new(io::ErrorKind::TimedOut, format!("no answer within {} s", CONNECT.as_secs()));
        let stream = connecting.unwrap_or_else(|_| Err(late())).map_err(|error| self.explain(&error))?;
        // Lines are short and each one counts: none may wait for company.
        stream.set_nodelay(true)?;
        let keep_alive = TcpKeepalive::new().with_time(KEEP_ALIVE).with_interval(KEEP_ALIVE);
        SockRef::from(&stream).set_tcp_keepalive(&keep_alive)?;
        Ok(TcpLink { stream })
    }

    /// What went wrong, and what a person can do about it.
    fn explain(&self, error: &io::Error) -> io::Error {
        let address = &self.address;
        let text = match error.kind() {
            io::ErrorKind::ConnectionRefused => {
                format!("nothing listens at {address}; is the serial server on, and the port number right?")
            }
            io::ErrorKind::InvalidInput => format!("{address:?} is no address; write host:port"),
            _ => format!("{address} cannot be reached: {error}"),
        };
        io::Error::new(error.kind(), text)
    }
}

/// An open TCP connection.
#[derive(Debug)]
struct TcpLink {
    stream: TcpStream,
}

impl Link for TcpLink {
    /// `Ok(0)` when the other side has closed in good order, an error when the connection broke.
    fn read<'a>(&'a mut self, buffer: &'a mut [u8]) -> LinkFuture<'a, usize> {
        Box::pin(self.stream.read(buffer))
    }

    fn write_all<'a>(&'a mut self, bytes: &'a [u8]) -> LinkFuture<'a, ()> {
        Box::pin(self.stream.write_all(bytes))
    }

    /// A socket that is closed while answers lie unread resets the connection, and a reset destroys what is still on its way (RFC
    /// 2525, 2.17; RFC 9293, 3.6.1). So it says goodbye, and reads on until the other side has closed too.
    fn close_gently(mut self: Box<Self>) {
        tokio::spawn(timeout(PARTING, async move {
            let mut unread = [0; 256];
            self.stream.shutdown().await?;
            while self.stream.read(&mut unread).await? > 0 {}
            io::Result::Ok(())
        }));
    }
}

#[cfg(test)]
mod tests {
    use tokio::net::TcpListener;

    use super::*;

    async fn listener() -> (TcpListener, TcpConnect) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        (listener, TcpConnect { address })
    }

    #[tokio::test]
    async fn bytes_go_both_ways_and_the_end_is_seen() {
        let (listener, connect) = listener().await;
        let mut link = connect.open().await.unwrap();
        let (mut machine, _) = listener.accept().await.unwrap();
        link.write_all(b"N0 M110 N0*125\n").await.unwrap();
        let mut buffer = [0; 15];
        machine.read_exact(&mut buffer).await.unwrap();
        assert_eq!(&buffer, b"N0 M110 N0*125\n");
        machine.write_all(b"ok\n").await.unwrap();
        assert_eq!(link.read(&mut buffer).await.unwrap(), 3);
        assert_eq!(&buffer[..3], b"ok\n");
        drop(machine);
        assert_eq!(link.read(&mut buffer).await.unwrap(), 0);
    }

    #[tokio::test]
    async fn dropping_a_read_loses_no_bytes() {
        let (listener, connect) = listener().await;
        let mut link = connect.open().await.unwrap();
        let (mut machine, _) = listener.accept().await.unwrap();
        let mut buffer = [0; 8];
        assert!(timeout(Duration::from_millis(20), link.read(&mut buffer)).await.is_err());
        machine.write_all(b"wait\n").await.unwrap();
        assert_eq!(link.read(&mut buffer).await.unwrap(), 5);
    }

    #[tokio::test]
    async fn what_was_written_last_arrives_although_answers_lie_unread() {
        let (listener, connect) = listener().await;
        SockRef::from(&listener).set_recv_buffer_size(4096).unwrap();
        let mut link = connect.open().await.unwrap();
        let (mut machine, _) = listener.accept().await.unwrap();
        machine.write_all(b"ok\nok\n").await.unwrap();
        // More than the machine's side takes while nobody reads there.
        let mut sent = vec![b'x'; 200_000];
        sent.extend_from_slice(b"\nM112\n");
        link.write_all(&sent).await.unwrap();
        link.close_gently();
        tokio::time::sleep(Duration::from_millis(50)).await;
        let mut got = Vec::new();
        machine.read_to_end(&mut got).await.unwrap();
        assert!(got == sent, "{} of {} bytes came", got.len(), sent.len());
    }

    #[tokio::test]
    async fn a_refused_connection_and_a_bad_address_are_explained() {
        let (listener, connect) = listener().await;
        drop(listener);
        let error = connect.open().await.map(|_| ()).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::ConnectionRefused);
        assert!(error.to_string().starts_with(&format!("nothing listens at {}", connect.address)), "{error}");
        let error = TcpConnect { address: "printer".to_owned() }.open().await.map(|_| ()).unwrap_err();
        assert_eq!(error.to_string(), "\"printer\" is no address; write host:port");
    }

    #[tokio::test]
    async fn small_writes_leave_at_once_and_a_dead_connection_is_noticed() {
        let (_listener, connect) = listener().await;
        let link = connect.connect().await.unwrap();
        assert!(link.stream.nodelay().unwrap());
        let socket = SockRef::from(&link.stream);
        assert!(socket.keepalive().unwrap());
        assert_eq!(socket.tcp_keepalive_time().unwrap(), KEEP_ALIVE);
        assert_eq!(connect.describe(), format!("TCP address {}", connect.address));
    }
}
