//! The least that a client can be: one connection that is kept, requests without a body, and answers that tell their length.

use std::io;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// A connection to `host:port`.
pub(crate) struct Connection {
    stream: TcpStream,
    host: String,
    got: Vec<u8>,
}

impl Connection {
    pub(crate) async fn open(host: &str) -> io::Result<Self> {
        let stream = TcpStream::connect(host).await?;
        stream.set_nodelay(true)?;
        Ok(Self { stream, host: host.to_owned(), got: Vec::new() })
    }

    pub(crate) fn get(&self, path: &str) -> Vec<u8> {
        format!("GET {path} HTTP/1.1\r\nHost: {}\r\n\r\n", self.host).into_bytes()
    }

    /// Sends this, and reads the answer to its end; its status.
    pub(crate) async fn ask(&mut self, request: &[u8]) -> io::Result<u16> {
        self.stream.write_all(request).await?;
        self.answer().await
    }

    async fn answer(&mut self) -> io::Result<u16> {
        self.got.clear();
        let (mut head, mut whole) = (None, usize::MAX);
        while self.got.len() < whole {
            if self.stream.read_buf(&mut self.got).await? == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            if head.is_none() {
                head = memchr::memmem::find(&self.got, b"\r\n\r\n").map(|end| end + 4);
                if let Some(end) = head {
                    whole = end + length(&self.got[..end]).ok_or(io::ErrorKind::InvalidData)?;
                }
            }
        }
        let status = self.got.get(9..12).and_then(|digits| std::str::from_utf8(digits).ok()?.parse().ok());
        Ok(status.ok_or(io::ErrorKind::InvalidData)?)
    }

    pub(crate) fn stream(&mut self) -> &mut TcpStream {
        &mut self.stream
    }

    /// What was read last.
    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.got).into_owned()
    }
}

fn length(head: &[u8]) -> Option<usize> {
    const NAME: &[u8] = b"content-length: ";
    let at = memchr::memmem::find(head, NAME)? + NAME.len();
    let end = at + memchr::memchr(b'\r', &head[at..])?;
    std::str::from_utf8(&head[at..end]).ok()?.parse().ok()
}

/// One answer over a connection of its own.
pub(crate) async fn once(host: &str, path: &str) {
    let mut connection = Connection::open(host).await.expect("somebody listens");
    let request = connection.get(path);
    let status = connection.ask(&request).await.expect("an answer");
    assert_eq!(status, 200, "{path}: {}", connection.text());
}
