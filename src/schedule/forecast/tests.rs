//! The forecast against a simulation that asks the plan itself, and what it says where nobody can tell.

use proptest::prelude::*;

use super::*;
use crate::belt::{Clearances, Direction, Frame, Ledger};
use crate::job::{Footprint, Job, JobState, Limits, LineName, Survey};
use crate::schedule::{BeltNow, BerthState, Lasting, Spread, plan};
use crate::units::{Millimetres, UnixMillis};

fn name(line: usize) -> LineName {
    LineName::new(&format!("line-{line}")).expect("a good name")
}

fn survey(x_max_mm: f64) -> Survey {
    let reach =
        crate::job::Reach { x_min_mm: 0.0, x_max_mm, y_min_mm: 0.0, y_max_mm: 1.0, z_min_mm: 0.0, z_max_mm: 1.0 };
    Survey { reach: Some(reach), ..Survey::default() }
}

fn job(id: i64, copies: u32) -> Job {
    Job::waiting(JobId(id), format!("job {id}"), "", copies, UnixMillis(0))
}

fn berth(line: usize) -> Berth {
    let limits = Limits { x_max_mm: 100.0, ..Limits::default() };
    Berth { name: name(line), state: BerthState::Ready, material: None, limits, belt: None }
}

fn free(line: usize) -> LineNow {
    LineNow { berth: berth(line), doing: Doing::Free }
}

fn stands(line: usize, state: BerthState, job: Option<JobId>) -> LineNow {
    LineNow { berth: Berth { state, ..berth(line) }, doing: Doing::Stands { job } }
}

fn making(line: usize, job: i64, phase: Phase, left: PhaseTimes, then: Then) -> LineNow {
    let making = Making { job: JobId(job), copy: 1, phase, left, then };
    LineNow { berth: Berth { state: BerthState::Busy, ..berth(line) }, doing: Doing::Making(making) }
}

/// A minute to warm up, `print_s` within a tenth, ten minutes to cool, a minute for the belt, no check.
fn times(print_s: f64) -> PhaseTimes {
    let within = |s: f64| Spread { down_s: s, up_s: s };
    PhaseTimes {
        warm: Lasting::exactly(60.0),
        print: Lasting { expected_s: print_s, own: within(0.0), shared: within(print_s / 10.0) },
        cool: Lasting { expected_s: 600.0, own: within(60.0), shared: within(0.0) },
        advance: Lasting::exactly(60.0),
        check: Lasting::default(),
    }
}

fn foresee(jobs: &[(Job, Survey)], lines: &[LineNow], print_s: f64) -> Forecast {
    let candidates: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
    forecast(&candidates, lines, &mut |_, _, _, _| Some(times(print_s)))
}

#[test]
fn a_copy_is_foretold_phase_by_phase_and_a_job_by_its_last_copy() {
    let told = foresee(&[(job(1, 2), survey(9.0))], &[free(0)], 1000.0);
    let first = &told.jobs[0].copies[0];
    let ends: Vec<f64> = first.phases.iter().map(|p| p.end.expected_s).collect();
    assert_eq!(ends, [60.0, 1060.0, 1660.0, 1720.0, 1720.0]);
    let print = first.phases[1];
    assert_eq!((print.start.expected_s, print.end.early_s, print.end.late_s), (60.0, 960.0, 1160.0));
    let end = told.jobs[0].end.expect("it can be told");
    assert_eq!(end.expected_s, 3440.0);
    // Two prints are wrong together by 200 s, two coolings by 60 s each for itself: √(200² + 2 · 60²).
    assert!((end.late_s - 3440.0 - 47_200.0_f64.sqrt()).abs() < 1e-9);
    assert_eq!((told.lines[0].empty, told.end), (Some(end), end));
    assert_eq!(told.jobs[0].start, Some(Span::default()));
}

