//! The infeed over a real folder: with word from the system, without it, and with everything that people do to folders.

mod plant;

use std::fs;
use std::io::Write;
use std::time::{Duration, SystemTime};

use plant::{NEVER, Plant, names, until};

/// A small sliced file; each number is another one.
fn sliced(number: u32) -> String {
    format!("G28\nG90\nM82\nG92 E0\nG1 Z0.2 F600\nG1 X{number}.5 Y10 F3000\nG1 X{number}.5 Y40 E2 F1200\nG1 Z10\n")
}

const SHORT: Duration = Duration::from_millis(150);

#[tokio::test]
async fn a_file_that_is_written_and_closed_is_taken_at_once() {
    let mut plant = Plant::start(NEVER, NEVER).await;
    let path = plant.drop_file("tray clip.12off.gcode", &sliced(1));
    let jobs = plant.wait_jobs(1).await;
    assert_eq!((jobs[0].name.as_str(), jobs[0].copies, &jobs[0].line), ("tray clip", 12, &None));
    assert_eq!(plant.content(&jobs[0]), sliced(1));
    plant.wait_sources_gone().await;
    assert!(!path.exists());
    plant.close().await;
}

#[tokio::test]
async fn a_file_that_is_renamed_into_place_is_taken_at_once() {
    let mut plant = Plant::start(NEVER, NEVER).await;
    let outside = plant.dir.path().join("outside.gcode");
    fs::write(&outside, sliced(1)).expect("written");
    fs::rename(&outside, plant.path("stake.gcode")).expect("renamed");
    plant.wait_jobs(1).await;
    let part = plant.drop_file("holder.gcode.part", &sliced(2));
    fs::rename(part, plant.path("holder.gcode")).expect("renamed");
    let jobs = plant.wait_jobs(2).await;
    assert_eq!(jobs.iter().map(|job| job.name.as_str()).collect::<Vec<_>>(), ["stake", "holder"]);
    plant.close().await;
}

#[tokio::test]
async fn a_file_that_is_still_being_written_is_never_taken_early() {
    let mut plant = Plant::start(Duration::from_millis(400), SHORT).await;
    let mut file = fs::File::create(plant.path("slow.gcode")).expect("made");
    for line in sliced(1).split_inclusive('\n') {
        file.write_all(line.as_bytes()).expect("written");
        // Somebody else opens it for writing and closes it again.
        drop(fs::OpenOptions::new().append(true).open(plant.path("slow.gcode")).expect("opened"));
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert!(plant.books().jobs.is_empty(), "taken early");
    }
    drop(file);
    let jobs = plant.wait_taken(1).await;
    assert_eq!(jobs.len(), 1);
    assert_eq!(plant.content(&jobs[0]), sliced(1));
    plant.close().await;
}

#[tokio::test]
async fn files_that_were_there_before_the_start_are_taken_in_the_order_of_their_last_change() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    fs::create_dir_all(dir.path().join("in/west")).expect("made");
    let mut expected = Vec::new();
    for number in 0..30 {
        // Later names are older.
        let name = format!("{}clip{:02}", if number % 3 == 0 { "west/" } else { "" }, 99 - number);
        let file = fs::File::create(dir.path().join(format!("in/{name}.gcode"))).expect("made");
        (&file).write_all(sliced(number).as_bytes()).expect("written");
        file.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(1_700_000_000 + u64::from(number)))
            .expect("set");
        expected.push(format!("clip{:02}", 99 - number));
    }
    let mut plant = Plant::start_in(dir, SHORT, NEVER).await;
    let jobs = plant.wait_jobs(30).await;
    assert_eq!(jobs.iter().map(|job| job.name.clone()).collect::<Vec<_>>(), expected);
    plant.close().await;
}

#[tokio::test]
async fn the_folder_of_a_line_pins_the_job_and_the_folder_of_none_is_no_way_in() {
    let mut plant = Plant::start(SHORT, SHORT).await;
    fs::create_dir(plant.path("norht")).expect("made");
    plant.drop_file("west/clip.gcode", &sliced(1));
    plant.drop_file("norht/lost.gcode", &sliced(2));
    let jobs = plant.wait_jobs(1).await;
    assert_eq!(jobs[0].line.as_ref().map(|line| line.as_str()), Some("west"));
    let books = plant.wait("a rejection", |books| !books.rejections.is_empty()).await;
    let (name, reason) = &books.rejections[0];
    assert_eq!(name, "lost.gcode");
    assert_eq!(reason, "there is no line \"norht\"; there are east, west");
    until(|| !plant.path("norht/lost.gcode").exists()).await;
    assert_eq!(names(&plant.config.rejected), ["lost.gcode", "lost.gcode.reason.txt"]);
    let letter = fs::read_to_string(plant.config.rejected.join("lost.gcode.reason.txt")).expect("a letter");
    assert!(letter.contains("into the folder of one of these lines"), "{letter}");
    assert!(plant.path("norht").is_dir());
    plant.close().await;
}

