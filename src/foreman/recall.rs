//! Ended jobs are not in the books; what somebody asks about is fetched from the store.

use super::books::{Books, Past};
use super::command::{Command, JobCommand};
use crate::job::{Job, JobId};
use crate::store::{Reader, StoreError};

/// What the books lack to decide about this command; `None` where it is about nothing that may have ended.
pub(super) async fn recall(reader: &Reader, books: &Books, command: &Command) -> Result<Option<Past>, StoreError> {
    let (id, what) = match command {
        Command::Job { id, what, .. } => (*id, Some(what)),
        Command::SourceGone(id) => (*id, None),
        _ => return Ok(None),
    };
    let mut past = Past::default();
    bring(reader, books, id, &mut past).await?;
    let Some(what) = what.filter(|what| what.is_for_ended()) else { return Ok(Some(past)) };
    note_successor(reader, id, &mut past).await?;
    let job = past.jobs.first().or_else(|| books.job(id));
    if let Some(hash) = job.map(|job| job.sha256.clone()) {
        past.survey = reader.survey(&hash).await?;
    }
    past.remade_elsewhere = reader.remade_elsewhere(id).await?;
    if let JobCommand::Judge { cycle, .. } = what {
        past.cycle = reader.cycle(*cycle).await?;
        past.remade_by = reader.remade_by(*cycle).await?;
        if let Some(by) = past.remade_by {
            bring(reader, books, by, &mut past).await?;
            note_successor(reader, by, &mut past).await?;
        }
    }
    Ok(Some(past))
}

async fn bring(reader: &Reader, books: &Books, id: JobId, past: &mut Past) -> Result<(), StoreError> {
    let known = |job: &Job| job.id == id;
    if books.job(id).is_none() && !past.jobs.iter().any(known) {
        past.jobs.extend(reader.job(id).await?);
    }
    Ok(())
}

async fn note_successor(reader: &Reader, id: JobId, past: &mut Past) -> Result<(), StoreError> {
    let successor = reader.successor_of(id).await?;
    past.successors.extend(successor.map(|successor| (id, successor)));
    Ok(())
}
