//! The database, through what the foreman and the readers use.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use nosebar::job::{AccessKey, KeyHash, KeyId, KeyName, Rights};
use nosebar::job::{
    CheckedBy, Cycle, CycleId, FileFacts, Footprint, HeatRun, HeatWay, Job, JobId, JobReason, JobState, LineName,
    LineReason,
};
use nosebar::job::{LineRow, LineState, Outcome, Phase, PrintRun, Survey};
use nosebar::store::{
    DoneRequest, Entry, JobFilter, JobKey, JobSet, JournalFilter, Snapshot, Store, StoreError, Write,
};
use nosebar::units::UnixMillis;
use proptest::prelude::*;
use sqlx::{AssertSqlSafe, Connection, SqliteConnection};
use tempfile::TempDir;

const HASH: &str = "a3f5c2d1e4b60798a3f5c2d1e4b60798a3f5c2d1e4b60798a3f5c2d1e4b60798";

struct House {
    store: Store,
    path: PathBuf,
    _dir: TempDir,
}

async fn house() -> House {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("nosebar.db");
    House { store: Store::open(&path).await.expect("a store"), path, _dir: dir }
}

fn survey(sha256: &str) -> Survey {
    Survey {
        file: FileFacts { bytes: 1234, lines: 56, sha256: sha256.to_owned() },
        footprint: Some(Footprint {
            x_min_mm: 0.1,
            x_max_mm: 1.0 / 3.0,
            y_min_mm: -2.5e-7,
            y_max_mm: 100.000_000_000_000_01,
        }),
        first_layer: None,
        reach: None,
        height_mm: 12.2,
        layers: 2,
        layer_z_mm: vec![0.2, 0.4],
        filament: vec![],
        feed_time_s: 3600.5,
        time_s: 0.0,
        timetable: Vec::new(),
        purges: vec![],
        temperatures: nosebar::job::Temperatures::default(),
        material: Some("pla".into()),
        filament_diameter_mm: 1.75,
        end_z_mm: None,
        concerns: vec![],
        refusals: vec![],
        dropped: vec![],
    }
}

fn file() -> Write {
    Write::File { survey: Box::new(survey(HASH)), at: UnixMillis(5) }
}

fn job(id: i64) -> Job {
    Job::waiting(JobId(id), format!("tray clip {id}"), HASH.to_owned(), 12, UnixMillis(1000 + id))
}

fn ended(id: i64, state: JobState, at: i64) -> Job {
    Job { state, ended_at: Some(UnixMillis(at)), ..job(id) }
}

fn put(job: &Job) -> Write {
    Write::Job(Arc::new(job.clone()))
}

fn cycle(id: i64, job: i64, line: &str) -> Cycle {
    Cycle {
        id: CycleId(id),
        job: JobId(job),
        line: name(line),
        copy: 1,
        phase: Phase::Warm,
        outcome: None,
        checked_by: None,
        advance_um: 0,
        started_at: UnixMillis(1),
        ended_at: None,
        note: String::new(),
    }
}

fn entry(seq: i64) -> Entry {
    Entry {
        seq,
        at: UnixMillis(seq * 10),
        line: None,
        job: None,
        cycle: None,
        kind: "state".to_owned(),
        text: format!("entry {seq}"),
        data: serde_json::Value::Null,
    }
}

fn print_run(cycle: i64) -> PrintRun {
    PrintRun { cycle: CycleId(cycle), line: name("east-2"), at: UnixMillis(2), planned_s: 1.0 / 3.0, actual_s: 1000.0 }
}

fn name(line: &str) -> LineName {
    LineName::new(line).expect("a line's name")
}

