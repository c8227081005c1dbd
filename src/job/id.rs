//! Numbers of jobs and cycles, names of lines.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A job's number, counted up from 1 and never used again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct JobId(pub i64);

/// A cycle's number: one copy's way through a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct CycleId(pub i64);

impl fmt::Display for JobId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Display for CycleId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A line's name: 1 to 32 of `a–z 0–9 -`, so that it can be a folder and a part of an address.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct LineName(Arc<str>);

/// A line name with characters that it may not have.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("line name {0:?} is not 1 to 32 characters of a-z, 0-9 and '-'")]
pub struct BadLineName(pub String);

impl LineName {
    /// Checks the characters.
    ///
    /// # Errors
    /// [`BadLineName`] for an empty or longer name, or one with other characters.
    pub fn new(name: &str) -> Result<Self, BadLineName> {
        let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if (1..=32).contains(&name.len()) && name.chars().all(good) {
            Ok(Self(name.into()))
        } else {
            Err(BadLineName(name.to_owned()))
        }
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for LineName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
