//! Rules of the tree: what lies at the top, how long files and functions are, which words stand nowhere.

use super::program::without_tests;
use super::source::{Kind, Token, closed, tokens};

/// Everything that may lie at the top, beside dot-files.
const TOP_LEVEL: &[&str] = &[
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "clippy.toml",
    "demo-jobs",
    "migrations",
    "rustfmt.toml",
    "src",
    "target",
    "tests",
    "web",
];
const FILE_LINES_MAX: usize = 600;
const FUNCTION_LINES_MAX: usize = 80;

/// Words that would tie the project to one machine, one registry or papers that readers do not have. Written in two halves,
/// so that this file passes its own rule.
const FORBIDDEN: &[(&str, &str)] = &[
    ("/wo", "rk/"),
    ("/ro", "ot/"),
    ("/tmp/", "wt"),
    ("crates", ".io"),
    ("npm", "js.com"),
    ("npm", "js.org"),
    ("design", ".md"),
    ("style", ".md"),
    ("check-", "values"),
];

/// Names at the top that do not belong there.
pub(super) fn top_level_faults(names: &[String]) -> Vec<String> {
    let strange = names.iter().filter(|name| !name.starts_with('.') && !TOP_LEVEL.contains(&name.as_str()));
    strange.map(|name| format!("{name} does not belong at the top")).collect()
}

/// A file that is too long.
pub(super) fn length_faults(file: &str, source: &str) -> Vec<String> {
    let lines = source.lines().count();
    let long = lines > FILE_LINES_MAX;
    long.then(|| format!("{file}: {lines} lines, at most {FILE_LINES_MAX}")).into_iter().collect()
}

/// Functions that are too long. Tests may lay out their cases at length.
pub(super) fn function_faults(file: &str, source: &str) -> Vec<String> {
    let tokens = without_tests(&tokens(source));
    let mut faults = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        if !token.is("fn") || tokens.get(at + 1).is_none_or(|name| name.kind != Kind::Word) {
            continue;
        }
        let Some(open) = body(&tokens, at) else { continue };
        let lines = tokens[closed(&tokens, open) - 1].line - token.line + 1;
        if lines > FUNCTION_LINES_MAX {
            let name = &tokens[at + 1].text;
            faults.push(format!("{file}:{}: fn {name} has {lines} lines, at most {FUNCTION_LINES_MAX}", token.line));
        }
    }
    faults
}

/// Where the body of the function at `at` opens, if it has one.
fn body(tokens: &[Token], mut at: usize) -> Option<usize> {
    loop {
        let token = tokens.get(at)?;
        match token.text.as_str() {
            "{" if token.kind == Kind::Sign => return Some(at),
            ";" if token.kind == Kind::Sign => return None,
            "(" | "[" if token.kind == Kind::Sign => at = closed(tokens, at),
            _ => at += 1,
        }
    }
}

/// Words that stand nowhere in the project. Lock files name registries by their nature and are not asked.
pub(super) fn word_faults(file: &str, text: &str) -> Vec<String> {
    let lower = text.to_lowercase();
    let mut faults = Vec::new();
    for (number, line) in lower.lines().enumerate() {
        for word in FORBIDDEN.iter().map(|(a, b)| format!("{a}{b}")) {
            let inside_a_word = |at: usize| line[..at].ends_with(|c: char| c.is_alphanumeric());
            let mut found = line.match_indices(&word).map(|(at, _)| at);
            if found.any(|at| !inside_a_word(at)) {
                faults.push(format!("{file}:{}: {word} is not for this project's files", number + 1));
            }
        }
    }
    faults
}

/// Names of migrations: `0001_what.sql`, counted up without gaps.
pub(super) fn migration_faults(names: &[String]) -> Vec<String> {
    let mut names = names.to_vec();
    names.sort();
    let bad = names.iter().enumerate().filter(|(i, name)| {
        let what = name.strip_prefix(&format!("{:04}_", i + 1)).and_then(|rest| rest.strip_suffix(".sql"));
        !what.is_some_and(|what| {
            !what.is_empty() && what.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
        })
    });
    bad.map(|(i, name)| format!("migrations/{name}: expected {:04}_some_words.sql", i + 1)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn owned(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    #[test]
    fn strange_things_at_the_top_are_faults() {
        assert_eq!(top_level_faults(&owned(&["src", ".gitignore", "notes.txt"])).len(), 1);
    }

    #[test]
    fn long_files_and_functions_are_faults() {
        let body = |lines: usize| format!("pub fn long(a: [u8; 3]) {{\n{}}}\n", "a();\n".repeat(lines));
        assert_eq!(function_faults("a.rs", &body(78)).len(), 0);
        assert_eq!(function_faults("a.rs", &body(79)).len(), 1);
        assert_eq!(function_faults("a.rs", &format!("#[cfg(test)]\nmod tests {{\n{}}}\n", body(79))).len(), 0);
        assert_eq!(length_faults("a.rs", &"// x\n".repeat(601)).len(), 1);
    }

    #[test]
    fn forbidden_words_are_faults() {
        let registry = format!("see {}", ["crates", ".io"].concat());
        assert_eq!(word_faults("a.md", &registry).len(), 1);
        assert_eq!(word_faults("a.md", &format!("cd {}x", ["/wo", "rk/"].concat())).len(), 1);
        assert_eq!(word_faults("a.md", &format!("frame{}x", ["/wo", "rk/"].concat())).len(), 0);
    }

    #[test]
    fn migrations_out_of_step_are_faults() {
        assert_eq!(migration_faults(&owned(&["0001_first.sql", "0002_next_one.sql"])).len(), 0);
        assert_eq!(migration_faults(&owned(&["0001_first.sql", "0003_next.sql"])).len(), 1);
        assert_eq!(migration_faults(&owned(&["1_first.sql", "0002_Next.sql", "0003_.sql"])).len(), 3);
    }
}
