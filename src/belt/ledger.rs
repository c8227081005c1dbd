//! Where the belt is: what it certainly did, what it may have done, and what is marked and lies on it.
//!
//! A point of the belt's material has the coordinate `m = (u − odometer) mod loop`, so it stands at `u = m + odometer`
//! (mod loop) now. Travel that may have happened makes every mark that was set before it unsure by its length, either way:
//! keep-outs are widened by it until a person has said where the splice is.

use serde::{Deserialize, Serialize};

use super::place::{Ground, NoRoom, Placement, Round, Span};
use super::wear::Wear;
use crate::units::Micrometres;

/// Net belt travel toward the nose since installation, and what is known of the belt that travelled.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    /// What the printer acknowledged.
    pub odometer: Micrometres,
    /// What was sent, not acknowledged, and may have happened.
    pub uncertain: Micrometres,
    marks: Marks,
}

/// What is known of the belt itself, to be kept beside the odometer: all in `m`, whole micrometres. A ledger alone reads it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Marks {
    loop_um: Option<i64>,
    splice_um: Option<i64>,
    /// Travel that may have happened since the splice was last seen, each piece counted as if it could go either way.
    doubt_um: i64,
    flaws: Vec<Flaw>,
    last_flaw: u64,
    parts: Vec<Part>,
    wear: Wear,
}

/// A bad stretch of belt.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Flaw {
    id: u64,
    from_um: i64,
    to_um: i64,
    /// The doubt when it was marked: only what came later makes it unsure.
    doubt_um: i64,
    note: String,
}

/// A part on the belt; its place is `u − odometer`, not taken round the loop.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Part {
    cycle: i64,
    from_um: i64,
    to_um: i64,
    doubt_um: i64,
}

/// How far footprints keep off the marks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Clearances {
    /// The splice's own length along the belt.
    pub splice_width: Micrometres,
    /// What is kept free at both ends of every keep-out and every part.
    pub margin: Micrometres,
    /// How much farther than needed the belt may run for a less worn place.
    pub wear_slack: Micrometres,
}

/// A bad stretch and where it is now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FlawNow {
    /// Its number.
    pub id: u64,
    /// How far its end near the nose is before the nose, along the belt: 0 up to the loop.
    pub before_nose: Micrometres,
    /// Its length.
    pub length: Micrometres,
    /// A person's words.
    pub note: String,
}

/// A part that is not known to have left, and where it is now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PartNow {
    /// The cycle that made it.
    pub cycle: i64,
    /// Where it lies, along `u`.
    pub span: Span,
}

/// A mark that cannot be set.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MarkError {
    /// Marks come round with the loop.
    #[error("the loop's length is not known; measure it and write it into the config as belt.loop_mm")]
    LoopUnknown,
    /// No length, or longer than the belt.
    #[error("a flaw of {length} cannot be marked; it must be longer than 0 mm and at most the loop of {loop_length}", length = length.to_millimetres(), loop_length = loop_length.to_millimetres())]
    FlawLength {
        /// What was asked for.
        length: Micrometres,
        /// The loop.
        loop_length: Micrometres,
    },
    /// No flaw has this number.
    #[error("there is no flaw {0} on this belt")]
    NoFlaw(u64),
}

/// What another loop length in the config did to the marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoopChange {
    /// Nothing was marked, or nothing changed.
    None,
    /// The marks keep their distance to the nose, unsure by the difference; a person should say where the splice is.
    Kept {
        /// Before.
        was: Micrometres,
        /// Now.
        is: Micrometres,
    },
    /// The marks do not fit on the new loop: nothing finds room until a person has said where the splice is.
    Lost {
        /// Before.
        was: Micrometres,
        /// Now.
        is: Micrometres,
    },
    /// The config names no length any more, and there are marks: the old one stays.
    Unnamed {
        /// The one that stays.
        was: Micrometres,
    },
}

