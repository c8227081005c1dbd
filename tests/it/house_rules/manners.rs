//! Manners of a file: what a front door holds, and that nothing is left unfinished.

use super::program::without_tests;
use super::source::{Kind, begins, tokens};

/// Faults of a `mod.rs`: it opens with what the room owns, and only re-exports. `excused` are names of functions that may
/// stand in it.
pub(super) fn front_door_faults(file: &str, source: &str, excused: &[&str]) -> Vec<String> {
    let code = without_tests(&tokens(source));
    let mut faults = Vec::new();
    if !source.starts_with("//! ") {
        faults.push(format!("src/{file}: does not open with what the room owns"));
    }
    for (i, token) in code.iter().enumerate() {
        let works = token.kind == Kind::Word
            && ["fn", "struct", "enum", "union", "trait", "impl", "const", "static", "macro_rules"]
                .contains(&token.text.as_str());
        let name = code.get(i + 1).map_or("", |next| next.text.as_str());
        if works && !excused.contains(&name) {
            faults.push(format!("src/{file}:{}: {} {name} belongs in a file with a name", token.line, token.text));
        }
    }
    faults
}

/// Faults of unfinished or silenced work: `todo!`, `unimplemented!`, `dbg!`, ignored tests.
pub(super) fn unfinished_faults(file: &str, source: &str) -> Vec<String> {
    let tokens = tokens(source);
    let mut faults = Vec::new();
    for at in 0..tokens.len() {
        let rest = &tokens[at..];
        let macros = ["todo", "unimplemented", "dbg"];
        if macros.iter().any(|name| begins(rest, &[name, "!"])) {
            faults.push(format!("{file}:{}: {}! is unfinished work", rest[0].line, rest[0].text));
        }
        if begins(rest, &["#", "[", "ignore"]) {
            faults.push(format!("{file}:{}: an ignored test proves nothing", rest[0].line));
        }
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_front_door_with_work_in_it_is_a_fault() {
        let good = "//! Owns.\n\nmod a;\npub use a::B;\n#[cfg(test)]\nmod tests { fn f() {} }";
        assert_eq!(front_door_faults("line/mod.rs", good, &[]), Vec::<String>::new());
        let bad = "mod a;\npub fn work() {}\nstruct S;";
        assert_eq!(front_door_faults("line/mod.rs", bad, &[]).len(), 3);
        assert_eq!(front_door_faults("line/mod.rs", bad, &["work"]).len(), 2);
    }

    #[test]
    fn unfinished_work_is_a_fault() {
        assert_eq!(unfinished_faults("a.rs", "fn f() { todo!() } fn g() { dbg!(1); unimplemented!(\"x\") }").len(), 3);
        let left_out = ["#[test]\n#[", "ignore = \"slow\"]\nfn f() {}"].concat();
        assert_eq!(unfinished_faults("a.rs", &left_out).len(), 1);
        assert_eq!(unfinished_faults("a.rs", "// todo!\nlet todo = \"dbg!\";").len(), 0);
    }
}
