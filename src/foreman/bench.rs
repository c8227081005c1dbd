//! A foreman's decisions on a manual clock, for tests: jobs, lines and a history, without a store or a printer.

use std::path::Path;
use std::sync::Arc;

use super::books::Books;
use super::decide::Decider;
use super::effects::Effects;
use super::recover;
use super::stand::Stand;
use crate::clock::Clock;
use crate::config::Config;
use crate::job::{Filament, FileFacts, Footprint, HeatRun, HeatWay, Job, JobId, LineName, Reach, Survey};
use crate::line::{Line, Operator, Readings, Signal, StepId, StepResult};
use crate::store::Snapshot;
use crate::units::{Celsius, Moment, UnixMillis};

/// Jobs of a real queue: three materials, and no two of the same mass.
pub(super) fn survey(n: i64) -> Survey {
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

pub(super) fn job(n: i64) -> Job {
    Job::waiting(JobId(n), format!("clip {n}"), format!("{n:064}"), 2, UnixMillis(n))
}

pub(super) fn decider_of(config: &str, jobs: Vec<(Job, Survey)>) -> Decider {
    let config = Config::parse(config, Path::new("/nowhere/nosebar.toml")).expect("a good config");
    let clock = Clock::manual(UnixMillis(0));
    let runs = config.lines.iter().flat_map(|line| (0..100).map(move |i| (i, &line.name)));
    let heat_runs = runs.map(|(i, name)| heat(i, name, if i % 2 == 0 { HeatWay::Cool } else { HeatWay::Warm }));
    let (jobs, surveys) = jobs.into_iter().map(|(job, survey)| (Arc::new(job), survey)).unzip();
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
        keys: super::keys::KeyBook::default(),
        stands,
        materials: config.materials.clone(),
        files: Box::new(|_| std::path::PathBuf::new()),
        effects: Effects::default(),
        planned_for: Vec::new(),
    }
}

/// A belt of 270 mm with a splice of 6 mm. The part lies from 100 to 120 mm, the nose is at 220 mm: 160 mm for each advance, so
/// that the splice stands at 220, then at 110, where it is in the way.
const ON_A_SPLICED_BELT: &str = "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"simulated\"\n\
    [line.check]\nkind = \"ask\"\n[line.belt]\ntoward_nose = \"+x\"\nnose_mm = 220.0\noverrun_mm = 40.0\n\
    loop_mm = 270.0\nsplice_width_mm = 6.0\nkeep_out_margin_mm = 0.0\n";

pub(super) fn spliced(jobs: Vec<(Job, Survey)>) -> Decider {
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

pub(super) fn on_the_belt(n: i64) -> Survey {
    let footprint = Footprint { x_min_mm: 100.0, x_max_mm: 120.0, y_min_mm: 60.0, y_max_mm: 80.0 };
    Survey { footprint: Some(footprint), ..survey(n) }
}

/// A bed that is reported twice, as a belt that is to run asks for.
pub(super) fn read_bed(line: &mut Line, now: Moment, bed: Celsius) {
    for _ in 0..2 {
        line.handle(now, Signal::Temperatures(Readings { bed: Some(bed), ..Readings::default() }));
    }
}
