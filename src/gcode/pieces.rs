//! A reader's bytes, piece by piece.

use std::io::{self, BufRead};

/// Gives everything that a reader has, in the pieces in which it comes.
///
/// # Errors
/// The reader's own; an interruption is none.
pub(crate) fn each_piece(mut reader: impl BufRead, mut take: impl FnMut(&[u8])) -> io::Result<()> {
    loop {
        let bytes = match reader.fill_buf() {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        if bytes.is_empty() {
            return Ok(());
        }
        take(bytes);
        let length = bytes.len();
        reader.consume(length);
    }
}
