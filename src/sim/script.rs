//! A script of faults: text, one fault a line.
//!
//! ```text
//! # when            what
//! at 120s           lose-ok
//! line 500          garble
//! every 1000 lines  resend
//! every 10m         silence 5s
//!                   heater bed slow 3
//! ```
//! Without `at`, `line` or `every` it holds from the machine's first moment. Times are counted from there, in `ms`, `s`, `m` or `h`;
//! lines are counted as they arrive, from 1.

use std::str::{FromStr, SplitAsciiWhitespace};
use std::time::Duration;

use thiserror::Error;

use super::body::HeaterName;
use super::fault::{Fault, LineFault, SwitchCondition};
use super::heater::Condition;
use crate::units::Moment;

/// Faults and when they happen. The default has none.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Script {
    entries: Vec<Entry>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Entry {
    when: When,
    fault: Fault,
}

/// When a fault happens.
#[derive(Clone, Copy, Debug, PartialEq)]
enum When {
    /// This long after the start; `every`: and again each time.
    Time { after: Duration, every: bool },
    /// When this line arrives; `every`: and each multiple of it.
    Line { number: u64, every: bool },
}

/// A line of a script that is no fault.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("line {line} of the fault script: found {found}, expected {expected}")]
pub struct ScriptError {
    /// Counted from 1.
    pub line: usize,
    /// What stands there.
    pub found: String,
    /// What could.
    pub expected: &'static str,
}

const WHAT: &str = "`garble`, `lose-byte`, `lose-line`, `resend`, `lose-ok`, `double-ok`, `reset`, `heater bed|nozzle …`, \
                    `part N sticks`, `switch …`, `silence TIME`, `cut` or `belt slips PERCENT%`";
const TIME: &str = "a time such as `120s`, `250ms`, `5m` or `2h`";
const COUNT: &str = "a whole number from 1";

impl FromStr for Script {
    type Err = ScriptError;

    fn from_str(text: &str) -> Result<Self, ScriptError> {
        let mut entries = Vec::new();
        for (index, line) in text.lines().enumerate() {
            let line = line.split_once('#').map_or(line, |(before, _)| before);
            let mut words = Words { line: index + 1, rest: line.split_ascii_whitespace() };
            let Some(first) = words.rest.next() else { continue };
            entries.push(words.entry(first)?);
            words.end()?;
        }
        Ok(Self { entries })
    }
}

impl FromStr for Fault {
    type Err = ScriptError;

    /// A fault by its words, without a time.
    fn from_str(text: &str) -> Result<Self, ScriptError> {
        let mut words = Words { line: 1, rest: text.split_ascii_whitespace() };
        let what = words.next(WHAT)?;
        let fault = words.fault(what)?;
        words.end()?;
        Ok(fault)
    }
}

struct Words<'a> {
    line: usize,
    rest: SplitAsciiWhitespace<'a>,
}

impl<'a> Words<'a> {
    fn entry(&mut self, first: &str) -> Result<Entry, ScriptError> {
        let when = match first {
            "at" => When::Time { after: self.time()?, every: false },
            "line" => When::Line { number: self.count()?, every: false },
            "every" => self.every()?,
            what => {
                return Ok(Entry {
                    when: When::Time { after: Duration::ZERO, every: false },
                    fault: self.fault(what)?,
                });
            }
        };
        let what = self.next(WHAT)?;
        Ok(Entry { when, fault: self.fault(what)? })
    }

    fn end(&mut self) -> Result<(), ScriptError> {
        self.rest.next().map_or(Ok(()), |more| Err(self.error(Some(more), "the end of the line")))
    }

    fn every(&mut self) -> Result<When, ScriptError> {
        let word = self.next("a number of lines or a time")?;
        let Ok(number) = word.parse::<u64>() else {
            let after = parse_time(word).filter(|time| !time.is_zero());
            return match after {
                Some(after) => Ok(When::Time { after, every: true }),
                None => Err(self.error(Some(word), "a number of lines, or a time above zero")),
            };
        };
        match (number, self.next("`lines`")?) {
            (1.., "lines") => Ok(When::Line { number, every: true }),
            (0, _) => Err(self.error(Some("0"), COUNT)),
            (_, other) => Err(self.error(Some(other), "`lines`")),
        }
    }

    fn fault(&mut self, what: &str) -> Result<Fault, ScriptError> {
        Ok(match what {
            "garble" => Fault::Line(LineFault::Garble),
            "lose-byte" => Fault::Line(LineFault::LoseByte),
            "lose-line" => Fault::Line(LineFault::Lose),
            "resend" => Fault::Line(LineFault::Resend),
            "lose-ok" => Fault::LoseOk,
            "double-ok" => Fault::DoubleOk,
            "reset" => Fault::Reset,
            "cut" => Fault::Cut,
            "silence" => Fault::Silence(self.time()?),
            "heater" => self.heater()?,
            "part" => {
                let number = self.count()?;
                self.word("sticks", "`sticks`")?;
                Fault::PartSticks(u32::try_from(number).unwrap_or(u32::MAX))
            }
            "switch" => Fault::Switch(self.switch()?),
            "belt" => self.belt()?,
            other => return Err(self.error(Some(other), WHAT)),
        })
    }

