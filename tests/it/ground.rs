//! Real sliced files and machining programs to test on: they come with three parser crates that the tests depend on, and
//! are found where Cargo unpacked them.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use cargo_metadata::{Metadata, MetadataCommand};

/// What Cargo knows of our dependencies; asks for nothing that is not there already, and only for this platform.
static METADATA: LazyLock<Metadata> = LazyLock::new(|| {
    MetadataCommand::new()
        .manifest_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml"))
        .other_options(["--offline", "--filter-platform", "host-tuple"].map(String::from))
        .exec()
        .expect("`cargo metadata` must work: it tells where the test files are")
});

/// The folder that Cargo unpacked a dependency to.
fn folder_of(name: &str, version: &str) -> &'static Path {
    let wanted =
        METADATA.packages.iter().find(|package| package.name == name && package.version.to_string() == version);
    let package = wanted.unwrap_or_else(|| panic!("{name} {version} is not among the dependencies"));
    package.manifest_path.as_std_path().parent().expect("a manifest lies in a folder")
}

/// A file of a dependency.
fn file_of(name: &str, version: &str, within: &str) -> PathBuf {
    let path = folder_of(name, version).join(within);
    assert!(path.is_file(), "{} is not there", path.display());
    path
}

/// A small real print of 13 layers: async-gcode 0.3.0 (MIT).
pub(crate) fn random_3d_print() -> PathBuf {
    file_of("async-gcode", "0.3.0", "assets/random_3d_print.gcode")
}

/// A real print of 97 layers: nom-gcode 0.1.1 (MIT).
pub(crate) fn octcat() -> PathBuf {
    file_of("nom-gcode", "0.1.1", "tests/data/PI_octcat.gcode")
}

/// A real print of 58 layers: nom-gcode 0.1.1 (MIT).
pub(crate) fn rustlogo() -> PathBuf {
    file_of("nom-gcode", "0.1.1", "tests/data/PI_rustlogo.gcode")
}

/// NISTIR 6556, Appendix C.1, C.2 or C.3, as typed for async-gcode 0.3.0 (MIT).
pub(crate) fn nist_appendix_c(program: u32) -> PathBuf {
    file_of("async-gcode", "0.3.0", &format!("assets/example{program}.gcode"))
}

/// A machining program or snippet of gcode 0.7.0 (each names its source in its first line).
pub(crate) fn machining(name: &str) -> PathBuf {
    file_of("gcode", "0.7.0", &format!("tests/data/{name}"))
}

/// A program of nom-gcode 0.1.1.
pub(crate) fn program(name: &str) -> PathBuf {
    file_of("nom-gcode", "0.1.1", &format!("tests/data/{name}"))
}

/// Every file of the three crates' test data.
pub(crate) fn everything() -> Vec<PathBuf> {
    let folders =
        [("async-gcode", "0.3.0", "assets"), ("nom-gcode", "0.1.1", "tests/data"), ("gcode", "0.7.0", "tests/data")];
    let mut files = Vec::new();
    for (name, version, within) in folders {
        for entry in folder_of(name, version).join(within).read_dir().expect("the folder with the test data") {
            files.push(entry.expect("a readable folder").path());
        }
    }
    files.sort();
    files
}

#[test]
fn every_test_file_is_where_cargo_says() {
    for path in [random_3d_print(), octcat(), rustlogo(), nist_appendix_c(1), nist_appendix_c(2), nist_appendix_c(3)] {
        assert!(path.is_file());
    }
    assert!(machining("reprap_cnc.gcode").is_file());
    assert!(program("program_4.gcode").is_file());
    assert_eq!(everything().len(), 4 + 7 + 26);
}
