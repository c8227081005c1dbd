//! One key of one line's table is set in the text of a config; every other byte stays as it is. Plain code; no files here.

use std::ops::Range;

use toml_edit::{Document, Item, TableLike};

use super::change::Change;
use crate::line::{Setting, SettingValue};

/// Words that a comment of ours begins with, before the date.
const OUR_WORDS: [&str; 3] = ["measured", "computed", "seen"];

/// Why a setting cannot be put into a text.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum SurgeryError {
    #[error("it is not TOML: {0}")]
    NotToml(String),
    #[error("it has no [[line]] named {0}")]
    NoLine(String),
    #[error("{0} is written in a way that cannot be changed here; change it by hand")]
    Unknown(String),
}

/// The text with the setting in it, and what that changed. A key that has this value already stays as it is.
pub(super) fn put(text: &str, line: &str, setting: &Setting) -> Result<(String, Change), SurgeryError> {
    let document = Document::parse(text).map_err(|error| SurgeryError::NotToml(error.message().to_owned()))?;
    let lines = lines_of(document.get("line"));
    let own = lines.iter().find(|item| item.get("name").and_then(Item::as_str) == Some(line));
    let own = *own.ok_or_else(|| SurgeryError::NoLine(line.to_owned()))?;
    let strange = || SurgeryError::Unknown(format!("{}.{}", setting.table, setting.key));
    let table = own.get(setting.table);
    let written = table.and_then(Item::as_table_like).and_then(|table| table.get(setting.key));
    let mut change = Change {
        key: format!("{}.{}", setting.table, setting.key),
        old: None,
        new: setting.value.to_string(),
        replaces: false,
    };
    if let Some(item) = written {
        let span = item.span().ok_or_else(strange)?;
        change.old = Some(text[span.clone()].to_owned());
        if is_same(item, setting.value) {
            return Ok((text.to_owned(), change));
        }
        change.replaces = true;
        return Ok((replace(text, span, &change.new, &setting.comment), change));
    }
    let place = match table {
        None => Place::NewTable(block_end(text, end_of(own).ok_or_else(strange)?)),
        Some(item) => place_in(item, own, text).ok_or_else(strange)?,
    };
    Ok((insert(text, &place, setting, &change.new), change))
}

/// The lines, whether written as `[[line]]` or as an array of inline tables.
fn lines_of(item: Option<&Item>) -> Vec<&dyn TableLike> {
    match item {
        Some(Item::ArrayOfTables(tables)) => tables.iter().map(|table| table as &dyn TableLike).collect(),
        Some(item) => {
            let values = item.as_array().into_iter().flat_map(toml_edit::Array::iter);
            values.filter_map(|value| value.as_inline_table().map(|table| table as &dyn TableLike)).collect()
        }
        None => Vec::new(),
    }
}

fn is_same(item: &Item, value: SettingValue) -> bool {
    match value {
        SettingValue::Flag(flag) => item.as_bool() == Some(flag),
        SettingValue::Number(_) => {
            #[expect(clippy::cast_precision_loss, reason = "a config's whole numbers are small")]
            let found = item.as_float().or_else(|| item.as_integer().map(|whole| whole as f64));
            // As it would be written: what rounds to the same text is the same.
            found.is_some_and(|found| SettingValue::Number(found).to_string() == value.to_string())
        }
    }
}

/// Where a new key goes.
enum Place {
    /// A table of its own, after this byte.
    NewTable(usize),
    /// A line of its own after this byte, the end of a line, with this before the key.
    OwnLine(usize, String),
    /// Inside an inline table, before this byte; whether it is the first there.
    Inline(usize, bool),
}

fn place_in(item: &Item, line: &dyn TableLike, text: &str) -> Option<Place> {
    if let Some(inline) = item.as_inline_table().filter(|table| !table.is_dotted()) {
        let span = inline.span()?;
        let inside = text[span.clone()].strip_suffix('}')?.trim_end();
        return Some(Place::Inline(span.start + inside.len(), inline.is_empty()));
    }
    let table = item.as_table_like()?;
    let last = end_of(table);
    if item.as_table().is_some_and(|table| !table.is_dotted() && !table.is_implicit()) {
        let head = item.span()?.end;
        return Some(Place::OwnLine(line_end(text, last.unwrap_or(head)), String::new()));
    }
    // Dotted keys of the line: the new one stands below them, written alike.
    let name = line.iter().find(|(_, other)| std::ptr::eq(*other, item))?.0;
    Some(Place::OwnLine(line_end(text, last?), format!("{name}.")))
}

/// The end of the last value in a table, tables in it included.
fn end_of(table: &dyn TableLike) -> Option<usize> {
    table
        .iter()
        .filter_map(|(_, item)| {
            let inner = item.as_table_like().filter(|_| item.is_table()).and_then(end_of);
            inner.max(item.span().map(|span| span.end))
        })
        .max()
}

fn line_end(text: &str, from: usize) -> usize {
    text[from..].find('\n').map_or(text.len(), |at| from + at + 1)
}

