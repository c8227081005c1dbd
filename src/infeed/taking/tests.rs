//! Crashes between any two steps: each stage can be left as it is, and a new daemon be started over what remains.

use super::super::fake::House;
use super::super::settle::Taken;
use super::*;

/// Where the daemon dies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Crash {
    /// After so many steps.
    After(usize),
    /// When the foreman has kept the job, before anybody hears of it.
    UnheardAdmission,
}

const CRASHES: [Crash; 7] = [
    Crash::After(0),
    Crash::After(1),
    Crash::After(2),
    Crash::UnheardAdmission,
    Crash::After(3),
    Crash::After(4),
    Crash::After(5),
];

/// One life of the daemon, from its start to its crash: what was left is ended, then the file is taken if it is there.
async fn live_until(house: &House, path: &Path, crash: Crash) {
    let mut dealer = house.dealer();
    assert!(dealer.settle_left(house.left()).await.is_empty());
    if !path.exists() {
        return;
    }
    let source = super::super::fake::source(path);
    let mut stage = Stage::Found;
    let steps = if let Crash::After(steps) = crash { steps } else { 3 };
    for _ in 0..steps {
        if crash == Crash::UnheardAdmission && matches!(stage, Stage::Kept(_)) {
            house.desk().silent = 1;
            // Patience ends at once.
            dealer.taker.closing.store(true, Ordering::Relaxed);
        }
        stage = match dealer.taker.step(&source, stage).await {
            Ok(stage) => stage,
            Err(Stop::NotNow(_)) if crash == Crash::UnheardAdmission => {
                let desk = house.desk();
                assert_eq!((desk.jobs.len(), desk.silent), (1, 0));
                return;
            }
            Err(stop) => panic!("{crash:?}: {stop:?}"),
        };
    }
    if let Stage::Poured(incoming, _) = stage {
        incoming.abandon();
    }
}

/// The last life, which nothing ends.
async fn live_on(house: &House, path: &Path) {
    let mut dealer = house.dealer();
    assert!(dealer.settle_left(house.left()).await.is_empty());
    if path.exists() {
        assert_eq!(dealer.deal(&super::super::fake::source(path)).await, Taken::Gone);
    }
}

fn assert_exactly_one_job(house: &House, crashes: &[Crash]) {
    let desk = house.desk();
    assert_eq!(desk.jobs.len(), 1, "{crashes:?}");
    let job = &desk.jobs[0];
    assert_eq!((job.name.as_str(), job.copies, &job.source_key), ("clip", 3, &None), "{crashes:?}");
    assert!(desk.rejections.is_empty(), "{crashes:?}");
    assert_eq!(house.list("data"), [format!("files/{}.gcode", job.sha256)], "{crashes:?}");
    assert!(house.list("in").is_empty(), "{crashes:?}");
}

#[tokio::test]
async fn a_crash_between_any_two_steps_loses_no_job_and_makes_none_twice() {
    for crash in CRASHES {
        let house = House::new();
        let path = house.drop_file("clip.3off.gcode", "G28\nG1 X10 E1\n").path;
        live_until(&house, &path, crash).await;
        live_on(&house, &path).await;
        assert_exactly_one_job(&house, &[crash]);
    }
}

#[tokio::test]
async fn neither_do_two_crashes_one_after_the_other() {
    for first in CRASHES {
        for second in CRASHES {
            let house = House::new();
            let path = house.drop_file("clip.3off.gcode", "G28\nG1 X10 E1\n").path;
            live_until(&house, &path, first).await;
            live_until(&house, &path, second).await;
            live_on(&house, &path).await;
            assert_exactly_one_job(&house, &[first, second]);
        }
    }
}

#[tokio::test]
async fn the_same_file_dropped_again_later_is_another_job() {
    let house = House::new();
    for round in 1..=2 {
        let path = house.drop_file("clip.gcode", "G28\n").path;
        live_on(&house, &path).await;
        assert_eq!(house.desk().jobs.len(), round);
    }
    assert_eq!(house.list("data").len(), 1, "with one content");
}

#[tokio::test]
async fn another_file_dropped_under_the_name_of_one_left_by_a_crash_is_not_mistaken_for_it() {
    let house = House::new();
    let path = house.drop_file("clip.gcode", "G28\n").path;
    live_until(&house, &path, Crash::After(3)).await;
    std::fs::remove_file(&path).expect("removed");
    house.drop_file("clip.gcode", "G28 X\n");
    live_on(&house, &path).await;
    let desk = house.desk();
    assert_eq!(desk.jobs.len(), 2);
    assert_ne!(desk.jobs[0].sha256, desk.jobs[1].sha256);
    assert!(desk.jobs.iter().all(|job| job.source_key.is_none()));
}

#[tokio::test]
async fn a_job_whose_folder_is_not_there_waits_for_it() {
    let house = House::new();
    let path = house.drop_file("east/clip.gcode", "G28\n").path;
    live_until(&house, &path, Crash::After(3)).await;
    let (mounted, away) = (house.dir.path().join("in"), house.dir.path().join("away"));
    std::fs::rename(&mounted, &away).expect("unmounted");
    let mut dealer = house.dealer();
    let waiting = dealer.settle_left(house.left()).await;
    assert_eq!(waiting, house.left());
    assert_eq!(waiting.len(), 1);
    std::fs::rename(&away, &mounted).expect("mounted again");
    assert!(dealer.settle_left(waiting).await.is_empty());
    assert!(!path.exists());
    assert!(house.left().is_empty());
}
