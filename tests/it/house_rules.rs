//! The rules of the house, run over the whole tree. Every checker is a function with bad samples of its own, so that it can
//! fail.

mod arrows;
mod manners;
mod packages;
mod program;
mod source;
mod tree;

use std::fs;
use std::path::{Path, PathBuf};

use cargo_metadata::{CargoOpt, Metadata, MetadataCommand};

use packages::{Package, Twice};
use program::program_files;

/// Functions that may stand in a `mod.rs`, and why.
const DOOR_EXCUSES: &[(&str, &str, &str)] = &[(
    "cli/mod.rs",
    "run",
    "the one place that turns a command into its file's function; main.rs has nothing else to call",
)];

/// Direct dependencies that the tree holds in two versions, and why.
const TWICE: &[Twice] = &[
    Twice { name: "nix", because: "tokio-serial's own packages keep two older ones" },
    Twice { name: "sha2", because: "sqlx keeps an older one for its migrations" },
    Twice { name: "thiserror", because: "nom-gcode, which tests alone use, keeps an older one" },
    Twice { name: "tower-http", because: "reqwest, which tests alone use, keeps an older one" },
];

/// What is made, not written.
const MADE: &[&str] = &["target", "node_modules", ".git"];
const LOCK_FILES: &[&str] = &["Cargo.lock", "package-lock.json"];

fn top() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Every file below `folder` with its path from `base`, in order.
fn files(base: &Path, folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut entries: Vec<_> = fs::read_dir(folder)
        .expect("the folder is there")
        .map(|entry| entry.expect("the folder can be read"))
        .collect();
    entries.sort_by_key(fs::DirEntry::path);
    let mut found = Vec::new();
    for entry in entries {
        if MADE.iter().any(|made| entry.file_name() == *made) {
            continue;
        }
        let (path, kind) = (entry.path(), entry.file_type().expect("an entry has a kind"));
        if kind.is_dir() {
            found.extend(files(base, &path));
        } else if kind.is_file() {
            let name = path.strip_prefix(base).expect("it is below the base").display().to_string();
            found.push((name, fs::read(&path).expect("the file can be read")));
        }
    }
    found
}

fn rust_files(folder: &str) -> Vec<(String, String)> {
    let folder = top().join(folder);
    let rust = files(&folder, &folder).into_iter().filter(|(name, _)| name.ends_with(".rs"));
    let found: Vec<_> =
        rust.map(|(name, bytes)| (name, String::from_utf8(bytes).expect("source files are UTF-8"))).collect();
    assert!(found.len() > 1, "no source files in {}", folder.display());
    found
}

fn names_in(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("the folder is there");
    entries.map(|entry| entry.expect("the folder can be read").file_name().display().to_string()).collect()
}

/// The resolved tree for this machine, without asking any registry.
fn metadata() -> Metadata {
    let host = if cfg!(target_arch = "aarch64") { "aarch64-unknown-linux-gnu" } else { "x86_64-unknown-linux-gnu" };
    let options = ["--offline", "--locked", "--filter-platform", host].map(str::to_owned).to_vec();
    MetadataCommand::new()
        .manifest_path(top().join("Cargo.toml"))
        .features(CargoOpt::AllFeatures)
        .other_options(options)
        .exec()
        .expect("cargo metadata answers")
}

/// Names of this package's dependencies, as Cargo.toml spells them.
fn direct(metadata: &Metadata) -> Vec<String> {
    let package = metadata.root_package().expect("the package is there");
    let mut names: Vec<String> = package.dependencies.iter().map(|dependency| dependency.name.clone()).collect();
    names.sort();
    names.dedup();
    assert!(names.len() > 5, "too few dependencies to be true: {names:?}");
    names
}

fn resolved(metadata: &Metadata) -> Vec<Package> {
    let tree = metadata.resolve.as_ref().expect("the tree was resolved");
    let packages = tree.nodes.iter().map(|node| {
        let package = &metadata[&node.id];
        let version = (package.version.major, package.version.minor);
        Package { name: package.name.to_string(), version, licence: package.license.clone() }
    });
    packages.collect()
}