#[test]
fn a_copy_under_way_comes_first_and_begins_with_what_is_left() {
    let left = PhaseTimes { cool: Lasting::exactly(100.0), ..times(1000.0) };
    let busy = Job { state: JobState::Processing, reason: JobReason::JobPrinting, in_work: 1, ..job(1, 2) };
    let told = foresee(&[(busy, survey(9.0))], &[making(0, 1, Phase::Cool, left, Then::GoesOn)], 1000.0);
    assert_eq!(told.lines[0].part.map(|s| s.expected_s), Some(160.0));
    let phases: Vec<_> = told.jobs[0].copies[0].phases.iter().map(|p| p.phase).collect();
    assert_eq!(phases, [Phase::Cool, Phase::Advance, Phase::Check]);
    assert_eq!(told.jobs[0].copies[1].copy, 2);
    assert_eq!(told.jobs[0].end.map(|s| s.expected_s), Some(160.0 + 1720.0));
}

/// The job's keyword instead of a figure, by what it waits for.
#[test]
fn where_nobody_can_tell_there_is_a_reason_instead_of_a_figure() {
    let why = |job: Job, x_max_mm: f64, line: LineNow| {
        let told = foresee(&[(job, survey(x_max_mm))], &[line], 1000.0);
        assert_eq!(told.jobs[0].end, None);
        told.jobs[0].unforeseen.expect("a reason").as_str()
    };
    let held = |reason| Job { state: JobState::PendingHeld, reason, ..job(1, 1) };
    assert_eq!(why(held(JobReason::JobHeldForRelease), 9.0, free(0)), "job-held-for-release");
    assert_eq!(why(held(JobReason::JobHeldForReview), 9.0, free(0)), "job-held-for-review");
    assert_eq!(why(job(1, 1), 999.0, free(0)), "resources-are-not-ready");
    let pla = LineNow { berth: Berth { material: Some("pla".into()), ..berth(0) }, doing: Doing::Free };
    assert_eq!(why(Job { material: Some("petg".into()), ..job(1, 1) }, 9.0, pla), "material-needed");
    assert_eq!(why(Job { line: Some(name(7)), ..job(1, 1) }, 9.0, free(0)), "resources-are-not-ready");
    assert_eq!(why(job(1, 1), 9.0, stands(0, BerthState::Stopped, None)), "printer-stopped");
    assert_eq!(why(job(1, 1), 9.0, stands(0, BerthState::Asks, None)), "waiting-for-user-action");
    assert_eq!(why(job(1, 1), 9.0, stands(0, BerthState::Unconnected, None)), "connecting-to-device");
    let busy = || Job { state: JobState::ProcessingStopped, reason: JobReason::JobPrinting, in_work: 1, ..job(1, 1) };
    assert_eq!(why(busy(), 9.0, stands(0, BerthState::Asks, Some(JobId(1)))), "waiting-for-user-action");
    let then_holds = making(0, 2, Phase::Cool, times(1.0), Then::Holds);
    assert_eq!(why(job(1, 1), 9.0, then_holds), "printer-stopped");
}

#[test]
fn a_part_that_never_lets_go_leaves_its_line_and_the_jobs_behind_it_without_a_figure() {
    let jobs = [(job(1, 1), survey(9.0)), (job(2, 1), survey(9.0))];
    let candidates: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
    let told = forecast(&candidates, &[free(0)], &mut |_, _, _, _| None);
    let why: Vec<_> = told.jobs.iter().map(|j| j.unforeseen.map(Unforeseen::as_str)).collect();
    assert_eq!(why, [Some("never-cools"), Some("printer-stopped")]);
    assert_eq!(told.lines[0].empty, None);
}

#[test]
fn a_canceled_job_ends_with_the_copy_on_the_line() {
    let reason = JobReason::ProcessingToStopPoint;
    let ending = Job { state: JobState::Processing, reason, in_work: 1, ..job(1, 5) };
    let line = making(0, 1, Phase::Print, times(1000.0), Then::GoesOn);
    let told = foresee(&[(ending, survey(9.0))], &[line], 1000.0);
    assert_eq!(told.jobs[0].end.map(|s| s.expected_s), Some(1660.0));
    assert_eq!(told.jobs[0].copies.len(), 1);
}

