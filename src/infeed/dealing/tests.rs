use std::collections::VecDeque;
use std::fs;
use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use tokio_util::bytes::Bytes;

use super::super::fake::{CountingSurvey, House, source};
use super::super::pour::{Inspect, Inspectors};
use super::*;
use crate::foreman::RefusedCode;
use crate::job::Survey;

#[tokio::test]
async fn a_file_becomes_a_job_with_the_copies_of_its_name_and_the_line_of_its_folder() {
    let house = House::new();
    let mut dealer = house.dealer();
    assert_eq!(dealer.deal(&house.drop_file("east/tray clip.12off.GCODE", "G28\n")).await, Taken::Gone);
    let desk = house.desk();
    let job = &desk.jobs[0];
    assert_eq!((job.name.as_str(), job.copies), ("tray clip", 12));
    assert_eq!(job.line.as_ref().map(|line| line.as_str()), Some("east"));
    assert!(house.list("in").is_empty());
}

#[tokio::test]
async fn a_refused_file_lies_in_the_rejected_folder_with_a_letter_and_stands_in_the_journal() {
    let house = House::new();
    let mut dealer = house.dealer();
    for _ in 0..2 {
        assert_eq!(dealer.deal(&house.drop_file("clip.gcode", "BAD\n")).await, Taken::Gone);
    }
    let expected = ["clip-2.gcode", "clip-2.gcode.reason.txt", "clip.gcode", "clip.gcode.reason.txt"];
    assert_eq!(house.list("in/rejected"), expected);
    let letter = fs::read_to_string(house.dir.path().join("in/rejected/clip.gcode.reason.txt")).expect("there");
    assert!(letter.contains("line 1: found BAD, expected a move"), "{letter}");
    assert_eq!(fs::read_to_string(house.dir.path().join("in/rejected/clip.gcode")).expect("there"), "BAD\n");
    let noted = ("clip.gcode".to_owned(), "line 1: found BAD, expected a move".to_owned());
    assert_eq!(house.desk().rejections, [noted.clone(), noted]);
    assert!(house.desk().jobs.is_empty());
    assert!(house.list("data").is_empty(), "nothing of it is kept");
}

#[tokio::test]
async fn names_and_folders_that_make_no_sense_are_rejected_with_what_would() {
    let house = House::new();
    fs::create_dir_all(house.dir.path().join("in/norht")).expect("made");
    let mut dealer = house.dealer();
    for (name, part) in [
        ("clip.0off.gcode", "asks for no copies"),
        ("clip.99999off.gcode", "at most 10000"),
        ("clip.2off.3off.gcode", "twice"),
        ("norht/clip.gcode", "there is no line \"norht\"; the only one is east"),
    ] {
        assert_eq!(dealer.deal(&house.drop_file(name, "G28\n")).await, Taken::Gone, "{name}");
        let (_, reason) = house.desk().rejections.pop().expect("noted");
        assert!(reason.contains(part), "{name}: {reason}");
    }
    assert!(house.desk().jobs.is_empty());
    assert_eq!(house.list("in/rejected").len(), 8);
    assert!(house.dir.path().join("in/norht").is_dir(), "the folder stays");
}

#[tokio::test]
async fn what_the_foreman_does_not_want_is_rejected_in_its_words() {
    let house = House::new();
    let mut dealer = house.dealer();
    house.desk().refusals = VecDeque::from([RefusedCode::DoesNotFit]);
    assert_eq!(dealer.deal(&house.drop_file("clip.gcode", "G28\n")).await, Taken::Gone);
    assert_eq!(house.desk().rejections, [("clip.gcode".to_owned(), "the foreman says no".to_owned())]);
    assert_eq!(house.list("in/rejected").len(), 2);
}

#[tokio::test]
async fn a_busy_foreman_is_asked_again_and_makes_one_job() {
    let house = House::new();
    let mut dealer = house.dealer();
    house.desk().refusals = VecDeque::from([RefusedCode::Busy, RefusedCode::Busy]);
    assert_eq!(dealer.deal(&house.drop_file("clip.gcode", "G28\n")).await, Taken::Gone);
    assert_eq!(house.desk().jobs.len(), 1);
}

