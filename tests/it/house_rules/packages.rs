//! Rules of the packages that this one is built from.

/// Licences that a package may be under, alone or by choice.
const LICENCES: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "OpenSSL",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// A package of the resolved tree.
#[derive(Clone, Debug)]
pub(super) struct Package {
    pub(super) name: String,
    pub(super) version: (u64, u64),
    pub(super) licence: Option<String>,
}

/// A direct dependency that also stands in the tree in another version, and why that is borne.
pub(super) struct Twice {
    pub(super) name: &'static str,
    pub(super) because: &'static str,
}

/// Packages whose licence is not allowed, or not stated.
pub(super) fn licence_faults(packages: &[Package]) -> Vec<String> {
    let bad = packages.iter().filter(|package| !package.licence.as_deref().is_some_and(allowed));
    bad.map(|package| {
        let found = package.licence.as_deref().unwrap_or("none stated");
        format!("{}: licence {found}: not in the list of house_rules/packages.rs", package.name)
    })
    .collect()
}

/// Whether an SPDX expression can be met with allowed licences alone.
fn allowed(expression: &str) -> bool {
    // The oldest packages write a choice as `A/B`.
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    let good = any(&words, &mut at);
    good && at == words.len()
}

fn any(words: &[&str], at: &mut usize) -> bool {
    let mut good = all(words, at);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        good |= all(words, at);
    }
    good
}

fn all(words: &[&str], at: &mut usize) -> bool {
    let mut good = one(words, at);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        good &= one(words, at);
    }
    good
}

fn one(words: &[&str], at: &mut usize) -> bool {
    let Some(word) = words.get(*at) else { return false };
    *at += 1;
    if *word == "(" {
        let good = any(words, at);
        *at += 1;
        return good;
    }
    let mut licence = (*word).to_owned();
    if words.get(*at) == Some(&"WITH") {
        licence = format!("{licence} WITH {}", words.get(*at + 1).unwrap_or(&""));
        *at += 2;
    }
    LICENCES.contains(&licence.as_str())
}

/// Direct dependencies of which the tree holds versions that do not go together, unless excused; and excuses without need.
pub(super) fn duplicate_faults(direct: &[String], packages: &[Package], excused: &[Twice]) -> Vec<String> {
    let mut faults = Vec::new();
    for name in direct {
        let mut kinds: Vec<(u64, u64)> =
            packages.iter().filter(|p| &p.name == name).map(|p| compatible(p.version)).collect();
        kinds.sort_unstable();
        kinds.dedup();
        let excuse = excused.iter().find(|twice| twice.name == name);
        match (kinds.len() > 1, excuse) {
            (true, None) => faults.push(format!("{name}: versions {kinds:?} side by side")),
            (false, Some(twice)) => faults.push(format!("{name}: excused ({}) without need", twice.because)),
            _ => {}
        }
    }
    faults
}

/// Versions with the same answer go together: below 1.0 the minor number counts.
fn compatible((major, minor): (u64, u64)) -> (u64, u64) {
    if major == 0 { (0, minor) } else { (major, 0) }
}

/// Dependencies that no source file names, neither as Rust spells them nor in a text.
pub(super) fn unused_faults(direct: &[String], sources: &[String]) -> Vec<String> {
    let unused = direct.iter().filter(|name| {
        let (word, text) = (name.replace('-', "_"), format!("\"{name}\""));
        !sources.iter().any(|source| has_word(source, &word) || source.contains(&text))
    });
    unused.map(|name| format!("{name}: no source file names it")).collect()
}

fn has_word(source: &str, word: &str) -> bool {
    let part = |c: char| c.is_alphanumeric() || c == '_';
    source
        .match_indices(word)
        .any(|(at, _)| !source[..at].ends_with(part) && !source[at + word.len()..].starts_with(part))
}

/// Dependencies that the developers' guide does not explain.
pub(super) fn unexplained_faults(direct: &[String], guide: &str) -> Vec<String> {
    let unexplained = direct.iter().filter(|name| !guide.contains(&format!("`{name}`")));
    unexplained.map(|name| format!("{name}: DEVELOPERS.md does not say what it is for")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn package(name: &str, version: (u64, u64), licence: &str) -> Package {
        Package { name: name.to_owned(), version, licence: (!licence.is_empty()).then(|| licence.to_owned()) }
    }

    #[test]
    fn a_licence_off_the_list_is_a_fault() {
        for good in [
            "MIT",
            "MIT/Apache-2.0",
            "GPL-3.0 OR MIT",
            "(MIT OR GPL-2.0) AND Unicode-3.0",
            "Apache-2.0 WITH LLVM-exception",
            "GPL-2.0 AND GPL-3.0 OR MIT",
        ] {
            assert_eq!(licence_faults(&[package("a", (1, 0), good)]).len(), 0, "{good}");
        }
        for bad in ["", "GPL-3.0", "MIT AND GPL-3.0", "MIT GPL-3.0", "(MIT OR ISC) AND AGPL-3.0", "MIT WITH strings"] {
            assert_eq!(licence_faults(&[package("a", (1, 0), bad)]).len(), 1, "{bad}");
        }
    }

    #[test]
    fn two_versions_side_by_side_are_a_fault_unless_excused() {
        let direct = ["a".to_owned()];
        let tree = [package("a", (1, 2), "MIT"), package("a", (1, 3), "MIT")];
        assert_eq!(duplicate_faults(&direct, &tree, &[]).len(), 0);
        let excuse = [Twice { name: "a", because: "old friends" }];
        assert_eq!(duplicate_faults(&direct, &tree, &excuse).len(), 1);
        let tree = [package("a", (0, 2), "MIT"), package("a", (0, 3), "MIT")];
        assert_eq!(duplicate_faults(&direct, &tree, &[]).len(), 1);
        assert_eq!(duplicate_faults(&direct, &tree, &excuse).len(), 0);
    }

    #[test]
    fn unused_and_unexplained_dependencies_are_faults() {
        let direct = ["tokio-util".to_owned(), "nom-gcode".to_owned()];
        let sources = ["use tokio_util_else::x;".to_owned(), "find(\"nom-gcode\")".to_owned()];
        assert_eq!(unused_faults(&direct, &sources), ["tokio-util: no source file names it"]);
        assert_eq!(unexplained_faults(&direct, "`tokio-util` streams").len(), 1);
    }
}
