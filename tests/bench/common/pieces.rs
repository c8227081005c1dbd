//! A file, piece by piece.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use tokio_util::bytes::Bytes;

/// Bytes of one read.
pub(crate) const PIECE_BYTES: usize = 256 * 1024;

/// Gives a file's bytes to `take`, piece by piece.
pub(crate) fn in_pieces(path: &Path, mut take: impl FnMut(&[u8])) {
    let mut file = File::open(path).expect("the sample can be opened");
    let mut piece = vec![0; PIECE_BYTES];
    loop {
        match file.read(&mut piece).expect("the sample can be read") {
            0 => return,
            length => take(&piece[..length]),
        }
    }
}

/// The same, and each piece is `take`'s own.
pub(crate) fn in_owned_pieces(path: &Path, mut take: impl FnMut(Bytes)) {
    let mut file = File::open(path).expect("the sample can be opened");
    loop {
        let mut piece = Vec::with_capacity(PIECE_BYTES);
        match (&mut file).take(PIECE_BYTES as u64).read_to_end(&mut piece).expect("the sample can be read") {
            0 => return,
            _ => take(piece.into()),
        }
    }
}
