//! Concerns and refusals, with a cap for each code so that a file of nonsense does not fill the memory.

use crate::job::Finding;

/// Findings kept for each code.
const KEPT: usize = 20;

/// Findings of one kind, in the order of their lines.
#[derive(Debug, Default)]
pub(crate) struct Findings {
    codes: Vec<Tally>,
}

#[derive(Debug)]
struct Tally {
    code: &'static str,
    kept: Vec<Finding>,
    behind: u64,
    first_behind: u64,
}

impl Findings {
    /// Adds a finding; `text` is asked for only if it is kept.
    pub(crate) fn add(&mut self, code: &'static str, line: u64, text: impl FnOnce() -> String) {
        let index = self.codes.iter().position(|tally| tally.code == code).unwrap_or_else(|| {
            self.codes.push(Tally { code, kept: Vec::new(), behind: 0, first_behind: 0 });
            self.codes.len() - 1
        });
        let tally = &mut self.codes[index];
        if tally.kept.len() < KEPT {
            tally.kept.push(Finding { code: code.to_owned(), line, text: text() });
        } else {
            tally.behind += 1;
            if tally.behind == 1 {
                tally.first_behind = line;
            }
        }
    }

    /// All that was kept, by line; where some of a code were not, a last one says how many.
    pub(crate) fn into_list(self) -> Vec<Finding> {
        let mut list = Vec::new();
        for tally in self.codes {
            list.extend(tally.kept);
            if tally.behind > 0 {
                let text =
                    format!("{} more of the kind `{}`, from this line on, are not listed", tally.behind, tally.code);
                list.push(Finding { code: tally.code.to_owned(), line: tally.first_behind, text });
            }
        }
        list.sort_by_key(|finding| finding.line);
        list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_code_keeps_twenty_and_counts_the_rest() {
        let mut findings = Findings::default();
        for line in 1..=1000 {
            findings.add("stray", line, || format!("line {line}"));
        }
        findings.add("stop", 7, || "stops".to_owned());
        let list = findings.into_list();
        assert_eq!(list.len(), KEPT + 2);
        assert_eq!(list[7].code, "stop");
        assert_eq!(list.last().map(|last| (last.line, last.text.starts_with("980 more"))), Some((21, true)));
    }
}
