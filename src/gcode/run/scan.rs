//! Runs found ahead of the survey, so that two can share its work: one finds them, the other gives them their meaning.

use super::read::{LINES, Run};
use crate::gcode::fate::room_of;
use crate::gcode::survey::Rules;

/// The runs of one piece of a file. Kept and used again, it needs no new memory.
#[derive(Debug, Default)]
pub struct Scan {
    found: Vec<Found>,
    /// How many of `found` are this piece's; the others are of an earlier one.
    count: usize,
    /// The first that was not taken yet.
    next: usize,
}

#[derive(Debug)]
struct Found {
    /// Where its first line begins in the piece.
    at: usize,
    run: Box<Run>,
}

impl Scan {
    /// Swaps the run that begins at `at` into `run`, if one does.
    pub(crate) fn take(&mut self, at: usize, run: &mut Box<Run>) -> bool {
        self.forget_before(at);
        let Some(found) = self.left().first_mut().filter(|found| found.at == at) else { return false };
        std::mem::swap(&mut found.run, run);
        self.next += 1;
        true
    }

    /// Where the run ends in whose midst `at` is; `at` if it is in none's.
    pub(crate) fn end_around(&mut self, at: usize) -> usize {
        self.forget_before(at);
        self.left().first().filter(|found| found.at < at).map_or(at, Found::end)
    }

    /// Those that end before `at` have gone the long way.
    fn forget_before(&mut self, at: usize) {
        while self.left().first().is_some_and(|found| found.end() <= at) {
            self.next += 1;
        }
    }

    fn left(&mut self) -> &mut [Found] {
        &mut self.found[self.next..self.count]
    }
}

impl Found {
    const fn end(&self) -> usize {
        self.at + self.run.bytes
    }
}

/// Finds the runs of a file, piece by piece. What they mean it does not know.
#[derive(Debug)]
pub struct Scanner {
    /// Most bytes of a line beside its comment; `None` if no line is plain.
    room: Option<usize>,
    /// Whether the last piece ended in the middle of a line.
    in_line: bool,
}

impl Scanner {
    /// At the beginning of a file that will be surveyed by these rules.
    #[must_use]
    pub fn new(rules: &Rules) -> Self {
        let policy = rules.policy();
        Self { room: policy.may_run().then(|| room_of(&policy.limits)), in_line: false }
    }

    /// Finds the runs of the next bytes of the file, cut anywhere; they replace what was in `scan`.
    pub fn scan(&mut self, bytes: &[u8], scan: &mut Scan) {
        (scan.count, scan.next) = (0, 0);
        let Some(room) = self.room else { return };
        let mut at = 0;
        loop {
            if !self.in_line {
                at = find_runs(bytes, at, room, scan);
            }
            let Some(length) = memchr::memchr(b'\n', &bytes[at..]) else { break };
            self.in_line = false;
            at += length + 1;
        }
        self.in_line |= at < bytes.len();
    }
}

/// Finds runs for as long as one follows upon another, and says where the first line stands that is none.
fn find_runs(bytes: &[u8], mut at: usize, room: usize, scan: &mut Scan) -> usize {
    /// Whoever takes the run knows what is in force where it begins.
    const ANY_FEED: f64 = 1.0;
    loop {
        if scan.count == scan.found.len() {
            scan.found.push(Found { at, run: Box::default() });
        }
        let found = &mut scan.found[scan.count];
        found.run.read(bytes, at, room, ANY_FEED);
        found.at = at;
        at += found.run.bytes;
        if found.run.lines > 0 {
            scan.count += 1;
        }
        if found.run.lines < LINES {
            return at;
        }
    }
}
