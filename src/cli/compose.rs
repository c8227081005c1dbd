//! `nosebar compose`: one self-contained file for a printer that is fed from its card.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use sha2::{Digest, Sha256};
use tempfile::NamedTempFile;

use super::ComposeArgs;
use super::inspect::{READ_BYTES, config_of};
use super::rules::{check_cooling, dialect, policy, survey_rules};
use crate::belt::Advance;
use crate::config::{Config, LineConfig};
use crate::gcode::survey;
use crate::infeed::read_name;
use crate::job::{Finding, Survey};
use crate::schedule::fits;
use crate::thermal::release_temperature;
use crate::units::{Celsius, Micrometres, Millimetres};
use crate::wording::{Composer, CoolBy, Recipe};

/// Most of a line that is held at once: what is longer can only be comment, or the survey has refused it.
const LINE_MAX: u64 = 64 * 1024;

/// Why nothing was composed.
enum Fault {
    /// The file, or what was asked for, is refused: status 1.
    Refused(String),
    /// Something cannot be read or written: status 2.
    Failed(String),
}

/// Composes: status 0, 1 when it is refused, 2 when something cannot be read or written.
pub(crate) fn run(args: &ComposeArgs) -> ExitCode {
    match compose(args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(Fault::Refused(why)) => {
            tell(format_args!("nosebar: {why}"));
            ExitCode::from(1)
        }
        Err(Fault::Failed(why)) => {
            tell(format_args!("nosebar: {why}"));
            ExitCode::from(2)
        }
    }
}

/// The standard output may be the file itself.
fn tell(line: impl std::fmt::Display) {
    drop(writeln!(io::stderr().lock(), "{line}"));
}

fn compose(args: &ComposeArgs) -> Result<(), Fault> {
    if args.copies != 1 {
        return Err(Fault::Refused(format!(
            "{} copies: a composed file makes one; nothing checks on a card that a part has left, and the next would be printed over it",
            args.copies
        )));
    }
    let config = config_of(args.config.as_deref()).map_err(|error| Fault::Failed(error.to_string()))?;
    let unreadable = |error: io::Error| Fault::Failed(format!("{} cannot be read: {error}", args.file.display()));
    let file = File::open(&args.file).map_err(unreadable)?;
    let survey = survey(BufReader::with_capacity(READ_BYTES, file), &survey_rules(&config)).map_err(unreadable)?;
    may_be_composed(&survey, args.yes)?;
    let line = line_for(&survey, &config, args.line.as_deref())?;
    let composer = Composer::new(recipe(&survey, line, &config)?);
    let composer =
        composer.map_err(|error| Fault::Refused(format!("the wait for cooling would never end: {error}")))?;
    let target = Target::choose(args)?;
    let text_of = |out: &mut dyn Write| write_all(args, &survey, line, composer, out);
    match target {
        Target::Out => text_of(&mut io::stdout().lock())?,
        Target::File(path) => write_whole(&path, args.force, text_of)?,
    }
    Ok(())
}

/// Refusals are told with their lines; concerns need a yes.
fn may_be_composed(survey: &Survey, yes: bool) -> Result<(), Fault> {
    let show = |finding: &Finding| match finding.line {
        0 => tell(format_args!("  {} [{}]", finding.text, finding.code)),
        line => tell(format_args!("  line {line}: {} [{}]", finding.text, finding.code)),
    };
    if !survey.refusals.is_empty() {
        survey.refusals.iter().for_each(show);
        return Err(Fault::Refused("the file cannot be printed, for the reasons above".to_owned()));
    }
    survey.concerns.iter().for_each(show);
    if !survey.concerns.is_empty() && !yes {
        return Err(Fault::Refused(
            "the file should be looked at, for what is listed above; say --yes to compose it nevertheless".to_owned(),
        ));
    }
    Ok(())
}

fn line_for<'a>(survey: &Survey, config: &'a Config, name: Option<&str>) -> Result<&'a LineConfig, Fault> {
    let fault = |line: &LineConfig| fits(survey, &line.limits).err().map(|why| format!("line {}: {why}", line.name));
    let Some(name) = name else {
        let why: Vec<String> = config.lines.iter().filter_map(fault).collect();
        let fitting = config.lines.iter().find(|line| fault(line).is_none());
        return fitting.ok_or_else(|| Fault::Refused(format!("the file fits no line: {}", why.join("; "))));
    };
    let named = config.lines.iter().find(|line| line.name.as_str() == name);
    let line = named.ok_or_else(|| {
        let names: Vec<&str> = config.lines.iter().map(|line| line.name.as_str()).collect();
        Fault::Failed(format!("there is no line {name}; the config has {}", names.join(", ")))
    })?;
    fault(line).map_or(Ok(line), |why| Err(Fault::Refused(why)))
}

/// What the line would do with the part, worked out as for a copy of a job.
fn recipe(survey: &Survey, line: &LineConfig, config: &Config) -> Result<Recipe, Fault> {
    let nothing = || Fault::Refused("the file lays nothing on the belt that could be ejected".to_owned());
    let extent = line.frame.extent(survey).ok_or_else(nothing)?;
    let names = [survey.material.as_deref(), line.material.as_deref()];
    check_cooling(line).map_err(Fault::Failed)?;
    Ok(Recipe {
        drive: line.settings.drive.clone(),
        advance: Advance::plan(extent, line.frame.nose, line.overrun),
        release: release_temperature(None, &names, &config.materials),
        // A file that heats no bed may find a hot one.
        hottest: Celsius(survey.temperatures.bed_max_c.unwrap_or(line.limits.bed_max_c)),
        cooling: line.settings.cooling,
        cool_by: if line.m190_waits_for_cooling { CoolBy::Reading } else { CoolBy::Time },
        cool_lines: (line.cool_begin_lines.clone(), line.cool_end_lines.clone()),
        park_z: Millimetres(survey.height_mm + line.head_clearance.0),
        z_max: Millimetres(line.limits.z_max_mm),
        policy: policy(line),
        dialect: dialect(line),
    })
}

