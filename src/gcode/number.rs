//! Decimal numbers of the G-code grammar: an optional sign, digits, at most one point, no exponent.

/// Powers of ten that `f64` holds exactly.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
    1e21, 1e22,
];

/// Past this mantissa no further digit is taken in: it is below what `f64` resolves.
const MANTISSA_FULL: u64 = 10_u64.pow(17);

/// Greatest magnitude; larger numbers saturate here, so that no sum or square of a few of them overflows.
pub(crate) const MAGNITUDE_MAX: f64 = 1e18;

/// A number read from the head of a slice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parsed {
    /// The value, finite; 0 if no digit was there.
    pub value: f64,
    /// Whether there was at least one digit.
    pub has_digits: bool,
    /// Whether anything of a number (sign, point, digit) was there.
    pub has_sign_or_point: bool,
    /// Where the number ends: the offset behind its last byte, blanks behind it not included.
    pub end: usize,
}

/// Reads a number from `bytes[at..]`, blanks and tabs before it and inside it being ignored (NISTIR 6556, §3.3.2).
///
/// Up to 15 digits the result is the nearest `f64`, as `str::parse` gives it: an integer below 2^53 and a power of ten are
/// both exact, and one division rounds once.
#[must_use]
pub fn parse_number(bytes: &[u8], at: usize) -> Parsed {
    let start = skip_blanks(bytes, at);
    let negative = bytes.get(start) == Some(&b'-');
    let has_sign = negative || bytes.get(start) == Some(&b'+');
    let unsigned = start + usize::from(has_sign);
    let mut parsed = parse_plain(bytes, unsigned).unwrap_or_else(|| parse_any(bytes, unsigned));
    if has_sign {
        parsed.has_sign_or_point = true;
    } else if !parsed.has_digits && !parsed.has_sign_or_point {
        parsed.end = at;
    }
    if negative {
        parsed.value = -parsed.value;
    }
    parsed
}

/// A number as nearly all are: at least one digit, at most 17, nothing between them but a point. `None` for any other.
fn parse_plain(bytes: &[u8], start: usize) -> Option<Parsed> {
    let (value, end) = read_digits(bytes, start)?;
    // Behind blanks the number may go on; one blank before a letter is the usual end.
    let next = bytes.get(skip_blanks(bytes, end));
    if next.is_some_and(|byte| matches!(byte, b'0'..=b'9' | b'.')) {
        return None;
    }
    let has_sign_or_point = bytes[start..end].contains(&b'.');
    Some(Parsed { value, has_digits: true, has_sign_or_point, end })
}

/// Reads digits with at most one point among them, and says where they end. `None` without a digit, or with more than 17.
fn read_digits(bytes: &[u8], start: usize) -> Option<(f64, usize)> {
    let rest = bytes.get(start..)?;
    if let Some(eight) = rest.first_chunk::<8>()
        && let Some((whole, digits)) = read_short(eight, 0)
    {
        if eight[digits] != b'.' {
            return (digits > 0).then(|| (scaled(whole, 0), start + digits));
        }
        if let Some(eight) = rest[digits + 1..].first_chunk::<8>()
            && let Some((mantissa, places)) = read_short(eight, whole)
        {
            return (digits + places > 0).then(|| (scaled(mantissa, places), start + digits + 1 + places));
        }
    }
    read_digits_one_by_one(bytes, start)
}

/// Appends the digits at the head of `bytes` to `number`, and says how many they are. `None` if that cannot be seen here.
fn read_short(bytes: &[u8; 8], mut number: u64) -> Option<(u64, usize)> {
    for (count, byte) in bytes.iter().enumerate() {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            return Some((number, count));
        }
        number = number * 10 + u64::from(digit);
    }
    None
}

#[cold]
fn read_digits_one_by_one(bytes: &[u8], start: usize) -> Option<(f64, usize)> {
    let (mut at, mut mantissa) = (start, 0_u64);
    let mut digits = |at: &mut usize| {
        while let Some(digit) = bytes.get(*at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10) {
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
            *at += 1;
        }
    };
    digits(&mut at);
    let (mut count, mut places) = (at - start, 0);
    if bytes.get(at) == Some(&b'.') {
        at += 1;
        let fraction = at;
        digits(&mut at);
        places = at - fraction;
        count += places;
    }
    (1..=17).contains(&count).then(|| (scaled(mantissa, places), at))
}

