//! Just enough of Rust's grammar to see what a source file names: words, paths, texts, and where its tests begin.

/// A piece of a source file. Comments and blanks are left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Token {
    pub(super) kind: Kind,
    pub(super) text: String,
    /// From 1.
    pub(super) line: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// A name, keyword or number.
    Word,
    /// The inside of a string literal.
    Text,
    /// `::` or one other sign.
    Sign,
}

/// A path such as `crate::job::Job`, with trees of `use` spread out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct NamedPath {
    pub(super) segments: Vec<String>,
    pub(super) line: usize,
}

impl Token {
    pub(super) fn is(&self, text: &str) -> bool {
        self.kind != Kind::Text && self.text == text
    }
}

/// Cuts a source file into its pieces.
pub(super) fn tokens(source: &str) -> Vec<Token> {
    let mut cutter = Cutter { rest: source, line: 1, tokens: Vec::new() };
    while !cutter.rest.is_empty() {
        cutter.step();
    }
    cutter.tokens
}

struct Cutter<'a> {
    rest: &'a str,
    line: usize,
    tokens: Vec<Token>,
}

impl Cutter<'_> {
    fn step(&mut self) {
        let rest = self.rest;
        let first = rest.chars().next().expect("not empty");
        if first.is_whitespace() {
            self.skip(first.len_utf8());
        } else if rest.starts_with("//") {
            self.skip(rest.find('\n').unwrap_or(rest.len()));
        } else if rest.starts_with("/*") {
            self.skip(block_comment(rest));
        } else if let Some(fences) = text_fences(rest) {
            let inside = text_length(&rest[fences.opening..], &fences);
            self.take(Kind::Text, fences.opening, inside, fences.closing.len());
        } else if first == '\'' {
            self.skip(quote(rest));
        } else if first.is_alphanumeric() || first == '_' {
            let raw = if rest.starts_with("r#") { 2 } else { 0 };
            let word = rest[raw..].find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len() - raw);
            self.take(Kind::Word, raw, word, 0);
        } else {
            let length = if rest.starts_with("::") { 2 } else { first.len_utf8() };
            self.take(Kind::Sign, 0, length, 0);
        }
    }

    fn skip(&mut self, length: usize) {
        let (gone, rest) = self.rest.split_at(length);
        self.line += gone.matches('\n').count();
        self.rest = rest;
    }

    fn take(&mut self, kind: Kind, before: usize, length: usize, after: usize) {
        let text = self.rest[before..before + length].to_owned();
        self.tokens.push(Token { kind, text, line: self.line });
        self.skip((before + length + after).min(self.rest.len()));
    }
}

/// Length of a block comment, nested ones included.
fn block_comment(source: &str) -> usize {
    let (mut depth, mut at) = (0, 0);
    loop {
        let rest = &source[at..];
        let Some(step) = rest.find(['/', '*']) else { return source.len() };
        let sign = &rest[step..];
        if sign.starts_with("/*") {
            (depth, at) = (depth + 1, at + step + 2);
        } else if sign.starts_with("*/") {
            (depth, at) = (depth - 1, at + step + 2);
            if depth == 0 {
                return at;
            }
        } else {
            at += step + 1;
        }
    }
}

/// What opens and closes a string literal.
struct Fences {
    opening: usize,
    closing: String,
    escapes: bool,
}

/// The fences of the string literal that begins here, if one does.
fn text_fences(source: &str) -> Option<Fences> {
    let body = source.strip_prefix(['b', 'c']).unwrap_or(source);
    let prefix = source.len() - body.len();
    if body.starts_with('"') {
        return Some(Fences { opening: prefix + 1, closing: "\"".to_owned(), escapes: true });
    }
    let raw = body.strip_prefix('r')?;
    let hashes = raw.len() - raw.trim_start_matches('#').len();
    raw[hashes..].starts_with('"').then(|| Fences {
        opening: prefix + hashes + 2,
        closing: format!("\"{}", "#".repeat(hashes)),
        escapes: false,
    })
}

/// Length of a literal's inside.
fn text_length(inside: &str, fences: &Fences) -> usize {
    if !fences.escapes {
        return inside.find(&fences.closing).unwrap_or(inside.len());
    }
    let mut escaped = false;
    let end = inside.char_indices().find(|(_, c)| {
        let closes = *c == '"' && !escaped;
        escaped = *c == '\\' && !escaped;
        closes
    });
    end.map_or(inside.len(), |(at, _)| at)
}

