//! First come, first served: the first job goes to the first ready line that it fits.

use std::sync::Arc;

use super::fit::fits;
use super::room::{BeltNow, has_room, with_room};
use crate::job::{Job, JobId, JobReason, JobState, Limits, LineName, Survey};

/// A job that may want a line.
#[derive(Clone, Copy, Debug)]
pub struct Candidate<'a> {
    /// The job.
    pub job: &'a Job,
    /// What its file needs.
    pub survey: &'a Survey,
}

/// A line that may take a job.
#[derive(Clone, Debug, PartialEq)]
pub struct Berth {
    /// Its name.
    pub name: LineName,
    /// Whether it could take one now.
    pub state: BerthState,
    /// Material loaded; `None` takes any.
    pub material: Option<String>,
    /// What it can make.
    pub limits: Limits,
    /// Its belt as it is now; `None` if nothing is known of it.
    pub belt: Option<BeltNow>,
}

/// Whether a line could take a job, and if not, what a waiting job should be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BerthState {
    /// It could.
    Ready,
    /// It makes another copy.
    Busy,
    /// It makes another copy, which cools.
    Cooling,
    /// It asks a person.
    Asks,
    /// It stands still.
    Stopped,
    /// It has no printer.
    Unconnected,
}

/// A copy to be begun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Start {
    /// Of which job.
    pub job: JobId,
    /// On which line.
    pub line: LineName,
}

/// Why a job waits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wait {
    /// Which job.
    pub job: JobId,
    /// The keyword.
    pub reason: JobReason,
    /// The sentence; jobs that wait for the same, one after another, have it in common.
    pub text: Arc<str>,
}

/// What is to be begun now, and why the rest waits.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plan {
    /// In the order of the queue; each line at most once.
    pub starts: Vec<Start>,
    /// Every other pending job with copies to make.
    pub waits: Vec<Wait>,
}

/// Decides. `jobs` are in the order of the queue; those that are not pending, or have no copy left to begin, are passed over.
#[must_use]
pub fn plan(jobs: &[Candidate<'_>], lines: &[Berth]) -> Plan {
    let mut taken = vec![false; lines.len()];
    let mut plan = Plan::default();
    for candidate in jobs {
        let job = candidate.job;
        if !wants_a_line(job) {
            continue;
        }
        match choose(candidate, lines, &taken) {
            Ok(index) => {
                taken[index] = true;
                plan.starts.push(Start { job: job.id, line: lines[index].name.clone() });
            }
            Err((reason, text)) if is_pending(job) => {
                let before = plan.waits.last().map(|wait| &wait.text).filter(|before| ***before == text);
                let text = before.map_or_else(|| text.into(), Arc::clone);
                plan.waits.push(Wait { job: job.id, reason, text });
            }
            // One copy is on a line already: the others follow.
            Err(_) => {}
        }
    }
    plan
}

fn choose(candidate: &Candidate<'_>, lines: &[Berth], taken: &[bool]) -> Result<usize, (JobReason, String)> {
    let suiting = suiting(candidate, lines)?;
    suiting.iter().copied().find(|&i| lines[i].state == BerthState::Ready && !taken[i]).ok_or_else(|| {
        // The most hopeful line speaks: one that will come free by itself, before one that needs a person.
        suiting
            .iter()
            .map(|&i| waiting_for(&lines[i]))
            .min_by_key(|w| w.0)
            .map_or_else(|| (JobReason::JobQueued, String::new()), |(_, reason, text)| (reason, text))
    })
}

/// Why a job that no line takes waits.
pub(super) fn why_it_waits(candidate: &Candidate<'_>, lines: &[Berth]) -> JobReason {
    choose(candidate, lines, &vec![true; lines.len()]).map_or_else(|(reason, _)| reason, |_| JobReason::JobQueued)
}

/// Whether a job still has copies that a line may begin.
pub(super) fn wants_a_line(job: &Job) -> bool {
    let ending = matches!(job.reason, JobReason::JobHeldForRelease | JobReason::ProcessingToStopPoint);
    let open = is_pending(job) || matches!(job.state, JobState::Processing | JobState::ProcessingStopped);
    open && !ending && job.copies_waiting() > 0
}

/// Whether the job may be made on this line, as soon as the line is ready.
pub(super) fn suits(candidate: &Candidate<'_>, line: &Berth) -> bool {
    pinned(candidate, line)
        && has_material(candidate, line)
        && fits(candidate.survey, &line.limits).is_ok()
        && has_room(candidate, line)
}

fn pinned(candidate: &Candidate<'_>, line: &Berth) -> bool {
    candidate.job.line.as_ref().is_none_or(|name| *name == line.name)
}

fn wanted_material<'a>(candidate: &Candidate<'a>) -> Option<&'a str> {
    candidate.job.material.as_deref().or(candidate.survey.material.as_deref())
}

