use std::fs;

use futures_util::stream;

use super::super::fake::House;
use super::super::taking::{Stage, Taker};
use super::*;
use crate::foreman::RefusedCode;
use crate::job::{Job, LineName};

/// A way in whose proofs live by a clock that stands still until it is moved.
fn intake(house: &House) -> (Intake, Clock) {
    let clock = Clock::manual(UnixMillis(1_000));
    let proofs = Arc::new(Shelf::new(clock.clone()));
    let mut intake = house.intake(house.files());
    intake.proofs = proofs;
    (intake, clock)
}

async fn take(intake: &Intake, name: &str, content: &'static str) -> Arc<Proof> {
    let body = stream::iter([Ok::<_, &str>(Bytes::from_static(content.as_bytes()))]);
    intake.take_proof(name, body, TakeOptions::default(), 1000).await.expect("taken")
}

async fn queue(intake: &Intake, id: &str) -> Option<Job> {
    match intake.queue_proof(id, Wish::default()).await.expect("not refused")? {
        Answer::Job(job) => Some(*job),
        other => panic!("{other:?} is no job"),
    }
}

/// The files under their content hash, and those half-way in.
fn lying(house: &House) -> (usize, usize) {
    let (incoming, files): (Vec<_>, Vec<_>) =
        house.list("data").into_iter().partition(|path| path.starts_with("files/incoming/"));
    (files.len(), incoming.len())
}

fn is_whole(house: &House, job: &Job, content: &str) -> bool {
    fs::read_to_string(house.files_path(&job.sha256)).is_ok_and(|kept| kept == content)
}

#[tokio::test]
async fn a_proof_is_no_job_until_it_is_queued_and_then_it_is_one_job() {
    let house = House::new();
    let (intake, _) = intake(&house);
    let proof = take(&intake, "../clip.4off.gcode", "G28\n").await;
    assert_eq!((proof.file_name.as_str(), proof.name.as_str(), proof.copies), ("clip.4off.gcode", "clip", 4));
    assert_eq!((proof.at, proof.expires), (UnixMillis(1_000), UnixMillis(3_601_000)));
    assert!(house.desk().jobs.is_empty());
    assert_eq!(lying(&house), (0, 1));
    let wish = Wish {
        name: Some("tray clip".to_owned()),
        options: TakeOptions { line: LineName::new("east").ok(), release_c: Some(31.0), ..TakeOptions::default() },
        reviewed: true,
    };
    let Ok(Some(Answer::Job(job))) = intake.queue_proof(&proof.id, wish).await else { panic!("not queued") };
    assert_eq!((job.name.as_str(), job.copies, job.release_c), ("tray clip", 4, Some(31.0)));
    assert!(queue(&intake, &proof.id).await.is_none(), "it is queued once");
    assert!(!intake.discard_proof(&proof.id).await);
    assert!(intake.proofs().is_empty());
    drop(proof);
    assert_eq!(lying(&house), (1, 0));
    assert!(is_whole(&house, &job, "G28\n"));
    assert_eq!(house.desk().jobs.len(), 1);
}

#[tokio::test]
async fn a_proof_that_is_thrown_away_leaves_nothing() {
    let house = House::new();
    let (intake, _) = intake(&house);
    let id = take(&intake, "clip.gcode", "G28\n").await.id.clone();
    assert!(intake.discard_proof(&id).await);
    assert!(!intake.discard_proof(&id).await);
    assert!(intake.proof(&id).is_none() && queue(&intake, &id).await.is_none());
    assert_eq!(lying(&house), (0, 0));
}

