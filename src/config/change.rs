//! What writing a setting into a config changes.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What writing a setting would change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Change {
    /// Table and key, such as `belt.units_per_mm`.
    pub key: String,
    /// The value as it stands in the file; `None` where the key is not written.
    pub old: Option<String>,
    /// The value as it will be written.
    pub new: String,
    /// Whether a person's value would be replaced by another one.
    pub replaces: bool,
}