/// Any number, blanks inside and digits beyond what is resolved included; its sign was read already.
#[cold]
fn parse_any(bytes: &[u8], start: usize) -> Parsed {
    let mut parsed = Parsed { value: 0.0, has_digits: false, has_sign_or_point: false, end: start };
    let (mut mantissa, mut places) = (0_u64, 0);
    let mut overflow = false;
    let mut at = start;
    while let Some(&byte) = bytes.get(at) {
        let in_fraction = parsed.has_sign_or_point;
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            parsed.has_digits = true;
            if mantissa < MANTISSA_FULL && (!in_fraction || places < POWERS.len() - 1) {
                mantissa = mantissa * 10 + u64::from(digit);
                places += usize::from(in_fraction);
            } else {
                overflow |= !in_fraction;
            }
        } else if byte == b'.' && !in_fraction {
            parsed.has_sign_or_point = true;
        } else if is_blank(byte) {
            at += 1;
            continue;
        } else {
            break;
        }
        at += 1;
        parsed.end = at;
    }
    parsed.value = if overflow { MAGNITUDE_MAX } else { scaled(mantissa, places) };
    parsed
}

fn scaled(mantissa: u64, places: usize) -> f64 {
    // By way of `i64`, which it always fits: most processors convert that in one step.
    #[expect(clippy::cast_precision_loss, reason = "exact to 15 digits, nearest beyond")]
    let mantissa = mantissa.cast_signed() as f64;
    mantissa / POWERS[places]
}

/// Blanks, tabs and the line's own ending.
pub(crate) const fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\r' | b'\n')
}

pub(crate) fn skip_blanks(bytes: &[u8], mut at: usize) -> usize {
    while bytes.get(at).copied().is_some_and(is_blank) {
        at += 1;
    }
    at
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn blanks_inside_a_number_do_not_count() {
        let parsed = parse_number(b" +0. 12 34y 7", 0);
        assert_eq!(parsed.value, 0.1234);
        assert_eq!(parsed.end, 10);
    }

    #[test]
    fn there_is_no_exponent_form() {
        assert_eq!(parse_number(b"2E3", 0), Parsed { value: 2.0, has_digits: true, has_sign_or_point: false, end: 1 });
    }

    #[test]
    fn a_sign_or_a_point_alone_is_no_number() {
        for text in ["-", "+", ".", "-.", ""] {
            assert!(!parse_number(text.as_bytes(), 0).has_digits, "{text:?}");
        }
    }

    #[test]
    fn huge_numbers_saturate() {
        let digits = "9".repeat(70_000);
        assert_eq!(parse_number(digits.as_bytes(), 0).value, MAGNITUDE_MAX);
        assert_eq!(parse_number(format!("-{digits}").as_bytes(), 0).value, -MAGNITUDE_MAX);
        assert_eq!(parse_number(format!("0.{digits}").as_bytes(), 0).value, 1.0);
    }

    proptest! {
        #[test]
        fn the_short_way_and_the_long_way_agree(text in "[+-]?[0-9]{0,20}\\.?[0-9]{0,24}[ X]?") {
            let unsigned = usize::from(text.starts_with(['+', '-']));
            if let Some(plain) = parse_plain(text.as_bytes(), unsigned) {
                prop_assert_eq!(plain, parse_any(text.as_bytes(), unsigned));
            }
        }

        #[test]
        fn up_to_fifteen_digits_agree_with_the_standard_library(
            sign in "[+-]?", whole in "[0-9]{0,9}", fraction in "[0-9]{1,6}",
        ) {
            let text = format!("{sign}{whole}.{fraction}");
            let wanted: f64 = text.parse().expect("a decimal number");
            prop_assert_eq!(parse_number(text.as_bytes(), 0).value.to_bits(), wanted.to_bits());
        }
    }
}