/// More doubt than any loop is long: a mark may be anywhere.
const ANYWHERE_UM: i64 = 1_000_000_000_000;

impl Marks {
    /// Marks that cannot be read any more: a splice that may be anywhere, so that nothing is printed until it is seen.
    #[must_use]
    pub fn unreadable() -> Self {
        Self { splice_um: Some(0), doubt_um: ANYWHERE_UM, ..Self::default() }
    }
}

impl Ledger {
    /// As it was kept.
    #[must_use]
    pub fn kept(odometer: Micrometres, uncertain: Micrometres, marks: Option<Marks>) -> Self {
        // From before marks were kept: the doubt is what the one figure says.
        let marks = marks.unwrap_or_else(|| Marks { doubt_um: uncertain.0.abs(), ..Marks::default() });
        Self { odometer, uncertain, marks }
    }

    /// What must be kept beside the odometer; `None` while nothing is known.
    #[must_use]
    pub fn marks(&self) -> Option<&Marks> {
        Some(&self.marks).filter(|marks| **marks != Marks::default())
    }

    /// Counts travel: `done` certainly happened, `maybe` may have.
    pub fn count(&mut self, done: Micrometres, maybe: Micrometres) {
        self.odometer += done;
        self.uncertain += maybe;
        self.marks.doubt_um += maybe.0.abs();
    }

    /// Counts moves that may have happened up to anywhere between none and all of them. Each counts as far as it reaches:
    /// forth and back adds up to nothing, but may have stopped in between.
    pub fn count_unknown(&mut self, moves: &[super::Move]) {
        for each in moves {
            self.count(Micrometres(0), each.travel);
        }
    }

    /// Travel that may have happened since the splice was last seen, either way.
    #[must_use]
    pub fn doubt(&self) -> Micrometres {
        Micrometres(self.marks.doubt_um)
    }

    /// The loop's length.
    #[must_use]
    pub fn loop_length(&self) -> Option<Micrometres> {
        self.marks.loop_um.map(Micrometres)
    }

    /// Takes the loop's length from the config.
    pub fn set_loop(&mut self, length: Option<Micrometres>) -> LoopChange {
        let marks = &mut self.marks;
        let marked = marks.splice_um.is_some() || !marks.flaws.is_empty();
        let (was, is) = match (marks.loop_um, length) {
            (Some(was), None) if marked => return LoopChange::Unnamed { was: Micrometres(was) },
            (was, Some(Micrometres(is))) if was == Some(is) => return LoopChange::None,
            (_, None) => {
                (marks.loop_um, marks.wear) = (None, Wear::default());
                return LoopChange::None;
            }
            (was, Some(Micrometres(is))) => {
                (marks.loop_um, marks.wear) = (Some(is), Wear::unworn(is));
                (was, is)
            }
        };
        let Some(was) = was.filter(|_| marked) else { return LoopChange::None };
        let now = |m: i64| (m + self.odometer.0).rem_euclid(was);
        let at = |m: i64| (now(m) - self.odometer.0).rem_euclid(is);
        let fits = marks.splice_um.is_none_or(|m| now(m) < is) && marks.flaws.iter().all(|f| now(f.from_um) < is);
        for flaw in &mut marks.flaws {
            let length = (flaw.to_um - flaw.from_um).min(is);
            flaw.from_um = at(flaw.from_um);
            flaw.to_um = flaw.from_um + length;
        }
        marks.splice_um = marks.splice_um.map(at);
        let (was, is) = (Micrometres(was), Micrometres(is));
        marks.doubt_um += if fits { (is.0 - was.0).abs() } else { ANYWHERE_UM };
        if fits { LoopChange::Kept { was, is } } else { LoopChange::Lost { was, is } }
    }

