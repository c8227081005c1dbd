//! One file with everything in it, for a printer that is fed from its card.

use std::io::Write as _;

use super::ending::{Ending, Recipe, UNCHECKED};
use super::task::PRELUDE;
use crate::gcode::{COMPOSED, Sifted, Walker, Word, lex_line, sift};
use crate::job::Survey;
use crate::thermal::CoolingError;
use crate::units::Micrometres;

/// Longer comments are left out: they tell the printer nothing.
const COMMENT_MAX: usize = 200;

/// Puts a composed file together, line by line.
#[derive(Debug)]
pub struct Composer {
    recipe: Recipe,
    ending: Ending,
    walker: Walker,
    words: Vec<Word>,
    command: Vec<u8>,
    lines: u64,
    left_out: u64,
}

/// A line that must not be sent.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line} may not be sent: it {text}")]
pub struct Refused {
    /// Its number, from 1.
    pub line: u64,
    /// What is said of it.
    pub text: String,
}

impl Composer {
    /// A file of which nothing has been written.
    ///
    /// # Errors
    /// [`CoolingError::Never`] where the bed would never be cool enough for the part to let go.
    pub fn new(recipe: Recipe) -> Result<Self, CoolingError> {
        let dialect = crate::gcode::Dialect { g90_ends_m83: recipe.dialect.e_follows_g91, ..recipe.dialect };
        Ok(Self {
            ending: recipe.ending()?,
            walker: Walker::new(dialect),
            recipe,
            words: Vec::new(),
            command: Vec::new(),
            lines: 0,
            left_out: 0,
        })
    }

    /// The waits of its ending.
    #[must_use]
    pub const fn ending(&self) -> Ending {
        self.ending
    }

    /// Writes what stands before the file's first line: what this is, its figures, what to take care of.
    pub fn begin(&mut self, file: &str, line: &str, survey: &Survey, out: &mut Vec<u8>) {
        for text in self.heading(file, line, survey) {
            write_line(out, &format!("; {text}"));
        }
        for command in PRELUDE {
            self.say(command, out);
        }
    }

    fn heading(&self, file: &str, line: &str, survey: &Survey) -> Vec<String> {
        let Recipe { advance, release, hottest, .. } = &self.recipe;
        let mm = |um: i64| Micrometres(um).to_millimetres().0;
        let minutes = |span: std::time::Duration| span.as_secs().div_ceil(60);
        let name: String = file.chars().filter(|c| !c.is_control()).take(COMMENT_MAX / 2).collect();
        let mut heading = vec![
            format!(
                "{COMPOSED} {}: one job, its wait for cooling and its eject moves, for a printer",
                env!("CARGO_PKG_VERSION")
            ),
            "that is fed from its card. Not for the infeed folder: take the file that it was made from.".to_owned(),
            format!("made from {name}, sha256 {}", survey.file.sha256),
            format!("for line {line}"),
            format!(
                "cooling: from {} C to {} C, expected {} min; stands still by the clock for {} s",
                hottest.0,
                release.0,
                minutes(self.ending.expected),
                self.ending.dwell.as_secs_f64().ceil()
            ),
            format!(
                "advance: {} mm = {} approach + {} peel + {} overrun",
                mm(advance.total().0),
                mm(advance.approach_um),
                mm(advance.peel_um),
                mm(advance.overrun_um)
            ),
        ];
        let dropped = survey.dropped.iter().map(|d| format!("{} {}x", d.command, d.count)).collect::<Vec<_>>();
        if !dropped.is_empty() {
            heading.push(format!("commands of the file that were left out: {}", dropped.join(", ")));
        }
        heading.extend(survey.concerns.iter().take(5).map(|c| {
            let text: String = c.text.chars().filter(|c| !c.is_control()).take(COMMENT_MAX).collect();
            format!("concern that a person agreed to, line {} of the file: {text}", c.line)
        }));
        heading.push(format!("NO CLEAR CHECK: {UNCHECKED}."));
        heading.push(
            "Begin only over a belt that you have seen to be empty, and stay with the first runs. Keep hands,"
                .to_owned(),
        );
        heading.push(
            "hair and sleeves from the nose and the rollers: the belt starts by itself after the wait.".to_owned(),
        );
        heading
    }

    /// Writes a line of the file as it would be sent: without number, checksum and comment behind it. Comments that stand
    /// alone stay, since they say of what filament the print is.
    ///
    /// # Errors
    /// [`Refused`]; then the file is of no use.
    pub fn handle_line(&mut self, bytes: &[u8], out: &mut Vec<u8>) -> Result<(), Refused> {
        self.lines += 1;
        let line = lex_line(bytes.trim_ascii_end(), &mut self.words);
        match sift(&line, &self.words, &self.recipe.policy, &mut self.command) {
            Sifted::Send => {
                self.walker.handle_line(&line, &self.words);
                out.extend_from_slice(&self.command);
                out.push(b'\n');
            }
            Sifted::LeftOut => self.left_out += 1,
            Sifted::Refused(reason) => return Err(Refused { line: self.lines, text: reason.text.into_owned() }),
            Sifted::Nothing => {
                if let Some(comment) = line.comment.filter(|comment| comment.len() <= COMMENT_MAX) {
                    out.push(b';');
                    out.extend_from_slice(comment);
                    out.push(b'\n');
                }
            }
        }
        Ok(())
    }

    /// Writes what follows the file's last line. Answers how many commands of the file were left out.
    pub fn finish(mut self, out: &mut Vec<u8>) -> u64 {
        for text in self.recipe.lines(self.ending, &self.walker.clone()) {
            self.say(&text, out);
        }
        self.left_out
    }

    fn say(&mut self, text: &str, out: &mut Vec<u8>) {
        let line = lex_line(text.as_bytes(), &mut self.words);
        self.walker.handle_line(&line, &self.words);
        write_line(out, text);
    }
}

fn write_line(out: &mut Vec<u8>, text: &str) {
    // Writing to memory cannot fail.
    let _ = writeln!(out, "{text}");
}