#[tokio::test]
async fn links_hidden_and_temporary_files_and_deeper_folders_are_left_alone() {
    let mut plant = Plant::start(SHORT, SHORT).await;
    let outside = plant.dir.path().join("outside.gcode");
    fs::write(&outside, sliced(1)).expect("written");
    std::os::unix::fs::symlink(&outside, plant.path("link.gcode")).expect("linked");
    std::os::unix::fs::symlink(plant.dir.path(), plant.path("folder-link")).expect("linked");
    nix::unistd::mkfifo(&plant.path("pipe.gcode"), nix::sys::stat::Mode::S_IRWXU).expect("a pipe");
    fs::create_dir_all(plant.path("east/deeper")).expect("made");
    for name in [".hidden.gcode", "a.gcode~", "b.gcode.part", "east/deeper/c.gcode", "rejected/d.gcode"] {
        plant.drop_file(name, &sliced(2));
    }
    let everything = |plant: &Plant| {
        let folders = ["", "east", "east/deeper", "rejected"];
        folders.map(|folder| names(&plant.path(folder))).concat()
    };
    let before = everything(&plant);
    // Two that are taken, one after the other, with several looks through the folder meanwhile.
    for count in 1..=2 {
        tokio::time::sleep(SHORT * 3).await;
        plant.drop_file("taken.gcode", &sliced(count as u32));
        plant.wait_jobs(count).await;
        plant.wait_sources_gone().await;
    }
    until(|| !plant.path("taken.gcode").exists()).await;
    assert_eq!(everything(&plant), before);
    assert!(outside.exists());
    assert_eq!((plant.books().jobs.len(), plant.books().rejections.len()), (2, 0));
    plant.close().await;
}

#[tokio::test]
async fn the_daemons_own_folder_is_no_way_in_even_inside_the_infeed_folder() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    std::os::unix::fs::symlink(".", dir.path().join("in")).expect("linked");
    // The infeed folder is now the one that the data folder lies in.
    let mut plant = Plant::start_in(dir, SHORT, SHORT).await;
    plant.drop_file("clip.gcode", &sliced(1));
    plant.wait_taken(1).await;
    tokio::time::sleep(SHORT * 4).await;
    assert!(plant.path("data/nosebar.db").exists());
    assert!(plant.books().rejections.is_empty(), "{:?}", plant.books().rejections);
    plant.close().await;
}

#[tokio::test]
async fn a_rejected_file_moves_aside_with_its_reason_and_the_next_is_taken() {
    let mut plant = Plant::start(NEVER, NEVER).await;
    plant.drop_file("cube.stl", "solid cube\n  facet normal 0 0 1\nendsolid cube\n");
    plant.wait("a rejection", |books| books.rejections.len() == 1).await;
    until(|| !plant.path("cube.stl").exists()).await;
    assert_eq!(names(&plant.config.rejected), ["cube.stl", "cube.stl.reason.txt"]);
    plant.drop_file("clip.gcode", &sliced(1));
    plant.wait_jobs(1).await;
    assert_eq!(names(&plant.config.rejected).len(), 2);
    plant.close().await;
}

#[tokio::test]
async fn a_folder_that_is_moved_away_and_back_is_watched_again() {
    let mut plant = Plant::start(NEVER, SHORT).await;
    let (here, away) = (plant.path(""), plant.dir.path().join("away"));
    fs::rename(&here, &away).expect("taken away");
    tokio::time::sleep(SHORT).await;
    fs::rename(&away, &here).expect("put back");
    tokio::time::sleep(SHORT * 3).await;
    plant.drop_file("west/clip.gcode", &sliced(1));
    plant.wait_jobs(1).await;
    plant.close().await;
}

#[tokio::test]
async fn folders_removed_and_made_again_are_watched_however_fast_and_often() {
    // Only word of the removals can lead to a look through; the new folders often get the inode numbers of the old ones.
    let mut plant = Plant::start(SHORT, NEVER).await;
    for round in 1..=12 {
        let folder = if round % 3 == 0 { "" } else { "west" };
        fs::remove_dir_all(plant.path(folder)).expect("removed");
        fs::create_dir_all(plant.path("west")).expect("made again");
        plant.drop_file("west/clip.gcode", &sliced(round as u32));
        assert_eq!(plant.wait_taken(round).await.len(), round);
    }
    plant.close().await;
}

#[tokio::test]
async fn a_folder_that_stays_away_is_made_again_and_watched() {
    let mut plant = Plant::start(NEVER, SHORT).await;
    fs::remove_dir_all(plant.path("")).expect("removed");
    until(|| plant.path("rejected").is_dir()).await;
    tokio::time::sleep(SHORT * 2).await;
    plant.drop_file("clip.gcode", &sliced(1));
    plant.wait_jobs(1).await;
    plant.close().await;
}

