//! How far a copy is: by the bytes of its file, and by the time of its print.

use crate::job::{Phase, Survey};

/// Shares of a copy that are behind it, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shares {
    /// Of the file's bytes.
    pub(super) sent: f64,
    /// Of the print's time; as much as is sent where the file was not surveyed.
    pub(super) done: f64,
}

/// Where a copy in this phase is, with `bytes` of `of` acknowledged.
pub(super) fn shares(phase: Phase, (bytes, of): (u64, u64), survey: Option<&Survey>) -> Shares {
    match phase {
        Phase::Warm => Shares { sent: 0.0, done: 0.0 },
        Phase::Print => {
            #[expect(clippy::cast_precision_loss, reason = "a share for people")]
            let sent = if of == 0 { 0.0 } else { bytes as f64 / of as f64 };
            Shares { sent, done: survey.map_or(sent, |survey| survey.share_at(bytes)) }
        }
        Phase::Cool | Phase::Advance | Phase::Check => Shares { sent: 1.0, done: 1.0 },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gcode::{Rules, survey};

    /// A dense infill of many short moves, and one slow long line whose few bytes take most of the time.
    #[test]
    fn a_print_s_progress_goes_by_its_time_and_not_by_its_bytes() {
        let text = format!("G91\nG1 F6000\n{}G1 X200 F60\n", "G1 X1\nG1 X-1\n".repeat(500));
        let found = survey(text.as_bytes(), &Rules::default()).expect("memory can be read");
        let of = found.file.bytes;
        let halfway = shares(Phase::Print, (of / 2, of), Some(&found));
        assert!((halfway.sent - 0.5).abs() < 0.01 && halfway.done < 0.1, "{halfway:?}");
        let nearly = shares(Phase::Print, (of - 12, of), Some(&found));
        assert!(nearly.sent > 0.99 && nearly.done < 0.2, "{nearly:?}");
        assert_eq!(shares(Phase::Print, (of, of), Some(&found)), Shares { sent: 1.0, done: 1.0 });
        assert_eq!(shares(Phase::Print, (5, 10), None), Shares { sent: 0.5, done: 0.5 });
        assert_eq!(shares(Phase::Warm, (5, 10), Some(&found)), Shares { sent: 0.0, done: 0.0 });
        assert_eq!(shares(Phase::Check, (5, 10), Some(&found)), Shares { sent: 1.0, done: 1.0 });
    }
}