#[tokio::test]
async fn a_store_that_cannot_be_written_leaves_the_file_for_later() {
    let house = House::new();
    let mut dealer = house.dealer();
    let source = house.drop_file("clip.gcode", "G28\n");
    house.desk().refusals = VecDeque::from([RefusedCode::Store]);
    assert_eq!(dealer.deal(&source).await, Taken::After(dealer.taker.config.rescan));
    assert_eq!(house.list("in"), ["clip.gcode"]);
    assert_eq!(dealer.deal(&source).await, Taken::Gone);
    assert_eq!(house.desk().jobs.len(), 1);
}

#[tokio::test]
async fn a_rejection_that_the_journal_cannot_take_waits_with_the_file_in_its_place() {
    let house = House::new();
    let mut dealer = house.dealer();
    let source = house.drop_file("clip.gcode", "BAD");
    house.desk().refusals = VecDeque::from([RefusedCode::Store]);
    assert!(matches!(dealer.deal(&source).await, Taken::After(_)));
    assert!(source.path.exists());
    assert_eq!(dealer.deal(&source).await, Taken::Gone);
    assert_eq!(house.desk().rejections.len(), 1);
    assert_eq!(house.list("in/rejected"), ["clip.gcode", "clip.gcode.reason.txt"]);
}

#[tokio::test]
async fn a_full_disk_leaves_the_file_in_the_folder_and_is_said_once() {
    let house = House::new();
    let mut dealer = house.dealer();
    let source = house.drop_file("clip.gcode", "G28\n");
    let room = std::mem::replace(&mut dealer.taker.intake.files, house.files().on_device(Path::new("/dev/full")));
    for _ in 0..3 {
        assert!(matches!(dealer.deal(&source).await, Taken::After(_)));
    }
    let said: Vec<_> = dealer.said.values().collect();
    assert_eq!(said.len(), 1);
    assert!(said[0].contains("no space is left") && said[0].contains("tried again"), "{said:?}");
    assert_eq!(house.list("in"), ["clip.gcode"]);
    assert!(house.list("data").is_empty());
    dealer.taker.intake.files = room;
    assert_eq!(dealer.deal(&source).await, Taken::Gone);
    assert_eq!(house.desk().jobs.len(), 1);
    assert!(dealer.said.is_empty());
}

#[tokio::test]
async fn a_survey_that_breaks_down_rejects_its_file_and_the_next_one_is_taken() {
    let house = House::new();
    let mut dealer = house.dealer();
    assert_eq!(dealer.deal(&house.drop_file("bug.gcode", "BUG\n")).await, Taken::Gone);
    let (_, reason) = house.desk().rejections.pop().expect("noted");
    assert!(reason.contains("fault of this program"), "{reason}");
    assert_eq!(dealer.deal(&house.drop_file("clip.gcode", "G28\n")).await, Taken::Gone);
    assert_eq!(house.desk().jobs.len(), 1);
}

/// Somebody who writes to the file while it is surveyed.
struct Meddler {
    survey: Box<CountingSurvey>,
    path: PathBuf,
}

impl Inspect for Meddler {
    fn handle_bytes(&mut self, bytes: &Bytes) {
        self.survey.handle_bytes(bytes);
        let mut file = fs::OpenOptions::new().append(true).open(&self.path).expect("there");
        file.write_all(b"more\n").expect("written");
    }

    fn finish(self: Box<Self>, sha256: String) -> Survey {
        self.survey.finish(sha256)
    }
}

#[tokio::test]
async fn a_file_that_changes_while_it_is_copied_is_not_taken() {
    let mut house = House::new();
    let source = house.drop_file("clip.gcode", &"G28\n".repeat(200_000));
    let path = source.path.clone();
    let meddlers: Inspectors = Arc::new(move || Box::new(Meddler { survey: Box::default(), path: path.clone() }));
    house.inspectors = meddlers;
    assert_eq!(house.dealer().deal(&source).await, Taken::Again);
    assert!(house.desk().jobs.is_empty());
    assert!(house.list("data").is_empty());
    assert!(source.path.exists());
}

