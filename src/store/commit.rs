//! Writing: one transaction for everything that belongs together.

use futures_util::StreamExt;
use sqlx::sqlite::{SqliteArguments, SqliteQueryResult};
use sqlx::{Connection, Executor, Sqlite, SqliteConnection};

use super::error::StoreError;
use super::open::{Store, connect};
use super::write::{Entry, Write};
use crate::job::{Cycle, CycleId, Job, JobId, LineRow, PrintRun, Survey};
use crate::units::UnixMillis;

pub(super) type Query = sqlx::query::Query<'static, Sqlite, SqliteArguments>;

impl Store {
    /// Keeps all of `writes`, or nothing. When this returns `Ok`, they are on the disk.
    ///
    /// The order within the list does not matter to references between rows, only to rows that are written twice.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`], [`StoreError::Locked`] and the like: nothing was changed, the next commit may succeed.
    /// [`StoreError::Refused`] if a rule of the database would be broken.
    pub async fn commit(&mut self, writes: &[Write]) -> Result<(), StoreError> {
        if writes.is_empty() {
            return Ok(());
        }
        // Taken out, so that a commit that fails or is given up half-way leaves no half-open transaction to the next one.
        let mut writer = match self.writer.take() {
            Some(writer) => writer,
            None => connect(&self.options, &self.path).await?,
        };
        match write_all(&mut writer, writes).await {
            Ok(()) => {
                self.writer = Some(writer);
                Ok(())
            }
            Err(error) => {
                // A connection that cannot even close has nothing to add to the first fault.
                drop(writer.close_hard().await);
                Err(StoreError::database(&self.path, error))
            }
        }
    }
}

async fn write_all(writer: &mut SqliteConnection, writes: &[Write]) -> sqlx::Result<()> {
    // One change is a transaction of its own.
    if let [only] = writes {
        return put(writer, only).await;
    }
    run(writer, sqlx::query("begin immediate")).await?;
    for write in writes {
        put(writer, write).await?;
    }
    run(writer, sqlx::query("commit")).await?;
    Ok(())
}

async fn put(writer: &mut SqliteConnection, write: &Write) -> sqlx::Result<()> {
    // What stays in its place in every list leaves the indexes alone, which are many pages to write.
    if let Write::Job(job) = write
        && run(writer, change_job(job)?).await?.rows_affected() > 0
    {
        return Ok(());
    }
    run(writer, statement(write)?).await?;
    Ok(())
}

/// A statement has one result, which comes when it is done. To wait for the end of the stream behind it, as `execute` does, is to
/// be woken by SQLite's thread once more.
async fn run(writer: &mut SqliteConnection, query: Query) -> sqlx::Result<SqliteQueryResult> {
    writer.execute_many(query).next().await.unwrap_or(Err(sqlx::Error::WorkerCrashed))
}

fn statement(write: &Write) -> sqlx::Result<Query> {
    Ok(match write {
        Write::File { survey, at } => put_file(survey, *at)?,
        Write::Job(job) => put_job(job)?,
        Write::Cycle(cycle) => put_cycle(cycle),
        Write::Line(line) => put_line(line),
        Write::PrintRun(run) => put_print_run(run),
        Write::HeatRun(run) => super::heat_runs::put(run)?,
        Write::Key(key) => super::keys::put(key),
        Write::Remake { cycle, job } => put_remake(*cycle, *job),
        Write::Request(done) => super::requests::put(done),
        Write::Journal(entry) => append(entry),
    })
}

fn put_file(survey: &Survey, at: UnixMillis) -> sqlx::Result<Query> {
    let text = serde_json::to_string(survey).map_err(|e| sqlx::Error::Encode(e.into()))?;
    // JSON has no infinity: what could not be read again must not be written.
    if let Err(fault) = serde_json::from_str::<Survey>(&text) {
        return Err(sqlx::Error::Encode(
            format!("the survey of {} cannot be kept: {fault}", survey.file.sha256).into(),
        ));
    }
    let query =
        sqlx::query("insert into files (sha256, bytes, survey, at) values (?1, ?2, ?3, ?4) on conflict do nothing")
            .bind(survey.file.sha256.clone())
            .bind(i64::try_from(survey.file.bytes).unwrap_or(i64::MAX))
            .bind(text)
            .bind(at.0);
    Ok(query)
}

fn put_job(job: &Job) -> sqlx::Result<Query> {
    let query = sqlx::query(
        "insert into jobs (id, name, sha256, state, reason, note, copies, completed, scrapped, in_work, rank, line, material,
                           release_c, reviewed, unchecked, source_key, restart_of, created_at, started_at, ended_at, version,
                           canceled_from)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23)
         on conflict (id) do update set
             name = excluded.name, sha256 = excluded.sha256, state = excluded.state, reason = excluded.reason,
             note = excluded.note, copies = excluded.copies, completed = excluded.completed, scrapped = excluded.scrapped,
             in_work = excluded.in_work, rank = excluded.rank, line = excluded.line, material = excluded.material,
             release_c = excluded.release_c, reviewed = excluded.reviewed, unchecked = excluded.unchecked,
             source_key = excluded.source_key, restart_of = excluded.restart_of, created_at = excluded.created_at,
             started_at = excluded.started_at, ended_at = excluded.ended_at, version = excluded.version,
             canceled_from = excluded.canceled_from",
    );
    bind_job(query, job)
}