#[tokio::test]
async fn everything_written_comes_back_the_same_after_reopening() {
    let House { mut store, path, _dir } = house().await;
    let full = Job {
        state: JobState::Processing,
        reason: JobReason::JobPrinting,
        note: "“quotes”, a\nnew line, and \u{0} too".into(),
        completed: 3,
        scrapped: 2,
        in_work: 1,
        rank: -7,
        line: Some(name("east-2")),
        material: Some("pla".into()),
        release_c: Some(0.1 + 0.2),
        reviewed: true,
        unchecked: 3,
        source_key: Some("key".to_owned()),
        restart_of: Some(JobId(2)),
        started_at: Some(UnixMillis(-1)),
        version: 9,
        ..job(1)
    };
    let left = Job { source_key: Some("still there".to_owned()), rank: 0, ..ended(3, JobState::Canceled, 77) };
    let gone = ended(4, JobState::Completed, 78);
    let open = Cycle { phase: Phase::Print, note: "n".to_owned(), ..cycle(8, 1, "east-2") };
    let past = Cycle {
        outcome: Some(Outcome::Completed),
        checked_by: Some(CheckedBy::Switch),
        advance_um: 182_500,
        ended_at: Some(UnixMillis(2)),
        ..cycle(7, 1, "east-2")
    };
    let line = LineRow {
        name: name("east-2"),
        state: LineState::Execute,
        reason: LineReason::None,
        note: String::new(),
        cycle: Some(CycleId(8)),
        belt_clear: false,
        odometer_um: i64::MAX,
        uncertain_um: -3,
        open_step: Some("{}".to_owned()),
        hold_after_part: true,
        belt: Some("{\"splice_um\": 5}".to_owned()),
        alarms: Some("[]".to_owned()),
    };
    let noted = Entry {
        line: Some(name("east-2")),
        job: Some(JobId(1)),
        cycle: Some(CycleId(8)),
        data: serde_json::json!({"bed_c": 59.7, "list": [1, null]}),
        ..entry(1)
    };
    let heat = HeatRun {
        id: 1,
        line: name("east-2"),
        way: HeatWay::Cool,
        cycle: Some(CycleId(7)),
        at: UnixMillis(3),
        material: Some("pla".into()),
        fan: None,
        mass_g: Some(0.1 + 0.2),
        start_c: 60.0,
        end_c: 32.0,
        ambient_c: 22.5,
        tau_s: 600.25,
        rms_k: 0.0,
        samples: 900,
    };
    let key = AccessKey {
        id: KeyId(3),
        name: KeyName::new("\u{202e}phone").expect("a good name"),
        rights: Rights::Watch,
        hash: KeyHash([7; 32]),
        made_at: UnixMillis(4),
        last_used: Some(UnixMillis(5)),
        revoked_at: Some(UnixMillis(6)),
    };
    // References run both ways through this list: the order must not matter.
    let writes = [
        Write::Line(Box::new(line.clone())),
        Write::PrintRun(Box::new(print_run(7))),
        Write::Cycle(Box::new(open.clone())),
        Write::Cycle(Box::new(past.clone())),
        put(&full),
        put(&job(2)),
        put(&left),
        put(&gone),
        Write::Journal(Arc::new(noted.clone())),
        Write::HeatRun(Box::new(heat.clone())),
        Write::Key(Box::new(key.clone())),
        file(),
    ];
    store.commit(&writes).await.expect("committed");
    store.close().await.expect("closed");

    let store = Store::open(&path).await.expect("opened again");
    let snapshot = store.load().await.expect("loaded");
    let expected = Snapshot {
        jobs: [full.clone(), left, job(2)].map(Arc::new).to_vec(),
        surveys: vec![survey(HASH)],
        cycles: vec![open.clone()],
        lines: vec![line],
        print_runs: vec![print_run(7)],
        heat_runs: vec![heat],
        keys: vec![key],
        last_heat_run: 1,
        last_job: 4,
        last_cycle: 8,
        last_seq: 1,
    };
    assert_eq!(snapshot, expected);
    let reader = store.reader();
    assert_eq!(reader.job(JobId(4)).await.expect("read"), Some(gone));
    assert_eq!(reader.job(JobId(5)).await.expect("read"), None);
    assert_eq!(reader.cycles_of(JobId(1)).await.expect("read"), [past, open]);
    assert_eq!(reader.survey(HASH).await.expect("read"), Some(survey(HASH)));
    assert_eq!(reader.journal_after(&JournalFilter::All, 0, 9).await.expect("read"), [noted]);
    assert!(reader.known_files().await.expect("read").contains(HASH));
}

