//! What is kept of a copy whose belt was stopped while it ran; how jobs come in.

use super::*;
use crate::foreman::bench::{job, on_the_belt, read_bed, spliced};
use crate::job::{Cycle, Job, JobReason};
use crate::line::Operator;
use crate::units::{Celsius, Micrometres, UnixMillis};

/// The cycles in what is to be kept, in their order.
fn cycles(effects: &Effects) -> Vec<&Cycle> {
    effects
        .writes
        .iter()
        .filter_map(|write| if let Write::Cycle(cycle) = write { Some(&**cycle) } else { None })
        .collect()
}

/// One copy, whose place the belt is running to: 20 mm.
fn on_its_way() -> Decider {
    let mut decider = spliced(vec![(Job { copies: 1, ..job(1) }, on_the_belt(1))]);
    let now = decider.clock.now();
    let line = &mut decider.stands[0].line;
    let (near, far) = (Micrometres(100_000), Micrometres(120_000));
    line.operate(now, Operator::MarkFlaw { near, far, note: String::new() }).expect("the belt stands");
    read_bed(line, now, Celsius(25.0));
    drop(decider.apply(Event::Time));
    assert!(decider.stands[0].line.belt_runs());
    decider
}

#[test]
fn what_the_belt_ran_before_a_hold_is_in_its_cycle_at_once() {
    let mut decider = on_its_way();
    decider.stands[0].line.operate(decider.clock.now(), Operator::HoldNow).expect("it can be held");
    let result = TaskResult { moved: Micrometres(7_000), ..TaskResult::default() };
    let effects = decider.apply(Event::Report(0, Report::Done { task: 2, result }));
    assert_eq!(cycles(&effects).iter().map(|cycle| cycle.advance_um).collect::<Vec<_>>(), [7_000]);
}

#[test]
fn what_is_reported_after_a_cycle_has_ended_is_added_to_it_and_it_is_forgotten_then() {
    for stop in [Operator::Stop, Operator::EmergencyStop] {
        let mut decider = on_its_way();
        decider.stands[0].line.operate(decider.clock.now(), stop.clone()).expect("it can be stopped");
        let ended = decider.apply(Event::Time);
        let cycle = cycles(&ended)[0].clone();
        assert_eq!((cycle.outcome.is_some(), cycle.advance_um), (true, 0));
        decider.books.forget_ended();
        let (moved, maybe) = (Micrometres(7_000), Micrometres(3_000));
        let result = TaskResult { moved, maybe, ..TaskResult::default() };
        let report = match stop {
            Operator::Stop => Report::Done { task: 2, result },
            _ => Report::Reset { result },
        };
        let told = decider.apply(Event::Report(0, report));
        assert_eq!(cycles(&told), [&Cycle { advance_um: 7_000, ..cycle.clone() }]);
        assert_eq!(decider.stands[0].line.ledger().odometer, moved, "the odometer and the cycle agree");
        decider.books.forget_ended();
        assert!(decider.books.cycle(cycle.id).is_none());
    }
}

#[test]
fn a_job_with_concerns_waits_for_a_yes_unless_it_was_given_before_it_came_in() {
    let concern = crate::job::Finding { code: "waits".to_owned(), line: 3, text: "M0 stops".to_owned() };
    let cases = [
        (true, true, false, JobReason::JobQueued, true),
        (true, true, true, JobReason::JobHeldForRelease, true),
        (true, false, false, JobReason::JobHeldForReview, false),
        // There is nothing to say yes to.
        (false, true, false, JobReason::JobQueued, false),
    ];
    for (has_concern, reviewed, hold, reason, noted) in cases {
        let mut decider = spliced(Vec::new());
        let concerns = if has_concern { vec![concern.clone()] } else { Vec::new() };
        let arrival = Arrival {
            file_name: "clip.gcode".to_owned(),
            survey: crate::job::Survey { concerns, ..crate::job::Survey::default() },
            copies: 2,
            line: None,
            material: None,
            release_c: None,
            hold,
            reviewed,
            source_key: None,
            source: None,
        };
        let job = decider.books.admit(UnixMillis(0), arrival);
        assert_eq!((job.reason, job.reviewed), (reason, noted), "{has_concern} {reviewed} {hold}");
        let (_, _, entries) = decider.books.take_writes();
        assert_eq!(entries.iter().any(|entry| entry.kind == "job-reviewed"), noted);
        assert_eq!(
            entries.iter().any(|entry| entry.kind == "job-held-for-review"),
            reason == JobReason::JobHeldForReview
        );
    }
}