#[tokio::test]
async fn of_two_proofs_with_the_same_content_one_is_thrown_away_and_the_other_queued_in_either_order() {
    for queue_first in [true, false] {
        let house = House::new();
        let (intake, _) = intake(&house);
        let [one, other] =
            [take(&intake, "a.gcode", "G28\n").await.id.clone(), take(&intake, "b.gcode", "G28\n").await.id.clone()];
        assert_ne!(one, other);
        let job = if queue_first {
            let job = queue(&intake, &other).await;
            assert!(intake.discard_proof(&one).await);
            job
        } else {
            assert!(intake.discard_proof(&one).await);
            queue(&intake, &other).await
        };
        assert!(is_whole(&house, &job.expect("queued"), "G28\n"));
        assert_eq!(lying(&house), (1, 0));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn whoever_queues_and_throws_away_at_once_gets_one_of_the_two() {
    let house = House::new();
    let (intake, _) = intake(&house);
    for round in 1..=40 {
        let [one, twin] = [take(&intake, "a.gcode", "G28\n").await, take(&intake, "a.gcode", "G28\n").await];
        let before = house.desk().jobs.len();
        let queue_one = || {
            let (intake, id) = (intake.clone(), one.id.clone());
            tokio::spawn(async move { queue(&intake, &id).await })
        };
        let discard = |proof: &Proof| {
            let (intake, id) = (intake.clone(), proof.id.clone());
            tokio::spawn(async move { intake.discard_proof(&id).await })
        };
        let (queued, again, thrown, other) = tokio::join!(queue_one(), queue_one(), discard(&one), discard(&twin));
        let jobs: Vec<Job> = [queued, again].into_iter().filter_map(|job| job.expect("no panic")).collect();
        assert_eq!(jobs.len() + usize::from(thrown.expect("no panic")), 1, "round {round}");
        assert!(other.expect("no panic"), "its twin is nobody else's business");
        assert_eq!(house.desk().jobs.len() - before, jobs.len());
        drop((one, twin));
        for job in &jobs {
            assert!(is_whole(&house, job, "G28\n"), "round {round}");
            fs::remove_file(house.files_path(&job.sha256)).expect("it was there");
        }
        assert_eq!(lying(&house), (0, 0), "round {round}");
    }
}

#[tokio::test]
async fn what_the_folder_brings_stays_when_a_proof_of_the_same_content_goes_at_any_step() {
    for steps in 0..=5 {
        let house = House::new();
        let (intake, _) = intake(&house);
        let id = take(&intake, "a.gcode", "G28\n").await.id.clone();
        let (config, closing) = (Arc::new(house.config()), Arc::default());
        let taker = Taker { config, intake: intake.clone(), closing };
        let source = house.drop_file("b.gcode", "G28\n");
        let mut stage = Stage::Found;
        for step in 0..5 {
            if step == steps {
                assert!(intake.discard_proof(&id).await);
            }
            stage = taker.step(&source, stage).await.expect("no stop");
        }
        assert_eq!(intake.discard_proof(&id).await, steps == 5);
        let job = house.desk().jobs[0].clone();
        assert!(is_whole(&house, &job, "G28\n"), "thrown away after {steps} steps");
        assert_eq!(lying(&house), (1, 0));
    }
}

#[tokio::test]
async fn what_the_foreman_refuses_waits_on_and_may_be_queued_later() {
    let house = House::new();
    let (intake, _) = intake(&house);
    let id = take(&intake, "a.gcode", "G28\n").await.id.clone();
    for code in [RefusedCode::Busy, RefusedCode::DoesNotFit] {
        house.desk().refusals.push_back(code);
        let error = intake.queue_proof(&id, Wish::default()).await.expect_err("refused");
        assert!(matches!(&error, TakeError::Refused(refused) if refused.code == code), "{error:?}");
    }
    let none = Wish { options: TakeOptions { copies: Some(0), ..TakeOptions::default() }, ..Wish::default() };
    let error = intake.queue_proof(&id, none).await.expect_err("no such number");
    assert!(matches!(error, TakeError::Rejected(Rejection::Copies(0))), "{error:?}");
    assert!(house.desk().rejections.is_empty(), "the file itself was not turned away");
    assert!(queue(&intake, &id).await.is_some());
}

#[tokio::test]
async fn a_person_who_goes_away_while_a_proof_is_queued_finds_it_queued() {
    let house = House::new();
    let (intake, _) = intake(&house);
    let proof = take(&intake, "a.gcode", "G28\n").await;
    let busy = proof.gone.lock().await;
    let queueing = tokio::time::timeout(Duration::from_millis(20), intake.queue_proof(&proof.id, Wish::default()));
    assert!(queueing.await.is_err(), "the person is gone");
    drop(busy);
    assert!(!intake.discard_proof(&proof.id).await, "the job came first");
    assert_eq!(house.desk().jobs.len(), 1);
}

#[tokio::test]
async fn a_proof_goes_after_an_hour_when_somebody_looks() {
    let house = House::new();
    let (intake, clock) = intake(&house);
    let first = take(&intake, "a.gcode", "G28\n").await.id.clone();
    clock.move_to(Moment::ZERO + LIFE / 2);
    let second = take(&intake, "b.gcode", "G28\n").await.id.clone();
    clock.move_to(Moment::ZERO + (LIFE - Duration::from_micros(1)));
    assert_eq!(intake.proofs().iter().map(|proof| proof.id.as_str()).collect::<Vec<_>>(), [&second, &first]);
    clock.move_to(Moment::ZERO + LIFE);
    assert!(intake.proof(&first).is_none() && intake.proof(&second).is_some());
    assert_eq!(lying(&house), (0, 1));
    clock.move_to(Moment::ZERO + LIFE * 2);
    assert!(intake.proofs().is_empty());
    assert_eq!(lying(&house), (0, 0));
}

#[tokio::test]
async fn one_too_many_throws_the_oldest_away() {
    let house = House::new();
    let (intake, _) = intake(&house);
    let first = take(&intake, "a.gcode", "G28\n").await.id.clone();
    let mut ids = std::collections::HashSet::from([first.clone()]);
    for _ in 0..PROOFS_MAX {
        assert!(intake.proof(&first).is_some());
        ids.insert(take(&intake, "a.gcode", "G28\n").await.id.clone());
    }
    assert_eq!(ids.len(), PROOFS_MAX + 1);
    assert!(intake.proof(&first).is_none());
    assert_eq!(lying(&house), (0, PROOFS_MAX));
}

#[tokio::test]
async fn what_cannot_be_printed_or_breaks_off_is_no_proof_and_leaves_nothing() {
    let house = House::new();
    let (intake, _) = intake(&house);
    let bad = stream::iter([Ok::<_, &str>(Bytes::from_static(b"BAD\n"))]);
    let error = intake.take_proof("clip.gcode", bad, TakeOptions::default(), 1000).await.expect_err("refused");
    let TakeError::Rejected(rejection) = &error else { panic!("{error:?}") };
    assert_eq!(rejection.findings()[0].line, 1);
    assert_eq!(house.desk().rejections, [("clip.gcode".to_owned(), error.to_string())]);
    let broken = stream::iter([Ok(Bytes::from_static(b"G28\n")), Err("connection reset")]);
    let error = intake.take_proof("clip.gcode", broken, TakeOptions::default(), 1000).await.expect_err("broken");
    assert!(matches!(error, TakeError::Broken { bytes: 4, .. }), "{error:?}");
    let long = stream::iter([Ok::<_, &str>(Bytes::from_static(b"G28\n"))]);
    let error = intake.take_proof("clip.gcode", long, TakeOptions::default(), 3).await.expect_err("too long");
    assert!(matches!(error, TakeError::TooLarge { limit: 3 }), "{error:?}");
    assert!(intake.proofs().is_empty());
    assert_eq!(lying(&house), (0, 0));
}

#[tokio::test]
async fn proofs_go_with_the_daemon_and_what_a_crash_left_goes_at_the_next_start() {
    let house = House::new();
    let (way_in, _) = intake(&house);
    let id = take(&way_in, "a.gcode", "G28\n").await.id.clone();
    drop(way_in);
    assert_eq!(lying(&house), (0, 0));
    let (way_in, _) = intake(&house);
    let again = take(&way_in, "a.gcode", "G28\n").await;
    assert_ne!(again.id, id, "ids of another life mean nothing");
    // As if the power had failed: nothing is dropped.
    std::mem::forget((way_in, again));
    assert_eq!(lying(&house), (0, 1));
    house.files();
    assert_eq!(lying(&house), (0, 0));
}
