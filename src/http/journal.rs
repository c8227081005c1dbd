//! `/api/v1/journal`: what happened, in order.

use axum::extract::{Query, State};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::desk::Desk;
use super::error::HttpError;
use crate::store::Entry;

pub(super) fn router() -> Router<Desk> {
    Router::new().route("/journal", get(list_entries))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct JournalQuery {
    /// Entries with greater numbers.
    #[serde(default)]
    after: i64,
    /// At most so many.
    limit: Option<u32>,
}

#[derive(Serialize)]
struct EntryList {
    entries: Vec<Entry>,
    /// `after` of the next page; `null` when there is nothing more yet.
    next: Option<i64>,
}

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
