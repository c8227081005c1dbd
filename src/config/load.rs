//! Reading a config: every mistake is told with its place, what was found, and the nearest thing that would be right.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::build::LineConfig;
use super::file::{ConfigFile, DaemonSection};
use crate::job::Material;
use crate::thermal;

/// A config that was read and found good.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// Where it was read from.
    pub path: PathBuf,
    /// The program itself, paths made absolute.
    pub daemon: DaemonSection,
    /// Materials, built-in ones included.
    pub materials: Vec<Material>,
    /// The lines.
    pub lines: Vec<LineConfig>,
}

/// Why a config cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("the config {path} cannot be read: {source}; `nosebar init` writes one")]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is not TOML, or has a value of the wrong kind.
    #[error("config {path}, line {line}: {what}")]
    Malformed {
        /// Which.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong, and what would be right.
        what: String,
    },
    /// It reads well and makes no sense.
    #[error("config {path}: {what}")]
    Senseless {
        /// Which.
        path: PathBuf,
        /// What is wrong, and what would be right.
        what: String,
    },
}

impl Config {
    /// Reads a config file; relative paths in it start at its folder.
    ///
    /// # Errors
    /// [`ConfigError`] with the place and the reason.
    pub fn read(path: &Path) -> Result<Self, ConfigError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ConfigError::Unreadable { path: path.to_owned(), source })?;
        Self::parse(&text, path)
    }

    /// Reads the text of a config file that lies at `path`.
    ///
    /// # Errors
    /// [`ConfigError`] with the place and the reason.
    pub fn parse(text: &str, path: &Path) -> Result<Self, ConfigError> {
        let file: ConfigFile = toml::from_str(text).map_err(|error| ConfigError::Malformed {
            path: path.to_owned(),
            line: error.span().map_or(1, |span| text[..span.start].matches('\n').count() + 1),
            what: explain(error.message()),
        })?;
        let base = path.parent().map(Path::to_path_buf).unwrap_or_default();
        Self::assemble(file, path, &base).map_err(|what| ConfigError::Senseless { path: path.to_owned(), what })
    }

    fn assemble(file: ConfigFile, path: &Path, base: &Path) -> Result<Self, String> {
        let mut daemon = file.daemon;
        daemon.data = base.join(&daemon.data);
        daemon.infeed = base.join(&daemon.infeed);
        for file in [&mut daemon.tls_certificate, &mut daemon.tls_key] {
            *file = file.take().map(|path| base.join(path));
        }
        if daemon.tls_certificate.is_some() != daemon.tls_key.is_some() {
            return Err("TLS needs daemon.tls_certificate and daemon.tls_key; one of them is missing".to_owned());
        }
        host_label(&daemon.mdns_name)?;
        above_zero("daemon.settle_s", daemon.settle_s)?;
        above_zero("daemon.stop_limit_s", daemon.stop_limit_s)?;
        above_zero("daemon.rescan_s", daemon.rescan_s)?;
        let mut materials = thermal::builtin_materials();
        for (name, section) in file.materials {
            above_zero(&format!("materials.{name}.density_g_cm3"), section.density_g_cm3)?;
            let name = name.to_ascii_lowercase();
            materials.retain(|m| m.name != name);
            let (density_g_cm3, release_c) = (section.density_g_cm3, section.release_c);
            materials.push(Material { name, density_g_cm3, release_c });
        }
        if file.line.is_empty() {
            return Err("there is no [[line]]; a config has at least one".to_owned());
        }
        let mut names = HashSet::new();
        let mut lines = Vec::new();
        for section in file.line {
            let line = LineConfig::build(section)?;
            if !names.insert(line.name.clone()) {
                return Err(format!("two lines are named {}; each has a name of its own", line.name));
            }
            lines.push(line);
        }
        Ok(Self { path: path.to_owned(), daemon, materials, lines })
    }
}

pub(super) fn above_zero(key: &str, value: f64) -> Result<(), String> {
    if value.is_finite() && value > 0.0 { Ok(()) } else { Err(format!("{key} is {value}; it must be above zero")) }
}

/// One label of a host name (RFC 1123, §2.1), or nothing.
fn host_label(name: &str) -> Result<(), String> {
    let good = name.len() <= 63
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
        && !name.starts_with('-')
        && !name.ends_with('-');
    if good {
        return Ok(());
    }
    Err(format!(
        "daemon.mdns_name is {name:?}; expected up to 63 letters, digits and hyphens, no hyphen at an end, no dots (.local is added)"
    ))
}

