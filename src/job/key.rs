//! Keys of those who do not sit at the daemon's own machine: what they may do, what they are called, what they are known by.

use std::fmt;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::keyword::keywords;
use crate::units::UnixMillis;

keywords! {
    /// What a key allows.
    Rights {
        /// Reading alone.
        Watch = "watch",
        /// Reading, and everything that a person can do.
        Operate = "operate",
    }
}

impl Rights {
    /// Whether whoever has this may do what needs `needed`.
    #[must_use]
    pub const fn allow(self, needed: Self) -> bool {
        matches!((self, needed), (Self::Operate, _) | (Self::Watch, Self::Watch))
    }
}

/// A key's number, counted up from 1 and never used again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct KeyId(pub i64);

impl fmt::Display for KeyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// What a key is known by: its SHA-256 (FIPS 180-4). The key itself is kept nowhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyHash(pub [u8; 32]);

impl KeyHash {
    /// From 64 lower-case hexadecimal digits, as [`fmt::Display`] writes them.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let digits = text.as_bytes();
        if digits.len() != 64 || !digits.iter().all(|d| d.is_ascii_digit() || (b'a'..=b'f').contains(d)) {
            return None;
        }
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(digits.chunks_exact(2)) {
            *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
        }
        Some(Self(bytes))
    }
}

impl fmt::Display for KeyHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// Longest name of a key, characters.
const NAME_MAX: usize = 60;

/// A key's name: 1 to 60 characters of any script, none of them a control character; no blanks around it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(transparent)]
pub struct KeyName(String);

/// A name that no key can have.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum BadKeyName {
    /// Nothing, or too much.
    #[error("the key's name has {0} characters, expected 1 to {NAME_MAX}")]
    Length(usize),
    /// A line break, a NUL or the like.
    #[error("the key's name has the control character {0:?}; leave it out")]
    Control(char),
}

impl KeyName {
    /// Takes the blanks off both ends and checks the rest.
    ///
    /// # Errors
    /// [`BadKeyName`] for an empty or longer name, or one with a control character.
    pub fn new(text: &str) -> Result<Self, BadKeyName> {
        let text = text.trim();
        let length = text.chars().count();
        if !(1..=NAME_MAX).contains(&length) {
            return Err(BadKeyName::Length(length));
        }
        match text.chars().find(|c| c.is_control()) {
            Some(control) => Err(BadKeyName::Control(control)),
            None => Ok(Self(text.to_owned())),
        }
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for KeyName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A key: who may do what until when. As JSON without what it is known by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AccessKey {
    /// Its number.
    pub id: KeyId,
    /// What a person calls it.
    pub name: KeyName,
    /// What it allows.
    pub rights: Rights,
    /// What it is known by.
    #[serde(skip)]
    pub hash: KeyHash,
    /// When it was made.
    pub made_at: UnixMillis,
    /// The hour in which it was last used.
    pub last_used: Option<UnixMillis>,
    /// Since when it allows nothing.
    pub revoked_at: Option<UnixMillis>,
}

impl AccessKey {
    /// Whether it allows anything.
    #[must_use]
    pub const fn is_live(&self) -> bool {
        self.revoked_at.is_none()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_may_operate_may_watch_and_not_the_other_way() {
        assert!(Rights::Operate.allow(Rights::Operate) && Rights::Operate.allow(Rights::Watch));
        assert!(Rights::Watch.allow(Rights::Watch) && !Rights::Watch.allow(Rights::Operate));
    }

    #[test]
    fn a_hash_comes_back_as_it_was_written() {
        let hash = KeyHash(std::array::from_fn(|i| u8::try_from(i * 8).expect("below 256")));
        assert_eq!(KeyHash::parse(&hash.to_string()), Some(hash));
        for bad in ["", &"0".repeat(63), &"0".repeat(65), &"G".repeat(64), &"A".repeat(64), &"é".repeat(32)] {
            assert_eq!(KeyHash::parse(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_name_may_be_of_any_script_but_not_endless_and_not_a_command_to_a_terminal() {
        for good in ["first phone", "  workshop  ", "../x", "<script>", "\u{202e}gnihtemos", &"ü".repeat(60)] {
            assert_eq!(KeyName::new(good).expect(good).as_str(), good.trim());
        }
        assert_eq!(KeyName::new(" "), Err(BadKeyName::Length(0)));
        assert_eq!(KeyName::new(&"x".repeat(4000)), Err(BadKeyName::Length(4000)));
        for bad in ['\0', '\n', '\u{1b}', '\u{7f}', '\u{9b}'] {
            assert_eq!(KeyName::new(&format!("a{bad}b")), Err(BadKeyName::Control(bad)));
        }
    }
}
