//! From one free line to the next.

use std::collections::HashMap;

use super::super::plan::{Berth, BerthState, Candidate, suits, wants_a_line, why_it_waits};
use super::super::span::{PhaseTimes, Span, Sum};
use super::{
    Bed, COPIES_FORESEEN, COPIES_PLACED, COPIES_SPELLED, CopyForecast, Doing, Forecast, JobForecast, LineForecast,
    LineNow, Making, PhaseForecast, Placing, Then, Times, Unforeseen,
};
use crate::job::{JobId, JobReason, JobState, Phase};
use crate::units::Micrometres;

/// The state of the look ahead.
pub(super) struct Walk<'a, 'b> {
    jobs: &'a [Candidate<'a>],
    times: &'b mut Times<'b>,
    /// As they will be: what stands then speaks for itself to the jobs that wait for it, and belts run on.
    berths: Vec<Berth>,
    tracks: Vec<Track>,
    tallies: Vec<Tally>,
    out: Forecast,
    spelled: usize,
}

/// A line on its way.
struct Track {
    /// When it comes free, and how sure that is.
    sum: Sum,
    /// Whether it will take copies.
    goes: bool,
    bed: Bed,
    /// The first job that it may still have to make; those before have no copies left, or do not suit.
    first: usize,
    placed: Placed,
    /// What was asked last, and the answer.
    last: Option<((usize, Bed, Placing), PhaseTimes)>,
}

/// The copies that have been placed on a belt one by one.
#[derive(Clone, Copy, Default)]
struct Placed {
    copies: u32,
    sum: Micrometres,
    most: Micrometres,
}

impl Placed {
    fn count(&mut self, travel: Micrometres) {
        self.copies += 1;
        self.sum += travel;
        self.most = Micrometres(self.most.0.max(travel.0));
    }

    /// What one more is taken to need.
    fn another(self) -> Placing {
        let mean = self.sum.0 / i64::from(self.copies.max(1));
        Placing { least: Micrometres(0), expected: Micrometres(mean), most: self.most }
    }
}

/// A job on its way.
struct Tally {
    /// Copies that nothing has been said of.
    left: u32,
    next_copy: u32,
    end: Option<Span>,
}

