//! A key as its owner has it.

use std::fs::File;
use std::io::{self, Read};

use sha2::{Digest, Sha256};

use crate::job::KeyHash;

/// 128 bits: nobody guesses that over a network.
const BYTES: usize = 16;

/// A key: 32 hexadecimal digits. It is shown to a person once; what is kept is its hash.
///
/// The hash has no salt and is not slow: both protect words that people think of, and these bits are random.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// A new one, from the system's random numbers.
    ///
    /// # Errors
    /// Where the system gives none.
    pub fn fresh() -> io::Result<Self> {
        let mut random = [0; BYTES];
        File::open("/dev/urandom")?.read_exact(&mut random)?;
        Ok(Self(random.iter().map(|byte| format!("{byte:02x}")).collect()))
    }

    /// From its digits; blanks around them are left out.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let good = text.len() == BYTES * 2 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
        good.then(|| Self(text.to_owned()))
    }

    /// What it is known by.
    #[must_use]
    pub fn hash(&self) -> KeyHash {
        hash_of(&self.0)
    }

    /// The digits.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

/// A secret does not get into a log by mistake.
impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret")
    }
}

/// What anything that is presented as a key would be known by.
pub(super) fn hash_of(presented: &str) -> KeyHash {
    KeyHash(Sha256::digest(presented.as_bytes()).into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_keys_are_alike_and_each_reads_back() {
        let (one, other) = (Secret::fresh().expect("random numbers"), Secret::fresh().expect("random numbers"));
        assert_ne!(one, other);
        assert_eq!(one.reveal().len(), 32);
        assert_eq!(Secret::parse(&format!(" {}\n", one.reveal())), Some(one.clone()));
        assert_eq!(format!("{one:?}"), "Secret");
        for bad in ["", "secret", &"g".repeat(32), &"0".repeat(31), &"0".repeat(33)] {
            assert_eq!(Secret::parse(bad), None, "{bad}");
        }
    }

    /// FIPS 180-4's example for a message of one block, "abc".
    #[test]
    fn a_key_is_known_by_its_sha_256() {
        let wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(hash_of("abc").to_string(), wanted);
    }
}