#[tokio::test]
async fn a_folder_moved_in_with_files_in_it_is_looked_through() {
    let mut plant = Plant::start(SHORT, NEVER).await;
    fs::remove_dir(plant.path("west")).expect("removed");
    let outside = plant.dir.path().join("outside");
    fs::create_dir(&outside).expect("made");
    fs::write(outside.join("clip.gcode"), sliced(1)).expect("written");
    fs::rename(&outside, plant.path("west")).expect("moved in");
    let jobs = plant.wait_jobs(1).await;
    assert_eq!(jobs[0].line.as_ref().map(|line| line.as_str()), Some("west"));
    plant.close().await;
}

#[tokio::test]
async fn a_file_that_vanishes_while_it_is_waited_for_is_forgotten() {
    let mut plant = Plant::start(SHORT * 3, NEVER).await;
    fs::write(plant.path("gone.gcode"), "").expect("written");
    tokio::time::sleep(SHORT).await;
    fs::remove_file(plant.path("gone.gcode")).expect("removed");
    tokio::time::sleep(SHORT * 4).await;
    plant.drop_file("clip.gcode", &sliced(1));
    let jobs = plant.wait_jobs(1).await;
    assert_eq!(jobs[0].name, "clip");
    assert!(plant.books().rejections.is_empty());
    plant.close().await;
}

#[tokio::test]
async fn a_hundred_files_at_once_all_become_jobs_once() {
    let mut plant = Plant::start(SHORT, SHORT).await;
    for number in 0..100 {
        plant.drop_file(&format!("clip{number}.gcode"), &sliced(number));
    }
    plant.wait_jobs(100).await;
    let jobs = plant.wait_sources_gone().await;
    let mut names: Vec<_> = jobs.iter().map(|job| job.name.clone()).collect();
    names.sort();
    names.dedup();
    assert_eq!((jobs.len(), names.len()), (100, 100));
    assert_eq!(plant::names(&plant.config.dir), ["east", "rejected", "west"]);
    plant.close().await;
}

#[tokio::test]
async fn what_is_not_taken_yet_at_the_end_is_taken_after_the_next_start() {
    let mut plant = Plant::start(NEVER, NEVER).await;
    plant.drop_file("first.gcode", &sliced(1));
    plant.wait_jobs(1).await;
    plant.wait_sources_gone().await;
    let dir = plant.close().await;
    fs::write(dir.path().join("in/second.gcode"), sliced(2)).expect("written");
    let mut plant = Plant::start_in(dir, SHORT, NEVER).await;
    let jobs = plant.wait_jobs(2).await;
    assert_eq!(jobs.iter().map(|job| job.name.as_str()).collect::<Vec<_>>(), ["first", "second"]);
    plant.close().await;
}

/// What people drop by mistake, and what the reason must say.
fn mistakes() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let png = [&b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"[..], &[7; 500]].concat();
    let stl = "solid cube\n  facet normal 0 0 1\n  endfacet\nendsolid cube\n";
    vec![
        ("cube.stl", stl.into(), "STL model; slice it first"),
        ("photo.png", png, "PNG image"),
        ("empty.gcode", vec![], "the file is empty"),
        ("zeros.gcode", vec![0; 10_000], "line 1: zero bytes"),
        ("long.gcode", b"G1 X1 ".repeat(17_000_000), "(and 1 more)"),
        ("hot.gcode", format!("M140 S500\n{}", sliced(1)).into(), "line 1: `M140 S500` asks for 500 °C"),
        ("far.gcode", sliced(1).replace("Y40", "Y1220").into(), "line 7: the head is sent to Y 1220 mm"),
        ("cut.gcode", sliced(1).as_bytes()[..60].into(), "no move in the file lays plastic"),
    ]
}

#[tokio::test]
async fn every_mistake_gets_one_clear_sentence_and_nothing_is_lost() {
    let mut plant = Plant::start(SHORT, NEVER).await;
    for (name, content, reason) in mistakes() {
        let before = plant.books().rejections.len();
        fs::write(plant.path(name), &content).expect("written");
        let books = plant.wait(name, |books| books.rejections.len() > before).await;
        let (told_name, told) = &books.rejections[before];
        assert_eq!(told_name, name);
        assert!(told.contains(reason) && !told.contains('\n'), "{name}: {told}");
        until(|| !plant.path(name).exists()).await;
        assert!(fs::read(plant.config.rejected.join(name)).expect("moved aside") == content, "{name} is whole");
        let letter = fs::read_to_string(plant.config.rejected.join(format!("{name}.reason.txt"))).expect("a letter");
        assert!(letter.contains(told.as_str()) && letter.contains("What to do: "), "{letter}");
    }
    plant.drop_file("clip.gcode", &sliced(1));
    assert_eq!(plant.wait_jobs(1).await[0].name, "clip");
    plant.close().await;
}