#[test]
fn copies_beyond_what_anybody_reads_are_counted_and_far_too_many_are_not_foretold() {
    let told = foresee(&[(job(1, 3000), survey(9.0)), (job(2, 1), survey(9.0))], &[free(0)], 1000.0);
    assert_eq!((told.jobs[0].copies.len(), told.jobs[0].copies_left_out), (2000, 1000));
    assert_eq!(told.jobs[0].end.map(|s| s.expected_s), Some(3000.0 * 1720.0));
    assert_eq!(told.jobs[1].start.map(|s| s.expected_s), Some(3000.0 * 1720.0));
    let many: Vec<_> = (0..20).map(|id| (job(id, 9999), survey(9.0))).collect();
    let told = foresee(&many, &[free(0)], 1000.0);
    assert!(told.jobs[1].end.is_some());
    assert_eq!(told.jobs[3].unforeseen, Some(Unforeseen::TooFar));
    assert_eq!(told.lines[0].empty, None);
}

#[test]
fn ten_thousand_jobs_are_asked_about_once_each() {
    let jobs: Vec<_> = (0..10_000).map(|id| (job(id, 2), survey(9.0))).collect();
    let candidates: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
    let lines: Vec<_> = (0..3).map(free).collect();
    let mut asked = 0;
    let told = forecast(&candidates, &lines, &mut |_, _, _, _| {
        asked += 1;
        Some(times(1000.0))
    });
    assert!(asked <= 20_000, "{asked}");
    assert!(told.jobs.iter().all(|job| job.end.is_some()));
}

/// A belt of 270 mm with a splice of 6 mm at the nose, at 220 mm; a part is carried 40 mm over it.
fn spliced(advances: u32) -> LineNow {
    let mut ledger = Ledger::default();
    ledger.set_loop(Some(Micrometres(270_000)));
    ledger.splice_at(Micrometres(220_000)).expect("a loop");
    let bed = Footprint { x_min_mm: 0.0, x_max_mm: 220.0, y_min_mm: 0.0, y_max_mm: 200.0 };
    let frame = Frame { toward_nose: Direction::PlusX, nose: Millimetres(220.0), bed };
    let clearances = Clearances { splice_width: Micrometres(6_000), ..Clearances::default() };
    let belt = BeltNow { frame, ledger, clearances, fallen: Micrometres(260_000), advances };
    LineNow { berth: Berth { belt: Some(belt), ..berth(0) }, doing: Doing::Free }
}

fn on_the_belt(x_min_mm: f64, x_max_mm: f64) -> Survey {
    let footprint = Footprint { x_min_mm, x_max_mm, y_min_mm: 0.0, y_max_mm: 9.0 };
    Survey { footprint: Some(footprint), ..survey(9.0) }
}

/// What is asked for each copy that differs from the one before it.
fn placings(jobs: &[(Job, Survey)], line: &LineNow) -> Vec<Placing> {
    let candidates: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
    let mut asked = Vec::new();
    let _ = forecast(&candidates, std::slice::from_ref(line), &mut |_, _, _, placing| {
        asked.push(placing);
        Some(times(1000.0))
    });
    asked
}

/// A walk in whole millimetres: the splice stands somewhere on the loop, and goes round by what each copy needs.
#[test]
fn each_copy_is_placed_where_the_belt_will_be_by_then() {
    for advances in [1, 2] {
        let parts = [(100, 120), (30, 75), (180, 219)];
        // Every copy is of a job of its own, so that it is asked about.
        let jobs: Vec<_> = (0..60)
            .map(|id| {
                let (tail, lead) = parts[id % parts.len()];
                (job(id as i64 + 1, 1), on_the_belt(f64::from(tail), f64::from(lead)))
            })
            .collect();
        let asked = placings(&jobs, &spliced(advances));
        let (mut splice, mut ran_on) = (220, 0);
        for (copy, placing) in asked.iter().enumerate() {
            let (tail, lead) = parts[copy % parts.len()];
            let is_over = |middle: i32| middle + 3 > tail && middle - 3 < lead;
            let ahead = (0..270).find(|ahead| [-270, 0, 270].iter().all(|turn| !is_over(splice + ahead + turn)));
            let ahead = ahead.expect("a place");
            assert_eq!(
                *placing,
                Placing::exactly(Micrometres(i64::from(ahead) * 1000)),
                "copy {copy}, splice {splice}"
            );
            ran_on += i32::from(ahead > 0);
            splice = (splice + ahead + (260 - tail) * i32::try_from(advances).expect("few")) % 270;
        }
        assert_eq!(asked.len(), 60);
        assert!(ran_on > 5, "{ran_on} copies had to be placed");
    }
}

