//! The `key:value /target` words that reports are made of.

/// One word of a report.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pair<'a> {
    /// What stands before the colon; the whole word when there is none.
    pub(super) key: &'a [u8],
    /// The number after the colon, if one follows.
    pub(super) value: Option<f64>,
    /// The number after the slash, if one follows.
    pub(super) target: Option<f64>,
}

/// The words of `text`, in order. Blanks may stand after colon and slash and before the slash.
pub(super) fn pairs(text: &[u8]) -> impl Iterator<Item = Pair<'_>> {
    let mut rest = text.trim_ascii();
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let end = rest.iter().position(|b| b.is_ascii_whitespace() || *b == b':').unwrap_or(rest.len());
        let (key, after) = rest.split_at(end);
        let mut pair = Pair { key, value: None, target: None };
        rest = after.trim_ascii_start();
        if let Some(after) = after.strip_prefix(b":") {
            rest = after.trim_ascii_start();
            if let Some((value, after)) = leading_decimal(rest) {
                (pair.value, rest) = (Some(value), after.trim_ascii_start());
                if let Some(after) = rest.strip_prefix(b"/")
                    && let Some((target, after)) = leading_decimal(after.trim_ascii_start())
                {
                    (pair.target, rest) = (Some(target), after.trim_ascii_start());
                }
            }
        }
        Some(pair)
    })
}

/// The whole number that `text` begins with, and what follows it.
pub(super) fn leading_number(text: &[u8]) -> Option<(u32, &[u8])> {
    let digits = text.iter().position(|b| !b.is_ascii_digit()).unwrap_or(text.len());
    let (number, rest) = text.split_at(digits);
    Some((std::str::from_utf8(number).ok()?.parse().ok()?, rest))
}

/// The decimal number that `text` begins with, and what follows it. No exponents, infinities or the like: no printer means them.
fn leading_decimal(text: &[u8]) -> Option<(f64, &[u8])> {
    let sign = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let digits = text[sign..].iter().position(|b| !(b.is_ascii_digit() || *b == b'.')).unwrap_or(text.len() - sign);
    let (number, rest) = text.split_at(sign + digits);
    Some((std::str::from_utf8(number).ok()?.parse().ok()?, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(key: &str, value: Option<f64>, target: Option<f64>) -> Pair<'_> {
        Pair { key: key.as_bytes(), value, target }
    }

    #[test]
    fn blanks_around_slash_and_colon_do_not_matter() {
        let wanted = [pair("T", Some(20.5), Some(0.0)), pair("B", Some(-3.0), None), pair("W", None, None)];
        for text in ["T:20.5 /0 B:-3 W:", "T:20.5/0 B: -3 W:", " T: 20.5 / 0.0  B:-3.0 W: "] {
            assert_eq!(pairs(text.as_bytes()).collect::<Vec<_>>(), wanted, "{text}");
        }
    }

    #[test]
    fn what_is_no_number_is_no_value() {
        for text in ["T:nan", "T:inf", "T:-", "T:.", "T:1.2.3", "T:?"] {
            assert_eq!(pairs(text.as_bytes()).next().and_then(|pair| pair.value), None, "{text}");
        }
    }

    #[test]
    fn every_word_ends_some_time() {
        assert_eq!(pairs(b":::/ /:").count(), 5);
        assert_eq!(pairs(b" \t ").count(), 0);
    }
}
