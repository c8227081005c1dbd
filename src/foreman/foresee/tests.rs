//! The whole forecast from what the foreman knows: what it costs, and what a belt with a splice does to it.

use std::path::Path;

use super::*;
use crate::clock::Clock;
use crate::config::Config;
use crate::foreman::books::Books;
use crate::foreman::decide::Event;
use crate::foreman::effects::Effects;
use crate::foreman::recover;
use crate::job::Footprint;
use crate::job::{Filament, FileFacts, HeatRun, HeatWay, JobId, LineName, Reach, Survey};
use crate::line::{Operator, Readings, Signal, StepId, StepResult};
use crate::store::Snapshot;
use crate::units::{Celsius, Micrometres};

const CONFIG: &str = "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\n[line.check]\nkind = \"ask\"\n\
    [[line]]\nname = \"two\"\n[line.printer]\nlink = \"simulated\"\n[line.check]\nkind = \"ask\"\n";

/// Jobs of a real queue: three materials, and no two of the same mass.
fn survey(n: i64) -> Survey {
    let file = FileFacts { bytes: 1, lines: 1, sha256: format!("{n:064}") };
    let material = Some(["pla", "petg", "asa"][n as usize % 3].to_owned());
    let mass_g = Some(1.0 + n as f64 / 10.0);
    let filament = vec![Filament { tool: 0, length_mm: 1.0, volume_cm3: 1.0, mass_g }];
    let reach = Reach { x_min_mm: 50.0, x_max_mm: 90.0, y_min_mm: 60.0, y_max_mm: 100.0, z_min_mm: 0.2, z_max_mm: 9.0 };
    let mut survey = Survey { file, material, filament, time_s: 600.0 + n as f64, ..Survey::default() };
    survey.reach = Some(reach);
    (survey.temperatures.bed_first_c, survey.temperatures.nozzle_first_c) = (Some(60.0), Some(200.0));
    survey
}

fn heat(id: i64, line: &LineName, way: HeatWay) -> HeatRun {
    let (start_c, end_c, ambient_c) = if way == HeatWay::Cool { (60.0, 30.0, 22.0) } else { (22.0, 60.0, 140.0) };
    HeatRun {
        id,
        line: line.clone(),
        way,
        cycle: None,
        at: UnixMillis(id),
        material: Some("pla".to_owned()),
        fan: None,
        mass_g: Some(12.0),
        start_c,
        end_c,
        ambient_c,
        tau_s: 600.0 + (id % 7) as f64,
        rms_k: 0.1,
        samples: 200,
    }
}

fn decider(jobs: i64) -> Decider {
    decider_of(CONFIG, (1..=jobs).map(|n| (job(n), survey(n))).collect())
}

fn job(n: i64) -> Job {
    Job::waiting(JobId(n), format!("clip {n}"), format!("{n:064}"), 2, UnixMillis(n))
}

fn decider_of(config: &str, jobs: Vec<(Job, Survey)>) -> Decider {
    let config = Config::parse(config, Path::new("/nowhere/nosebar.toml")).expect("a good config");
    let clock = Clock::manual(UnixMillis(0));
    let runs = config.lines.iter().flat_map(|line| (0..100).map(move |i| (i, &line.name)));
    let heat_runs = runs.map(|(i, name)| heat(i, name, if i % 2 == 0 { HeatWay::Cool } else { HeatWay::Warm }));
    let (jobs, surveys) = jobs.into_iter().unzip();
    let snapshot = Snapshot { jobs, surveys, heat_runs: heat_runs.collect(), ..Snapshot::default() };
    let mut books = Books::open(snapshot);
    let now = (clock.now(), clock.wall());
    let stands = config.lines.iter().map(|line| {
        let state = recover::line(&mut books, now, line, None, None);
        let mut stand = Stand::new(line.clone(), state, None);
        stand.line.handle(now.0, Signal::Connected);
        stand
    });
    let stands = stands.collect();
    Decider {
        clock: clock.clone(),
        books,
        stands,
        materials: config.materials.clone(),
        files: Box::new(|_| std::path::PathBuf::new()),
        effects: Effects::default(),
        planned_for: Vec::new(),
    }
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

/// A belt of 270 mm with a splice of 6 mm. The part lies from 100 to 120 mm, the nose is at 220 mm: 160 mm for each advance, so
/// that the splice stands at 220, then at 110, where it is in the way.
const ON_A_SPLICED_BELT: &str = "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\n\
    [line.check]\nkind = \"ask\"\n[line.belt]\ntoward_nose = \"+x\"\nnose_mm = 220.0\noverrun_mm = 40.0\n\
    loop_mm = 270.0\nsplice_width_mm = 6.0\nkeep_out_margin_mm = 0.0\n";

fn spliced(jobs: Vec<(Job, Survey)>) -> Decider {
    let mut decider = decider_of(ON_A_SPLICED_BELT, jobs);
    let now = decider.clock.now();
    let line = &mut decider.stands[0].line;
    line.handle(
        now,
        Signal::StepDone { step: StepId(1), result: StepResult { complete: true, ..StepResult::default() } },
    );
    line.operate(now, Operator::SpliceAtNose).expect("the belt stands");
    decider
}

fn on_the_belt(n: i64) -> Survey {
    let footprint = Footprint { x_min_mm: 100.0, x_max_mm: 120.0, y_min_mm: 60.0, y_max_mm: 80.0 };
    Survey { footprint: Some(footprint), ..survey(n) }
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
    for _ in 0..2 {
        line.handle(now, Signal::Temperatures(Readings { bed: Some(Celsius(25.0)), ..Readings::default() }));
    }
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
