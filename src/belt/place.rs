//! Where on the belt the next footprint may lie: the least extra advance that brings it onto free belt.
//!
//! Everything is an open interval in whole micrometres. An obstacle that stands at `[p, q]` (along `u`, with the belt as it
//! is now) is under a footprint `[a, b]` after an advance `δ` exactly if `p + δ < b` and `a < q + δ`, so it forbids the `δ`
//! of the open interval `(a − q, b − p)`. Keep-outs come round with the loop, so theirs repeats with it; a part falls off
//! at the nose, so its does not.

use super::frame::Extent;
use super::wear::{BIN_UM, Wear};
use crate::units::{Micrometres, Millimetres};

/// A stretch along `u`, µm; `lead` is nearer the nose.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Span {
    /// The end far from the nose.
    pub tail: Micrometres,
    /// The end near the nose.
    pub lead: Micrometres,
}

/// Where the footprint may lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Placement {
    /// How far the belt must run before the print begins; 0 or more.
    pub advance: Micrometres,
    /// How often the belt under the footprint was printed on, summed over its bins.
    pub wear: u64,
}

/// No turn of the belt brings enough free belt under the footprint.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("needs {} free, longest free stretch {}", exact(*needed), exact(*longest))]
pub struct NoRoom {
    /// The footprint's length.
    pub needed: Micrometres,
    /// The longest stretch without a keep-out.
    pub longest: Micrometres,
}

/// What the next footprint has to keep off.
#[derive(Debug, Default)]
pub(super) struct Ground<'a> {
    /// Length of the loop and wear along it, with the odometer that turns its `m` into `u`.
    pub(super) round: Option<Round<'a>>,
    /// Keep-outs, margins included.
    pub(super) keep_outs: Vec<Span>,
    /// Parts, margins included.
    pub(super) parts: Vec<Span>,
    /// Where a part has fallen: nose and overrun.
    pub(super) gone: Micrometres,
    /// How much farther the belt may run for a less worn place.
    pub(super) slack: Micrometres,
}

/// A loop whose length is known.
#[derive(Clone, Copy, Debug)]
pub(super) struct Round<'a> {
    pub(super) loop_um: i64,
    pub(super) odometer_um: i64,
    pub(super) wear: &'a Wear,
}

impl Span {
    /// From micrometres.
    #[must_use]
    pub const fn new(tail_um: i64, lead_um: i64) -> Self {
        Self { tail: Micrometres(tail_um), lead: Micrometres(lead_um) }
    }

    /// The whole micrometres that an extent touches.
    #[must_use]
    pub fn over(extent: Extent) -> Self {
        // A hair inside the last micrometre is arithmetic, not plastic: 0.1 + 0.2 must not need a micrometre more.
        const HAIR_MM: f64 = 1e-6;
        let tail = Millimetres(extent.tail_mm - 0.000_5 + HAIR_MM).to_micrometres();
        let lead = Millimetres(extent.lead_mm + 0.000_5 - HAIR_MM).to_micrometres();
        Self { tail, lead }
    }

    /// Its length.
    #[must_use]
    pub fn length(self) -> Micrometres {
        self.lead - self.tail
    }

    /// Longer by `by` at both ends.
    #[must_use]
    pub fn widened(self, by: Micrometres) -> Self {
        Self { tail: self.tail - by, lead: self.lead + by }
    }
}

