//! A folder with one file, its watcher, and a clock that is moved by hand.

use std::time::Duration;

use proptest::prelude::*;

use super::*;

const SETTLE_MS: u64 = 2000;
const DEBOUNCE_MS: u64 = 50;

/// A folder with one file, its watcher, and a clock in milliseconds.
struct Folder {
    settle: Settle,
    now_ms: u64,
    file: Option<Observed>,
    taken: Vec<(u64, Observed)>,
    has_events: bool,
}

impl Folder {
    fn new(has_events: bool) -> Self {
        let settle = Settle::new(Duration::from_millis(SETTLE_MS), Duration::from_millis(DEBOUNCE_MS));
        Self { settle, now_ms: 0, file: None, taken: vec![], has_events }
    }

    fn path() -> &'static Path {
        Path::new("in/clip.gcode")
    }

    fn now(&self) -> Moment {
        Moment(self.now_ms * 1000)
    }

    fn tell(&mut self, event: Event) {
        if self.has_events {
            self.settle.handle_event(self.now(), Self::path(), event);
        }
    }

    fn create(&mut self) {
        self.file = Some(Observed { bytes: 0, modified_ns: 0, status_ns: 0, inode: 1 });
        self.tell(Event::Created);
        self.tell(Event::Opened);
    }

    fn write(&mut self, bytes: u64) {
        let modified_ns = i128::from(self.now_ms) * 1_000_000;
        let file = self.file.as_mut().expect("the file is there");
        *file = Observed { bytes: file.bytes + bytes, modified_ns, status_ns: modified_ns, ..*file };
        self.tell(Event::Modified);
    }

    /// A file is made, filled and closed.
    fn drop_file(&mut self, bytes: u64) {
        self.create();
        self.write(bytes);
        self.tell(Event::Closed);
    }

    /// What a rescan does.
    fn look(&mut self) {
        let now = self.now();
        match self.file {
            Some(seen) => self.settle.handle_seen(now, Self::path(), seen),
            None => self.settle.handle_missing(now, Self::path()),
        }
    }

    /// Lets time pass, with every look that becomes due.
    fn run_until(&mut self, end_ms: u64) {
        loop {
            while !self.settle.poll_looks(self.now()).is_empty() {
                self.look();
            }
            if let Some((_, seen)) = self.settle.poll_ready() {
                self.taken.push((self.now_ms, seen));
            }
            let due_ms = self.settle.deadline().map_or(u64::MAX, |due| due.0.div_ceil(1000));
            if due_ms > end_ms {
                break;
            }
            self.now_ms = due_ms;
        }
        self.now_ms = end_ms;
    }

    fn run_for(&mut self, span_ms: u64) {
        self.run_until(self.now_ms + span_ms);
    }

    fn taken_at(&self) -> Vec<u64> {
        self.taken.iter().map(|(at, _)| *at).collect()
    }
}

#[test]
fn a_closed_file_is_taken_after_two_looks_a_moment_apart() {
    let mut folder = Folder::new(true);
    folder.create();
    folder.write(10);
    folder.run_for(1500);
    folder.tell(Event::Closed);
    folder.run_for(10_000);
    assert_eq!(folder.taken_at(), [1500 + DEBOUNCE_MS]);
}

#[test]
fn a_renamed_file_is_taken_after_two_looks_a_moment_apart() {
    let mut folder = Folder::new(true);
    folder.file = Some(Observed { bytes: 5, modified_ns: 0, status_ns: 0, inode: 1 });
    folder.run_for(100);
    folder.tell(Event::RenamedInto);
    folder.run_for(10_000);
    assert_eq!(folder.taken_at(), [100 + DEBOUNCE_MS]);
}

#[test]
fn without_word_a_file_must_stand_still_for_the_settle_time() {
    let mut folder = Folder::new(false);
    folder.create();
    folder.look();
    folder.run_for(1000);
    folder.write(10);
    folder.look();
    folder.run_for(10_000);
    assert_eq!(folder.taken_at(), [1000 + SETTLE_MS]);
}

