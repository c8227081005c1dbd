//! `/api/v1/journal`: what happened, in order.

use axum::Json;
use axum::extract::{Query, State};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::desk::Desk;
use super::document::{Api, routes};
use super::error::HttpError;
use crate::store::Entry;

pub(super) fn router() -> Api {
    Api::new().routes(routes!(list_entries))
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct JournalQuery {
    /// Entries with greater numbers.
    #[serde(default)]
    after: i64,
    /// At most so many.
    #[param(minimum = 1, maximum = 500, default = 50)]
    limit: Option<u32>,
}

/// Some entries of the journal.
#[derive(Serialize, ToSchema)]
struct EntryList {
    /// In the order of their numbers.
    entries: Vec<Entry>,
    /// `after` of the next page; `null` when there is nothing more yet.
    next: Option<i64>,
}

/// The journal, page by page
#[utoipa::path(get, path = "/journal", params(JournalQuery),
    responses((status = 200, description = "Some entries, and where the next page begins.", body = EntryList)))]
async fn list_entries(
    State(desk): State<Desk>,
    Query(query): Query<JournalQuery>,
) -> Result<Json<EntryList>, HttpError> {
    let limit = super::desk::page_size(query.limit)?;
    let mut entries = desk.journal_after(query.after, limit + 1).await?;
    let more = entries.len() > limit as usize;
    entries.truncate(limit as usize);
    let next = if more { entries.last().map(|entry| entry.seq) } else { None };
    Ok(Json(EntryList { entries, next }))
}