/// Where to write.
enum Target {
    Out,
    File(PathBuf),
}

impl Target {
    fn choose(args: &ComposeArgs) -> Result<Self, Fault> {
        let name = args.file.file_name().and_then(|name| name.to_str()).unwrap_or("job.gcode");
        let named = read_name(name).map_err(|why| Fault::Refused(why.to_string()))?;
        if let Some(copies @ 2..) = named.copies {
            tell(format_args!("note: the name asks for {copies} copies; a composed file makes one"));
        }
        let path = match &args.out {
            Some(out) if out.as_os_str() == "-" => return Ok(Self::Out),
            Some(out) => out.clone(),
            None => args.file.with_file_name(format!("{}.composed.gcode", named.name)),
        };
        if path.exists() && !args.force {
            return Err(Fault::Failed(there_already(&path)));
        }
        Ok(Self::File(path))
    }
}

fn there_already(path: &Path) -> String {
    format!("{} is there already and was left as it is; say --force to write over it", path.display())
}

/// Writes under another name first: a half-written file must never look like a whole one.
fn write_whole(
    path: &Path,
    force: bool,
    text_of: impl FnOnce(&mut dyn Write) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let unwritable = |error: io::Error| Fault::Failed(format!("{} cannot be written: {error}", path.display()));
    let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let temporary = tempfile::Builder::new().prefix(".composing-").tempfile_in(dir).map_err(unwritable)?;
    let mut out = BufWriter::new(temporary);
    text_of(&mut out)?;
    let temporary: NamedTempFile = out.into_inner().map_err(|error| unwritable(error.into_error()))?;
    let file = temporary.as_file();
    readable_by_others(file).and_then(|()| file.sync_all()).map_err(unwritable)?;
    let kept = if force { temporary.persist(path) } else { temporary.persist_noclobber(path) };
    kept.map_err(|error| match error.error.kind() {
        io::ErrorKind::AlreadyExists => Fault::Failed(there_already(path)),
        _ => unwritable(error.error),
    })?;
    tell(format_args!("wrote {}", path.display()));
    Ok(())
}

/// Temporary files are their owner's alone; this one is to be copied to a card.
fn readable_by_others(file: &File) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    file.set_permissions(std::fs::Permissions::from_mode(0o644))
}

fn write_all(
    args: &ComposeArgs,
    survey: &Survey,
    line: &LineConfig,
    mut composer: Composer,
    out: &mut dyn Write,
) -> Result<(), Fault> {
    let unreadable = |error: io::Error| Fault::Failed(format!("{} cannot be read: {error}", args.file.display()));
    let unwritable = |error: io::Error| Fault::Failed(format!("the composed file cannot be written: {error}"));
    let file = File::open(&args.file).map_err(unreadable)?;
    let mut reader = Hashing { inner: BufReader::with_capacity(READ_BYTES, file), hash: Sha256::new() };
    let (mut text, mut bytes) = (Vec::new(), Vec::new());
    let name = args.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    composer.begin(&name, line.name.as_str(), survey, &mut text);
    while reader.read_line(&mut bytes).map_err(unreadable)? {
        composer.handle_line(&bytes, &mut text).map_err(|refused| Fault::Refused(refused.to_string()))?;
        out.write_all(&text).map_err(unwritable)?;
        text.clear();
    }
    if reader.sha256() != survey.file.sha256 {
        return Err(Fault::Failed(format!("{} was changed while it was read; try again", args.file.display())));
    }
    let ending = composer.ending();
    let left_out = composer.finish(&mut text);
    out.write_all(&text).and_then(|()| out.flush()).map_err(unwritable)?;
    let advance = line.frame.extent(survey).map(|extent| Advance::plan(extent, line.frame.nose, line.overrun));
    let advance_mm = advance.map_or(Micrometres(0), Advance::total).to_millimetres();
    tell(format_args!(
        "line {}: cools for {} min or so, then the belt runs {advance_mm}; {left_out} commands of the file left out",
        line.name,
        ending.expected.as_secs().div_ceil(60)
    ));
    tell(
        "CAUTION: there is no clear check on a card. Nothing knows whether the part has left: look at the belt before the next print.",
    );
    Ok(())
}

/// Reads lines, and hashes what it reads.
struct Hashing<R> {
    inner: R,
    hash: Sha256,
}

impl<R: BufRead> Hashing<R> {
    /// The next line, of an endless one the beginning. Says whether there was one.
    fn read_line(&mut self, line: &mut Vec<u8>) -> io::Result<bool> {
        line.clear();
        let mut n = self.inner.by_ref().take(LINE_MAX).read_until(b'\n', line)?;
        self.hash.update(&*line);
        let mut more = Vec::new();
        while n as u64 == LINE_MAX && !line.ends_with(b"\n") && !more.ends_with(b"\n") {
            more.clear();
            n = self.inner.by_ref().take(LINE_MAX).read_until(b'\n', &mut more)?;
            self.hash.update(&more);
        }
        Ok(!line.is_empty())
    }

    fn sha256(self) -> String {
        self.hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
    }
}