fn has_material(candidate: &Candidate<'_>, line: &Berth) -> bool {
    match (wanted_material(candidate), line.material.as_deref()) {
        (Some(wanted), Some(loaded)) => wanted.eq_ignore_ascii_case(loaded),
        _ => true,
    }
}

/// The lines that the job may be made on; at least one.
fn suiting(candidate: &Candidate<'_>, lines: &[Berth]) -> Result<Vec<usize>, (JobReason, String)> {
    let job = candidate.job;
    let allowed: Vec<usize> = (0..lines.len()).filter(|&i| pinned(candidate, &lines[i])).collect();
    if let (Some(name), true) = (&job.line, allowed.is_empty()) {
        return Err((JobReason::ResourcesAreNotReady, format!("there is no line {name}; choose another for this job")));
    }
    let mut misfit = None;
    let fitting: Vec<usize> = allowed
        .into_iter()
        .filter(|&i| match fits(candidate.survey, &lines[i].limits) {
            Ok(()) => true,
            Err(why) => {
                misfit.get_or_insert_with(|| format!("line {}: {why}", lines[i].name));
                false
            }
        })
        .collect();
    if fitting.is_empty() {
        let why = misfit.unwrap_or_else(|| "there are no lines".to_owned());
        return Err((JobReason::ResourcesAreNotReady, format!("it fits no line ({why})")));
    }
    let loaded: Vec<usize> = fitting.iter().copied().filter(|&i| has_material(candidate, &lines[i])).collect();
    if loaded.is_empty() {
        let first = &lines[fitting[0]];
        let text = format!(
            "it needs {}, and line {} has {}; load it and say so in the config, or change the job's material",
            wanted_material(candidate).unwrap_or("another material"),
            first.name,
            first.material.as_deref().unwrap_or("none")
        );
        return Err((JobReason::MaterialNeeded, text));
    }
    with_room(candidate, lines, loaded)
}

/// Waits for a line, also one that nothing can be made on until its belt or the config has changed.
fn is_pending(job: &Job) -> bool {
    job.state == JobState::Pending
        || job.state == JobState::PendingHeld && job.reason == JobReason::ResourcesAreNotReady
}

