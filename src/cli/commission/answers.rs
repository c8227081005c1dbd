//! What a person types, line by line; the end of the input ends the guide.

use std::io::BufRead;

use tokio::sync::mpsc;

use super::super::say::say;

/// Typed lines.
pub(super) struct Answers(mpsc::UnboundedReceiver<String>);

/// The person has had enough.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Enough;

impl Answers {
    pub(super) fn from_stdin() -> Self {
        let (lines, typed) = mpsc::unbounded_channel();
        // A thread of its own: a read of the terminal cannot be given up.
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines().map_while(Result::ok) {
                if lines.send(line).is_err() {
                    return;
                }
            }
        });
        Self(typed)
    }

    #[cfg(test)]
    pub(super) fn of(lines: &[&str]) -> Self {
        let (send, typed) = mpsc::unbounded_channel();
        for line in lines {
            send.send((*line).to_owned()).expect("invariant: the receiver is at hand");
        }
        Self(typed)
    }

    /// Asks for a line; `q` and the end of the input are enough.
    pub(super) async fn ask(&mut self, question: &str) -> Result<String, Enough> {
        say(question);
        let line = self.0.recv().await.ok_or(Enough)?;
        let line = line.trim();
        if line == "q" { Err(Enough) } else { Ok(line.to_owned()) }
    }

    /// Asks a question with two answers; an empty line is `usual`.
    pub(super) async fn yes(&mut self, question: &str, usual: bool) -> Result<bool, Enough> {
        let hint = if usual { "y/n, y if empty" } else { "y/n, n if empty" };
        loop {
            match self.ask(&format!("{question} ({hint})")).await?.to_ascii_lowercase().as_str() {
                "" => return Ok(usual),
                "y" | "yes" => return Ok(true),
                "n" | "no" => return Ok(false),
                other => say(format_args!("{other:?} is neither y nor n")),
            }
        }
    }

    /// Asks for a number; an empty line is `usual`, and where that is `None` stands for nothing.
    pub(super) async fn number(&mut self, question: &str, usual: Option<f64>) -> Result<Option<f64>, Enough> {
        let hint = usual.map_or_else(String::new, |usual| format!(" (empty: {usual})"));
        loop {
            let text = self.ask(&format!("{question}{hint}")).await?;
            if text.is_empty() {
                return Ok(usual);
            }
            match number(&text) {
                Some(value) => return Ok(Some(value)),
                None => say(format_args!("{text:?} is not a number")),
            }
        }
    }
}

/// A number, with a point or a comma.
pub(super) fn number(text: &str) -> Option<f64> {
    text.replace(',', ".").parse().ok().filter(|value: &f64| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn an_empty_line_is_the_usual_answer_and_nonsense_is_asked_again() {
        let mut answers = Answers::of(&["", "maybe", "n", "", "ten", "1,5", ""]);
        assert_eq!(answers.yes("?", true).await, Ok(true));
        assert_eq!(answers.yes("?", true).await, Ok(false));
        assert_eq!(answers.number("?", Some(3.0)).await, Ok(Some(3.0)));
        assert_eq!(answers.number("?", None).await, Ok(Some(1.5)));
        assert_eq!(answers.number("?", None).await, Ok(None));
        assert_eq!(answers.number("?", None).await, Err(Enough), "the input has ended");
        assert_eq!(Answers::of(&["q"]).yes("?", true).await, Err(Enough));
    }
}