/// Changes a job that is there, and none of what an index or another table goes by.
fn change_job(job: &Job) -> sqlx::Result<Query> {
    let query = sqlx::query(
        "update jobs set name = ?2, reason = ?5, note = ?6, copies = ?7, completed = ?8, scrapped = ?9, in_work = ?10,
                         material = ?13, release_c = ?14, reviewed = ?15, unchecked = ?16, created_at = ?19,
                         started_at = ?20, version = ?22, canceled_from = ?23
         where id = ?1 and sha256 is ?3 and state is ?4 and rank is ?11 and line is ?12 and source_key is ?17
               and restart_of is ?18 and ended_at is ?21",
    );
    bind_job(query, job)
}

/// The fields of a job in their order.
fn bind_job(query: Query, job: &Job) -> sqlx::Result<Query> {
    // SQLite would quietly keep null.
    if job.release_c.is_some_and(|c| !c.is_finite()) {
        return Err(sqlx::Error::Encode(format!("job {} has a release temperature that is no number", job.id).into()));
    }
    let query = query
        .bind(job.id.0)
        .bind(job.name.clone())
        .bind(job.sha256.clone())
        .bind(job.state.as_str())
        .bind(job.reason.as_str())
        .bind(job.note.clone())
        .bind(job.copies)
        .bind(job.completed)
        .bind(job.scrapped)
        .bind(job.in_work)
        .bind(job.rank)
        .bind(job.line.as_ref().map(|line| line.as_str().to_owned()))
        .bind(job.material.clone())
        .bind(job.release_c)
        .bind(job.reviewed)
        .bind(job.unchecked)
        .bind(job.source_key.clone())
        .bind(job.restart_of.map(|id| id.0))
        .bind(job.created_at.0)
        .bind(job.started_at.map(|at| at.0))
        .bind(job.ended_at.map(|at| at.0))
        .bind(job.version)
        .bind(job.canceled_from.map(|reason| reason.as_str()));
    Ok(query)
}

fn put_cycle(cycle: &Cycle) -> Query {
    sqlx::query(
        "insert into cycles (id, job, line, copy, phase, outcome, checked_by, advance_um, started_at, ended_at, note)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
         on conflict (id) do update set
             job = excluded.job, line = excluded.line, copy = excluded.copy, phase = excluded.phase,
             outcome = excluded.outcome, checked_by = excluded.checked_by, advance_um = excluded.advance_um,
             started_at = excluded.started_at, ended_at = excluded.ended_at, note = excluded.note",
    )
    .bind(cycle.id.0)
    .bind(cycle.job.0)
    .bind(cycle.line.as_str().to_owned())
    .bind(cycle.copy)
    .bind(cycle.phase.as_str())
    .bind(cycle.outcome.map(|outcome| outcome.as_str()))
    .bind(cycle.checked_by.map(|by| by.as_str()))
    .bind(cycle.advance_um)
    .bind(cycle.started_at.0)
    .bind(cycle.ended_at.map(|at| at.0))
    .bind(cycle.note.clone())
}

fn put_line(line: &LineRow) -> Query {
    sqlx::query(
        "insert into lines (name, state, reason, note, cycle, belt_clear, odometer_um, uncertain_um, open_step, hold_after_part,
                            belt, alarms)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)
         on conflict (name) do update set
             state = excluded.state, reason = excluded.reason, note = excluded.note, cycle = excluded.cycle,
             belt_clear = excluded.belt_clear, odometer_um = excluded.odometer_um, uncertain_um = excluded.uncertain_um,
             open_step = excluded.open_step, hold_after_part = excluded.hold_after_part, belt = excluded.belt,
             alarms = excluded.alarms",
    )
    .bind(line.name.as_str().to_owned())
    .bind(line.state.as_str())
    .bind(line.reason.as_str())
    .bind(line.note.clone())
    .bind(line.cycle.map(|id| id.0))
    .bind(line.belt_clear)
    .bind(line.odometer_um)
    .bind(line.uncertain_um)
    .bind(line.open_step.clone())
    .bind(line.hold_after_part)
    .bind(line.belt.clone())
    .bind(line.alarms.clone())
}

fn put_print_run(run: &PrintRun) -> Query {
    sqlx::query("insert or replace into print_runs (cycle, line, at, planned_s, actual_s) values (?1, ?2, ?3, ?4, ?5)")
        .bind(run.cycle.0)
        .bind(run.line.as_str().to_owned())
        .bind(run.at.0)
        .bind(run.planned_s)
        .bind(run.actual_s)
}

fn put_remake(cycle: CycleId, job: Option<JobId>) -> Query {
    match job {
        Some(job) => {
            sqlx::query("insert or replace into remakes (cycle, job) values (?1, ?2)").bind(cycle.0).bind(job.0)
        }
        None => sqlx::query("delete from remakes where cycle = ?1").bind(cycle.0),
    }
}

fn append(entry: &Entry) -> Query {
    sqlx::query(
        "insert into journal (seq, at, line, job, cycle, kind, text, data) values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )
    .bind(entry.seq)
    .bind(entry.at.0)
    .bind(entry.line.as_ref().map(|line| line.as_str().to_owned()))
    .bind(entry.job.map(|id| id.0))
    .bind(entry.cycle.map(|id| id.0))
    .bind(entry.kind.clone())
    .bind(entry.text.clone())
    .bind(entry.data.to_string())
}