/// The end of the lines of comments that follow without an empty line between.
fn block_end(text: &str, from: usize) -> usize {
    let mut at = line_end(text, from);
    while text[at..].starts_with('#') {
        at = line_end(text, at);
    }
    at
}

fn newline(text: &str) -> &'static str {
    if text.contains("\r\n") { "\r\n" } else { "\n" }
}

/// Replaces a value, and what we have said of it before; a person's comment stays behind ours.
fn replace(text: &str, span: Range<usize>, new: &str, comment: &str) -> String {
    let mut changed = format!("{}{new}{}", &text[..span.start], &text[span.end..]);
    say_why(&mut changed, span.start + new.len(), comment);
    changed
}

/// Writes the comment at the end of the line, in place of an older one of ours.
fn say_why(text: &mut String, value_end: usize, comment: &str) {
    let end = line_end(text, value_end);
    let rest = text[value_end..end].trim_end();
    let (code, theirs) = rest.split_once('#').map_or((rest, None), |(code, said)| (code, Some(said.trim())));
    let theirs =
        theirs.map(|said| if is_ours(said) { said.split_once('#').map_or("", |(_, rest)| rest.trim()) } else { said });
    let theirs = theirs.filter(|said| !said.is_empty()).map_or_else(String::new, |said| format!("  # {said}"));
    let ending = &text[value_end + rest.len()..end];
    let ending = ending.trim_start_matches([' ', '\t']).to_owned();
    let line = format!("{}  # {comment}{theirs}{ending}", code.trim_end());
    text.replace_range(value_end..end, &line);
}

fn is_ours(comment: &str) -> bool {
    let mut words = comment.split(' ');
    let first = words.next().is_some_and(|word| OUR_WORDS.contains(&word));
    let date = words.next().and_then(|word| word.strip_suffix(':')).unwrap_or_default();
    first && date.len() == 10 && date.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-')
}

