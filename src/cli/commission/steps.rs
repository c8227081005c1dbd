//! The steps, one after another, at the terminal.

use std::path::{Path, PathBuf};

use super::super::say::say;
use super::super::start::NotStarted;
use super::answers::{Answers, Enough, number};
use super::bench::{Bench, may};
use crate::clock::Clock;
use crate::config::Config;
use crate::foreman::{Answer, Command, Commissioned, LineCommand, LineView, Measured, Refused, WriteWord};
use crate::job::{LineName, LineState};
use crate::line::{Figure, Input, Jog, Leg, Topic, Values, guide};
use crate::units::{Micrometres, Millimetres};

/// Above this the person is asked whether the belt may move all the same; the line has the last word.
const WARM_C: f64 = 43.0;
const USUAL_FEED_MM_MIN: f64 = 600.0;
const USUAL_BED_C: f64 = 60.0;

/// A walk through the guide.
pub(super) struct Walk {
    path: PathBuf,
    name: LineName,
    clock: Clock,
    answers: Answers,
    /// `None` only while it is started anew.
    bench: Option<Bench>,
    /// Belt travel of the last jog, mm.
    jogged_mm: Option<f64>,
    /// The odometer when the splice was at the mark, and when it was there again.
    marks: (Option<i64>, Option<i64>),
}

/// Why a step went no further.
enum Halt {
    /// The person has had enough.
    Enough,
    Broken(NotStarted),
}

impl From<Enough> for Halt {
    fn from(_: Enough) -> Self {
        Self::Enough
    }
}

impl From<NotStarted> for Halt {
    fn from(error: NotStarted) -> Self {
        Self::Broken(error)
    }
}

impl Walk {
    pub(super) async fn begin(
        path: &Path,
        config: Config,
        name: LineName,
        clock: Clock,
        answers: Answers,
    ) -> Result<Self, NotStarted> {
        let bench = Bench::start(&config, &name, clock.clone()).await?;
        say(format_args!(
            "Commissioning line {name}. Local rules and licensed practice come before anything said here."
        ));
        say("Each step can be left out; q ends the guide at any question, Ctrl-C at once.");
        let walk = Self {
            path: path.to_owned(),
            name,
            clock,
            answers,
            bench: Some(bench),
            jogged_mm: None,
            marks: (None, None),
        };
        walk.say_whether_connected().await;
        Ok(walk)
    }

    pub(super) async fn steps(&mut self) -> Result<(), NotStarted> {
        for leg in guide() {
            match self.step(leg).await {
                Ok(()) => {}
                Err(Halt::Enough) => break,
                Err(Halt::Broken(error)) => return Err(error),
            }
        }
        Ok(())
    }

    pub(super) async fn end(&mut self) -> Result<(), NotStarted> {
        let Some(bench) = self.bench.take() else { return Ok(()) };
        if may(&bench.view(), "end-trial") {
            drop(bench.tell(LineCommand::EndTrial).await);
        }
        bench.close().await
    }

    fn bench(&self) -> &Bench {
        self.bench.as_ref().expect("invariant: the bench is there between two starts")
    }

    async fn say_whether_connected(&self) {
        if !self.bench().connected().await {
            say("There is no answer from the printer yet: steps that move or heat will be refused until there is.");
        }
    }

    async fn step(&mut self, leg: &'static Leg) -> Result<(), Halt> {
        say("");
        say(format_args!("Step {}: {}", leg.topic as usize + 1, leg.title));
        say(leg.happens);
        for point in leg.look_at {
            say(format_args!("  look: {point}"));
        }
        for point in leg.hurts {
            say(format_args!("  take care: {point}"));
        }
        if !self.answers.yes("Do this step?", true).await? {
            return Ok(());
        }
        match leg.topic {
            Topic::Ratio | Topic::Nose => self.work_out(leg).await,
            Topic::Direction | Topic::Measure | Topic::Loop => {
                self.jog_about(leg.topic == Topic::Loop).await?;
                self.work_out(leg).await
            }
            Topic::Splice => self.splice().await,
            Topic::Heat => self.heat(leg).await,
        }
    }

