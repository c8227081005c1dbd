//! How much time has passed after so many bytes, in a few hundred marks however long the print.

use crate::gcode::bounds::round6;
use crate::gcode::lanes::sum;
use crate::job::TimeMark;

/// Most marks that are kept, the first and the last not counted.
const MARKS: usize = 398;

/// Least time between two marks, s, before they become too many.
const STEP_S: f64 = 1.0 / 64.0;

/// The marks so far: each is at least a step later than the one before, and the step doubles when they are too many.
#[derive(Debug)]
pub(super) struct Timetable {
    time_s: f64,
    step_s: f64,
    due_s: f64,
    marks: Vec<TimeMark>,
}

impl Timetable {
    pub(super) fn new() -> Self {
        Self { time_s: 0.0, step_s: STEP_S, due_s: STEP_S, marks: Vec::with_capacity(MARKS + 2) }
    }

    /// Something took time; its line ends at byte `end`.
    pub(super) fn pass(&mut self, seconds: f64, end: u64) {
        self.time_s += seconds;
        if self.time_s >= self.due_s {
            self.mark(end);
        }
    }

    /// The same for one after the other.
    pub(super) fn pass_all(&mut self, seconds: &[f64], ends: &[u64]) {
        // A mark is due only now and then: that is asked for many at once.
        const AT_ONCE: usize = 16;
        for (seconds, ends) in seconds.chunks(AT_ONCE).zip(ends.chunks(AT_ONCE)) {
            let together = sum(seconds, seconds, |seconds, _| seconds);
            if self.time_s + together < self.due_s {
                self.time_s += together;
            } else {
                seconds.iter().zip(ends).for_each(|(seconds, end)| self.pass(*seconds, *end));
            }
        }
    }

    #[cold]
    fn mark(&mut self, end: u64) {
        self.marks.push(TimeMark { bytes: end, time_s: self.time_s });
        while self.marks.len() > MARKS {
            self.step_s *= 2.0;
            let mut due = self.step_s;
            self.marks.retain(|mark| {
                let stays = mark.time_s >= due;
                if stays {
                    due = mark.time_s + self.step_s;
                }
                stays
            });
        }
        self.due_s = self.marks.last().map_or(0.0, |mark| mark.time_s) + self.step_s;
    }

    /// The whole time, s, and the marks from (0, 0) to the end of the file; no marks if no time has passed.
    pub(super) fn finish(self, bytes: u64) -> (f64, Vec<TimeMark>) {
        let time_s = round6(self.time_s);
        if time_s <= 0.0 {
            return (0.0, Vec::new());
        }
        let mut marks = vec![TimeMark { bytes: 0, time_s: 0.0 }];
        marks.extend(self.marks.iter().map(|mark| TimeMark { time_s: round6(mark.time_s), ..*mark }));
        while marks.len() > 1 && marks.last().is_some_and(|mark| mark.bytes >= bytes) {
            marks.pop();
        }
        marks.push(TimeMark { bytes, time_s });
        (time_s, marks)
    }
}