fn waiting_for(line: &Berth) -> (u8, JobReason, String) {
    let name = &line.name;
    match line.state {
        // A ready line that does not take it has been given to a job before it.
        BerthState::Ready | BerthState::Busy => {
            (0, JobReason::JobQueued, format!("line {name} makes another copy first"))
        }
        BerthState::Cooling => (1, JobReason::PlatformCooling, format!("line {name} cools, then clears its belt")),
        BerthState::Asks => (2, JobReason::WaitingForUserAction, format!("line {name} asks a person")),
        BerthState::Unconnected => (3, JobReason::ConnectingToDevice, format!("line {name} has no printer")),
        BerthState::Stopped => (4, JobReason::PrinterStopped, format!("line {name} stands still")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belt::{Clearances, Direction, Frame, Ledger};
    use crate::job::{Filament, Footprint, Reach, Temperatures};
    use crate::units::{Micrometres, Millimetres, UnixMillis};

    fn survey(x_max_mm: f64) -> Survey {
        Survey {
            reach: Some(Reach { x_min_mm: 0.0, x_max_mm, y_min_mm: 0.0, y_max_mm: 9.0, z_min_mm: 0.0, z_max_mm: 9.0 }),
            filament: vec![Filament { tool: 0, length_mm: 1.0, volume_cm3: 1.0, mass_g: None }],
            temperatures: Temperatures { bed_max_c: Some(60.0), nozzle_max_c: Some(200.0), ..Temperatures::default() },
            ..Survey::default()
        }
    }

    fn job(id: i64, line: Option<&str>, material: Option<&str>) -> Job {
        Job {
            line: line.map(|l| LineName::new(l).expect("a good name")),
            material: material.map(Into::into),
            ..Job::waiting(JobId(id), format!("job {id}"), "", 1, UnixMillis(0))
        }
    }

    fn berth(name: &str, state: BerthState, material: Option<&str>, x_max_mm: f64) -> Berth {
        Berth {
            name: LineName::new(name).expect("a good name"),
            state,
            material: material.map(str::to_owned),
            limits: Limits { x_max_mm, ..Limits::default() },
            belt: None,
        }
    }

    /// `job>line` for what is begun, `job:reason` for what waits.
    fn told(jobs: &[(Job, Survey)], lines: &[Berth]) -> Vec<String> {
        let jobs: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
        let plan = plan(&jobs, lines);
        let starts = plan.starts.iter().map(|s| format!("{}>{}", s.job, s.line));
        starts.chain(plan.waits.iter().map(|w| format!("{}:{}", w.job, w.reason))).collect()
    }

    #[test]
    fn the_first_job_goes_to_the_first_ready_line_that_it_fits() {
        let lines = [berth("small", BerthState::Ready, None, 100.0), berth("large", BerthState::Ready, None, 200.0)];
        let jobs = [
            (job(1, None, None), survey(150.0)),
            (job(2, None, None), survey(50.0)),
            (job(3, None, None), survey(50.0)),
        ];
        assert_eq!(told(&jobs, &lines), ["1>large", "2>small", "3:job-queued"]);
    }

    #[test]
    fn a_pinned_job_waits_for_its_line_and_lets_others_pass() {
        let lines = [berth("a", BerthState::Busy, None, 200.0), berth("b", BerthState::Ready, None, 200.0)];
        let jobs = [(job(1, Some("a"), None), survey(9.0)), (job(2, None, None), survey(9.0))];
        assert_eq!(told(&jobs, &lines), ["2>b", "1:job-queued"]);
    }

    #[test]
    fn each_reason_to_wait_has_its_keyword() {
        let one = |state, material, asked: Option<&str>, reach| {
            told(&[(job(1, None, asked), survey(reach))], &[berth("a", state, material, 200.0)]).join(" ")
        };
        assert_eq!(one(BerthState::Cooling, None, None, 9.0), "1:platform-cooling");
        assert_eq!(one(BerthState::Asks, None, None, 9.0), "1:waiting-for-user-action");
        assert_eq!(one(BerthState::Stopped, None, None, 9.0), "1:printer-stopped");
        assert_eq!(one(BerthState::Unconnected, None, None, 9.0), "1:connecting-to-device");
        assert_eq!(one(BerthState::Ready, Some("pla"), Some("petg"), 9.0), "1:material-needed");
        assert_eq!(one(BerthState::Ready, Some("pla"), Some("PLA"), 9.0), "1>a");
        assert_eq!(one(BerthState::Ready, Some("pla"), None, 201.0), "1:resources-are-not-ready");
    }

    #[test]
    fn a_job_without_room_on_any_belt_waits_with_the_numbers_and_takes_a_line_that_has_room() {
        let mut ledger = Ledger::default();
        ledger.set_loop(Some(Micrometres(200_000)));
        ledger.splice_at(Micrometres(200_000)).expect("a loop");
        let clearances =
            Clearances { splice_width: Micrometres(4_000), margin: Micrometres(10_000), ..Clearances::default() };
        let bed = Footprint { x_min_mm: 0.0, x_max_mm: 200.0, y_min_mm: 0.0, y_max_mm: 200.0 };
        let frame = Frame { toward_nose: Direction::PlusX, nose: Millimetres(200.0), bed };
        let belt = BeltNow { frame, ledger, clearances, fallen: Micrometres(240_000), advances: 1 };
        let spliced = |name| Berth { belt: Some(belt.clone()), ..berth(name, BerthState::Ready, None, 200.0) };
        let footprint = Footprint { x_max_mm: 182.0, ..bed };
        let long = || (job(1, None, None), Survey { footprint: Some(footprint), ..survey(182.0) });
        let plan = plan(&[Candidate { job: &long().0, survey: &long().1 }], &[spliced("a")]);
        assert_eq!((plan.starts.len(), plan.waits[0].reason), (0, JobReason::ResourcesAreNotReady));
        assert!(
            plan.waits[0].text.contains("line a: needs 182 mm free, longest free stretch 176 mm"),
            "{}",
            plan.waits[0].text
        );
        let held = Job { state: JobState::PendingHeld, reason: JobReason::ResourcesAreNotReady, ..long().0 };
        assert_eq!(told(&[(held, long().1)], &[spliced("a"), berth("b", BerthState::Ready, None, 200.0)]), ["1>b"]);
        let by_person = Job { state: JobState::PendingHeld, reason: JobReason::JobHeldForRelease, ..long().0 };
        assert!(told(&[(by_person, long().1)], &[berth("b", BerthState::Ready, None, 200.0)]).is_empty());
    }

    #[test]
    fn a_job_of_many_copies_uses_several_lines_at_once() {
        let lines = [berth("a", BerthState::Ready, None, 200.0), berth("b", BerthState::Ready, None, 200.0)];
        let many = Job { copies: 3, in_work: 1, state: JobState::Processing, ..job(1, None, None) };
        assert_eq!(told(&[(many, survey(9.0))], &lines), ["1>a"]);
    }
}