impl<'a, 'b> Walk<'a, 'b> {
    pub(super) fn begin(jobs: &'a [Candidate<'a>], lines: &[LineNow], times: &'b mut Times<'b>) -> Self {
        let tally = |candidate: &Candidate<'_>| {
            let job = candidate.job;
            let left = if wants_a_line(job) { job.copies_waiting() } else { 0 };
            Tally { left, next_copy: job.completed + job.scrapped + job.in_work + 1, end: None }
        };
        let blank = |candidate: &Candidate<'_>| JobForecast {
            job: candidate.job.id,
            start: None,
            end: None,
            unforeseen: None,
            copies: Vec::new(),
            copies_left_out: 0,
        };
        let mut walk = Self {
            jobs,
            times,
            berths: lines.iter().map(|line| line.berth.clone()).collect(),
            tracks: Vec::with_capacity(lines.len()),
            tallies: jobs.iter().map(tally).collect(),
            out: Forecast {
                lines: vec![LineForecast::default(); lines.len()],
                jobs: jobs.iter().map(blank).collect(),
                end: Span::default(),
            },
            spelled: 0,
        };
        walk.take_lines(lines);
        walk
    }

    /// What is under way.
    fn take_lines(&mut self, lines: &[LineNow]) {
        let places: HashMap<JobId, usize> = self.jobs.iter().enumerate().map(|(i, c)| (c.job.id, i)).collect();
        for (index, line) in lines.iter().enumerate() {
            let (sum, placed) = (Sum::default(), Placed::default());
            self.tracks.push(Track { sum, goes: true, bed: Bed::AsItIs, first: 0, placed, last: None });
            match line.doing {
                Doing::Free => {}
                Doing::Making(Making { job, copy, phase, left, then }) => {
                    let end = self.make(index, places.get(&job).copied(), copy, phase, left);
                    self.out.lines[index].part = Some(end);
                    if then == Then::Holds {
                        self.stand(index, BerthState::Stopped);
                    }
                }
                Doing::Stands { job } => {
                    let why = Unforeseen::Waits(stands_because(line.berth.state));
                    if let Some(place) = job.and_then(|job| places.get(&job)) {
                        self.out.jobs[*place].unforeseen = Some(why);
                    }
                    self.stand(index, line.berth.state);
                }
            }
        }
    }

    pub(super) fn run(mut self) -> Forecast {
        let mut copies = 0;
        while let Some(free) = self.next_free() {
            if copies >= COPIES_FORESEEN {
                break;
            }
            copies += self.give_out(&free);
        }
        self.close(copies >= COPIES_FORESEEN)
    }

    /// The lines that come free next: several if at the same time.
    fn next_free(&self) -> Option<Vec<usize>> {
        let going = || self.tracks.iter().enumerate().filter(|(_, track)| track.goes);
        let at = going().map(|(_, track)| track.sum.expected_s).min_by(f64::total_cmp)?;
        Some(going().filter(|(_, track)| track.sum.expected_s <= at).map(|(index, _)| index).collect())
    }

    /// One look through the queue: the first job goes to the first of the free lines that it suits, the next to the next; each
    /// job is given out once in a look, as the plan does it. Lines that nothing is left for are through.
    fn give_out(&mut self, free: &[usize]) -> usize {
        let mut open: Vec<(usize, usize)> = Vec::with_capacity(free.len());
        for &line in free {
            self.tracks[line].first = self.next_for(line, self.tracks[line].first);
            if self.tracks[line].first == self.jobs.len() {
                self.tracks[line].goes = false;
                self.out.lines[line].empty = Some(self.tracks[line].sum.span());
            } else {
                open.push((line, self.tracks[line].first));
            }
        }
        let mut given = 0;
        while let Some(&(line, job)) = open.iter().filter(|o| o.1 < self.jobs.len()).min_by_key(|o| (o.1, o.0)) {
            open.retain(|o| o.0 != line);
            self.give(line, job);
            given += 1;
            for other in &mut open {
                if other.1 == job {
                    other.1 = self.next_for(other.0, job + 1);
                }
            }
        }
        given
    }

    /// The first job from this place on that has copies for the line.
    fn next_for(&self, line: usize, from: usize) -> usize {
        let has = |&job: &usize| self.tallies[job].left > 0 && suits(&self.jobs[job], &self.berths[line]);
        (from..self.jobs.len()).find(has).unwrap_or(self.jobs.len())
    }

    /// A copy of a job begins on a line.
    fn give(&mut self, line: usize, job: usize) {
        let copy = self.tallies[job].next_copy;
        self.tallies[job].left -= 1;
        self.tallies[job].next_copy += 1;
        let start = self.tracks[line].sum.span();
        self.out.jobs[job].start.get_or_insert(start);
        let placing = self.place(line, job);
        let bed = self.tracks[line].bed;
        let known = self.tracks[line].last.filter(|(asked, _)| *asked == (job, bed, placing));
        let asked = known.map(|(_, times)| times).or_else(|| (self.times)(job, line, bed, placing));
        let Some(times) = asked else {
            self.out.jobs[job].unforeseen = Some(Unforeseen::NeverCools);
            self.stand(line, BerthState::Stopped);
            return;
        };
        self.tracks[line].last = Some(((job, bed, placing), times));
        self.make(line, Some(job), copy, Phase::Warm, times);
    }

    /// Brings free belt under a copy, and carries it off.
    fn place(&mut self, line: usize, job: usize) -> Placing {
        let placed = &mut self.tracks[line].placed;
        if placed.copies >= COPIES_PLACED {
            return placed.another();
        }
        // A copy without room is begun nowhere.
        let belt = self.berths[line].belt.as_mut();
        let travel = belt.and_then(|belt| belt.pass(self.jobs[job].survey).ok()).unwrap_or_default();
        placed.count(travel);
        Placing::exactly(travel)
    }

    /// A copy goes through its phases, from this one on.
    fn make(&mut self, line: usize, job: Option<usize>, copy: u32, from: Phase, times: PhaseTimes) -> Span {
        let spell = self.spelled < COPIES_SPELLED;
        let mut phases = Vec::new();
        let track = &mut self.tracks[line];
        track.bed = Bed::AfterPart(job);
        let mut at = if spell { track.sum.span() } else { Span::default() };
        for &phase in &Phase::ALL[from as usize..] {
            track.sum.add(phase, times.of(phase));
            if spell {
                let end = track.sum.span();
                phases.push(PhaseForecast { phase, start: at, end });
                at = end;
            }
        }
        let end = track.sum.span();
        self.out.end = self.out.end.later(end);
        let Some(job) = job else { return end };
        let tally = &mut self.tallies[job];
        tally.end = Some(tally.end.map_or(end, |other| other.later(end)));
        if spell {
            self.spelled += 1;
            self.out.jobs[job].copies.push(CopyForecast { copy, line, phases });
        } else {
            self.out.jobs[job].copies_left_out += 1;
        }
        end
    }

    /// From here on nobody can tell what the line does.
    fn stand(&mut self, line: usize, state: BerthState) {
        self.tracks[line].goes = false;
        self.berths[line].state = state;
    }

    /// Ends, and reasons where there is none.
    fn close(mut self, cut_off: bool) -> Forecast {
        for (index, candidate) in self.jobs.iter().enumerate() {
            let (tally, job) = (&self.tallies[index], candidate.job);
            let out = &mut self.out.jobs[index];
            out.copies.sort_by_key(|copy| copy.copy);
            if out.unforeseen.is_some() {
                continue;
            }
            out.unforeseen = match job.reason {
                held @ (JobReason::JobHeldForRelease | JobReason::JobHeldForReview) => Some(Unforeseen::Waits(held)),
                _ if tally.left > 0 && cut_off => Some(Unforeseen::TooFar),
                _ if tally.left > 0 => Some(Unforeseen::Waits(why_it_waits(candidate, &self.berths))),
                other if job.state == JobState::PendingHeld => Some(Unforeseen::Waits(other)),
                _ => None,
            };
            if out.unforeseen.is_none() {
                out.end = tally.end;
            }
        }
        self.out
    }
}

const fn stands_because(state: BerthState) -> JobReason {
    match state {
        BerthState::Asks => JobReason::WaitingForUserAction,
        BerthState::Unconnected => JobReason::ConnectingToDevice,
        BerthState::Cooling => JobReason::PlatformCooling,
        BerthState::Ready | BerthState::Busy | BerthState::Stopped => JobReason::PrinterStopped,
    }
}