    /// Jogs as often as the person wants.
    async fn jog_about(&mut self, to_a_mark: bool) -> Result<(), Halt> {
        let mark = if to_a_mark { ", m when the splice is at the mark" } else { "" };
        loop {
            let text =
                self.answers.ask(&format!("Jog how far toward the nose, mm? (− is away{mark}; empty: go on)")).await?;
            if text.is_empty() {
                return Ok(());
            }
            if to_a_mark && text == "m" {
                self.note_mark();
                continue;
            }
            match number(&text) {
                Some(mm) => self.jog(mm).await?,
                None => say(format_args!("{text:?} is not a number")),
            }
        }
    }

    fn note_mark(&mut self) {
        let now = self.bench().view().belt_odometer_um;
        if self.marks.0.is_none() {
            self.marks.0 = Some(now);
            say("Noted as the start. Jog on, the same way, until the splice is at the mark again.");
        } else {
            self.marks.1 = Some(now);
            say(format_args!("From mark to mark: {:.3} mm.", self.marked_mm().unwrap_or_default()));
        }
    }

    fn marked_mm(&self) -> Option<f64> {
        let (from, to) = (self.marks.0?, self.marks.1?);
        Some(Micrometres((to - from).abs()).to_millimetres().0)
    }

    async fn jog(&mut self, mm: f64) -> Result<(), Halt> {
        let before = self.bench().view();
        let looked = before.belt_clear
            || self.answers.yes("Have you looked: nothing on the belt, nobody at the rollers?", false).await?;
        let warm = before.temperatures.bed_c.is_none_or(|bed| bed > WARM_C);
        let although_warm = warm
            && self
                .answers
                .yes("The bed is warm, or its temperature is not known. Run the belt all the same?", false)
                .await?;
        let feed = before.trial.travel_mm_min.min(USUAL_FEED_MM_MIN);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a feed above zero")]
        let feed_mm_min = feed.max(1.0) as u32;
        let travel = Millimetres(mm).to_micrometres();
        let true_before = self.true_um();
        let jog = Jog { travel, feed_mm_min, looked, although_warm };
        if let Err(refused) = self.bench().tell(LineCommand::Jog(jog)).await {
            say(format_args!("Not done: {refused}."));
            return Ok(());
        }
        let after = self.stood_still().await;
        let ran = Micrometres(after.belt_odometer_um - before.belt_odometer_um).to_millimetres().0;
        self.jogged_mm = Some(ran.abs());
        say(format_args!("The belt was run by {ran} mm, as the printer counts it. {}.", after.words));
        if let (Some(from), Some(to)) = (true_before, self.true_um()) {
            say(format_args!(
                "A rule at this simulated belt would say {:.3} mm.",
                Micrometres(to - from).to_millimetres().0
            ));
        }
        Ok(())
    }

    fn true_um(&self) -> Option<i64> {
        self.bench().simulated.as_ref().map(|machine| machine.truth().belt_um)
    }

    /// Waits until nothing is tried any more; says what is done meanwhile.
    async fn stood_still(&self) -> LineView {
        let mut stage = String::new();
        self.bench()
            .until(|view| {
                let now = view.trial.heat_run.as_ref().map(|run| run.stage.clone()).unwrap_or_default();
                if now != stage {
                    say(&view.words);
                    stage = now;
                }
                view.state != LineState::Execute
            })
            .await
    }

    async fn splice(&mut self) -> Result<(), Halt> {
        self.jog_about(false).await?;
        if !self.answers.yes("Is the splice at the nose now?", false).await? {
            return Ok(());
        }
        match self.bench().tell(LineCommand::SpliceAtNose).await {
            Ok(()) => say("Noted: the splice is at the nose now. Nothing is printed over it."),
            Err(refused) => say(format_args!("Not done: {refused}.")),
        }
        Ok(())
    }

