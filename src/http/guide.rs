//! The guided page of commissioning: one step a screen, every button a form.
//!
//! What is worked out is read by `GET`, with the figures in the address: nothing changes by it. The config is changed by a form
//! of its own that shows old and new value.

use std::collections::HashMap;

use askama::Template;
use axum::Router;
use axum::extract::{Form, Path, Query, State};
use axum::response::{Html, Redirect};
use axum::routing::{get, post};

use super::commission::{JogBody, commission};
use super::desk::{Desk, shorten};
use super::error::HttpError;
use super::pages::render;
use super::statics::address;
use super::words;
use crate::foreman::{
    Commissioned, Figure, Input, Leg, LineCommand, LineView, Measured, Needs, Topic, Values, WriteWord, guide, leg,
};

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/lines/{name}/commission", get(show_guide))
        .route("/lines/{name}/commission/{topic}", get(show_leg))
        .route("/parts/trial/{name}", get(show_trial))
        .route("/do/lines/{name}/jog", post(jog))
        .route("/do/lines/{name}/heat-trial", post(heat))
        .route("/do/lines/{name}/end-trial", post(end_trial))
        .route("/do/lines/{name}/splice-mark", post(mark_splice))
        .route("/do/lines/{name}/commission/{topic}", post(write))
}

/// The fields of a form or an address.
type Fields = HashMap<String, String>;

/// What every page of the guide has around it.
struct Frame {
    css: String,
    js: String,
    jog_js: String,
    icon: String,
}

impl Frame {
    fn new() -> Self {
        Self { css: address("page.css"), js: address("live.js"), jog_js: address("jog.js"), icon: address("icon.svg") }
    }
}

#[derive(Template)]
#[template(path = "guide.html", config = "web/askama.toml")]
struct GuideTemplate<'a> {
    frame: Frame,
    view: &'a LineView,
    legs: &'static [Leg],
}

#[derive(Template)]
#[template(path = "leg.html", config = "web/askama.toml")]
struct LegTemplate<'a> {
    frame: Frame,
    view: &'a LineView,
    leg: &'static Leg,
    place: usize,
    places: usize,
    /// What was entered, to stand in the fields again.
    entered: &'a Fields,
    /// What follows from it; or why nothing does.
    found: Option<Result<Commissioned, String>>,
    /// Whether the config was changed just now.
    written: bool,
    trial: String,
    /// The place of the belt when the splice was at the mark, µm.
    from_um: Option<i64>,
}

#[derive(Template)]
#[template(path = "trial.html", config = "web/askama.toml")]
struct TrialTemplate<'a> {
    view: &'a LineView,
    from_um: Option<i64>,
}

impl LegTemplate<'_> {
    /// What a field shows.
    fn value(&self, input: &Input) -> String {
        if let Some(entered) = self.entered.get(input.key) {
            return entered.clone();
        }
        match (input.key, input.figure, self.from_um) {
            ("travelled_mm", _, Some(from)) => since_mark(self.view, from),
            (_, Figure::Number { usual: Some(usual), .. }, _) => usual.to_string(),
            _ => String::new(),
        }
    }

    /// What was entered, to be sent along with the word.
    fn kept(&self) -> Vec<(&'static str, &str)> {
        let entered = |input: &Input| Some((input.key, self.entered.get(input.key)?.as_str()));
        self.leg.inputs.iter().filter_map(entered).collect()
    }

    fn says_no(&self, input: &Input) -> bool {
        self.entered.get(input.key).is_some_and(|entered| entered == "0")
    }

    /// Whether a person's value would be replaced.
    fn replaces(&self, found: &Commissioned) -> bool {
        found.changes.iter().any(|change| change.replaces)
    }

    /// Whether anything in the config would be different.
    fn is_news(&self, found: &Commissioned) -> bool {
        found.changes.iter().any(|change| change.old.as_ref() != Some(&change.new))
    }

    fn heats(&self) -> bool {
        self.leg.needs == Needs::Heat
    }

    fn jogs(&self) -> bool {
        self.leg.needs == Needs::Jog
    }

    /// A feed to begin with that the line allows, mm/min.
    fn jog_feed(&self) -> f64 {
        self.view.trial.travel_mm_min.min(600.0)
    }
}

impl TrialTemplate<'_> {
    fn may(&self, command: &str) -> bool {
        self.view.commands.iter().any(|known| known == command)
    }

    fn bed(&self) -> String {
        words::temperature(self.view.temperatures.bed_c, self.view.temperatures.bed_target_c)
    }

    fn travel(&self) -> String {
        words::travel(self.view.belt_odometer_um)
    }

    fn since_mark(&self) -> Option<String> {
        self.from_um.map(|from| since_mark(self.view, from))
    }
}

/// Belt travel since a mark, mm.
fn since_mark(view: &LineView, from_um: i64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "belt travel is far below 2^53 µm")]
    let mm = (view.belt_odometer_um - from_um) as f64 / 1000.0;
    format!("{mm:.3}")
}

async fn show_guide(State(desk): State<Desk>, Path(name): Path<String>) -> Result<Html<String>, HttpError> {
    let view = desk.line(&name)?;
    render(&GuideTemplate { frame: Frame::new(), view: &view, legs: guide() }).map(Html)
}

