//! After a restart: what was under way has ended, and a person is asked before anything moves.

use super::books::{About, Books};
use crate::config::{LineConfig, LinkConfig};
use crate::job::{CycleId, LineName, LineReason, LineRow, LineState, Outcome, Phase};
use crate::line::Line;
use crate::units::{Moment, UnixMillis};

/// Ends what a restart cut short: the job is aborted; a copy that had begun its print is scrapped, one that had finished it
/// keeps its cycle until a person has said what became of the part, one that was still getting warm goes back.
///
/// Returns the cycles that wait for a person's word, by line.
pub(super) fn settle_cycles(books: &mut Books, now: UnixMillis, lines: &[LineName]) -> Vec<(LineName, CycleId)> {
    let mut orphans = Vec::new();
    for cycle in books.open_cycles() {
        let why = format!("the daemon was restarted while copy {} was in the phase {}", cycle.copy, cycle.phase);
        books.abort_job(now, cycle.job, &why);
        match cycle.phase {
            Phase::Warm => books.end_cycle(now, cycle.id, Outcome::Returned, None, &why),
            Phase::Print => books.end_cycle(now, cycle.id, Outcome::Scrapped, None, &why),
            _ if !lines.contains(&cycle.line) => {
                let why = format!("{why}, and line {} is no longer in the config", cycle.line);
                books.end_cycle(now, cycle.id, Outcome::Scrapped, None, &why);
            }
            Phase::Cool | Phase::Advance | Phase::Check => orphans.push((cycle.line, cycle.id)),
        }
    }
    orphans
}

/// A line as it was kept, or a new one.
pub(super) fn line(
    books: &mut Books,
    now: (Moment, UnixMillis),
    config: &LineConfig,
    kept: Option<&LineRow>,
    orphan: Option<CycleId>,
) -> Line {
    let fresh = || {
        let rests = LineRow::at_rest(config.name.clone());
        // A simulated belt comes into being empty, together with this line. Of a real one nothing is known yet.
        if matches!(config.link, LinkConfig::Simulated { .. }) {
            return rests;
        }
        LineRow {
            state: LineState::Held,
            reason: LineReason::BeltNotKnownClear,
            note: "this line is new here; look whether anything is on the belt".to_owned(),
            belt_clear: false,
            ..rests
        }
    };
    let row = kept.cloned().unwrap_or_else(fresh);
    if row.cycle.is_some() || row.open_step.is_some() {
        let about = About { line: Some(config.name.clone()), job: None, cycle: row.cycle };
        let text = format!("line {} was restarted with something under way: it holds and asks", config.name);
        let step = row.open_step.as_deref().and_then(|s| serde_json::from_str::<serde_json::Value>(s).ok());
        books.note(now.1, &about, "restarted", &text, serde_json::json!({ "open_step": step }));
    }
    Line::recovered(now.0, config.settings.clone(), &row, orphan)
}
