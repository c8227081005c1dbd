//! What of the source files is the program, and what is there for tests alone.

use super::source::{Kind, Token, begins, closed, tokens};

/// The same without what stands under `#[cfg(test)]`.
pub(super) fn without_tests(tokens: &[Token]) -> Vec<Token> {
    let mut kept = Vec::with_capacity(tokens.len());
    let mut at = 0;
    while at < tokens.len() {
        if begins(&tokens[at..], &["#", "!", "[", "cfg", "(", "test", ")", "]"]) {
            break;
        }
        if begins(&tokens[at..], &["#", "[", "cfg", "(", "test", ")", "]"]) {
            at = item_end(tokens, at);
        } else {
            kept.push(tokens[at].clone());
            at += 1;
        }
    }
    kept
}

/// The module path of a file: `line/cycle.rs` is `[line, cycle]`, `line/mod.rs` is `[line]`.
pub(super) fn modules(file: &str) -> Vec<String> {
    let mut modules: Vec<String> = file.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
    if modules.last().is_some_and(|last| last == "mod") {
        modules.pop();
    }
    modules
}

/// The files that are compiled into the program: without those of modules that stand under `#[cfg(test)]`.
pub(super) fn program_files(files: Vec<(String, String)>) -> Vec<(String, String)> {
    let test_modules: Vec<Vec<String>> = files
        .iter()
        .flat_map(|(file, source)| {
            let parent = modules(file);
            modules_under_test(&tokens(source)).into_iter().map(move |name| [parent.as_slice(), &[name]].concat())
        })
        .collect();
    let tested = |file: &str| test_modules.iter().any(|module| modules(file).starts_with(module));
    files.into_iter().filter(|(file, _)| !tested(file)).collect()
}

/// Names of modules with a file of their own that stand under `#[cfg(test)]`.
fn modules_under_test(tokens: &[Token]) -> Vec<String> {
    let starts = (0..tokens.len()).filter(|at| begins(&tokens[*at..], &["#", "[", "cfg", "(", "test", ")", "]"]));
    let names = starts.filter_map(|at| {
        let item = &tokens[at + 7..item_end(tokens, at)];
        let at = item.iter().position(|token| token.is("mod"))?;
        item.last().is_some_and(|last| last.is(";")).then(|| item[at + 1].text.clone())
    });
    names.collect()
}

/// What an item or a statement begins with; anything else that an attribute stands on is a field or a value in a list.
const ITEM_WORDS: &[&str] = &[
    "async",
    "const",
    "enum",
    "extern",
    "fn",
    "impl",
    "let",
    "macro_rules",
    "mod",
    "static",
    "struct",
    "trait",
    "type",
    "unsafe",
    "use",
];

/// Just past what the attribute at `at` stands on.
fn item_end(tokens: &[Token], mut at: usize) -> usize {
    while begins(&tokens[at..], &["#", "["]) {
        at = closed(tokens, at + 1);
    }
    if tokens.get(at).is_some_and(|token| token.is("pub")) {
        at += 1;
        if tokens.get(at).is_some_and(|token| token.is("(")) {
            at = closed(tokens, at);
        }
    }
    let item = tokens.get(at).is_some_and(|token| ITEM_WORDS.contains(&token.text.as_str()));
    while let Some(token) = tokens.get(at) {
        match token.text.as_str() {
            _ if token.kind != Kind::Sign => at += 1,
            ";" => return at + 1,
            "," if !item => return at + 1,
            "{" if item => return closed(tokens, at),
            "(" | "[" | "{" => at = closed(tokens, at),
            ")" | "]" | "}" => return at,
            _ => at += 1,
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_of_test_modules_are_no_part_of_the_program() {
        let files = |guard: &str| {
            let all = [("a/mod.rs", guard), ("a/fake.rs", ""), ("a/fake/deep.rs", ""), ("a/fakes.rs", "")];
            program_files(all.map(|(file, source)| (file.to_owned(), source.to_owned())).to_vec()).len()
        };
        assert_eq!(files("mod fake; mod fakes;"), 4);
        assert_eq!(files("#[cfg(test)] mod fake; mod fakes;"), 2);
        assert_eq!(files("#[cfg(test)] pub(crate) mod fake; #[cfg(test)] mod tests { mod fakes; }"), 2);
    }

    #[test]
    fn what_stands_under_cfg_test_is_left_out() {
        let source =
            "fn a() {} #[cfg(test)] #[rustfmt::skip] mod tests { fn b() { { } } } #[cfg(test)] mod c; fn d() {}";
        let kept: Vec<String> = without_tests(&tokens(source)).into_iter().map(|token| token.text).collect();
        assert_eq!(kept.join(" "), "fn a ( ) { } fn d ( ) { }");
        let source =
            "S { a: 1, #[cfg(test)] b: f(1, 2), c: 3, #[cfg(test)] d: { 4 } } fn e() { #[cfg(test)] let f = 1; g }";
        let kept: Vec<String> = without_tests(&tokens(source)).into_iter().map(|token| token.text).collect();
        assert_eq!(kept.join(" "), "S { a : 1 , c : 3 , } fn e ( ) { g }");
    }
}
