//! What a step of the guide is made of.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a step is about; the keyword is its address on the page and its name in the terminal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Topic {
    /// Motor, pulleys and roller: printer units for a millimetre of belt.
    Ratio,
    /// Which way the belt runs.
    Direction,
    /// How far it truly runs.
    Measure,
    /// Where the nose is.
    Nose,
    /// How long the belt is.
    Loop,
    /// Where its splice is.
    Splice,
    /// How the bed warms up and cools down.
    Heat,
}

impl Topic {
    /// Every topic, in the order of the guide.
    pub const ALL: [Self; 7] =
        [Self::Ratio, Self::Direction, Self::Measure, Self::Nose, Self::Loop, Self::Splice, Self::Heat];

    /// Its keyword.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Ratio => "ratio",
            Self::Direction => "direction",
            Self::Measure => "measure",
            Self::Nose => "nose",
            Self::Loop => "loop",
            Self::Splice => "splice",
            Self::Heat => "heat",
        }
    }

    /// The topic with this keyword, if there is one.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|topic| topic.as_str() == text)
    }

    /// The one after it.
    #[must_use]
    pub fn next(self) -> Option<Self> {
        Self::ALL.get(self as usize + 1).copied()
    }

    /// The one before it.
    #[must_use]
    pub fn back(self) -> Option<Self> {
        (self as usize).checked_sub(1).and_then(|at| Self::ALL.get(at)).copied()
    }
}

/// One step of the guide.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Leg {
    /// What it is about.
    pub topic: Topic,
    /// Its heading.
    pub title: &'static str,
    /// What happens in it, and what it is for.
    pub happens: &'static str,
    /// What to look at.
    pub look_at: &'static [&'static str],
    /// What can hurt.
    pub hurts: &'static [&'static str],
    /// What the machine does in it, if it does anything.
    pub needs: Needs,
    /// What a person enters.
    pub inputs: &'static [Input],
}

/// What the machine does in a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Needs {
    /// Nothing: figures alone.
    Nothing,
    /// The belt is jogged.
    Jog,
    /// The bed is heated and cooled.
    Heat,
}

/// A figure that a person enters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Input {
    /// Its keyword.
    pub key: &'static str,
    /// What is asked for.
    pub label: &'static str,
    /// What kind of figure.
    #[serde(flatten)]
    pub figure: Figure,
}

/// A kind of figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Figure {
    /// A number with a unit and a range.
    Number {
        /// Unit; may be empty.
        unit: &'static str,
        /// Least value.
        min: f64,
        /// Greatest value.
        max: f64,
        /// What is taken where nothing is entered; `None` where something must be, unless `optional`.
        usual: Option<f64>,
        /// Whether it may be left out.
        optional: bool,
    },
    /// A question with two answers: 1 is yes, 0 is no.
    YesNo,
}