#[tokio::test]
async fn a_file_that_went_away_or_was_replaced_is_looked_at_again() {
    let house = House::new();
    let mut dealer = house.dealer();
    let was = house.drop_file("clip.gcode", "G28\n");
    fs::remove_file(&was.path).expect("removed");
    assert_eq!(dealer.deal(&was).await, Taken::Again);
    std::os::unix::fs::symlink("/etc/hostname", &was.path).expect("linked");
    assert_eq!(dealer.deal(&was).await, Taken::Again);
    assert!(house.desk().jobs.is_empty() && house.desk().rejections.is_empty());
}

#[tokio::test]
async fn a_shutdown_stops_the_copy_and_leaves_the_file() {
    let house = House::new();
    let mut dealer = house.dealer();
    let source = house.drop_file("clip.gcode", "G28\n");
    dealer.taker.closing.store(true, Ordering::Relaxed);
    assert!(matches!(dealer.deal(&source).await, Taken::After(_)));
    assert!(source.path.exists() && house.list("data").is_empty());
}

/// A runtime whose threads may not read and write everything, even when the tests are run by the superuser.
fn with_plain_rights<T>(work: impl Future<Output = T>) -> T {
    use nix::unistd::{Uid, geteuid, setfsuid};
    let plain = move || {
        if geteuid().is_root() {
            setfsuid(Uid::from_raw(65_534));
        }
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().on_thread_start(plain).build();
    runtime.expect("a runtime").block_on(work)
}

fn set_rights(path: &Path, mode: u32) {
    fs::set_permissions(path, std::os::unix::fs::PermissionsExt::from_mode(mode)).expect("set");
}

#[test]
fn an_unreadable_file_stays_with_one_letter_and_one_entry_until_it_can_be_read() {
    let house = House::new();
    drop(house.files());
    for folder in ["", "in", "data", "data/files", "data/files/incoming"] {
        set_rights(&house.dir.path().join(folder), 0o777);
    }
    let path = house.drop_file("clip.gcode", "G28\n").path;
    set_rights(&path, 0o000);
    with_plain_rights(async {
        let mut dealer = house.dealer();
        for _ in 0..3 {
            assert_eq!(dealer.deal(&source(&path)).await, Taken::UntilChanged);
        }
        assert_eq!(house.list("in"), ["clip.gcode", "rejected/clip.gcode.reason.txt"]);
        let letter = fs::read_to_string(house.dir.path().join("in/rejected/clip.gcode.reason.txt")).expect("there");
        assert!(letter.contains("give the user that this program runs as the right to read it"), "{letter}");
        assert_eq!(house.desk().rejections.len(), 1);
        set_rights(&path, 0o644);
        assert_eq!(dealer.deal(&source(&path)).await, Taken::Gone);
        assert!(house.list("in").is_empty(), "the letter is taken back");
        assert_eq!(house.desk().jobs.len(), 1);
    });
}

#[test]
fn a_source_that_cannot_be_removed_makes_one_job_however_often_it_is_met() {
    let house = House::new();
    drop(house.files());
    for folder in ["", "data", "data/files", "data/files/incoming"] {
        set_rights(&house.dir.path().join(folder), 0o777);
    }
    let source = house.drop_file("clip.gcode", "G28\n");
    set_rights(&source.path, 0o444);
    set_rights(&house.dir.path().join("in"), 0o555);
    with_plain_rights(async {
        for _start in 0..2 {
            let mut dealer = house.dealer();
            assert!(dealer.settle_left(house.left()).await.is_empty());
            for _ in 0..2 {
                assert_eq!(dealer.deal(&source).await, Taken::UntilChanged);
            }
        }
        assert_eq!(house.desk().jobs.len(), 1);
        assert_eq!(house.left().len(), 1, "its key is kept as long as its file is there");
    });
    set_rights(&house.dir.path().join("in"), 0o755);
}
