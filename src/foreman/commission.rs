//! Commissioning at the foreman's: what was measured becomes a finding, and on a person's word a change of the config.
//!
//! Files are read and written here; it is called from a thread that may wait.

use std::path::Path;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::command::{Refused, RefusedCode};
use super::refusal::{conflict, invalid};
use crate::config::{Change, Config, Draft, EditError};
use crate::job::LineName;
use crate::line::{Standing, Topic, Values, work_out};

/// What a person measured in a step of the guide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "topic": "loop", "values": { "travelled_mm": 1500.0 } }))]
pub struct Measured {
    /// The step.
    pub topic: Topic,
    /// The figures, by the keys of its inputs.
    #[serde(default)]
    #[schema(value_type = BTreeMap<String, f64>)]
    pub values: Values,
    /// The person's word that the config is to be changed; without it only the finding is told.
    #[serde(default)]
    pub write: Option<WriteWord>,
}

/// A person's word that the config is to be changed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WriteWord {
    /// Whether values that somebody wrote may be replaced.
    #[serde(default)]
    pub may_replace: bool,
    /// The `read_as` of the finding that the person saw; another text of the config is not changed.
    #[serde(default)]
    pub read_as: Option<String>,
}

/// What follows from what was measured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Commissioned {
    /// For the person, in order.
    pub sentences: Vec<String>,
    /// What changes, or would change, in the config. Empty where everything is right as it is.
    pub changes: Vec<Change>,
    /// A short name for the text of the config that this was worked out from.
    pub read_as: String,
    /// Whether the config was changed now. The line uses the new values when the daemon is started again.
    pub written: bool,
}

/// Works it out, and writes the config if that was asked for.
pub(super) fn commission(
    config: &Path,
    line: &LineName,
    standing: &Standing,
    measured: &Measured,
    date: &str,
) -> Result<Commissioned, Refused> {
    if measured.topic == Topic::Measure {
        check_is_current(config, line, standing)?;
    }
    let finding =
        work_out(measured.topic, &measured.values, standing, date).map_err(|hint| invalid(hint.to_string()))?;
    if finding.settings.is_empty() {
        return Ok(Commissioned { sentences: finding.sentences, ..Commissioned::default() });
    }
    let draft = Draft::open(config, line, &finding.settings).map_err(refused)?;
    let mut commissioned = Commissioned {
        sentences: finding.sentences,
        changes: draft.changes().to_vec(),
        read_as: draft.read_as(),
        written: false,
    };
    if let Some(word) = &measured.write {
        if word.read_as.as_ref().is_some_and(|seen| *seen != commissioned.read_as) {
            let text = "the config was changed by somebody else since you saw it; look at it again".to_owned();
            return Err(Refused { code: RefusedCode::Stale, text });
        }
        draft.write(word.may_replace).map_err(refused)?;
        commissioned.written = draft.is_new();
    }
    Ok(commissioned)
}

/// A jog that ran by an older value than the one in the file says nothing of the newer one.
fn check_is_current(config: &Path, line: &LineName, standing: &Standing) -> Result<(), Refused> {
    let written = Config::read(config).map_err(|error| conflict(error.to_string()))?;
    let drive = written.lines.iter().find(|other| other.name == *line).map(|other| other.settings.drive.units_per_mm);
    match drive {
        Some(units) if (units - standing.units_per_mm).abs() > f64::EPSILON * units.abs() => Err(conflict(format!(
            "the config says {units} units for a millimetre by now, and the line still runs by {}; start the daemon again, then jog and measure anew",
            standing.units_per_mm
        ))),
        _ => Ok(()),
    }
}

fn refused(error: EditError) -> Refused {
    match error {
        EditError::WouldBreak { .. } => invalid(error.to_string()),
        EditError::ChangedMeanwhile { .. } => Refused { code: RefusedCode::Stale, text: error.to_string() },
        EditError::Unreadable { .. }
        | EditError::NoPlace { .. }
        | EditError::WouldReplace { .. }
        | EditError::Unwritable { .. } => conflict(error.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Millimetres;

    const TEXT: &str = "[[line]]\nname = \"a\"\n[line.belt]\nunits_per_mm = 1.5 # mine\n[line.check]\nkind = \"ask\"\n";
    const STANDING: Standing = Standing { units_per_mm: 1.5, inverted: false, nose: Millimetres(220.0), fitted: None };

    fn measured(write: Option<WriteWord>) -> Measured {
        let values = [("commanded_mm".to_owned(), 100.0), ("measured_mm".to_owned(), 75.0)].into();
        Measured { topic: Topic::Measure, values, write }
    }

    fn ask(config: &Path, standing: &Standing, measured: &Measured) -> Result<Commissioned, Refused> {
        commission(config, &LineName::new("a").expect("a name"), standing, measured, "2026-11-25")
    }

    #[test]
    fn old_and_new_are_shown_first_and_written_on_a_persons_word() {
        let dir = tempfile::tempdir().expect("a folder");
        let config = dir.path().join("nosebar.toml");
        std::fs::write(&config, TEXT).expect("a file");
        let seen = ask(&config, &STANDING, &measured(None)).expect("a finding");
        assert!(!seen.written);
        assert_eq!((seen.changes[0].old.as_deref(), seen.changes[0].new.as_str()), (Some("1.5"), "2.0"));
        let no = ask(&config, &STANDING, &measured(Some(WriteWord::default()))).expect_err("it is a person's value");
        assert_eq!(no.code, RefusedCode::Conflict);
        let stale = WriteWord { may_replace: true, read_as: Some("0123".to_owned()) };
        assert_eq!(ask(&config, &STANDING, &measured(Some(stale))).expect_err("another text").code, RefusedCode::Stale);
        assert_eq!(std::fs::read_to_string(&config).expect("there"), TEXT);
        let word = WriteWord { may_replace: true, read_as: Some(seen.read_as) };
        assert!(ask(&config, &STANDING, &measured(Some(word))).expect("written").written);
        let text = std::fs::read_to_string(&config).expect("there");
        assert!(
            text.contains("units_per_mm = 2.0  # measured 2026-11-25: 100 mm asked, 75 mm run  # mine\n"),
            "{text}"
        );
        // The line still runs by 1.5: another measurement now would be worked into the wrong value.
        let told = ask(&config, &STANDING, &measured(None)).expect_err("not by the value in the file").text;
        assert!(told.contains("start the daemon again"), "{told}");
    }
}
