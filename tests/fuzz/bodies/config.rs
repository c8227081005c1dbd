//! The config file, which people write by hand.

use std::path::Path;

use nosebar::config::{Config, ConfigError};

/// Reads any bytes as a config.
///
/// # Panics
/// If a config is taken that has no line, or two of one name, or if a mistake is told of a place that the file does not have.
pub fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match Config::parse(text, Path::new("/etc/nosebar.toml")) {
        Ok(config) => {
            assert!(!config.lines.is_empty());
            for (at, line) in config.lines.iter().enumerate() {
                assert!(config.lines[..at].iter().all(|other| other.name != line.name));
            }
            assert!(config.materials.iter().all(|material| material.density_g_cm3 > 0.0));
        }
        Err(ConfigError::Malformed { line, what, .. }) => {
            assert!((1..=text.matches('\n').count() + 1).contains(&line), "line {line}: {what}");
        }
        Err(error) => assert!(matches!(error, ConfigError::Senseless { .. }), "{error}"),
    }
}
