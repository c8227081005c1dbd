//! Members of a change that can be taken away: one that is `null` is said, one that is not there is not.

use serde::{Deserialize, Deserializer};

/// Reads a member that was said, `null` or not; with `#[serde(default)]` one that was not said is `None`.
///
/// # Errors
/// Those of the member's own type.
pub fn said<'de, T: Deserialize<'de>, D: Deserializer<'de>>(from: D) -> Result<Option<T>, D::Error> {
    T::deserialize(from).map(Some)
}
