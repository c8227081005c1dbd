//! Rows of the database, read into the words that every room shares.

use sqlx::sqlite::SqliteRow;
use sqlx::{Column, Row};

use super::write::Entry;
use crate::job::{CheckedBy, Cycle, CycleId, Job, JobId, LineName, LineReason, LineRow, LineState};
use crate::job::{Outcome, Phase, PrintRun, Survey};
use crate::units::UnixMillis;

/// The one column that [`job`] reads: the fields of [`Job`] in their order, as JSON. A row of 23 values would cost more to carry
/// from SQLite's thread than to read.
macro_rules! job_fields {
    () => {
        "json_array(id, name, sha256, state, reason, note, copies, completed, scrapped, in_work, rank, line, material, \
                    case when release_c is not null then json(printf('%!.17g', release_c)) end, \
                    json(iif(reviewed, 'true', 'false')), unchecked, source_key, restart_of, created_at, started_at, \
                    ended_at, version, canceled_from)"
    };
}
/// The columns that [`cycle`] reads, in its order.
macro_rules! cycle_columns {
    () => {
        "id, job, line, copy, phase, outcome, checked_by, advance_um, started_at, ended_at, note"
    };
}
/// The columns that [`entry`] reads, in its order.
macro_rules! entry_columns {
    () => {
        "seq, at, line, job, cycle, kind, text, data"
    };
}
/// The columns that [`print_run`] reads, in its order.
macro_rules! print_run_columns {
    () => {
        "cycle, line, at, planned_s, actual_s"
    };
}
/// The columns that [`line()`] reads, in its order.
macro_rules! line_columns {
    () => {
        "name, state, reason, note, cycle, belt_clear, odometer_um, uncertain_um, open_step, hold_after_part, belt, alarms"
    };
}
pub(super) use {cycle_columns, entry_columns, job_fields, line_columns, print_run_columns};

pub(super) fn job(row: &SqliteRow) -> sqlx::Result<Job> {
    json(row, 0)
}

/// Reads an array of jobs from the row's first column.
pub(super) fn jobs(row: &SqliteRow) -> sqlx::Result<Vec<Job>> {
    json(row, 0)
}

pub(super) fn cycle(row: &SqliteRow) -> sqlx::Result<Cycle> {
    Ok(Cycle {
        id: CycleId(row.try_get(0)?),
        job: JobId(row.try_get(1)?),
        line: line_name(row, 2)?,
        copy: row.try_get(3)?,
        phase: word(row, 4, Phase::parse)?,
        outcome: maybe_word(row, 5, Outcome::parse)?,
        checked_by: maybe_word(row, 6, CheckedBy::parse)?,
        advance_um: row.try_get(7)?,
        started_at: UnixMillis(row.try_get(8)?),
        ended_at: row.try_get::<Option<i64>, _>(9)?.map(UnixMillis),
        note: row.try_get(10)?,
    })
}

pub(super) fn line(row: &SqliteRow) -> sqlx::Result<LineRow> {
    Ok(LineRow {
        name: line_name(row, 0)?,
        state: word(row, 1, LineState::parse)?,
        reason: word(row, 2, LineReason::parse)?,
        note: row.try_get(3)?,
        cycle: row.try_get::<Option<i64>, _>(4)?.map(CycleId),
        belt_clear: row.try_get(5)?,
        odometer_um: row.try_get(6)?,
        uncertain_um: row.try_get(7)?,
        open_step: row.try_get(8)?,
        hold_after_part: row.try_get(9)?,
        belt: row.try_get(10)?,
        alarms: row.try_get(11)?,
    })
}

pub(super) fn print_run(row: &SqliteRow) -> sqlx::Result<PrintRun> {
    Ok(PrintRun {
        cycle: CycleId(row.try_get(0)?),
        line: line_name(row, 1)?,
        at: UnixMillis(row.try_get(2)?),
        planned_s: row.try_get(3)?,
        actual_s: row.try_get(4)?,
    })
}

pub(super) fn entry(row: &SqliteRow) -> sqlx::Result<Entry> {
    Ok(Entry {
        seq: row.try_get(0)?,
        at: UnixMillis(row.try_get(1)?),
        line: maybe_word(row, 2, |name| LineName::new(name).ok())?,
        job: row.try_get::<Option<i64>, _>(3)?.map(JobId),
        cycle: row.try_get::<Option<i64>, _>(4)?.map(CycleId),
        kind: row.try_get(5)?,
        text: row.try_get(6)?,
        data: json(row, 7)?,
    })
}

/// Reads a survey from the row's first column.
pub(super) fn survey(row: &SqliteRow) -> sqlx::Result<Survey> {
    json(row, 0)
}

pub(super) fn line_name(row: &SqliteRow, column: usize) -> sqlx::Result<LineName> {
    word(row, column, |name| LineName::new(name).ok())
}

/// Text that must be one of a closed list.
pub(super) fn word<T>(row: &SqliteRow, column: usize, parse: impl Fn(&str) -> Option<T>) -> sqlx::Result<T> {
    let text: &str = row.try_get(column)?;
    parse(text).ok_or_else(|| not_known(row, column, text))
}

pub(super) fn maybe_word<T>(
    row: &SqliteRow,
    column: usize,
    parse: impl Fn(&str) -> Option<T>,
) -> sqlx::Result<Option<T>> {
    let text: Option<&str> = row.try_get(column)?;
    text.map(|text| parse(text).ok_or_else(|| not_known(row, column, text))).transpose()
}

fn json<T: serde::de::DeserializeOwned>(row: &SqliteRow, column: usize) -> sqlx::Result<T> {
    let text: &str = row.try_get(column)?;
    serde_json::from_str(text).map_err(|e| decode_fault(row, column, e.into()))
}

fn not_known(row: &SqliteRow, column: usize, text: &str) -> sqlx::Error {
    decode_fault(row, column, format!("{text:?} is not a word that this version knows").into())
}

fn decode_fault(row: &SqliteRow, column: usize, source: sqlx::error::BoxDynError) -> sqlx::Error {
    let index = row.columns().get(column).map_or_else(|| column.to_string(), |c| c.name().to_owned());
    sqlx::Error::ColumnDecode { index, source }
}