    /// A person's word: the splice is at the nose now. Everything that was marked before the doubt began keeps its distance
    /// to the splice; what was marked after it, or without a splice to measure from, stays and is widened by what came later.
    /// Returns how far the splice stood from where it was believed, at most half the loop either way.
    ///
    /// # Errors
    /// [`MarkError::LoopUnknown`].
    pub fn splice_at(&mut self, nose: Micrometres) -> Result<Option<Micrometres>, MarkError> {
        let Self { marks, odometer, .. } = self;
        let loop_um = marks.loop_um.ok_or(MarkError::LoopUnknown)?;
        let m = (nose.0 - odometer.0).rem_euclid(loop_um);
        let shift = marks.splice_um.map(|old| {
            let ahead = (m - old).rem_euclid(loop_um);
            if ahead > loop_um / 2 { ahead - loop_um } else { ahead }
        });
        let doubt = marks.doubt_um;
        let settle = |from: &mut i64, to: &mut i64, marked: &mut i64| {
            match shift {
                Some(shift) if *marked == 0 => (*from, *to) = (*from + shift, *to + shift),
                _ => (*from, *to) = (*from - (doubt - *marked), *to + (doubt - *marked)),
            }
            *marked = 0;
        };
        for Flaw { from_um, to_um, doubt_um, .. } in &mut marks.flaws {
            settle(from_um, to_um, doubt_um);
            *to_um = (*to_um).min(*from_um + loop_um);
        }
        for Part { from_um, to_um, doubt_um, .. } in &mut marks.parts {
            settle(from_um, to_um, doubt_um);
        }
        if let Some(shift) = shift {
            marks.wear.shift(shift, loop_um);
        }
        (marks.splice_um, marks.doubt_um, self.uncertain) = (Some(m), 0, Micrometres(0));
        Ok(shift.map(Micrometres))
    }

    /// A person's word: there is no splice, or nobody knows where.
    pub fn forget_splice(&mut self) {
        self.marks.splice_um = None;
    }

    /// Marks a bad stretch where it is now; returns its number.
    ///
    /// # Errors
    /// [`MarkError::LoopUnknown`], [`MarkError::FlawLength`].
    pub fn mark_flaw(&mut self, span: Span, note: &str) -> Result<u64, MarkError> {
        let marks = &mut self.marks;
        let loop_um = marks.loop_um.ok_or(MarkError::LoopUnknown)?;
        let length = span.length();
        if !(1..=loop_um).contains(&length.0) {
            return Err(MarkError::FlawLength { length, loop_length: Micrometres(loop_um) });
        }
        let from_um = (span.tail.0 - self.odometer.0).rem_euclid(loop_um);
        marks.last_flaw += 1;
        marks.flaws.push(Flaw {
            id: marks.last_flaw,
            from_um,
            to_um: from_um + length.0,
            doubt_um: marks.doubt_um,
            note: note.to_owned(),
        });
        Ok(marks.last_flaw)
    }

    /// A bad stretch is good again.
    ///
    /// # Errors
    /// [`MarkError::NoFlaw`].
    pub fn clear_flaw(&mut self, id: u64) -> Result<(), MarkError> {
        let at = self.marks.flaws.iter().position(|flaw| flaw.id == id).ok_or(MarkError::NoFlaw(id))?;
        self.marks.flaws.remove(at);
        Ok(())
    }

    /// A print begins: from here on its part is on the belt, and the belt under it is a little more worn.
    pub fn lay(&mut self, cycle: i64, footprint: Span) {
        let (from_um, to_um) = (footprint.tail.0 - self.odometer.0, footprint.lead.0 - self.odometer.0);
        self.marks.parts.push(Part { cycle, from_um, to_um, doubt_um: self.marks.doubt_um });
        if let Some(loop_um) = self.marks.loop_um {
            self.marks.wear.count(from_um, to_um, loop_um);
        }
    }

    /// A check or a person's word says that nothing is on the belt.
    pub fn all_left(&mut self) {
        self.marks.parts.clear();
    }