async fn show_leg(
    State(desk): State<Desk>,
    Path((name, topic)): Path<(String, String)>,
    Query(entered): Query<Fields>,
) -> Result<Html<String>, HttpError> {
    let (view, topic) = (desk.line(&name)?, topic_of(&topic)?);
    let leg = leg(topic);
    let asks = leg.inputs.iter().any(|input| entered.contains_key(input.key)) || entered.contains_key("look");
    let found = match values(leg, &entered) {
        _ if !asks => None,
        Err(why) => Some(Err(why)),
        Ok(values) => match commission(&desk, &name, Measured { topic, values, write: None }).await {
            Ok(found) => Some(Ok(found)),
            // What was entered cannot be: that is said beside the fields.
            Err(HttpError::Refused(refused)) => Some(Err(refused.text)),
            Err(other) => return Err(other),
        },
    };
    let from_um = entered.get("from_um").and_then(|text| text.parse().ok());
    let page = LegTemplate {
        frame: Frame::new(),
        view: &view,
        leg,
        place: topic as usize + 1,
        places: Topic::ALL.len(),
        found,
        written: entered.contains_key("written"),
        trial: render(&TrialTemplate { view: &view, from_um })?,
        from_um,
        entered: &entered,
    };
    render(&page).map(Html)
}

async fn show_trial(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Query(query): Query<Fields>,
) -> Result<Html<String>, HttpError> {
    let from_um = query.get("from_um").and_then(|text| text.parse().ok());
    render(&TrialTemplate { view: &desk.line(&name)?, from_um }).map(Html)
}

async fn jog(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Redirect, HttpError> {
    let ticked = |key: &str| fields.contains_key(key);
    let whole = number(&fields, "feed_mm_min")?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "what is not a feed is refused below")]
    let feed_mm_min = whole.round().max(0.0) as u32;
    let body = JogBody {
        mm: number(&fields, "mm")?,
        feed_mm_min,
        looked: ticked("looked"),
        although_warm: ticked("although_warm"),
    };
    let line = desk.tell_line(&name, body.command()?).await?;
    Ok(back(&line, &fields))
}

async fn heat(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Redirect, HttpError> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the line refuses what is out of its limits"
    )]
    let bed_c = number(&fields, "bed_c")?.round().max(0.0) as u32;
    let line = desk.tell_line(&name, LineCommand::HeatTrial { bed_c, looked: fields.contains_key("looked") }).await?;
    Ok(back(&line, &fields))
}

async fn end_trial(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Redirect, HttpError> {
    let line = desk.tell_line(&name, LineCommand::EndTrial).await?;
    Ok(back(&line, &fields))
}

/// The splice is at the nose now.
async fn mark_splice(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Redirect, HttpError> {
    let line = desk.tell_line(&name, LineCommand::SpliceAtNose).await?;
    Ok(back(&line, &fields))
}

/// Changes the config, on a person's word.
async fn write(
    State(desk): State<Desk>,
    Path((name, topic)): Path<(String, String)>,
    Form(fields): Form<Fields>,
) -> Result<Redirect, HttpError> {
    let topic = topic_of(&topic)?;
    let values = values(leg(topic), &fields).map_err(|text| HttpError::Invalid { text })?;
    let word = WriteWord { may_replace: fields.contains_key("may_replace"), read_as: fields.get("read_as").cloned() };
    commission(&desk, &name, Measured { topic, values, write: Some(word) }).await?;
    Ok(Redirect::to(&format!("/lines/{}/commission/{}?written", desk.line(&name)?.name, topic.as_str())))
}

/// Where a button of the guide leads back to: its step.
fn back(line: &LineView, fields: &Fields) -> Redirect {
    let topic = fields.get("back").and_then(|text| Topic::parse(text));
    let from = fields.get("from_um").and_then(|text| text.parse::<i64>().ok());
    let query = from.map_or_else(String::new, |from| format!("?from_um={from}"));
    match topic {
        // Where the emergency stop is.
        Some(topic) => Redirect::to(&format!("/lines/{0}/commission/{1}{query}#line-{0}", line.name, topic.as_str())),
        None => Redirect::to(&format!("/lines/{}/commission", line.name)),
    }
}

fn topic_of(text: &str) -> Result<Topic, HttpError> {
    Topic::parse(text).ok_or_else(|| HttpError::NoSuch { what: format!("step {:?} of the guide", shorten(text)) })
}

/// The figures among the fields; an empty one was not entered.
fn values(leg: &Leg, fields: &Fields) -> Result<Values, String> {
    let mut values = Values::new();
    for input in leg.inputs {
        let Some(text) = fields.get(input.key).map(|text| text.trim()).filter(|text| !text.is_empty()) else {
            continue;
        };
        let value =
            parse(text).ok_or_else(|| format!("{} is {:?}; it must be a number", input.label, shorten(text)))?;
        values.insert(input.key.to_owned(), value);
    }
    Ok(values)
}

fn number(fields: &Fields, key: &str) -> Result<f64, HttpError> {
    let text = fields.get(key).map_or("", |text| text.trim());
    let text_of = || HttpError::Invalid { text: format!("{key} is {:?}; it must be a number", shorten(text)) };
    parse(text).ok_or_else(text_of)
}

/// A number, with a point or a comma.
fn parse(text: &str) -> Option<f64> {
    text.replace(',', ".").parse().ok().filter(|value: &f64| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_is_a_point_and_words_are_no_number() {
        assert_eq!(parse("1,5"), Some(1.5));
        assert_eq!(parse("-20"), Some(-20.0));
        for text in ["", "ten", "1.000,5", "inf", "NaN"] {
            assert_eq!(parse(text), None, "{text}");
        }
    }

    #[test]
    fn an_empty_field_was_not_entered() {
        let fields: Fields =
            [("roller_mm", "20"), ("belt_mm", " "), ("other", "x")].map(|(k, v)| (k.to_owned(), v.to_owned())).into();
        let values = values(leg(Topic::Ratio), &fields).expect("figures");
        assert_eq!(values.into_iter().collect::<Vec<_>>(), [("roller_mm".to_owned(), 20.0)]);
    }
}