#[test]
fn far_down_the_queue_what_the_copies_before_needed_stands_for_each() {
    let part = || on_the_belt(100.0, 120.0);
    let asked = placings(&[(job(1, 5000), part()), (job(2, 5000), part())], &spliced(1));
    let last = asked.last().expect("some were asked about");
    let exact: Vec<_> = asked.iter().filter(|placing| placing.least == placing.most).collect();
    let most = exact.iter().map(|placing| placing.most.0).max().expect("some");
    assert_eq!((last.least.0, last.most.0), (0, most));
    assert!((1..most).contains(&last.expected.0), "{last:?}");
    assert!(asked.len() <= 2 + usize::try_from(COPIES_PLACED).expect("few") + 1, "{} asked about", asked.len());
}

/// What the plan does: `(job, copy, line, start)`, by asking it at every event.
fn simulate(
    jobs: &[(Job, Survey)],
    lines: &[LineNow],
    print_s: &dyn Fn(usize, usize) -> f64,
) -> Vec<(JobId, u32, usize, f64)> {
    let mut jobs = jobs.to_vec();
    let mut berths: Vec<_> = lines.iter().map(|line| line.berth.clone()).collect();
    // When each busy line comes free, and which job that is for.
    let mut busy: Vec<Option<(f64, JobId, Then)>> = lines
        .iter()
        .map(|line| match line.doing {
            Doing::Making(m) => {
                let left = Phase::ALL[m.phase as usize..].iter().map(|&p| m.left.of(p).expected_s).sum();
                Some((left, m.job, m.then))
            }
            _ => None,
        })
        .collect();
    let mut now = 0.0;
    let mut begun = Vec::new();
    loop {
        loop {
            let candidates: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
            let starts = plan(&candidates, &berths).starts;
            if starts.is_empty() {
                break;
            }
            for start in starts {
                let line = berths.iter().position(|b| b.name == start.line).expect("a known line");
                let place = jobs.iter().position(|(job, _)| job.id == start.job).expect("a known job");
                let job = &mut jobs[place].0;
                begun.push((job.id, job.completed + job.scrapped + job.in_work + 1, line, now));
                job.in_work += 1;
                job.state = JobState::Processing;
                job.reason = JobReason::JobPrinting;
                berths[line].state = BerthState::Busy;
                let lasts: f64 = Phase::ALL.iter().map(|&p| times(print_s(place, line)).of(p).expected_s).sum();
                busy[line] = Some((now + lasts, start.job, Then::GoesOn));
            }
        }
        let Some(next) = busy.iter().flatten().map(|b| b.0).min_by(f64::total_cmp) else { return begun };
        now = next;
        for (line, slot) in busy.iter_mut().enumerate() {
            let Some((at, id, then)) = *slot else { continue };
            if at > now {
                continue;
            }
            *slot = None;
            berths[line].state = if then == Then::GoesOn { BerthState::Ready } else { BerthState::Stopped };
            if let Some((job, _)) = jobs.iter_mut().find(|(job, _)| job.id == id) {
                job.in_work -= 1;
                job.completed += 1;
                if job.copies_waiting() > 0 && job.in_work == 0 && job.reason == JobReason::JobPrinting {
                    (job.state, job.reason) = (JobState::Pending, JobReason::JobQueued);
                }
            }
        }
    }
}

prop_compose! {
    fn any_job(lines: usize)(
        copies in 1_u32..5,
        pin in proptest::option::weighted(0.3, 0..lines),
        material in proptest::option::weighted(0.5, prop_oneof![Just("pla"), Just("petg")]),
        x_max_mm in prop_oneof![Just(50.0), Just(150.0), Just(900.0)],
        held in proptest::bool::weighted(0.15),
    ) -> (Job, Survey) {
        let mut job = Job { line: pin.map(name), material: material.map(Into::into), ..job(0, copies) };
        if held {
            (job.state, job.reason) = (JobState::PendingHeld, JobReason::JobHeldForRelease);
        }
        (job, survey(x_max_mm))
    }
}