/// A misspelt key is told with the nearest one that there is; everything else in the reader's own words.
fn explain(message: &str) -> String {
    let Some(rest) = message.strip_prefix("unknown field `") else { return message.to_owned() };
    let mut quoted = rest.split('`');
    let found = quoted.next().unwrap_or_default();
    // What follows alternates between the text around the names and the names.
    let known = quoted.skip(1).step_by(2);
    match known.min_by_key(|name| strsim::damerau_levenshtein(name, found)) {
        Some(nearest) => format!("there is no key \"{found}\" here; the nearest known one is \"{nearest}\""),
        None => format!("there is no key \"{found}\" here"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> String {
        match Config::parse(text, Path::new("lines.toml")) {
            Ok(_) => "good".to_owned(),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn the_sample_works_unedited() {
        let config = Config::parse(super::super::SAMPLE, Path::new("/x/nosebar.toml")).expect("a good config");
        assert_eq!(config.lines.len(), 1);
        assert_eq!(config.daemon.infeed, Path::new("/x/infeed"));
        assert_eq!(config.lines[0].frame.nose.0, 220.0);
    }

    #[test]
    fn the_sample_s_comments_tell_the_true_defaults() {
        let uncommented: String = super::super::SAMPLE
            .lines()
            .map(|line| match line.strip_prefix("# ") {
                Some(rest) if rest.starts_with(|c: char| c.is_ascii_lowercase()) && rest.contains(" = ") => rest,
                _ => line,
            })
            // These have no default: absent is their default.
            .filter(|line| {
                ![
                    "material =",
                    "tls_",
                    "port =",
                    "address =",
                    "lines =",
                    "program =",
                    "junction_deviation_mm =",
                    "loop_mm =",
                ]
                .iter()
                .any(|k| line.starts_with(k))
            })
            .filter(|line| !["density_g_cm3", "release_c"].iter().any(|k| line.starts_with(k)))
            .flat_map(|line| [line, "\n"])
            .collect();
        let parse = |text: &str| Config::parse(text, Path::new("lines.toml")).expect("a good config");
        assert!(uncommented.contains("\nretries = 1 "));
        assert_eq!(parse(&uncommented), parse(super::super::SAMPLE));
    }

    #[test]
    fn a_misspelt_key_is_told_with_its_line_and_the_nearest_known_one() {
        let text = "[[line]]\nname = \"a\"\n[line.belt]\noverun_mm = 3.0\n[line.check]\nkind = \"ask\"\n";
        let expected =
            "config lines.toml, line 4: there is no key \"overun_mm\" here; the nearest known one is \"overrun_mm\"";
        assert_eq!(told(text), expected);
    }

    #[test]
    fn a_section_that_is_missing_or_misspelt_is_told() {
        assert!(
            told("[deamon]\n").contains("\"deamon\" here; the nearest known one is \"daemon\""),
            "{}",
            told("[deamon]\n")
        );
        assert!(told("[daemon]\n").contains("there is no [[line]]"));
        assert!(told("[[line]]\nname = \"a\"\n").contains("missing field `check`"));
    }

    #[test]
    fn tls_files_come_in_pairs_and_lie_beside_the_config() {
        let with = |daemon: &str| format!("[daemon]\n{daemon}\n[[line]]\nname = \"a\"\ncheck = {{kind = \"ask\"}}\n");
        let pair = with("tls_certificate = \"tls/page.pem\"\ntls_key = \"/etc/page.key\"");
        let config = Config::parse(&pair, Path::new("/x/nosebar.toml")).expect("a good config");
        assert_eq!(config.daemon.tls_files(), Some((Path::new("/x/tls/page.pem"), Path::new("/etc/page.key"))));
        for one in ["tls_certificate = \"a.pem\"", "tls_key = \"a.key\""] {
            assert!(told(&with(one)).contains("one of them is missing"), "{}", told(&with(one)));
        }
        assert_eq!(told(&with("")), "good");
    }

    #[test]
    fn the_announced_name_is_one_label_or_none() {
        let with = |name: &str| {
            format!("[daemon]\nmdns_name = {name:?}\n[[line]]\nname = \"a\"\ncheck = {{kind = \"ask\"}}\n")
        };
        for bad in ["nose.bar", "-nose", "nose-", "nöse", "nose bar", &"n".repeat(64)] {
            assert!(told(&with(bad)).contains("daemon.mdns_name is"), "{bad}");
        }
        let name = |text: &str, listen: &str| {
            let config = Config::parse(&with(text), Path::new("lines.toml")).expect("a good config");
            config.daemon.host_name(listen.parse().expect("an address"))
        };
        assert_eq!(name("Shed-2", "0.0.0.0:8017").as_deref(), Some("shed-2.local"));
        assert_eq!(name("", "0.0.0.0:8017"), None);
        assert_eq!(name("shed", "127.0.0.1:8017"), None);
    }

    #[test]
    fn what_makes_no_sense_is_told_with_the_line_s_name() {
        let with = |rest: &str| told(&format!("[[line]]\nname = \"a\"\n{rest}"));
        assert!(
            with("check = {kind = \"switch\"}").contains("line a: check.kind is \"switch\" and check.input is missing")
        );
        assert!(with("check = {kind = \"trust\", standing_word = \"yes\"}").contains(super::super::STANDING_WORD));
        assert!(with("check = {kind = \"ask\"}\nprinter = {link = \"serial\"}").contains("printer.port is missing"));
        assert!(with("check = {kind = \"ask\"}\nbelt = {peel_mm_min = 0.0}").contains("belt.peel_mm_min is 0"));
        let motion = with("check = {kind = \"ask\"}\nmotion = {jerk_mm_s = [10.0, 0.0, 0.4, 5.0]}");
        assert!(motion.contains("line a: motion.jerk_mm_s for Y is 0; it must be above zero"), "{motion}");
        assert!(with("check = {kind = \"ask\"}\nbelt = {drive = \"axis\", axis = \"X\"}").contains("free axis letter"));
        assert!(told("[[line]]\nname = \"A b\"\ncheck = {kind = \"ask\"}").contains("line name \"A b\""));
        let twice = "[[line]]\nname = \"a\"\ncheck = {kind = \"ask\"}\n";
        assert!(told(&twice.repeat(2)).contains("two lines are named a"));
        let word = format!("check = {{kind = \"trust\", standing_word = \"{}\"}}", super::super::STANDING_WORD);
        assert_eq!(with(&word), "good");
    }
}