    /// The least advance that brings free belt under the footprint; within the slack, a less worn one. `fallen` is where a
    /// part has left the belt: nose and overrun.
    ///
    /// # Errors
    /// [`NoRoom`] if no turn of the belt does.
    pub fn place(&self, footprint: Span, clearances: &Clearances, fallen: Micrometres) -> Result<Placement, NoRoom> {
        self.ground(clearances, fallen).place(footprint)
    }

    /// Whether the belt that is now under the footprint is free of keep-outs and parts, margins included.
    #[must_use]
    pub fn is_free(&self, footprint: Span, clearances: &Clearances, fallen: Micrometres) -> bool {
        let least = Clearances { wear_slack: Micrometres(0), ..*clearances };
        self.place(footprint, &least, fallen).is_ok_and(|placement| placement.advance == Micrometres(0))
    }

    /// The longest stretch without a keep-out; `None` if the loop's length is not known.
    #[must_use]
    pub fn longest_free(&self, clearances: &Clearances) -> Option<Micrometres> {
        self.ground(clearances, Micrometres(0)).longest_free()
    }

    /// How far the splice is before the nose, along the belt: 0 up to the loop.
    #[must_use]
    pub fn splice_before(&self, nose: Micrometres) -> Option<Micrometres> {
        self.before(nose, self.marks.splice_um?)
    }

    /// The bad stretches, in the order in which they were marked.
    #[must_use]
    pub fn flaws_before(&self, nose: Micrometres) -> Vec<FlawNow> {
        let now = |flaw: &Flaw| {
            Some(FlawNow {
                id: flaw.id,
                before_nose: self.before(nose, flaw.to_um)?,
                length: Micrometres(flaw.to_um - flaw.from_um),
                note: flaw.note.clone(),
            })
        };
        self.marks.flaws.iter().filter_map(now).collect()
    }

    /// Parts that are not known to have left.
    #[must_use]
    pub fn parts(&self) -> Vec<PartNow> {
        let at = self.odometer.0;
        let now = |part: &Part| PartNow { cycle: part.cycle, span: Span::new(part.from_um + at, part.to_um + at) };
        self.marks.parts.iter().map(now).collect()
    }

    /// The wear along the loop: how far each bin's end far from the nose is before the nose, and how often it was printed on.
    #[must_use]
    pub fn wear_before(&self, nose: Micrometres) -> Vec<(Micrometres, u32)> {
        self.marks.wear.bins().filter_map(|(m, count)| Some((self.before(nose, m)?, count))).collect()
    }

    fn before(&self, nose: Micrometres, m: i64) -> Option<Micrometres> {
        let loop_um = self.marks.loop_um?;
        Some(Micrometres((nose.0 - m - self.odometer.0).rem_euclid(loop_um)))
    }

    /// Everything to keep off, where it is now and as wide as it must be taken.
    fn ground(&self, clearances: &Clearances, fallen: Micrometres) -> Ground<'_> {
        let marks = &self.marks;
        let at = self.odometer.0;
        let widened = |from: i64, to: i64, marked: i64| {
            Span::new(from + at, to + at).widened(clearances.margin + Micrometres(marks.doubt_um - marked))
        };
        // Half of an odd width must not be lost.
        let half = (clearances.splice_width.0 + 1) / 2;
        let splice = marks.splice_um.map(|m| widened(m - half, m + half, 0));
        let flaws = marks.flaws.iter().map(|flaw| widened(flaw.from_um, flaw.to_um, flaw.doubt_um));
        Ground {
            round: marks.loop_um.map(|loop_um| Round { loop_um, odometer_um: at, wear: &marks.wear }),
            keep_outs: splice.into_iter().chain(flaws).collect(),
            parts: marks.parts.iter().map(|part| widened(part.from_um, part.to_um, part.doubt_um)).collect(),
            gone: fallen,
            slack: clearances.wear_slack,
        }
    }
}

#[cfg(test)]
mod tests;