#[track_caller]
fn assert_none(faults: &[String]) {
    assert!(faults.is_empty(), "{} broken house rules:\n{}", faults.len(), faults.join("\n"));
}

#[test]
fn arrows_point_one_way() {
    let crates: Vec<String> = direct(&metadata()).iter().map(|name| name.replace('-', "_")).collect();
    let files = program_files(rust_files("src")).into_iter();
    let faults = files.flat_map(|(name, text)| arrows::arrow_faults(&name, &text, &crates));
    assert_none(&faults.collect::<Vec<_>>());
}

#[test]
fn only_the_clock_reads_clocks() {
    let faults = rust_files("src").into_iter().flat_map(|(name, text)| arrows::clock_faults(&name, &text));
    assert_none(&faults.collect::<Vec<_>>());
}

#[test]
fn front_doors_only_re_export() {
    let doors: Vec<_> = rust_files("src").into_iter().filter(|(name, _)| name.ends_with("mod.rs")).collect();
    for (file, function, because) in DOOR_EXCUSES {
        let needed = doors.iter().any(|(name, text)| name == file && text.contains(&format!("fn {function}(")));
        assert!(needed, "{file} is excused for {function} ({because}) without need");
    }
    let faults = doors.iter().flat_map(|(name, text)| {
        let excused: Vec<&str> = DOOR_EXCUSES.iter().filter(|(file, ..)| file == name).map(|(_, f, _)| *f).collect();
        manners::front_door_faults(name, text, &excused)
    });
    assert_none(&faults.collect::<Vec<_>>());
}

#[test]
fn no_file_is_too_long_or_unfinished() {
    let all = ["src", "tests"]
        .into_iter()
        .flat_map(|folder| rust_files(folder).into_iter().map(move |(name, text)| (format!("{folder}/{name}"), text)));
    let faults = all.flat_map(|(name, text)| {
        let mut faults = tree::length_faults(&name, &text);
        faults.extend(manners::unfinished_faults(&name, &text));
        faults
    });
    assert_none(&faults.collect::<Vec<_>>());
}

#[test]
fn no_function_is_too_long() {
    let files = program_files(rust_files("src")).into_iter();
    let faults = files.flat_map(|(name, text)| tree::function_faults(&format!("src/{name}"), &text));
    assert_none(&faults.collect::<Vec<_>>());
}

#[test]
fn the_top_holds_what_it_should() {
    assert_none(&tree::top_level_faults(&names_in(&top())));
}

#[test]
fn migrations_count_up() {
    assert_none(&tree::migration_faults(&names_in(&top().join("migrations"))));
}

#[test]
fn no_file_names_a_machine_or_a_registry() {
    let asked = files(&top(), &top()).into_iter().filter(|(name, _)| {
        let file = Path::new(name).file_name().expect("a file has a name").display().to_string();
        !LOCK_FILES.contains(&file.as_str())
    });
    let texts = asked.filter_map(|(name, bytes)| Some((name, String::from_utf8(bytes).ok()?)));
    let faults = texts.flat_map(|(name, text)| tree::word_faults(&name, &text));
    assert_none(&faults.collect::<Vec<_>>());
}

#[test]
fn every_package_is_licensed_and_no_dependency_stands_twice() {
    let metadata = metadata();
    let (direct, packages) = (direct(&metadata), resolved(&metadata));
    let mut faults = packages::licence_faults(&packages);
    faults.extend(packages::duplicate_faults(&direct, &packages, TWICE));
    assert_none(&faults);
}

#[test]
fn every_dependency_is_used() {
    let all = ["src", "tests/it", "tests/bench"].into_iter().flat_map(rust_files);
    // These rules name dependencies without using them.
    let users = all.filter(|(name, _)| !name.starts_with("house_rules"));
    let sources: Vec<String> = users.map(|(_, text)| text).collect();
    assert_none(&packages::unused_faults(&direct(&metadata()), &sources));
}

#[test]
fn every_dependency_is_explained() {
    let guide = fs::read_to_string(top().join("DEVELOPERS.md")).expect("DEVELOPERS.md can be read");
    assert_none(&packages::unexplained_faults(&direct(&metadata()), &guide));
}