#[tokio::test]
async fn the_last_fifty_prints_of_each_line_are_read_the_oldest_first() {
    let mut house = house().await;
    let row = |line| LineRow::at_rest(name(line));
    let mut writes =
        vec![file(), put(&job(1)), Write::Line(Box::new(row("east-2"))), Write::Line(Box::new(row("west")))];
    for id in 1..=70 {
        let line = if id % 10 == 0 { "west" } else { "east-2" };
        writes.push(Write::Cycle(Box::new(cycle(id, 1, line))));
        writes.push(Write::PrintRun(Box::new(PrintRun { line: name(line), ..print_run(id) })));
    }
    house.store.commit(&writes).await.expect("committed");
    let kept: Vec<_> = house.store.load().await.expect("loaded").print_runs.iter().map(|run| run.cycle.0).collect();
    // 63 of the one line, of which the last 50 go back to cycle 15; seven of the other.
    let expected: Vec<i64> = (1..=70).filter(|id| *id >= 15 || id % 10 == 0).collect();
    assert_eq!(kept, expected);
    let without_cycle = house.store.commit(&[Write::PrintRun(Box::new(print_run(99)))]).await;
    assert!(matches!(without_cycle, Err(StoreError::Refused { .. })), "{without_cycle:?}");
}

/// Text that a whole queue has alike would be most of what it takes in memory.
#[tokio::test]
async fn text_that_jobs_have_alike_is_in_memory_once() {
    let mut house = house().await;
    let alike = |id| Job { note: "line east-2 asks a person".into(), material: Some("petg".into()), ..job(id) };
    let other = Job { material: Some("pla".into()), ..alike(3) };
    house.store.commit(&[file(), put(&alike(1)), put(&alike(2)), put(&other)]).await.expect("kept");
    let jobs = house.store.load().await.expect("a snapshot").jobs;
    assert_eq!(jobs.iter().map(|job| (**job).clone()).collect::<Vec<_>>(), [alike(1), alike(2), other]);
    let materials: Vec<_> = jobs.iter().filter_map(|job| job.material.as_ref()).collect();
    for (a, b, same) in [
        (&jobs[0].sha256, &jobs[2].sha256, true),
        (&jobs[0].note, &jobs[2].note, true),
        (materials[0], materials[1], true),
        (materials[0], materials[2], false),
    ] {
        assert_eq!(Arc::ptr_eq(a, b), same, "{a}, {b}");
    }
}

#[tokio::test]
async fn a_fresh_database_loads_as_nothing() {
    let house = house().await;
    assert_eq!(house.store.load().await.expect("loaded"), Snapshot::default());
}

#[tokio::test]
async fn a_commit_with_one_bad_change_changes_nothing() {
    let House { mut store, _dir, .. } = house().await;
    store.commit(&[file(), put(&job(1)), Write::Journal(Arc::new(entry(1)))]).await.expect("committed");
    let before = store.load().await.expect("loaded");
    let changed = Job { rank: 99, version: 2, ..job(1) };
    let bad: [(&str, Write); 8] = [
        ("more made than asked", put(&Job { completed: 10, scrapped: 2, in_work: 1, ..job(2) })),
        ("no copies", put(&Job { copies: 0, ..job(2) })),
        ("ended without a time", put(&Job { state: JobState::Completed, ..job(2) })),
        ("a file that is not there", put(&Job { sha256: HASH.replace('a', "b").into(), ..job(2) })),
        ("a gap in the journal", Write::Journal(Arc::new(entry(4)))),
        ("an entry written twice", Write::Journal(Arc::new(entry(1)))),
        ("a temperature that is no number", put(&Job { release_c: Some(f64::NAN), ..job(2) })),
        ("a survey that cannot be read again", {
            let survey = Survey { height_mm: f64::INFINITY, ..survey(&HASH.replace('a', "c")) };
            Write::File { survey: Box::new(survey), at: UnixMillis(0) }
        }),
    ];
    for (what, bad) in bad {
        let writes = [put(&changed), Write::Journal(Arc::new(entry(2))), bad, Write::Journal(Arc::new(entry(3)))];
        let error = store.commit(&writes).await.expect_err(what);
        assert!(matches!(error, StoreError::Refused { .. }), "{what}: {error:?}");
        assert_eq!(store.load().await.expect("loaded"), before, "{what}");
    }
    store.commit(&[put(&changed), Write::Journal(Arc::new(entry(2)))]).await.expect("the good ones alone");
}

#[tokio::test]
async fn one_folder_file_cannot_become_two_jobs() {
    let House { mut store, _dir, .. } = house().await;
    let with_key = |id| put(&Job { source_key: Some("same".to_owned()), ..job(id) });
    store.commit(&[file(), with_key(1)]).await.expect("committed");
    let error = store.commit(&[with_key(2)]).await.expect_err("the second");
    assert!(matches!(error, StoreError::Refused { .. }), "{error:?}");
    store.commit(&[put(&job(1)), with_key(2)]).await.expect("once the first has let it go");
}

