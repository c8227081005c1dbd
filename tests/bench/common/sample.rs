//! The sliced file that is measured on: a real print, repeated.

use std::path::PathBuf;

use cargo_metadata::MetadataCommand;

/// A real print of 58 layers, 5.8 MB: nom-gcode 0.1.1 (MIT), where Cargo unpacked it.
pub(crate) fn rustlogo() -> PathBuf {
    let metadata = MetadataCommand::new()
        .manifest_path(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml"))
        .other_options(["--offline", "--filter-platform", "host-tuple"].map(String::from))
        .exec()
        .expect("`cargo metadata` must work: it tells where the sample is");
    let package = metadata.packages.iter().find(|package| package.name == "nom-gcode").expect("a dependency");
    let folder = package.manifest_path.as_std_path().parent().expect("a manifest lies in a folder");
    folder.join("tests/data/PI_rustlogo.gcode")
}

/// How often so many bytes must be repeated to be about `megabytes`.
pub(crate) const fn repeats(bytes: usize, megabytes: usize) -> usize {
    let times = (megabytes * 1_000_000 + bytes / 2) / bytes;
    if times == 0 { 1 } else { times }
}