#[test]
fn word_of_another_writer_does_not_count_while_the_first_still_writes() {
    let mut folder = Folder::new(true);
    folder.create();
    for _ in 0..5 {
        folder.write(10);
        folder.run_for(900);
        folder.tell(Event::Opened);
        folder.tell(Event::Closed);
        folder.run_for(900);
    }
    assert!(folder.taken.is_empty());
    folder.tell(Event::Closed);
    folder.run_for(DEBOUNCE_MS);
    assert_eq!(folder.taken.last().map(|(_, seen)| seen.bytes), Some(50));
}

#[test]
fn word_does_not_count_for_a_file_that_was_there_before_us() {
    let mut folder = Folder::new(true);
    folder.file = Some(Observed { bytes: 7, modified_ns: 0, status_ns: 0, inode: 1 });
    folder.look();
    folder.tell(Event::Opened);
    folder.tell(Event::Closed);
    folder.run_for(SETTLE_MS - 1);
    assert!(folder.taken.is_empty());
    folder.run_for(1);
    assert_eq!(folder.taken_at(), [SETTLE_MS]);
}

#[test]
fn a_file_opened_again_before_it_is_taken_waits_for_that_writer() {
    let mut folder = Folder::new(true);
    folder.drop_file(10);
    folder.run_for(DEBOUNCE_MS - 1);
    folder.tell(Event::Opened);
    folder.run_for(500);
    folder.write(10);
    folder.tell(Event::Closed);
    folder.run_for(10_000);
    assert_eq!(folder.taken_at(), [DEBOUNCE_MS - 1 + 500 + DEBOUNCE_MS]);
}

#[test]
fn an_empty_file_may_be_filled_later() {
    let mut folder = Folder::new(true);
    folder.create();
    folder.tell(Event::Closed);
    folder.run_for(SETTLE_MS - 1);
    assert!(folder.taken.is_empty());
    folder.run_for(1);
    assert_eq!(folder.taken_at(), [SETTLE_MS]);
}

#[test]
fn a_look_that_began_before_the_last_write_makes_nothing_whole() {
    let mut folder = Folder::new(true);
    folder.drop_file(10);
    folder.run_for(DEBOUNCE_MS - 10);
    let (began, saw) = (folder.now(), folder.file.expect("there"));
    folder.run_for(5);
    folder.tell(Event::Opened);
    folder.write(10);
    folder.tell(Event::Closed);
    folder.settle.handle_seen(began, Folder::path(), saw);
    assert_eq!(folder.settle.poll_ready(), None);
    folder.run_for(10_000);
    assert_eq!(folder.taken.len(), 1);
    assert_eq!(folder.taken[0].1.bytes, 20);
}

#[test]
fn a_shelved_file_is_offered_again_only_when_it_has_changed_or_its_rights_have() {
    let mut folder = Folder::new(true);
    folder.drop_file(10);
    folder.run_for(1000);
    folder.settle.handle_taken(folder.now(), Folder::path(), Taken::UntilChanged);
    for _ in 0..5 {
        folder.tell(Event::Opened);
        folder.run_for(5000);
        folder.look();
    }
    assert_eq!(folder.taken.len(), 1);
    folder.file.as_mut().expect("there").status_ns += 1;
    folder.look();
    folder.run_for(5000);
    assert_eq!(folder.taken.len(), 2);
}

#[test]
fn a_file_put_back_is_offered_after_its_time_however_often_it_is_looked_at() {
    let mut folder = Folder::new(true);
    folder.drop_file(10);
    folder.run_for(1000);
    folder.settle.handle_taken(folder.now(), Folder::path(), Taken::After(Duration::from_secs(30)));
    for _ in 0..6 {
        folder.run_for(4000);
        folder.look();
    }
    assert_eq!(folder.taken.len(), 1);
    folder.run_for(6000);
    assert_eq!(folder.taken_at(), [DEBOUNCE_MS, 1000 + 30_000]);
}

