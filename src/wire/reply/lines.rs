//! Bytes to lines.

use super::{Reply, parse_reply};

/// A longer reply is cut: no report is as long, and a printer gone mad must not fill the memory.
const LINE_BYTES_MAX: usize = 1024;

/// Cuts what arrives, in whatever pieces, into reply lines. Takes LF, CR LF and CR; passes over empty lines.
#[derive(Debug, Default)]
pub struct ReplyLines {
    line: Vec<u8>,
}

impl ReplyLines {
    /// The next whole reply in `bytes`, which loses what was read. Nothing when the rest is only the beginning of a line; it
    /// is kept for the next call.
    pub fn next(&mut self, bytes: &mut &[u8]) -> Option<Reply> {
        loop {
            let end = bytes.iter().position(|byte| matches!(byte, b'\n' | b'\r'));
            let (piece, rest) = bytes.split_at(end.unwrap_or(bytes.len()));
            let space = LINE_BYTES_MAX - self.line.len();
            self.line.extend_from_slice(&piece[..piece.len().min(space)]);
            let Some((_, rest)) = rest.split_first() else {
                *bytes = rest;
                return None;
            };
            *bytes = rest;
            if !self.line.is_empty() {
                let reply = parse_reply(&self.line);
                self.line.clear();
                return Some(reply);
            }
        }
    }

    /// Forgets the beginning of a line.
    pub fn clear(&mut self) {
        self.line.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn replies(chunks: &[&[u8]]) -> Vec<Reply> {
        let mut lines = ReplyLines::default();
        let mut found = Vec::new();
        for chunk in chunks {
            let mut rest = *chunk;
            while let Some(reply) = lines.next(&mut rest) {
                found.push(reply);
            }
            assert!(rest.is_empty());
        }
        found
    }

    #[test]
    fn lines_come_out_alike_however_they_are_cut() {
        let bytes = b"start\r\nok T:201 /202 B:117 /120\n\nwait\r\rResend: 7\nok\nunfinish";
        let whole = replies(&[bytes]);
        assert_eq!(whole.len(), 5);
        assert_eq!(whole[3], Reply::Resend { line: Some(7) });
        for size in 1..bytes.len() {
            assert_eq!(replies(&bytes.chunks(size).collect::<Vec<_>>()), whole, "in pieces of {size}");
        }
    }

    #[test]
    fn an_endless_line_is_cut_and_the_next_one_is_read() {
        let long = [vec![b'x'; 5000], b"\nok\n".to_vec()].concat();
        let found = replies(&long.chunks(700).collect::<Vec<_>>());
        assert_eq!(found[0], Reply::Other { text: "x".repeat(LINE_BYTES_MAX) });
        assert_eq!(found[1], Reply::Ok { line: None, reports: Vec::new() });
    }
}
