//! `since`: the line as the person saw it. What was meant for an older state of the line is not done.

use serde::Deserialize;
use utoipa::ToSchema;

/// The body of a command that says nothing else.
#[derive(Clone, Copy, Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Seen {
    /// The `since` of the line as the person saw it.
    #[serde(default)]
    pub(super) since: Option<i64>,
}

/// The same of a form, which has other fields too.
#[derive(Deserialize)]
pub(super) struct SeenForm {
    pub(super) since: Option<i64>,
}
