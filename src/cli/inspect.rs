//! `nosebar inspect`: survey a sliced file and print what was found.

use std::fmt::{self, Write as _};
use std::fs::{File, Permissions};
use std::io::{self, BufReader, Write as _};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::ExitCode;

use serde::Serialize;

use super::InspectArgs;
use super::rules::{dialect, scene, survey_rules};
use crate::belt::Advance;
use crate::config::{Config, ConfigError, LineConfig, SAMPLE};
use crate::gcode::{picture, survey};
use crate::job::{Finding, Survey};
use crate::schedule::fits;
use crate::thermal::release_temperature;
use crate::units::Micrometres;

/// How much of a file is read at once.
pub(super) const READ_BYTES: usize = 256 * 1024;
/// Width of a picture, pixels.
const PICTURE_PX: u32 = 1024;

/// The survey, and what the line would do with the part.
#[derive(Debug, Serialize)]
struct Report {
    #[serde(flatten)]
    survey: Survey,
    eject: Option<Eject>,
}

/// How the part leaves the belt: coordinates along the belt, growing toward the nose.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
struct Eject {
    release_c: f64,
    tail_mm: f64,
    lead_mm: f64,
    approach_mm: f64,
    peel_mm: f64,
    overrun_mm: f64,
    advance_mm: f64,
}

/// Surveys the file: status 0, 1 when it is refused, 2 when it or the config cannot be read.
pub(crate) fn run(args: &InspectArgs) -> ExitCode {
    match inspect(args) {
        Ok(report) => {
            let text =
                if args.json { json_of(&report) } else { Shown { report: &report, file: &args.file }.to_string() };
            // A reader that has gone away has seen what it wanted.
            let _ = io::stdout().lock().write_all(text.as_bytes());
            ExitCode::from(u8::from(!report.survey.refusals.is_empty()))
        }
        Err(why) => {
            let _ = writeln!(io::stderr(), "nosebar: {why}");
            ExitCode::from(2)
        }
    }
}

fn inspect(args: &InspectArgs) -> Result<Report, String> {
    let config = config_of(args.config.as_deref()).map_err(|error| error.to_string())?;
    let unreadable = |error: io::Error| format!("{} cannot be read: {error}", args.file.display());
    let file = File::open(&args.file).map_err(unreadable)?;
    let survey = survey(BufReader::with_capacity(READ_BYTES, file), &survey_rules(&config)).map_err(unreadable)?;
    if let (Some(out), Some(line)) = (&args.picture, line_for(&survey, &config)) {
        let file = BufReader::with_capacity(READ_BYTES, File::open(&args.file).map_err(unreadable)?);
        let picture = picture(file, &scene(line, PICTURE_PX), &survey, dialect(line)).map_err(unreadable)?;
        write_whole(out, &picture).map_err(|error| format!("{} cannot be written: {error}", out.display()))?;
    }
    let eject = eject_of(&survey, &config);
    Ok(Report { survey, eject })
}

/// Puts a file in its place whole; whatever had the name is replaced.
fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    // As a file that any program makes: who may read it is the user's own rule.
    let mut file = tempfile::Builder::new().permissions(Permissions::from_mode(0o666)).tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.persist(path)?;
    Ok(())
}

/// The config that was asked for, or the one that `nosebar init` would write.
pub(super) fn config_of(path: Option<&Path>) -> Result<Config, ConfigError> {
    match path {
        Some(path) => Config::read(path),
        None => Config::parse(SAMPLE, Path::new("the sample")),
    }
}

/// The first line that can take the file, or the first one.
fn line_for<'a>(survey: &Survey, config: &'a Config) -> Option<&'a LineConfig> {
    let takes = |line: &&LineConfig| fits(survey, &line.limits).is_ok();
    config.lines.iter().find(takes).or_else(|| config.lines.first())
}

/// What the first line that can take the file would do with its part; `None` if it lays nothing on the belt.
fn eject_of(survey: &Survey, config: &Config) -> Option<Eject> {
    let line = line_for(survey, config)?;
    let extent = line.frame.extent(survey)?;
    let advance = Advance::plan(extent, line.frame.nose, line.overrun);
    let names = [survey.material.as_deref(), line.material.as_deref()];
    let millimetres = |um: i64| Micrometres(um).to_millimetres().0;
    Some(Eject {
        release_c: release_temperature(None, &names, &config.materials).0,
        tail_mm: extent.tail_mm,
        lead_mm: extent.lead_mm,
        approach_mm: millimetres(advance.approach_um),
        peel_mm: millimetres(advance.peel_um),
        overrun_mm: millimetres(advance.overrun_um),
        advance_mm: millimetres(advance.total().0),
    })
}