#[tokio::test]
async fn the_journal_cannot_be_changed_from_outside_either() {
    let House { mut store, path, _dir } = house().await;
    store.commit(&[Write::Journal(Arc::new(entry(1))), Write::Journal(Arc::new(entry(2)))]).await.expect("committed");
    let url = format!("sqlite://{}", path.display());
    let mut outside = SqliteConnection::connect(&url).await.expect("connected");
    let attempts = [
        "update journal set text = 'never happened' where seq = 1",
        "delete from journal where seq = 2",
        "insert or replace into journal values (2, 0, null, null, null, 'k', 'never happened', 'null')",
        "insert into journal values (7, 0, null, null, null, 'k', 'out of order', 'null')",
        "insert into journal values (null, 0, null, null, null, 'k', 'without a number', 'null')",
    ];
    for sql in attempts {
        assert!(sqlx::query(AssertSqlSafe(sql)).execute(&mut outside).await.is_err(), "{sql}");
    }
    assert_eq!(store.reader().journal_after(&JournalFilter::All, 0, 9).await.expect("read"), [entry(1), entry(2)]);
}

#[tokio::test]
async fn pages_of_two_thousand_jobs_miss_none_and_repeat_none() {
    let House { mut store, _dir, .. } = house().await;
    let mut writes = vec![file()];
    for id in 1..=2000 {
        let state = [JobState::Pending, JobState::PendingHeld, JobState::Completed, JobState::Aborted][id as usize % 4];
        // Ranks and times in an order of their own, with ties.
        let scattered = (id * 7919) % 1000;
        let line = (id % 3 == 0).then(|| name("east"));
        let base = if state.is_terminal() { ended(id, state, scattered) } else { Job { state, ..job(id) } };
        writes.push(put(&Job { rank: scattered, line, ..base }));
    }
    store.commit(&writes).await.expect("committed");
    let all: Vec<Job> =
        writes.iter().filter_map(|w| if let Write::Job(job) = w { Some((**job).clone()) } else { None }).collect();
    let sets = [JobSet::Open, JobSet::Ended, JobSet::State(JobState::PendingHeld), JobSet::State(JobState::Aborted)];
    for set in sets {
        for line in [None, Some(name("east"))] {
            let filter = JobFilter { set, line };
            let mut expected: Vec<&Job> = all.iter().filter(|job| matches(&filter, job)).collect();
            expected.sort_by_key(|job| (job.rank, job.id));
            if expected[0].ended_at.is_some() {
                expected.sort_by_key(|job| std::cmp::Reverse((job.ended_at, job.id)));
            }
            let pages = read_pages(&store, &filter, 37).await;
            assert!(expected.len() > 100, "a list worth paging: {}", expected.len());
            assert!(pages.iter().eq(expected), "{filter:?}");
        }
    }
}

fn matches(filter: &JobFilter, job: &Job) -> bool {
    let set = match filter.set {
        JobSet::Open => !job.state.is_terminal(),
        JobSet::Ended => job.state.is_terminal(),
        JobSet::State(state) => job.state == state,
    };
    set && filter.line.as_ref().is_none_or(|line| job.line.as_ref() == Some(line))
}

async fn read_pages(store: &Store, filter: &JobFilter, limit: u32) -> Vec<Job> {
    let (mut jobs, mut after): (Vec<Job>, _) = (vec![], None);
    loop {
        let page = store.reader().list_jobs(filter, after, limit).await.expect("a page");
        let Some(last) = page.last() else { return jobs };
        after = Some(JobKey::of(last));
        jobs.extend(page);
    }
}

