//! A database as a long working life leaves it: jobs by the thousand, each with a real survey.

use std::fs;
use std::sync::Arc;

use nosebar::gcode::{Rules, Surveyor};
use nosebar::job::{Job, JobId, JobReason, JobState, Survey};
use nosebar::store::{Store, Write};
use nosebar::units::UnixMillis;

use super::sample;

/// Jobs that are kept in one commit while a database is made.
const AT_ONCE: usize = 5_000;
/// Jobs of one sliced file.
const OF_A_FILE: i64 = 100;
/// 2025-10-09, and half an hour: when the first job came, and how long after it the next one.
const FIRST_MS: i64 = 1_760_000_000_000;
const APART_MS: i64 = 1_800_000;

/// The survey of a real print, under the name of this file.
fn survey(file: i64) -> Survey {
    let mut surveyor = Surveyor::new(&Rules::default());
    surveyor.handle_bytes(&fs::read(sample::rustlogo()).expect("the sample is there"));
    let mut survey = surveyor.finish();
    survey.file.sha256 = hash(file);
    survey
}

fn hash(file: i64) -> String {
    format!("{file:064x}")
}

/// Puts so many files into the database, as many as the jobs of [`waiting`] and [`ended`] up to this number have.
pub(crate) async fn put_files(store: &mut Store, jobs: i64) {
    let first = survey(0);
    let files = (0..=jobs / OF_A_FILE).map(|file| {
        let mut survey = first.clone();
        survey.file.sha256 = hash(file);
        Write::File { survey: Box::new(survey), at: UnixMillis(FIRST_MS) }
    });
    store.commit(&files.collect::<Vec<_>>()).await.expect("they can be kept");
}

/// Puts jobs into the database.
pub(crate) async fn put(store: &mut Store, jobs: impl Iterator<Item = Job>) {
    let jobs: Vec<Write> = jobs.map(|job| Write::Job(Arc::new(job))).collect();
    for some in jobs.chunks(AT_ONCE) {
        store.commit(some).await.expect("they can be kept");
    }
}

/// A job that waits, by its number.
pub(crate) fn waiting(id: i64) -> Job {
    let mut job = Job::waiting(JobId(id), format!("plant marker {id}"), hash(id / OF_A_FILE), 12, at(id));
    job.material = Some("petg".into());
    job
}

/// A job that has been done, by its number; those with greater numbers ended later.
pub(crate) fn ended(id: i64) -> Job {
    Job {
        state: JobState::Completed,
        reason: JobReason::JobCompletedSuccessfully,
        completed: 12,
        started_at: Some(at(id)),
        ended_at: Some(at(id + 1)),
        ..waiting(id)
    }
}

fn at(id: i64) -> UnixMillis {
    UnixMillis(FIRST_MS + id * APART_MS)
}