    fn heater(&mut self) -> Result<Fault, ScriptError> {
        let name = match self.next("`bed` or `nozzle`")? {
            "bed" => HeaterName::Bed,
            "nozzle" => HeaterName::Nozzle,
            other => return Err(self.error(Some(other), "`bed` or `nozzle`")),
        };
        const HOW: &str = "`slow TIMES`, `fails`, `fails unnoticed` or `works`";
        let condition = match self.next(HOW)? {
            "works" => Condition::Works,
            "slow" => Condition::Slow(self.number("a number above zero")?),
            "fails" => match self.rest.next() {
                None => Condition::Fails { noticed: true },
                Some("unnoticed") => Condition::Fails { noticed: false },
                Some(other) => return Err(self.error(Some(other), "`unnoticed` or the end of the line")),
            },
            other => return Err(self.error(Some(other), HOW)),
        };
        Ok(Fault::Heater(name, condition))
    }

    fn switch(&mut self) -> Result<SwitchCondition, ScriptError> {
        match self.next("`stuck` or `works`")? {
            "works" => Ok(SwitchCondition::Works),
            "stuck" => match self.next("`open` or `pressed`")? {
                "open" => Ok(SwitchCondition::StuckOpen),
                "pressed" => Ok(SwitchCondition::StuckPressed),
                other => Err(self.error(Some(other), "`open` or `pressed`")),
            },
            other => Err(self.error(Some(other), "`stuck` or `works`")),
        }
    }

    fn belt(&mut self) -> Result<Fault, ScriptError> {
        const PERCENT: &str = "a percentage from `0%` to `100%`";
        self.word("slips", "`slips`")?;
        let word = self.next(PERCENT)?;
        let percent = word.strip_suffix('%').and_then(|number| number.parse().ok());
        match percent.filter(|percent| (0.0..=100.0).contains(percent)) {
            Some(percent) => Ok(Fault::BeltSlips(percent / 100.0)),
            None => Err(self.error(Some(word), PERCENT)),
        }
    }

    fn time(&mut self) -> Result<Duration, ScriptError> {
        let word = self.next(TIME)?;
        parse_time(word).ok_or_else(|| self.error(Some(word), TIME))
    }

    fn count(&mut self) -> Result<u64, ScriptError> {
        let word = self.next(COUNT)?;
        word.parse().ok().filter(|count| *count > 0).ok_or_else(|| self.error(Some(word), COUNT))
    }

    fn number(&mut self, expected: &'static str) -> Result<f64, ScriptError> {
        let word = self.next(expected)?;
        let number = word.parse().ok().filter(|number: &f64| number.is_finite() && *number > 0.0);
        number.ok_or_else(|| self.error(Some(word), expected))
    }

    fn word(&mut self, wanted: &str, expected: &'static str) -> Result<(), ScriptError> {
        let word = self.next(expected)?;
        if word == wanted { Ok(()) } else { Err(self.error(Some(word), expected)) }
    }

    fn next(&mut self, expected: &'static str) -> Result<&'a str, ScriptError> {
        self.rest.next().ok_or_else(|| self.error(None, expected))
    }

    fn error(&self, found: Option<&str>, expected: &'static str) -> ScriptError {
        let found = found.map_or_else(|| "the end of the line".to_owned(), |word| format!("`{word}`"));
        ScriptError { line: self.line, found, expected }
    }
}

fn parse_time(word: &str) -> Option<Duration> {
    let unit_at = word.find(|letter: char| letter.is_ascii_alphabetic())?;
    let (number, unit) = word.split_at(unit_at);
    let seconds = match unit {
        "ms" => 0.001,
        "s" => 1.0,
        "m" => 60.0,
        "h" => 3600.0,
        _ => return None,
    };
    Duration::try_from_secs_f64(number.parse::<f64>().ok()? * seconds).ok()
}

/// A script under way.
#[derive(Clone, Debug)]
pub(super) struct ScriptRun {
    start: Moment,
    /// Faults by time: when next.
    timed: Vec<(Moment, Option<Duration>, Fault)>,
    /// Faults by line: number, whether every multiple.
    by_line: Vec<(u64, bool, Fault)>,
}

impl ScriptRun {
    pub(super) fn new(script: &Script, start: Moment) -> Self {
        let mut run = Self { start, timed: Vec::new(), by_line: Vec::new() };
        for Entry { when, fault } in &script.entries {
            match *when {
                When::Time { after, every } => run.timed.push((run.start + after, every.then_some(after), *fault)),
                When::Line { number, every } => run.by_line.push((number, every, *fault)),
            }
        }
        run
    }

    /// When the next fault by time happens.
    pub(super) fn next(&self) -> Option<Moment> {
        self.timed.iter().map(|(at, _, _)| *at).min()
    }

