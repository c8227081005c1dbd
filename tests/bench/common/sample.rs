//! The sliced file that is measured on: a real print, repeated.

use std::fs;
use std::path::PathBuf;

use cargo_metadata::MetadataCommand;

/// A real print of 58 layers, 5.8 MB: nom-gcode 0.1.1 (MIT), where Cargo unpacked it.
pub(crate) fn rustlogo() -> String {
    let metadata = MetadataCommand::new()
        .manifest_path(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml"))
        .other_options(["--offline", "--filter-platform", "host-tuple"].map(String::from))
        .exec()
        .expect("`cargo metadata` must work: it tells where the sample is");
    let package = metadata.packages.iter().find(|package| package.name == "nom-gcode").expect("a dependency");
    let folder = package.manifest_path.as_std_path().parent().expect("a manifest lies in a folder");
    fs::read_to_string(folder.join("tests/data/PI_rustlogo.gcode")).expect("the sample is text")
}

/// How often a file must be repeated to have about `megabytes`.
pub(crate) const fn repeats(file: &str, megabytes: usize) -> usize {
    let wanted = megabytes * 1_000_000;
    let times = (wanted + file.len() / 2) / file.len();
    if times == 0 { 1 } else { times }
}