/// Length of a character literal, or of a lifetime's quote.
fn quote(source: &str) -> usize {
    let mut chars = source.char_indices().skip(1);
    match (chars.next(), chars.next()) {
        (Some((_, '\\')), Some((escaped, _))) => {
            source[escaped + 1..].find('\'').map_or(1, |end| escaped + 1 + end + 1)
        }
        (Some(_), Some((at, '\''))) => at + 1,
        _ => 1,
    }
}

/// Whether these tokens come next.
pub(super) fn begins(tokens: &[Token], texts: &[&str]) -> bool {
    tokens.len() >= texts.len() && tokens.iter().zip(texts).all(|(token, text)| token.is(text))
}

/// Just past the bracket that closes the one at `at`.
pub(super) fn closed(tokens: &[Token], at: usize) -> usize {
    let mut depth = 0;
    for (i, token) in tokens.iter().enumerate().skip(at) {
        if token.kind == Kind::Sign {
            match token.text.as_str() {
                "(" | "[" | "{" => depth += 1,
                ")" | "]" | "}" => depth -= 1,
                _ => {}
            }
        }
        if depth == 0 {
            return i + 1;
        }
    }
    tokens.len()
}

/// Every path of two segments or more.
pub(super) fn paths(tokens: &[Token]) -> Vec<NamedPath> {
    let mut paths = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        at = if tokens[at].kind == Kind::Word { tree(tokens, at, &[], &mut paths) } else { at + 1 };
    }
    paths.retain(|path| path.segments.len() > 1);
    paths
}

/// Reads the path or tree at `at` and says where it ends.
fn tree(tokens: &[Token], mut at: usize, prefix: &[String], paths: &mut Vec<NamedPath>) -> usize {
    let mut segments = prefix.to_vec();
    let line = tokens[at].line;
    loop {
        match tokens.get(at) {
            Some(token) if token.kind == Kind::Word => segments.push(token.text.clone()),
            Some(token) if token.is("{") => {
                let end = closed(tokens, at);
                at += 1;
                while at < end - 1 {
                    if tokens[at].kind == Kind::Word {
                        at = tree(tokens, at, &segments, paths);
                    }
                    // To the next in the list, past the new name of one that is renamed.
                    at += tokens[at..end].iter().take_while(|token| !token.is(",")).count() + 1;
                }
                return end;
            }
            _ => break,
        }
        at += 1;
        if !tokens.get(at).is_some_and(|token| token.is("::")) {
            break;
        }
        at += 1;
    }
    paths.push(NamedPath { segments, line });
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(source: &str) -> Vec<String> {
        tokens(source).into_iter().map(|token| token.text).collect()
    }

    #[test]
    fn comments_texts_and_quotes_do_not_confuse_the_cutter() {
        assert_eq!(texts("a // tokio::b\n/* c /* d */ e */ f"), ["a", "f"]);
        assert_eq!(texts(r#"x("a \" b", 'c', '\'', '"', "d")"#), ["x", "(", "a \\\" b", ",", ",", ",", ",", "d", ")"]);
        assert_eq!(
            texts("f::<'a>(r#\"q \" q\"#, r\"w\\\", b\"v\")"),
            ["f", "::", "<", "a", ">", "(", "q \" q", ",", "w\\", ",", "v", ")"]
        );
        assert_eq!(texts("r#type rb b1"), ["type", "rb", "b1"]);
    }

    #[test]
    fn lines_are_counted_through_texts_and_comments() {
        let found = tokens("a\n\"x\ny\" /* \n */ b");
        assert_eq!(found.last().map(|token| (token.text.as_str(), token.line)), Some(("b", 4)));
    }

    #[test]
    fn trees_of_use_are_spread_out() {
        let found = paths(&tokens("use crate::{a::{b, self}, c::D as E, f::*}; fn x() { tokio::spawn(y::<Z>::w) }"));
        let joined: Vec<String> = found.iter().map(|path| path.segments.join("::")).collect();
        assert_eq!(joined, ["crate::a::b", "crate::a::self", "crate::c::D", "crate::f", "tokio::spawn"]);
    }
}