#[tokio::test]
async fn the_journal_is_read_both_ways_whole_or_for_one_job_or_line() {
    let House { mut store, _dir, .. } = house().await;
    let entries: Vec<Entry> = (1..=30)
        .map(|seq| Entry {
            job: (seq % 2 == 0).then_some(JobId(5)),
            line: (seq % 3 == 0).then(|| name("east")),
            ..entry(seq)
        })
        .collect();
    let writes: Vec<Write> = entries.iter().cloned().map(|entry| Write::Journal(Arc::new(entry))).collect();
    store.commit(&writes).await.expect("committed");
    let reader = store.reader();
    let seqs = |entries: Vec<Entry>| entries.into_iter().map(|entry| entry.seq).collect::<Vec<_>>();
    let after = reader.journal_after(&JournalFilter::All, 27, 10).await.expect("read");
    assert_eq!(after, entries[27..]);
    assert_eq!(seqs(reader.journal_before(&JournalFilter::All, i64::MAX, 2).await.expect("read")), [30, 29]);
    assert_eq!(seqs(reader.journal_after(&JournalFilter::Job(JobId(5)), 4, 3).await.expect("read")), [6, 8, 10]);
    assert_eq!(seqs(reader.journal_before(&JournalFilter::Line(name("east")), 9, 9).await.expect("read")), [6, 3]);
    assert!(reader.journal_after(&JournalFilter::Line(name("west")), 0, 9).await.expect("read").is_empty());
}

#[tokio::test]
async fn a_file_that_is_no_database_is_called_damaged_and_left_as_it_is() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("nosebar.db");
    std::fs::write(&path, "a letter to the community seed library\n".repeat(200)).expect("written");
    let before = std::fs::read(&path).expect("read");
    let error = Store::open(&path).await.expect_err("no database");
    assert!(matches!(error, StoreError::Corrupt { .. }), "{error:?}");
    assert!(error.to_string().contains("restore a copy"), "{error}");
    assert_eq!(std::fs::read(&path).expect("read"), before);
}

#[tokio::test]
async fn a_word_from_nowhere_in_the_database_is_reported_and_not_guessed() {
    let House { mut store, path, _dir } = house().await;
    store.commit(&[file(), put(&job(1))]).await.expect("committed");
    let mut outside = SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.expect("connected");
    sqlx::query("update jobs set reason = 'bad-weather'").execute(&mut outside).await.expect("changed");
    let error = store.load().await.expect_err("no such reason");
    assert!(matches!(&error, StoreError::Corrupt { .. }), "{error:?}");
    assert!(error.to_string().contains("bad-weather"), "{error}");
}

#[tokio::test]
async fn a_database_in_a_folder_that_is_not_there_cannot_be_opened() {
    let error = Store::open(&PathBuf::from("/nonexistent/nosebar.db")).await.expect_err("no folder");
    assert!(matches!(error, StoreError::Io { doing: "open", .. }), "{error:?}");
}