prop_compose! {
    fn any_line()(
        kind in 0..6,
        left_s in 1_u32..50,
        material in proptest::option::weighted(0.5, prop_oneof![Just("pla"), Just("petg")]),
        x_max_mm in prop_oneof![Just(100.0), Just(200.0)],
    ) -> (i32, u32, Option<&'static str>, f64) {
        (kind, left_s, material, x_max_mm)
    }
}

fn any_house() -> impl Strategy<Value = (Vec<(Job, Survey)>, Vec<LineNow>)> {
    (1_usize..5)
        .prop_flat_map(|lines| {
            (proptest::collection::vec(any_job(lines), 0..12), proptest::collection::vec(any_line(), lines))
        })
        .prop_map(|(mut jobs, lines)| {
            for (i, (job, _)) in jobs.iter_mut().enumerate() {
                job.id = JobId(i64::try_from(i).expect("few") + 1);
            }
            let mut line = |(i, (kind, left_s, material, x_max_mm)): (usize, (i32, u32, Option<&str>, f64))| {
                let state = match kind {
                    0 => BerthState::Stopped,
                    1 | 2 => BerthState::Busy,
                    _ => BerthState::Ready,
                };
                // What is under way belongs to the line's own job, if that is not held.
                let own =
                    jobs.get_mut(i).filter(|(job, _)| state == BerthState::Busy && job.state == JobState::Pending);
                let of = own.map(|(job, _)| {
                    (job.in_work, job.state, job.reason) = (1, JobState::Processing, JobReason::JobPrinting);
                    job.id
                });
                let left = PhaseTimes { cool: Lasting::exactly(f64::from(left_s) * 60.0), ..times(1.0) };
                let doing = match (state, of) {
                    (BerthState::Stopped, _) => Doing::Stands { job: None },
                    (BerthState::Busy, of) => Doing::Making(Making {
                        job: of.unwrap_or(JobId(99)),
                        copy: 1,
                        phase: Phase::Cool,
                        left,
                        then: if kind == 1 { Then::GoesOn } else { Then::Holds },
                    }),
                    _ => Doing::Free,
                };
                let limits = Limits { x_max_mm, ..Limits::default() };
                LineNow {
                    berth: Berth { name: name(i), state, material: material.map(str::to_owned), limits, belt: None },
                    doing,
                }
            };
            let lines = lines.into_iter().enumerate().map(&mut line).collect();
            (jobs, lines)
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// Every copy on the line, in the order and at the time that the plan itself gives it out; and no other.
    #[test]
    fn the_forecast_agrees_with_the_plan_asked_at_every_event((jobs, lines) in any_house()) {
        let print_s = |job: usize, line: usize| 60.0 * f64::from(u32::try_from(job * 7 % 5 + line % 2 + 1).expect("small"));
        let mut expected = simulate(&jobs, &lines, &print_s);
        let candidates: Vec<_> = jobs.iter().map(|(job, survey)| Candidate { job, survey }).collect();
        let told = forecast(&candidates, &lines, &mut |job, line, _, _| Some(times(print_s(job, line))));
        let mut found: Vec<_> = told
            .jobs
            .iter()
            .flat_map(|job| job.copies.iter().map(|copy| (job.job, copy)))
            .filter(|(_, copy)| copy.phases[0].phase == Phase::Warm)
            .map(|(job, copy)| (job, copy.copy, copy.line, copy.phases[0].start.expected_s))
            .collect();
        let order = |list: &mut Vec<(JobId, u32, usize, f64)>| list.sort_by_key(|&(job, copy, _, _)| (job, copy));
        order(&mut expected);
        order(&mut found);
        prop_assert_eq!(&expected, &found);
        // A job has a figure or a reason, never both, and a figure says that every copy is placed.
        for ((job, _), told) in jobs.iter().zip(&told.jobs) {
            prop_assert_eq!(told.end.is_none(), told.unforeseen.is_some());
            let placed = u32::try_from(told.copies.len()).expect("few");
            prop_assert!(told.end.is_none() || placed == job.copies, "{:?}", told);
        }
    }
}
