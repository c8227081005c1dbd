//! A survey with everything in it: what the file says, and the hash of its content.

use std::io::{self, BufRead};

use sha2::{Digest, Sha256};

use super::pieces::each_piece;
use super::survey::{Reading, Rules};
use crate::job::Survey;

/// Surveys all that a reader gives. A reader with a buffer of 256 KiB or so is best.
///
/// # Errors
/// The reader's own.
pub fn survey(reader: impl BufRead, rules: &Rules) -> io::Result<Survey> {
    let mut surveyor = Surveyor::new(rules);
    each_piece(reader, |bytes| surveyor.handle_bytes(bytes))?;
    Ok(surveyor.finish())
}

/// A survey under way that hashes in the same pass. See [`Reading`] for one that leaves the hash to somebody else.
#[derive(Debug)]
pub struct Surveyor {
    hash: ContentHash,
    reading: Reading,
}

impl Surveyor {
    /// A survey of a file of which nothing has been seen.
    #[must_use]
    pub fn new(rules: &Rules) -> Self {
        Self { hash: ContentHash::default(), reading: Reading::new(rules) }
    }

    /// Takes the next bytes of the file, cut anywhere.
    pub fn handle_bytes(&mut self, bytes: &[u8]) {
        self.hash.handle_bytes(bytes);
        self.reading.handle_bytes(bytes);
    }

    /// What was found.
    #[must_use]
    pub fn finish(self) -> Survey {
        self.reading.finish(self.hash.finish())
    }
}

/// SHA-256 of a file's content, under which the store keeps it.
#[derive(Clone, Debug, Default)]
pub struct ContentHash(Sha256);

impl ContentHash {
    /// Takes the next bytes of the file, cut anywhere.
    pub fn handle_bytes(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// 64 characters of 0-9 and a-f.
    #[must_use]
    pub fn finish(self) -> String {
        self.0.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
    }
}