    async fn heat(&mut self, leg: &'static Leg) -> Result<(), Halt> {
        let asked = self.answers.number("Heat the bed to how many °C?", Some(USUAL_BED_C)).await?;
        let looked = self.answers.yes("Have you looked: nothing on the belt?", false).await?;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the line refuses what is out of its limits"
        )]
        let bed_c = asked.unwrap_or(USUAL_BED_C).max(0.0) as u32;
        if !looked {
            return Ok(());
        }
        if let Err(refused) = self.bench().tell(LineCommand::HeatTrial { bed_c, looked }).await {
            say(format_args!("Not done: {refused}."));
            return Ok(());
        }
        let after = self.stood_still().await;
        say(format_args!("{}.", after.words));
        self.work_out(leg).await
    }

    /// Asks for the figures, says what follows, and writes it on the person's word.
    async fn work_out(&mut self, leg: &'static Leg) -> Result<(), Halt> {
        loop {
            let values = self.figures(leg).await?;
            match self.commission(leg.topic, &values, None).await {
                Ok(found) => return self.offer(leg.topic, values, found).await,
                Err(refused) => {
                    say(format_args!("That cannot be: {refused}."));
                    if leg.inputs.is_empty() || !self.answers.yes("Enter it again?", true).await? {
                        return Ok(());
                    }
                }
            }
        }
    }

    async fn figures(&mut self, leg: &'static Leg) -> Result<Values, Halt> {
        let mut values = Values::new();
        for input in leg.inputs {
            let value = match input.figure {
                Figure::YesNo => Some(f64::from(u8::from(self.answers.yes(input.label, false).await?))),
                Figure::Number { unit, usual, optional, .. } => {
                    let unit = if unit.is_empty() { String::new() } else { format!(", {unit}") };
                    let may = if optional { " (may be left out)" } else { "" };
                    let usual = self.known(input).or(usual);
                    self.answers.number(&format!("{}{unit}{may}?", input.label), usual).await?
                }
            };
            values.extend(value.map(|value| (input.key.to_owned(), value)));
        }
        Ok(values)
    }

    /// What is known already of a figure.
    fn known(&self, input: &Input) -> Option<f64> {
        match input.key {
            "commanded_mm" => self.jogged_mm,
            "travelled_mm" => self.marked_mm(),
            _ => None,
        }
    }

    async fn commission(
        &self,
        topic: Topic,
        values: &Values,
        write: Option<WriteWord>,
    ) -> Result<Commissioned, Refused> {
        let measured = Box::new(Measured { topic, values: values.clone(), write });
        match self.bench().ask(Command::Commission { line: self.name.clone(), measured }).await? {
            Answer::Commissioned(commissioned) => Ok(*commissioned),
            Answer::Job(_) | Answer::Line(_) | Answer::Key(_) | Answer::Done => Ok(Commissioned::default()),
        }
    }

    async fn offer(&mut self, topic: Topic, values: Values, found: Commissioned) -> Result<(), Halt> {
        for sentence in &found.sentences {
            say(sentence);
        }
        let news: Vec<_> = found.changes.iter().filter(|change| change.old.as_ref() != Some(&change.new)).collect();
        if news.is_empty() {
            if !found.changes.is_empty() {
                say("The config says so already.");
            }
            return Ok(());
        }
        for change in &news {
            match &change.old {
                Some(old) => say(format_args!("  {}: the config says {old}, found was {}", change.key, change.new)),
                None => say(format_args!("  {}: found was {}", change.key, change.new)),
            }
        }
        let may_replace = news.iter().any(|change| change.replaces);
        let wanted = if may_replace {
            self.answers.yes("Replace what somebody wrote there?", false).await?
        } else {
            self.answers.yes("Write it into the config?", true).await?
        };
        if !wanted {
            say("The config stays as it is.");
            return Ok(());
        }
        let word = WriteWord { may_replace, read_as: Some(found.read_as) };
        match self.commission(topic, &values, Some(word)).await {
            Ok(_) => {
                say(format_args!("Written into {}.", self.path.display()));
                self.restart().await
            }
            Err(refused) => {
                say(format_args!("Not written: {refused}."));
                Ok(())
            }
        }
    }

    /// The line runs by the new values from here.
    async fn restart(&mut self) -> Result<(), Halt> {
        let config = Config::read(&self.path).map_err(NotStarted::from)?;
        if let Some(bench) = self.bench.take() {
            bench.close().await?;
        }
        self.bench = Some(Bench::start(&config, &self.name, self.clock.clone()).await?);
        self.jogged_mm = None;
        say("The line runs by it from here; a daemon does when it is started again.");
        self.say_whether_connected().await;
        Ok(())
    }
}
