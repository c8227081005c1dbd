//! What commissioning found, on its way into a line's table of the config.

use std::fmt;

/// A value for one key of one line.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Table inside the line, such as `belt`.
    pub table: &'static str,
    /// Key in that table.
    pub key: &'static str,
    /// What it is to be.
    pub value: SettingValue,
    /// Where the value comes from, one line, such as `measured 2026-11-25: 100 mm asked, 95 mm run`.
    pub comment: String,
}

/// What a key is to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SettingValue {
    /// A finite number; written with at most six decimals.
    Number(f64),
    /// Yes or no.
    Flag(bool),
}

impl fmt::Display for SettingValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Flag(flag) => fmt::Display::fmt(&flag, f),
            Self::Number(number) => {
                // Not "-0.0".
                let number = if number.abs() < 5e-7 { 0.0 } else { number };
                let text = format!("{number:.6}");
                let text = text.trim_end_matches('0');
                f.write_str(text)?;
                f.write_str(if text.ends_with('.') { "0" } else { "" })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_as_numbers_with_a_point() {
        let written = |number| SettingValue::Number(number).to_string();
        assert_eq!(written(1.0), "1.0");
        assert_eq!(written(100.0), "100.0");
        assert_eq!(written(100.0 / 95.0), "1.052632");
        assert_eq!(written(-12.5), "-12.5");
        assert_eq!(written(-0.000_000_1), "0.0");
        assert_eq!(SettingValue::Flag(true).to_string(), "true");
    }
}