impl Ground<'_> {
    /// The least advance that brings free belt under the footprint, or within the slack a less worn place.
    pub(super) fn place(&self, footprint: Span) -> Result<Placement, NoRoom> {
        let no_room = NoRoom { needed: footprint.length(), longest: self.longest_free().unwrap_or_default() };
        let least = self.least(footprint, 0).ok_or(no_room)?;
        let best = self.candidates(footprint, least).map(|delta| (self.wear(footprint, delta), delta)).min();
        let (wear, delta) = best.unwrap_or((0, least));
        Ok(Placement { advance: Micrometres(delta), wear })
    }

    /// The longest stretch between keep-outs; `None` if the loop's length is not known.
    pub(super) fn longest_free(&self) -> Option<Micrometres> {
        let round = self.round?;
        let loop_um = round.loop_um;
        let mut taken: Vec<(i64, i64)> = Vec::with_capacity(self.keep_outs.len());
        for keep_out in &self.keep_outs {
            let from = keep_out.tail.0.rem_euclid(loop_um);
            taken.push((from, from + keep_out.length().0));
        }
        taken.sort_unstable();
        let Some(&(first, _)) = taken.first() else { return Some(Micrometres(loop_um)) };
        // What reaches over the end of the loop lies at its begin too.
        let over = taken.iter().map(|&(_, to)| to - loop_um).max().unwrap_or(first);
        let (mut reached, mut longest) = (over.max(first), 0);
        for &(from, to) in &taken {
            longest = longest.max(from - reached);
            reached = reached.max(to);
        }
        Some(Micrometres(longest.max(first + loop_um - reached).max(0)))
    }

    /// The least allowed advance that is not below `from`.
    fn least(&self, footprint: Span, from: i64) -> Option<i64> {
        if let Some(round) = self.round {
            let too_long = |keep_out: &Span| keep_out.length() + footprint.length() > Micrometres(round.loop_um);
            if footprint.length().0 > round.loop_um || self.keep_outs.iter().any(too_long) {
                return None;
            }
        }
        // Behind the last part the belt looks the same after every turn.
        let last = self.parts.iter().map(|part| self.forbidden_by_part(footprint, part).1).max().unwrap_or(0);
        let end = last.max(from) + self.round.map_or(0, |round| round.loop_um);
        let mut delta = from;
        while delta <= end {
            match self.free_again(footprint, delta) {
                Some(next) => delta = next,
                None => return Some(delta),
            }
        }
        None
    }

    /// If this advance is forbidden: where what forbids it ends.
    fn free_again(&self, footprint: Span, delta: i64) -> Option<i64> {
        let by_part = self.parts.iter().map(|part| self.forbidden_by_part(footprint, part));
        let by_part = by_part.filter(|&(low, high)| low < delta && delta < high).map(|(_, high)| high);
        let by_keep_out = self.round.into_iter().flat_map(|round| {
            self.keep_outs.iter().filter_map(move |keep_out| {
                let (low, high) = forbidden(footprint, keep_out);
                let inside = (delta - low).rem_euclid(round.loop_um);
                (0 < inside && inside < high - low).then(|| delta + (high - low) - inside)
            })
        });
        by_part.chain(by_keep_out).max()
    }

    fn forbidden_by_part(&self, footprint: Span, part: &Span) -> (i64, i64) {
        let (low, high) = forbidden(footprint, part);
        (low, high.min(self.gone.0 - part.tail.0))
    }

    /// The allowed advances within the slack at which the wear under the footprint may be at its lowest: the first of each
    /// allowed stretch, and wherever one end of the footprint stands on the edge of a bin. Between two of these the same
    /// bins lie under it, and at each of them no more than beside it.
    fn candidates(&self, footprint: Span, least: i64) -> impl Iterator<Item = i64> {
        let mut found = vec![least];
        if let Some(round) = self.round.filter(|_| self.slack.0 > 0) {
            let end = least + self.slack.0.min(round.loop_um);
            let edges = round.wear.bins().map(|(edge, _)| edge);
            let stands = edges.flat_map(|edge| {
                // `m = u − (odometer + δ)` is the edge.
                [footprint.tail, footprint.lead].map(|u| u.0 - round.odometer_um - edge)
            });
            let ends = self.keep_outs.iter().map(|keep_out| forbidden(footprint, keep_out).1);
            let parts = self.parts.iter().map(|part| self.forbidden_by_part(footprint, part).1);
            let turned = stands.chain(ends).chain(parts).map(|at| least + (at - least).rem_euclid(round.loop_um));
            found.extend(turned.filter(|&delta| delta <= end && self.free_again(footprint, delta).is_none()));
        }
        found.into_iter()
    }

    fn wear(&self, footprint: Span, delta: i64) -> u64 {
        self.round.map_or(0, |round| {
            let now = round.odometer_um + delta;
            round.wear.sum(footprint.tail.0 - now, footprint.lead.0 - now, round.loop_um)
        })
    }
}

/// The open interval of advances at which the obstacle lies under the footprint.
fn forbidden(footprint: Span, obstacle: &Span) -> (i64, i64) {
    (footprint.tail.0 - obstacle.lead.0, footprint.lead.0 - obstacle.tail.0)
}

/// Millimetres to the micrometre, without idle zeros: two figures that differ must not look alike.
fn exact(um: Micrometres) -> Millimetres {
    um.to_millimetres()
}

const _: () = assert!(BIN_UM > 0, "a bin has a length");

#[cfg(test)]
mod tests;
