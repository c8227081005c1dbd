//! Makes the forecast anew when it is due, and publishes it. After everything else that an event brings: nobody waits for it.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;

use super::decide::Decider;
use super::foretold::{CopyForecastView, ForecastView, JobForecastView, LineForecastView, PhaseForecastView, TimeView};
use super::stand::Stand;
use super::times::{Copied, copy_times, line_now, waits};
use crate::job::{Job, LineState, Phase};
use crate::line::{Check, Stage};
use crate::schedule::{Bed, Berth, Candidate, CopyForecast, JobForecast, Span, Unforeseen, forecast};
use crate::units::{Moment, UnixMillis};

/// What has changed shows after so long, at most once in so long: a hundred files that come in at once are one change.
const AT_MOST_EVERY: Duration = Duration::from_secs(1);
/// While a line is at work, time alone moves the figures.
const AT_LEAST_EVERY: Duration = Duration::from_secs(5);
/// What is further away than three hundred years is shown as so far, s.
const FARTHEST_S: f64 = 1e10;

/// The forecast's place with the foreman.
#[derive(Debug)]
pub(super) struct Outlook {
    published: watch::Sender<Arc<ForecastView>>,
    /// When it was last made, and for lines that looked like this.
    made: Option<(Moment, Vec<Look>)>,
    /// Whether jobs have changed since.
    changed: bool,
}

/// What of a line makes another forecast when it changes.
type Look = (Berth, Option<Stage>, bool);

impl Outlook {
    pub(super) fn new() -> (Self, watch::Receiver<Arc<ForecastView>>) {
        let (published, out) = watch::channel(Arc::default());
        (Self { published, made: None, changed: true }, out)
    }

    /// When it wants to be told the time.
    pub(super) fn deadline(&self) -> Option<Moment> {
        let (at, _) = self.made.as_ref().filter(|_| self.changed)?;
        Some(*at + AT_MOST_EVERY)
    }

    /// After an event; `jobs_changed` says whether it changed any.
    pub(super) fn refresh(&mut self, decider: &Decider, jobs_changed: bool) {
        let now = decider.clock.now();
        let looks: Vec<Look> = decider.stands.iter().map(look).collect();
        if let Some((at, made_for)) = &self.made {
            self.changed |= jobs_changed || looks != *made_for;
            let working = decider.stands.iter().any(|stand| stand.line.state().0 == LineState::Execute);
            let age = now.since(*at);
            let due = if self.changed { age >= AT_MOST_EVERY } else { working && age >= AT_LEAST_EVERY };
            if !due {
                return;
            }
        }
        (self.made, self.changed) = (Some((now, looks)), false);
        let made = Arc::new(foresee(decider, now));
        // Readers are woken for what they would see; whoever asks gets the newest.
        self.published.send_if_modified(|old| {
            let same = old.looks_like(&made);
            *old = made;
            !same
        });
    }
}

fn look(stand: &Stand) -> Look {
    (stand.berth(), stand.line.in_work().map(|work| work.stage), stand.line.hold_after_part())
}

fn foresee(decider: &Decider, now: Moment) -> ForecastView {
    let Decider { books, stands, materials, clock, .. } = decider;
    let surveyed: Vec<_> = books.queue().into_iter().filter_map(|job| Some((job, books.survey_of(job)?))).collect();
    let candidates: Vec<_> = surveyed.iter().map(|(job, survey)| Candidate { job, survey }).collect();
    let heat: Vec<_> = stands.iter().map(|stand| waits(stand, books)).collect();
    let lines: Vec<_> = stands.iter().map(|stand| line_now(stand, books, now)).collect();
    let told = forecast(&candidates, &lines, &mut |job, line, bed, placing| {
        let stand = &stands[line];
        let before = if let Bed::AfterPart(Some(before)) = bed { Some(&surveyed[before]) } else { None };
        let released = before.map(|(job, survey)| stand.release(job, survey, materials));
        let (job, survey) = &surveyed[job];
        copy_times(&Copied { stand, job, survey, materials, heat: &heat[line] }, bed, released, placing)
    });
    let civil = Civil(clock.wall_at(now));
    let line_view = |(stand, line): (&Stand, &crate::schedule::LineForecast)| {
        let correction = stand.prints.correction();
        LineForecastView {
            line: stand.config.name.clone(),
            part: line.part.map(|span| civil.time(span)),
            empty: line.empty.filter(|span| span.late_s > 0.0).map(|span| civil.time(span)),
            print_ratio: correction.ratio,
            prints_learned: correction.prints,
            print_ratio_cut_off: correction.cut_off,
        }
    };
    let jobs: Vec<_> =
        told.jobs.iter().zip(&surveyed).map(|(told, (job, _))| job_view(told, job, stands, civil)).collect();
    ForecastView {
        at: civil.0,
        lines: stands.iter().zip(&told.lines).map(line_view).collect(),
        end: jobs.iter().any(|job| job.end.is_some()).then(|| civil.time(told.end)),
        jobs_without_figure: jobs.iter().filter(|job| job.end.is_none()).count(),
        jobs,
    }
}

fn job_view(told: &JobForecast, job: &Job, stands: &[Stand], civil: Civil) -> JobForecastView {
    let copy_view = |copy: &CopyForecast| {
        let stand = &stands[copy.line];
        let asks = stand.line.settings().check == Check::Ask;
        let phase_view = |phase: &crate::schedule::PhaseForecast| PhaseForecastView {
            phase: phase.phase,
            start: civil.time(phase.start),
            end: civil.time(phase.end),
            waits_for_person: asks && phase.phase == Phase::Check,
        };
        CopyForecastView {
            copy: copy.copy,
            line: stand.config.name.clone(),
            phases: copy.phases.iter().map(phase_view).collect(),
        }
    };
    JobForecastView {
        job: told.job,
        start: job.started_at.map(TimeView::exactly).or_else(|| told.start.map(|span| civil.time(span))),
        end: told.end.map(|span| civil.time(span)),
        reason: told.unforeseen.map(Unforeseen::as_str),
        copies: told.copies.iter().map(copy_view).collect(),
        copies_left_out: told.copies_left_out,
    }
}

/// Now, in civil time.
#[derive(Clone, Copy)]
struct Civil(UnixMillis);

impl Civil {
    fn time(self, span: Span) -> TimeView {
        #[expect(clippy::cast_possible_truncation, reason = "at most three hundred years")]
        let after = |seconds: f64| UnixMillis(self.0.0 + (seconds.clamp(0.0, FARTHEST_S) * 1000.0).round() as i64);
        TimeView { at: after(span.expected_s), early: after(span.early_s), late: after(span.late_s) }
    }
}

#[cfg(test)]
mod tests;
