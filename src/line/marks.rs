//! What a person marks on the belt: where the splice is, what stretches are bad.

use super::core::Line;
use super::operate::Objection;
use super::signal::Step;
use crate::belt::{Ledger, LoopChange, MarkError, Marks, Span};
use crate::job::LineRow;
use crate::units::{Micrometres, Moment};

/// The ledger as it was kept. Marks that this version cannot read are a splice that may be anywhere.
pub(super) fn kept_ledger(row: &LineRow) -> Ledger {
    let marks = row.belt.as_deref().map(|text| serde_json::from_str(text).unwrap_or_else(|_| Marks::unreadable()));
    Ledger::kept(Micrometres(row.odometer_um), Micrometres(row.uncertain_um), marks)
}

impl Line {
    /// Takes the loop's length from the config; what that does to the marks is said in the journal.
    pub(super) fn take_loop_length(&mut self) {
        let text = match self.ledger.set_loop(self.settings.belt.loop_length) {
            LoopChange::None => return,
            LoopChange::Kept { was, is } => format!(
                "the config says that the loop is {} long, not {}: the marks keep their distance to the nose and are unsure by \
                 the difference; run the splice to the nose and say so",
                is.to_millimetres(),
                was.to_millimetres()
            ),
            LoopChange::Lost { was, is } => format!(
                "the config says that the loop is {} long, not {}, and the marks do not fit on it: nothing is printed until you \
                 run the splice to the nose and say so",
                is.to_millimetres(),
                was.to_millimetres()
            ),
            LoopChange::Unnamed { was } => format!(
                "the config names no loop length any more; the marks stay, on a loop of {}, until they are cleared",
                was.to_millimetres()
            ),
        };
        self.journal("belt-loop", &text);
    }

    pub(super) fn splice_at_nose(&mut self, now: Moment) -> Result<(), Objection> {
        self.belt_must_stand()?;
        let moved = self.ledger.splice_at(self.settings.belt.nose).map_err(objection)?;
        let found = match moved {
            None => String::new(),
            Some(by) => format!("; it was believed {} from there", Micrometres(by.0.abs()).to_millimetres()),
        };
        self.journal("splice-at-nose", &format!("a person said that the splice is at the nose{found}"));
        self.on_marks_changed(now);
        Ok(())
    }

    pub(super) fn forget_splice(&mut self) {
        self.ledger.forget_splice();
        self.journal("splice-forgotten", "a person said that the belt has no splice that must be kept free");
    }

    /// Marks from `near` to `far` before the nose.
    pub(super) fn mark_flaw(
        &mut self,
        now: Moment,
        near: Micrometres,
        far: Micrometres,
        note: &str,
    ) -> Result<(), Objection> {
        self.belt_must_stand()?;
        let nose = self.settings.belt.nose;
        let span = Span { tail: nose - far, lead: nose - near };
        let id = self.ledger.mark_flaw(span, note).map_err(objection)?;
        let (near, far) = (near.to_millimetres().0, far.to_millimetres());
        let note = if note.is_empty() { String::new() } else { format!(": {note}") };
        self.journal("flaw-marked", &format!("a person marked flaw {id}, {near} to {far} before the nose{note}"));
        self.on_marks_changed(now);
        Ok(())
    }

    pub(super) fn clear_flaw(&mut self, id: u64) -> Result<(), Objection> {
        self.ledger.clear_flaw(id).map_err(objection)?;
        self.journal("flaw-cleared", &format!("a person cleared flaw {id}"));
        Ok(())
    }

    fn belt_must_stand(&self) -> Result<(), Objection> {
        let runs = |step: &Option<(_, Step)>| matches!(step, Some((_, Step::Belt { .. })));
        if runs(&self.step) || runs(&self.belt_step) {
            return Err(Objection("the belt is running; say where things are when it stands".to_owned()));
        }
        Ok(())
    }
}

#[expect(clippy::needless_pass_by_value, reason = "as `map_err` hands it over")]
fn objection(error: MarkError) -> Objection {
    Objection(error.to_string())
}
