//! The whole forecast from what the foreman knows: what it costs, and what a belt with a splice does to it.

use super::*;
use crate::foreman::bench::{decider_of, job, on_the_belt, read_bed, spliced, survey};
use crate::foreman::decide::Event;
use crate::line::{Operator, Signal, StepId, StepResult};
use crate::units::{Celsius, Micrometres};

const CONFIG: &str = "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\n[line.check]\nkind = \"ask\"\n\
    [[line]]\nname = \"two\"\n[line.printer]\nlink = \"simulated\"\n[line.check]\nkind = \"ask\"\n";

fn decider(jobs: i64) -> Decider {
    decider_of(CONFIG, (1..=jobs).map(|n| (job(n), survey(n))).collect())
}

#[test]
fn ten_thousand_jobs_on_two_lines_ask_for_a_few_waits_and_have_two_thousand_copies_spelled_out() {
    let decider = decider(10_000);
    let before = crate::foreman::waits::worked_out();
    let view = foresee(&decider, decider.clock.now());
    let waits = crate::foreman::waits::worked_out() - before;
    let copies: usize = view.jobs.iter().map(|job| job.copies.len()).sum();
    assert_eq!((view.jobs.len(), view.jobs_without_figure, copies), (10_000, 0, 2_000));
    // Each is hundreds of curves; the foreman's loop, and an emergency stop, would wait for one of every job.
    assert!((1..1000).contains(&waits), "{waits} waits worked out");
}

/// How long each copy is expected to be placed and warmed up, s.
fn warm_s(decider: &Decider) -> Vec<f64> {
    let view = foresee(decider, decider.clock.now());
    let copies = view.jobs.iter().flat_map(|job| &job.copies);
    copies.map(|copy| (copy.phases[0].end.at.0 - copy.phases[0].start.at.0) as f64 / 1000.0).collect()
}

#[test]
fn a_copy_that_would_lie_on_the_splice_is_expected_later_by_the_belts_way_to_a_free_place() {
    let warm = warm_s(&spliced(vec![(Job { copies: 4, ..job(1) }, on_the_belt(1))]));
    let drive = &spliced(Vec::new()).stands[0].config.settings.drive;
    // From 110 to 123 mm, in one command, which takes a quarter of a second more than its way.
    let runs_s = 13.0 / drive.travel_feed.0 * 60.0 + 0.25;
    assert!((warm[1] - warm[2] - runs_s).abs() < 0.002, "{warm:?}, {runs_s} s");
    assert!((warm[2] - warm[3]).abs() < 0.002, "the splice stands at 13 and 173 mm then: {warm:?}");
}

#[test]
fn a_bed_that_let_one_part_go_warmer_is_expected_to_cool_before_the_belt_runs_for_the_next() {
    let releasing = |n, release_c| (Job { copies: 1, release_c: Some(release_c), ..job(n) }, on_the_belt(n));
    let (alike, apart) =
        (spliced(vec![releasing(1, 30.0), releasing(2, 30.0)]), spliced(vec![releasing(1, 50.0), releasing(2, 30.0)]));
    // The bed's time constant is about ten minutes here, and the room is at 22 °C: 28 K down to 8 K.
    let cools_s = 600.0 * (28.0_f64 / 8.0).ln();
    let more_s = warm_s(&apart)[1] - warm_s(&alike)[1];
    assert!((0.9 * cools_s..1.1 * cools_s).contains(&more_s), "{more_s} s, {cools_s} s by the curve");
}

#[test]
fn what_follows_is_foretold_alike_before_and_while_a_copy_is_on_its_way_to_its_place() {
    let mut decider = spliced(vec![(Job { copies: 4, ..job(1) }, on_the_belt(1))]);
    let now = decider.clock.now();
    let line = &mut decider.stands[0].line;
    let mut flaw = |near_mm: i64, far_mm: i64| {
        let (near, far) = (Micrometres(near_mm * 1000), Micrometres(far_mm * 1000));
        line.operate(now, Operator::MarkFlaw { near, far, note: String::new() }).expect("the belt stands");
    };
    // Under the first copy: 20 mm to go, which brings the splice to 240 mm.
    flaw(100, 120);
    read_bed(line, now, Celsius(25.0));
    let before = warm_s(&decider);
    drop(decider.apply(Event::Time));
    assert_eq!(decider.stands[0].line.placing(), Some(Micrometres(20_000)));
    assert_eq!(warm_s(&decider), before);
    assert!(before[0] > before[3], "{before:?}");
    let step = StepId(2);
    let result = StepResult { complete: true, moved: Micrometres(20_000), ..StepResult::default() };
    decider.stands[0].line.handle(now, Signal::StepDone { step, result });
    assert_eq!(decider.stands[0].line.placing(), None);
    assert_eq!(warm_s(&decider)[1..], before[1..]);
}