fn json_of(report: &Report) -> String {
    let mut text =
        serde_json::to_string_pretty(report).expect("invariant: a survey has string keys and finite numbers");
    text.push('\n');
    text
}

/// The report as a person reads it.
struct Shown<'a> {
    report: &'a Report,
    file: &'a Path,
}

impl fmt::Display for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let survey = &self.report.survey;
        writeln!(f, "{}", self.file.display())?;
        row(f, "file", format_args!("{} bytes, {} lines", survey.file.bytes, survey.file.lines))?;
        row(f, "sha256", &survey.file.sha256)?;
        show_places(f, survey)?;
        show_amounts(f, survey)?;
        if let Some(eject) = &self.report.eject {
            show_eject(f, eject)?;
        }
        if !survey.dropped.is_empty() {
            let dropped = survey.dropped.iter().map(|dropped| format!("{} {}x", dropped.command, dropped.count));
            row(f, "left out", dropped.collect::<Vec<_>>().join(", "))?;
        }
        show_findings(f, "concerns", "a person must agree first", &survey.concerns)?;
        show_findings(f, "refusals", "it will not be printed", &survey.refusals)
    }
}

fn row(f: &mut fmt::Formatter<'_>, name: &str, value: impl fmt::Display) -> fmt::Result {
    writeln!(f, "  {name:<12}{value}")
}

fn show_places(f: &mut fmt::Formatter<'_>, survey: &Survey) -> fmt::Result {
    if let Some(box_) = survey.footprint {
        let (x, y) = ((box_.x_min_mm, box_.x_max_mm), (box_.y_min_mm, box_.y_max_mm));
        row(f, "footprint", format_args!("X {} to {}, Y {} to {} mm", x.0, x.1, y.0, y.1))?;
    }
    if let Some(reach) = survey.reach {
        let (x, y) = ((reach.x_min_mm, reach.x_max_mm), (reach.y_min_mm, reach.y_max_mm));
        let z = (reach.z_min_mm, reach.z_max_mm);
        row(f, "reach", format_args!("X {} to {}, Y {} to {}, Z {} to {} mm", x.0, x.1, y.0, y.1, z.0, z.1))?;
    }
    row(f, "height", format_args!("{} mm in {} layers", survey.height_mm, survey.layers))?;
    for purge in &survey.purges {
        let place =
            format_args!("{} mm of filament at X {}, Y {}, Z {}", purge.length_mm, purge.x_mm, purge.y_mm, purge.z_mm);
        row(f, "purge", format_args!("line {}: {place}", purge.line))?;
    }
    Ok(())
}

fn show_amounts(f: &mut fmt::Formatter<'_>, survey: &Survey) -> fmt::Result {
    for filament in &survey.filament {
        let mass = filament.mass_g.map_or_else(String::new, |mass| format!(", {mass:.3} g"));
        let (tool, length, volume) = (filament.tool, filament.length_mm, filament.volume_cm3);
        row(f, "filament", format_args!("tool {tool}: {length} mm, {volume:.3} cm³{mass}"))?;
    }
    row(f, "material", survey.material.as_deref().unwrap_or("not named in the file"))?;
    let heat = &survey.temperatures;
    for (name, first, greatest) in
        [("bed", heat.bed_first_c, heat.bed_max_c), ("nozzle", heat.nozzle_first_c, heat.nozzle_max_c)]
    {
        if let (Some(first), Some(greatest)) = (first, greatest) {
            row(f, name, format_args!("{first} °C first, {greatest} °C at most"))?;
        }
    }
    row(f, "print time", format_args!("{:.0} s with acceleration, without warming up", survey.time_s))?;
    row(f, "feed time", format_args!("{:.0} s at the commanded feed, without acceleration", survey.feed_time_s))
}

fn show_eject(f: &mut fmt::Formatter<'_>, eject: &Eject) -> fmt::Result {
    let mut text = format!("lets go at {} °C; ", eject.release_c);
    write!(text, "lies {} to {} mm along the belt; ", eject.tail_mm, eject.lead_mm)?;
    write!(text, "advance {} mm = ", eject.advance_mm)?;
    write!(text, "{} approach + {} peel + {} overrun", eject.approach_mm, eject.peel_mm, eject.overrun_mm)?;
    row(f, "eject", text)
}

fn show_findings(f: &mut fmt::Formatter<'_>, name: &str, meaning: &str, findings: &[Finding]) -> fmt::Result {
    if findings.is_empty() {
        return row(f, name, "none");
    }
    row(f, name, format_args!("{meaning}:"))?;
    for finding in findings {
        match finding.line {
            0 => writeln!(f, "    {} [{}]", finding.text, finding.code)?,
            line => writeln!(f, "    line {line}: {} [{}]", finding.text, finding.code)?,
        }
    }
    Ok(())
}
