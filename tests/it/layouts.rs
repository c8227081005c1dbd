//! Databases as earlier versions left them.

use std::fs;
use std::path::Path;

use nosebar::job::{JobId, LineState};
use nosebar::store::Store;
use sqlx::migrate::Migrator;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};

const HASH: &str = "0ff50ff50ff50ff50ff50ff50ff50ff50ff50ff50ff50ff50ff50ff50ff50ff5";

/// Every layout that there has been: the first `changes` of them, with a job and a line in it.
async fn database_of(path: &Path, changes: usize) {
    let old = tempfile::tempdir().expect("a temporary folder");
    let mut files: Vec<_> = fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/migrations"))
        .expect("the changes")
        .map(|entry| entry.expect("readable").path())
        .collect();
    files.sort();
    for file in &files[..changes] {
        fs::copy(file, old.path().join(file.file_name().expect("a name"))).expect("copied");
    }
    let options = SqliteConnectOptions::new().filename(path).create_if_missing(true);
    let mut database = options.connect().await.expect("made");
    Migrator::new(old.path()).await.expect("changes").run(&mut database).await.expect("changed");
    let survey = serde_json::json!({
        "file": { "bytes": 9, "lines": 1, "sha256": HASH }, "footprint": null, "first_layer": null, "reach": null,
        "height_mm": 0.3, "layers": 1, "layer_z_mm": [0.3], "filament": [], "feed_time_s": 77.5, "purges": [],
        "temperatures": { "bed_first_c": null, "bed_max_c": null, "nozzle_first_c": null, "nozzle_max_c": null },
        "material": null, "filament_diameter_mm": 1.75, "end_z_mm": null, "concerns": [], "refusals": [], "dropped": []
    });
    sqlx::query("insert into files (sha256, bytes, survey, at) values (?1, 9, ?2, 1)")
        .bind(HASH)
        .bind(survey.to_string())
        .execute(&mut database)
        .await
        .expect("a file");
    let job =
        "insert into jobs (id, name, sha256, state, reason, note, copies, completed, scrapped, in_work, rank, reviewed,
                                 unchecked, created_at, version)
               values (3, 'drip-line stake', ?1, 'pending', 'job-queued', '', 4, 1, 0, 0, 3, 0, 0, 5, 2)";
    sqlx::query(job).bind(HASH).execute(&mut database).await.expect("a job");
    let line = "insert into lines (name, state, reason, note, belt_clear, odometer_um, uncertain_um, hold_after_part)
                values ('one', 'idle', 'none', '', 1, 195802, 0, 0)";
    sqlx::query(line).execute(&mut database).await.expect("a line");
    database.close().await.expect("closed");
}

#[tokio::test]
async fn a_database_of_every_earlier_layout_is_brought_up_to_date_with_all_that_is_in_it() {
    let count = fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/migrations")).expect("the changes").count();
    assert!(count >= 4, "{count} changes");
    for changes in 1..=count {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("nosebar.db");
        database_of(&path, changes).await;
        let store = Store::open(&path).await.expect("brought up to date");
        let snapshot = store.load().await.expect("readable");
        let [job] = &snapshot.jobs[..] else { panic!("one job after {changes} changes: {snapshot:?}") };
        assert_eq!((job.id, job.copies, job.completed), (JobId(3), 4, 1));
        assert_eq!(snapshot.surveys[0].expected_time_s(), 77.5);
        let [line] = &snapshot.lines[..] else { panic!("one line after {changes} changes") };
        assert_eq!((line.state, line.odometer_um, &line.belt), (LineState::Idle, 195_802, &None));
    }
}