fn insert(text: &str, place: &Place, setting: &Setting, new: &str) -> String {
    let Setting { table, key, comment, .. } = setting;
    let eol = newline(text);
    // A last line without its end gets one.
    let lead = |at: usize| if at > 0 && !text[..at].ends_with('\n') { eol } else { "" };
    match place {
        Place::NewTable(at) => {
            let lead = lead(*at);
            let added = format!("{lead}{eol}[line.{table}]{eol}{key} = {new}  # {comment}{eol}");
            format!("{}{added}{}", &text[..*at], &text[*at..])
        }
        Place::OwnLine(at, before) => {
            let lead = lead(*at);
            format!("{}{lead}{before}{key} = {new}  # {comment}{eol}{}", &text[..*at], &text[*at..])
        }
        Place::Inline(at, first) => {
            let joint = if *first { " " } else { ", " };
            let added = format!("{joint}{key} = {new}");
            let mut changed = format!("{}{added}{}", &text[..*at], &text[*at..]);
            let brace = at + added.len() + changed[at + added.len()..].find('}').map_or(0, |to| to + 1);
            say_why(&mut changed, brace, comment);
            changed
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn units(value: f64) -> Setting {
        Setting {
            table: "belt",
            key: "units_per_mm",
            value: SettingValue::Number(value),
            comment: "measured 2026-11-25: 100 mm asked, 95 mm run".to_owned(),
        }
    }

    const WHY: &str = "  # measured 2026-11-25: 100 mm asked, 95 mm run";

    fn changed(text: &str, line: &str, setting: &Setting) -> String {
        put(text, line, setting).expect("it can be put").0
    }

    #[test]
    fn a_new_key_follows_the_last_one_of_its_table_and_everything_else_stays() {
        let before = "# mine\n[[line]]\nname = \"a\"\n[line.belt]\noverrun_mm = 40.0 # far\n# piece_mm = 50.0\n\n[line.check]\nkind = \"ask\"\n";
        let after = before.replace("# far\n", &format!("# far\nunits_per_mm = 1.052632{WHY}\n"));
        assert_eq!(changed(before, "a", &units(100.0 / 95.0)), after);
        let (_, change) = put(before, "a", &units(100.0 / 95.0)).expect("it can be put");
        assert_eq!((change.old, change.new.as_str(), change.replaces), (None, "1.052632", false));
    }

    #[test]
    fn an_empty_table_takes_the_key_below_its_head() {
        let before =
            "[[line]]\nname = \"a\"\n[line.belt]      # the belt\n# piece_mm = 50.0\n[line.check]\nkind = \"ask\"\n";
        let after = before.replace("# the belt\n", &format!("# the belt\nunits_per_mm = 2.0{WHY}\n"));
        assert_eq!(changed(before, "a", &units(2.0)), after);
    }

    #[test]
    fn a_missing_table_is_added_inside_its_line_and_not_into_the_next() {
        let before = "[[line]]\nname = \"a\"\n[line.check]\nkind = \"ask\"\n# retries = 1\n\n# the other\n[[line]]\nname = \"b\"\ncheck = { kind = \"ask\" }";
        let table = format!("\n[line.belt]\nunits_per_mm = 2.0{WHY}\n");
        assert_eq!(
            changed(before, "a", &units(2.0)),
            before.replace("# retries = 1\n", &format!("# retries = 1\n{table}"))
        );
        assert_eq!(changed(before, "b", &units(2.0)), format!("{before}\n{table}"));
    }

    #[test]
    fn a_value_is_replaced_where_it_stands_and_a_persons_comment_stays() {
        let before = "[[line]]\nname = \"a\"\n[line.belt]\nunits_per_mm   =   1.5   # by feel\noverrun_mm = 1\n";
        let (after, change) = put(before, "a", &units(2.0)).expect("it can be put");
        assert_eq!(after, before.replace("1.5   # by feel", &format!("2.0{WHY}  # by feel")));
        assert_eq!((change.old.as_deref(), change.replaces), (Some("1.5"), true));
        // The second time our own comment is replaced, and theirs still stays.
        let again = Setting { comment: "measured 2026-11-26: 100 mm asked, 101 mm run".to_owned(), ..units(1.98) };
        let twice = changed(&after, "a", &again);
        assert_eq!(twice, before.replace("1.5   # by feel", &format!("1.98  # {}  # by feel", again.comment)));
    }

    #[test]
    fn a_value_that_is_there_already_changes_nothing() {
        for written in ["2.0", "2", "2.0000001", "2e0"] {
            let text = format!("[[line]]\nname = \"a\"\n[line.belt]\nunits_per_mm = {written} # mine\n");
            let (after, change) = put(&text, "a", &units(2.0)).expect("it can be put");
            assert_eq!((after.as_str(), change.replaces, change.old.as_deref()), (text.as_str(), false, Some(written)));
        }
    }

    #[test]
    fn windows_line_ends_stay() {
        let before = "[[line]]\r\nname = \"a\"\r\n[line.belt]\r\noverrun_mm = 1.0\r\nunits_per_mm = 1.5 # mine\r\n";
        let after = changed(before, "a", &units(2.0));
        assert_eq!(after, before.replace("1.5 # mine", &format!("2.0{WHY}  # mine")));
        let bare = "[[line]]\r\nname = \"a\"\r\n";
        let after = changed(bare, "a", &units(2.0));
        assert_eq!(after, format!("{bare}\r\n[line.belt]\r\nunits_per_mm = 2.0{WHY}\r\n"));
    }

    #[test]
    fn inline_tables_and_dotted_keys_are_changed_as_they_are_written() {
        let before = "[[line]]\nname = \"a\"\nbelt = { overrun_mm = 1.0 } # short\ncheck = { kind = \"ask\" }\n";
        let after = before.replace("1.0 } # short", &format!("1.0, units_per_mm = 2.0 }}{WHY}  # short"));
        assert_eq!(changed(before, "a", &units(2.0)), after);
        let inline = "[[line]]\nname = \"a\"\nbelt = { units_per_mm = 1.5, overrun_mm = 1.0 }\n";
        let after = inline.replace("1.5, overrun_mm = 1.0 }", &format!("2.0, overrun_mm = 1.0 }}{WHY}"));
        assert_eq!(changed(inline, "a", &units(2.0)), after);
        let empty = "[[line]]\nname = \"a\"\nbelt = {}\n";
        assert_eq!(changed(empty, "a", &units(2.0)), empty.replace("{}", &format!("{{ units_per_mm = 2.0}}{WHY}")));
        let dotted = "[[line]]\nname = \"a\"\nbelt.overrun_mm = 1.0\ncheck.kind = \"ask\"\n";
        let after = dotted.replace("1.0\n", &format!("1.0\nbelt.units_per_mm = 2.0{WHY}\n"));
        assert_eq!(changed(dotted, "a", &units(2.0)), after);
        let array = "line = [{ name = \"a\", check.kind = \"ask\", belt = { units_per_mm = 1.0 } }]\n";
        let after = array.replace("1.0 } }]", &format!("2.0 }} }}]{WHY}"));
        assert_eq!(changed(array, "a", &units(2.0)), after);
    }

    #[test]
    fn of_several_lines_only_the_named_one_changes() {
        let table = |name: &str| format!("[[line]]\nname = \"{name}\"\n[line.belt]\nunits_per_mm = 1.5\n");
        let before = format!("{}{}{}", table("a"), table("b"), table("c"));
        let after = format!("{}{}{}", table("a"), table("b").replace("1.5", &format!("2.0{WHY}")), table("c"));
        assert_eq!(changed(&before, "b", &units(2.0)), after);
        assert_eq!(put(&before, "d", &units(2.0)), Err(SurgeryError::NoLine("d".to_owned())));
        assert!(matches!(put("[[line]\n", "a", &units(2.0)), Err(SurgeryError::NotToml(_))));
    }

    #[test]
    fn a_flag_is_set_as_a_flag() {
        let flag = Setting {
            key: "inverted",
            value: SettingValue::Flag(true),
            comment: "seen 2026-11-25: away".to_owned(),
            ..units(1.0)
        };
        let before = "[[line]]\nname = \"a\"\n[line.belt]\ninverted = false\n";
        assert_eq!(changed(before, "a", &flag), before.replace("false", "true  # seen 2026-11-25: away"));
    }
}
