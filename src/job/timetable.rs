//! Reading the times that a survey found.

use super::found::{Survey, TimeMark};

impl Survey {
    /// Time that the print is expected to take, s, without warming up: with acceleration, or at the commanded feed in a survey
    /// from before acceleration was counted.
    #[must_use]
    pub fn expected_time_s(&self) -> f64 {
        if self.time_s > 0.0 { self.time_s } else { self.feed_time_s }
    }

    /// Time after which the first `bytes` of the file are printed, s: read between the marks of the timetable; without one
    /// every byte takes the same time.
    #[must_use]
    pub fn time_at(&self, bytes: u64) -> f64 {
        let end = TimeMark { bytes: self.file.bytes, time_s: self.expected_time_s() };
        if bytes >= end.bytes {
            return end.time_s;
        }
        let later = self.timetable.partition_point(|mark| mark.bytes <= bytes);
        let start = TimeMark { bytes: 0, time_s: 0.0 };
        let before = later.checked_sub(1).map_or(start, |index| self.timetable[index]);
        let after = self.timetable.get(later).copied().unwrap_or(end);
        #[expect(clippy::cast_precision_loss, reason = "files are far smaller than 2^53 bytes")]
        let share = (bytes - before.bytes) as f64 / (after.bytes - before.bytes) as f64;
        before.time_s + share * (after.time_s - before.time_s)
    }

    /// Share of the print's time that is over when the first `bytes` of the file are printed, 0 to 1.
    #[must_use]
    pub fn share_at(&self, bytes: u64) -> f64 {
        let whole = self.expected_time_s();
        if whole > 0.0 { (self.time_at(bytes) / whole).clamp(0.0, 1.0) } else { f64::from(bytes >= self.file.bytes) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::FileFacts;

    fn survey(time_s: f64, marks: &[(u64, f64)]) -> Survey {
        Survey {
            file: FileFacts { bytes: 1000, ..FileFacts::default() },
            feed_time_s: 80.0,
            time_s,
            timetable: marks.iter().map(|&(bytes, time_s)| TimeMark { bytes, time_s }).collect(),
            ..Survey::default()
        }
    }

    #[test]
    fn time_is_read_between_the_marks() {
        let survey = survey(100.0, &[(0, 0.0), (200, 10.0), (600, 90.0), (1000, 100.0)]);
        let read = [0, 100, 200, 400, 600, 999, 1000, 5000].map(|bytes| survey.time_at(bytes));
        assert_eq!(read, [0.0, 5.0, 10.0, 50.0, 90.0, 99.975, 100.0, 100.0]);
        assert_eq!((survey.share_at(400), survey.share_at(2000)), (0.5, 1.0));
    }

    #[test]
    fn a_survey_from_before_acceleration_was_counted_goes_by_its_feed_time() {
        let survey = survey(0.0, &[]);
        assert_eq!((survey.expected_time_s(), survey.time_at(250), survey.share_at(250)), (80.0, 20.0, 0.25));
    }

    #[test]
    fn a_file_without_moves_is_done_at_its_end() {
        let survey = Survey { feed_time_s: 0.0, ..survey(0.0, &[]) };
        assert_eq!((survey.share_at(999), survey.share_at(1000)), (0.0, 1.0));
    }
}