    /// The next fault whose time has come.
    pub(super) fn poll(&mut self, now: Moment) -> Option<Fault> {
        let due = (0..self.timed.len()).filter(|index| self.timed[*index].0 <= now);
        let first = due.min_by_key(|index| self.timed[*index].0)?;
        let (at, every, fault) = self.timed[first];
        match every {
            Some(period) => self.timed[first].0 = at + period,
            None => drop(self.timed.remove(first)),
        }
        Some(fault)
    }

    /// The faults that belong to the arrival of a line, counted from 1.
    pub(super) fn at_line(&self, arrived: u64) -> Vec<Fault> {
        let fits = |(number, every, _): &&(u64, bool, Fault)| {
            if *every { arrived.is_multiple_of(*number) } else { arrived == *number }
        };
        self.by_line.iter().filter(fits).map(|(_, _, fault)| *fault).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(text: &str) -> Entry {
        text.parse::<Script>().expect("a good script").entries[0]
    }

    fn at(seconds: u64) -> When {
        When::Time { after: Duration::from_secs(seconds), every: false }
    }

    #[test]
    fn every_fault_has_its_words() {
        let faults = [
            ("garble", Fault::Line(LineFault::Garble)),
            ("lose-byte", Fault::Line(LineFault::LoseByte)),
            ("lose-line", Fault::Line(LineFault::Lose)),
            ("resend", Fault::Line(LineFault::Resend)),
            ("lose-ok", Fault::LoseOk),
            ("double-ok", Fault::DoubleOk),
            ("reset", Fault::Reset),
            ("cut", Fault::Cut),
            ("silence 20s", Fault::Silence(Duration::from_secs(20))),
            ("heater bed slow 3", Fault::Heater(HeaterName::Bed, Condition::Slow(3.0))),
            ("heater nozzle fails", Fault::Heater(HeaterName::Nozzle, Condition::Fails { noticed: true })),
            ("heater bed fails unnoticed", Fault::Heater(HeaterName::Bed, Condition::Fails { noticed: false })),
            ("heater bed works", Fault::Heater(HeaterName::Bed, Condition::Works)),
            ("part 2 sticks", Fault::PartSticks(2)),
            ("switch stuck open", Fault::Switch(SwitchCondition::StuckOpen)),
            ("switch stuck pressed", Fault::Switch(SwitchCondition::StuckPressed)),
            ("switch works", Fault::Switch(SwitchCondition::Works)),
            ("belt slips 2.5%", Fault::BeltSlips(0.025)),
        ];
        for (text, fault) in faults {
            assert_eq!(one(text), Entry { when: at(0), fault }, "{text}");
            assert_eq!(one(&format!("at 2m {text} # why")), Entry { when: at(120), fault }, "{text}");
        }
    }

    #[test]
    fn faults_come_by_time_by_line_and_again() {
        let script = "at 120s lose-ok\nline 500 garble\nevery 1000 lines resend\nevery 1500ms double-ok\n\n# nothing\n";
        let mut run = ScriptRun::new(&script.parse().expect("a good script"), Moment(7));
        assert_eq!(run.next(), Some(Moment(1_500_007)));
        assert_eq!(run.poll(Moment(1_500_006)), None);
        assert_eq!(run.poll(Moment(1_500_007)), Some(Fault::DoubleOk));
        let rest: Vec<_> = std::iter::from_fn(|| run.poll(Moment(120_000_007))).collect();
        assert_eq!(rest.len(), 80);
        assert_eq!(rest.iter().filter(|fault| **fault == Fault::LoseOk).count(), 1);
        assert_eq!([499, 500, 1000, 3000].map(|line| run.at_line(line).len()), [0, 1, 1, 1]);
    }

    #[test]
    fn a_wrong_line_says_where_and_what_was_expected() {
        let wrong = [
            (
                "\nat 120 lose-ok",
                "line 2 of the fault script: found `120`, expected a time such as `120s`, `250ms`, `5m` or `2h`",
            ),
            ("line 0 garble", "line 1 of the fault script: found `0`, expected a whole number from 1"),
            ("every 10 resend", "line 1 of the fault script: found `resend`, expected `lines`"),
            (
                "every 0s cut",
                "line 1 of the fault script: found `0s`, expected a number of lines, or a time above zero",
            ),
            ("heater chamber slow 3", "line 1 of the fault script: found `chamber`, expected `bed` or `nozzle`"),
            ("heater bed slow", "line 1 of the fault script: found the end of the line, expected a number above zero"),
            ("part 2 stick", "line 1 of the fault script: found `stick`, expected `sticks`"),
            ("switch stuck closed", "line 1 of the fault script: found `closed`, expected `open` or `pressed`"),
            ("belt slips 120%", "line 1 of the fault script: found `120%`, expected a percentage from `0%` to `100%`"),
            ("cut now", "line 1 of the fault script: found `now`, expected the end of the line"),
        ];
        for (text, message) in wrong {
            assert_eq!(text.parse::<Script>().expect_err(text).to_string(), message);
        }
        let unknown = "at 5s gargle".parse::<Script>().expect_err("no such fault");
        assert!(unknown.to_string().contains("found `gargle`, expected `garble`, `lose-byte`"), "{unknown}");
    }
}
