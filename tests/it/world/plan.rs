//! What a seed means: the line, the jobs, and what goes wrong with them.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use nosebar::config::{Config, STANDING_WORD};
use nosebar::foreman::Arrival;
use nosebar::gcode::{ContentHash, Reading};
use nosebar::sim::{ReportForm, SimConfig};

use super::chance::Chance;
use super::fault::{Fault, What, When};
use super::files::sliced;

/// Everything that is settled before a world begins.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) config: Config,
    pub(crate) machine: SimConfig,
    pub(crate) jobs: Vec<(Vec<u8>, u32)>,
    pub(crate) faults: Vec<Fault>,
    /// What the cable takes either way.
    pub(crate) latency: Duration,
    /// Whether opening the port resets the board, as the control lines of common boards do.
    pub(crate) opening_resets: bool,
    /// The chance of everything that is not settled before.
    pub(crate) chance: Chance,
}

/// The loop of the belts that have marks, mm.
pub(crate) const LOOP_MM: i64 = 640;
/// The nose's coordinate along the belt, mm.
pub(crate) const NOSE_MM: i64 = 220;
/// The splice's own length, mm.
const SPLICE_MM: i64 = 6;
/// Flaws before the nose when the line begins: near end, far end, mm.
pub(crate) const FLAWS_MM: [(i64, i64); 2] = [(140, 155), (400, 408)];
/// A light bed, so that an hour of cooling is a minute.
const BED_TAU_S: f64 = 40.0;

impl Plan {
    /// What this seed means.
    pub(crate) fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        let marked = chance.one_in(2);
        let check = chance.one_of(&["ask", "switch", "command", "switch", "trust"]);
        let drive = chance.one_of(&[
            "drive = \"extruder\"\nextruder = 1",
            "drive = \"axis\"\naxis = \"A\"\nunits_per_mm = 2.5\ninverted = true",
            "drive = \"lines\"\nlines = [\"T1\", \"M83\", \"M302 S0\", \"G1 E{mm} F{feed}\", \"M302 S170\", \"T0\"]",
        ]);
        let config = config(check, drive, marked, &mut chance);
        let machine = machine(&config, marked, &mut chance);
        let mut files = chance.fork();
        let jobs: Vec<(Vec<u8>, u32)> =
            (0..files.below(2) + 1).map(|_| (sliced(&mut files, Some(8)), files.below(3) as u32 + 1)).collect();
        let copies = jobs.iter().map(|(_, copies)| copies).sum();
        let mut worse = chance.fork();
        let count = worse.one_of(&[0, 1, 1, 2, 2, 3, 4, 6]);
        let faults =
            (0..count).map(|_| Fault { when: When::any(&mut worse, copies), what: What::any(&mut worse) }).collect();
        let latency =
            chance.one_of(&[Duration::ZERO, Duration::ZERO, Duration::from_millis(1), Duration::from_millis(4)]);
        Self { config, machine, jobs, faults, latency, opening_resets: chance.one_in(2), chance: chance.fork() }
    }
}

impl Plan {
    /// The sliced files, as the surveyors see them.
    pub(crate) fn arrivals(&self) -> Vec<Arrival> {
        let rules = nosebar::cli::survey_rules(&self.config);
        let arrival = |(number, (bytes, copies)): (usize, &(Vec<u8>, u32))| {
            let mut reading = Reading::new(&rules);
            reading.handle_bytes(bytes);
            let survey = reading.finish(hash(bytes));
            assert!(survey.refusals.is_empty(), "{:?}", survey.refusals);
            Arrival {
                file_name: format!("part-{number}.gcode"),
                survey,
                copies: *copies,
                line: None,
                material: None,
                release_c: None,
                hold: false,
                reviewed: false,
                source_key: Some(format!("file {number}")),
                source: None,
            }
        };
        self.jobs.iter().enumerate().map(arrival).collect()
    }

    /// The file store.
    pub(crate) fn files(&self) -> BTreeMap<PathBuf, Arc<Vec<u8>>> {
        self.jobs.iter().map(|(bytes, _)| (PathBuf::from(hash(bytes)), Arc::new(bytes.clone()))).collect()
    }
}

fn hash(bytes: &[u8]) -> String {
    let mut hash = ContentHash::default();
    hash.handle_bytes(bytes);
    hash.finish()
}

fn config(check: &str, drive: &str, marked: bool, chance: &mut Chance) -> Config {
    let belt = if marked { format!("loop_mm = {LOOP_MM}.0\nsplice_width_mm = {SPLICE_MM}.0\n") } else { String::new() };
    let check = match check {
        "switch" => "kind = \"switch\"\ninput = \"nose\"\n".to_owned(),
        "command" => "kind = \"command\"\nprogram = [\"look\"]\nprogram_limit_s = 20.0\n".to_owned(),
        "trust" => format!("kind = \"trust\"\nstanding_word = \"{STANDING_WORD}\"\n"),
        _ => "kind = \"ask\"\nask_limit_s = 300.0\n".to_owned(),
    };
    let fan = chance.one_in(3);
    let fan = if fan { "cool_begin_lines = [\"M106 S255\"]\ncool_end_lines = [\"M107\"]\n" } else { "" };
    let (window, retries) = (chance.one_of(&[1, 4, 4]), chance.below(3));
    let text = format!(
        "[[line]]\nname = \"one\"\n[line.printer]\nlink = \"tcp\"\naddress = \"192.0.2.7:2001\"\nsilence_s = 3.0\n\
         window_lines = {window}\n[line.belt]\n{drive}\nlook_every_mm = 10.0\n{belt}\
         [line.heat]\nambient_c = 22.0\ncooling_time_constant_s = {BED_TAU_S}\nwarm_limit_s = 900.0\n\
         cool_limit_s = 1800.0\nheld_nozzle_off_s = 120.0\nheld_bed_off_s = 600.0\n{fan}\
         [line.check]\nretries = {retries}\n{check}"
    );
    Config::parse(&text, "world.toml".as_ref()).expect("a good config")
}

fn machine(config: &Config, marked: bool, chance: &mut Chance) -> SimConfig {
    let mut machine = nosebar::cli::simulated_machine(&config.lines[0]);
    machine.bed.tau_s = BED_TAU_S;
    machine.nozzle.tau_s = 15.0;
    machine.release.seed = chance.next();
    machine.commands_kept = 200;
    machine.report = chance.one_of(&[
        ReportForm::Whole,
        ReportForm::WholeWithTargets,
        ReportForm::Decimals,
        ReportForm::Decimals,
        ReportForm::Tight,
        ReportForm::Raw,
    ]);
    machine.boot = chance.one_of(&[Duration::ZERO, Duration::from_secs(2)]);
    machine.input.flush_on_error = chance.one_in(2);
    if marked {
        machine.loop_um = Some(LOOP_MM * 1000);
        let splice = [NOSE_MM - SPLICE_MM / 2, NOSE_MM + SPLICE_MM / 2];
        let flaws = FLAWS_MM.map(|(near, far)| [NOSE_MM - far, NOSE_MM - near]);
        machine.keep_outs = [splice].into_iter().chain(flaws).map(|span| span.map(|mm| mm * 1000)).collect();
    }
    machine
}