#[derive(Clone, Debug)]
struct Change {
    job: i64,
    state: JobState,
    completed: u32,
    scrapped: u32,
    cycle: Option<(&'static str, Outcome, CheckedBy, i64)>,
}

fn change() -> impl Strategy<Value = Change> {
    let cycle = (
        prop::sample::select(vec!["east", "west"]),
        prop::sample::select(Outcome::ALL),
        prop::sample::select(CheckedBy::ALL),
        0..1000_i64,
    );
    (1..5_i64, prop::sample::select(JobState::ALL), 0..7_u32, 0..6_u32, prop::option::of(cycle))
        .prop_map(|(job, state, completed, scrapped, cycle)| Change { job, state, completed, scrapped, cycle })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_job_comes_back_to_the_last_bit(
        texts in prop::collection::vec(".*|[\\x00-\\x1f\"\\\\]{0,9}", 4),
        numbers in prop::collection::vec(any::<i64>(), 4),
        release_c in prop::collection::vec(prop::option::of(-300.0..2000.0_f64), 100),
        reviewed in any::<bool>(),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let given = Job {
            name: texts[0].clone(),
            note: texts[1].as_str().into(),
            material: Some(texts[2].as_str().into()),
            source_key: Some(texts[3].clone()),
            rank: numbers[0],
            created_at: UnixMillis(numbers[1]),
            started_at: Some(UnixMillis(numbers[2])),
            version: numbers[3],
            reviewed,
            ..job(1)
        };
        let others = release_c.into_iter().zip(2..).map(|(release_c, id)| Job { release_c, ..job(id) });
        let mut all: Vec<Job> = others.chain([given.clone()]).collect();
        all.sort_by_key(|job| (job.rank, job.id));
        let writes: Vec<Write> = all.iter().map(put).chain([file()]).collect();
        runtime.block_on(async {
            let House { mut store, _dir, .. } = house().await;
            store.commit(&writes).await.expect("committed");
            assert_eq!(store.reader().job(JobId(1)).await.expect("read"), Some(given));
            let loaded: Vec<Job> = store.load().await.expect("loaded").jobs.into_iter().map(Arc::unwrap_or_clone).collect();
            assert_eq!(loaded, all);
        });
    }

    #[test]
    fn kept_totals_equal_counted_ones(changes in prop::collection::vec(change(), 1..40)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(totals_hold(&changes));
    }
}

async fn totals_hold(changes: &[Change]) {
    let House { mut store, _dir, .. } = house().await;
    store.commit(&[file()]).await.expect("committed");
    let mut jobs: BTreeMap<i64, Job> = BTreeMap::new();
    let mut made: BTreeMap<String, [i64; 5]> = BTreeMap::new();
    for (number, change) in (1..).zip(changes) {
        let next = Job {
            state: change.state,
            completed: change.completed,
            scrapped: change.scrapped,
            ended_at: change.state.is_terminal().then_some(UnixMillis(number)),
            unchecked: change.completed / 2,
            ..job(change.job)
        };
        jobs.insert(change.job, next.clone());
        store.commit(&[put(&next)]).await.expect("committed");
        let Some((line, outcome, by, advance_um)) = change.cycle else { continue };
        let begun = cycle(number, change.job, line);
        store.commit(&[Write::Cycle(Box::new(begun.clone()))]).await.expect("committed");
        let end =
            Cycle { outcome: Some(outcome), checked_by: Some(by), advance_um, ended_at: Some(UnixMillis(9)), ..begun };
        // Written twice: a repeated write must not count twice.
        store.commit(&[Write::Cycle(Box::new(end.clone())), Write::Cycle(Box::new(end))]).await.expect("committed");
        let sums = made.entry(line.to_owned()).or_default();
        let good = outcome == Outcome::Completed;
        sums[0] += i64::from(good);
        sums[1] += i64::from(outcome == Outcome::Scrapped);
        sums[2] += i64::from(outcome == Outcome::Returned);
        sums[3] += i64::from(good && by == CheckedBy::Nothing);
        sums[4] += advance_um;
    }
    let lines = store.reader().line_totals().await.expect("read");
    let lines: BTreeMap<_, _> = lines
        .into_iter()
        .map(|t| (t.line.to_string(), [t.completed, t.scrapped, t.returned, t.unchecked, t.advance_um]))
        .collect();
    assert_eq!(lines, made);
    for totals in store.reader().job_totals().await.expect("read") {
        let of_state: Vec<_> = jobs.values().filter(|job| job.state == totals.state).collect();
        let sum = |of: fn(&Job) -> u32| of_state.iter().map(|job| i64::from(of(job))).sum::<i64>();
        assert_eq!(totals.jobs, of_state.len() as i64, "{totals:?}");
        assert_eq!(totals.copies, sum(|job| job.copies), "{totals:?}");
        assert_eq!(totals.completed, sum(|job| job.completed), "{totals:?}");
        assert_eq!(totals.scrapped, sum(|job| job.scrapped), "{totals:?}");
        assert_eq!(totals.unchecked, sum(|job| job.unchecked), "{totals:?}");
    }
}

#[tokio::test]
async fn requests_are_remembered_for_a_day_and_ten_thousand_of_them_at_most() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let mut store = Store::open(&dir.path().join("nosebar.db")).await.expect("a store");
    let done = |n: i64, at: i64| {
        let (key, print) = (format!("key {n}"), "f".repeat(64));
        Write::Request(Box::new(DoneRequest { key, print, job: Some(JobId(n)), line: None, at: UnixMillis(at) }))
    };
    let day = 86_400_000;
    store.commit(&[done(1, 0), done(2, 5)]).await.expect("kept");
    let reader = store.reader();
    let known = async |n: i64, now: i64| {
        let found = reader.done_request(&format!("key {n}"), UnixMillis(now)).await.expect("readable");
        found.map(|done| done.job) == Some(Some(JobId(n)))
    };
    assert!(known(1, day - 1).await && !known(1, day).await && known(2, day).await);
    assert!(store.commit(&[done(2, 6)]).await.is_err(), "a key is used once");
    store.commit(&[done(1, day)]).await.expect("the old one is forgotten");
    let many: Vec<Write> = (10..10_010).map(|n| done(n, day)).collect();
    store.commit(&many).await.expect("kept");
    assert!(!known(1, day).await && !known(2, day).await && known(10, day).await && known(10_009, day).await);
}