#[test]
fn a_new_file_under_the_name_of_one_that_is_being_taken_is_not_forgotten() {
    let mut folder = Folder::new(true);
    folder.drop_file(10);
    folder.run_for(100);
    folder.tell(Event::Opened);
    folder.tell(Event::Gone);
    folder.drop_file(20);
    folder.settle.handle_taken(folder.now(), Folder::path(), Taken::Gone);
    folder.run_for(100);
    assert_eq!(folder.taken.iter().map(|(_, seen)| seen.bytes).collect::<Vec<_>>(), [10, 20]);
}

#[test]
fn nothing_is_remembered_of_files_that_are_gone() {
    let mut folder = Folder::new(true);
    folder.drop_file(10);
    folder.run_for(100);
    folder.tell(Event::Opened);
    folder.file = None;
    folder.settle.handle_taken(folder.now(), Folder::path(), Taken::Gone);
    folder.run_for(1);
    assert_eq!(folder.settle.paths().count(), 0);
    assert_eq!(folder.settle.deadline(), None);
}

#[test]
fn whole_files_are_offered_in_the_order_of_their_last_change() {
    let mut settle = Settle::new(Duration::from_secs(1), Duration::ZERO);
    for (name, modified_ns) in [("a", 3), ("b", 1), ("c", 2), ("d", 2)] {
        let seen = Observed { bytes: 1, modified_ns, status_ns: 0, inode: 1 };
        settle.handle_seen(Moment(0), Path::new(name), seen);
        settle.handle_seen(Moment(1_000_000), Path::new(name), seen);
    }
    let order: Vec<_> =
        std::iter::from_fn(|| settle.poll_ready()).map(|(path, _)| path.display().to_string()).collect();
    assert_eq!(order, ["b", "c", "d", "a"]);
}

#[derive(Clone, Copy, Debug)]
enum Other {
    Reads,
    OpensToWriteAndCloses,
    OpensToWrite,
    Rescan,
}

fn others() -> impl Strategy<Value = Vec<(u64, Other)>> {
    let other =
        prop::sample::select(vec![Other::Reads, Other::OpensToWriteAndCloses, Other::OpensToWrite, Other::Rescan]);
    prop::collection::vec((0..SETTLE_MS, other), 0..4)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_file_that_grows_in_steps_below_the_settle_time_is_never_taken_before_its_last_write(
        has_events in any::<bool>(),
        steps in prop::collection::vec((1..SETTLE_MS, others()), 1..30),
    ) {
        let mut folder = Folder::new(has_events);
        folder.create();
        folder.look();
        let mut size = 0;
        for (gap_ms, others) in steps {
            folder.write(1);
            size += 1;
            let next_ms = folder.now_ms + gap_ms;
            let mut others: Vec<_> = others.into_iter().map(|(at, what)| (folder.now_ms + at % gap_ms, what)).collect();
            others.sort_by_key(|(at, _)| *at);
            for (at_ms, what) in others {
                folder.run_until(at_ms);
                match what {
                    Other::Reads | Other::OpensToWrite => folder.tell(Event::Opened),
                    Other::OpensToWriteAndCloses => {
                        folder.tell(Event::Opened);
                        folder.tell(Event::Closed);
                    }
                    Other::Rescan => folder.look(),
                }
            }
            folder.run_until(next_ms);
            prop_assert!(folder.taken.is_empty(), "taken at {:?} with more to come", folder.taken);
        }
        folder.write(1);
        folder.tell(Event::Closed);
        // Without word, the look that sees the last write comes up to a settle time after it.
        folder.run_for(2 * SETTLE_MS);
        prop_assert_eq!(folder.taken.iter().map(|(_, seen)| seen.bytes).collect::<Vec<_>>(), vec![size + 1]);
    }
}
