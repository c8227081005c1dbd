//! A refusal is up to three lines, `Error:…`, `Resend: n`, `ok`, and its `ok` acknowledges nothing. Any of the three may
//! be damaged or missing.

use std::time::Duration;

use crate::units::Moment;

/// How long the `ok` of a resend request is waited for before anything is sent. It comes on the heels of the request; firmware
/// that sends none is kept waiting so long. A guess.
const HOLD: Duration = Duration::from_secs(1);

/// What an `ok` means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OkMeans {
    /// A line has been taken.
    Taken,
    /// The end of a refusal that has been dealt with.
    EndOfRefusal,
    /// A refusal whose resend request got lost; the line that is wanted, where that is known.
    Refusal(Option<u32>),
}

/// The refusal that is being heard, if any.
#[derive(Debug, Default)]
pub(super) struct Refusal {
    complaint: Option<Option<u32>>,
    hold_until: Option<Moment>,
}

impl Refusal {
    /// `Error:…` with the line that is wanted, where the text tells.
    pub(super) fn hear_complaint(&mut self, line: Option<u32>) {
        self.complaint = Some(line);
    }

    /// `Resend: n`. Gives the line that is wanted, unless the complaint before it named another: one of them is damaged.
    pub(super) fn hear_resend(&mut self, now: Moment, line: Option<u32>) -> Option<u32> {
        self.hold_until = Some(now + HOLD);
        let complaint = self.complaint.take().flatten();
        line.filter(|line| complaint.is_none_or(|named| named == *line))
    }

    /// `ok`; one that carries temperatures answers a question and never ends a refusal.
    pub(super) fn hear_ok(&mut self, temperatures: bool) -> OkMeans {
        let complaint = self.complaint.take();
        let held = self.hold_until.take().is_some();
        match complaint {
            _ if temperatures => OkMeans::Taken,
            Some(line) => OkMeans::Refusal(line),
            None if held => OkMeans::EndOfRefusal,
            None => OkMeans::Taken,
        }
    }

    /// Until when nothing may be sent, since the printer is refusing.
    pub(super) fn hold_until(&self) -> Option<Moment> {
        self.hold_until
    }

    /// The wait may be over.
    pub(super) fn handle_timeout(&mut self, now: Moment) {
        self.hold_until = self.hold_until.filter(|until| now < *until);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ok_of_a_refusal_acknowledges_nothing() {
        let mut refusal = Refusal::default();
        refusal.hear_complaint(Some(7));
        assert_eq!(refusal.hear_resend(Moment::ZERO, Some(7)), Some(7));
        assert_eq!(refusal.hear_ok(false), OkMeans::EndOfRefusal);
        assert_eq!(refusal.hear_ok(false), OkMeans::Taken);
    }

    #[test]
    fn a_request_that_contradicts_its_complaint_names_no_line() {
        let mut refusal = Refusal::default();
        refusal.hear_complaint(Some(7));
        assert_eq!(refusal.hear_resend(Moment::ZERO, Some(6)), None);
        assert_eq!(refusal.hear_ok(false), OkMeans::EndOfRefusal);
        refusal.hear_complaint(None);
        assert_eq!(refusal.hear_resend(Moment::ZERO, Some(6)), Some(6));
    }

    #[test]
    fn a_lost_resend_request_is_made_up_from_the_complaint() {
        let mut refusal = Refusal::default();
        refusal.hear_complaint(Some(7));
        assert_eq!(refusal.hear_ok(false), OkMeans::Refusal(Some(7)));
        assert_eq!(refusal.hear_ok(false), OkMeans::Taken);
    }

    #[test]
    fn firmware_without_ok_after_a_resend_request_is_not_waited_for_long() {
        let mut refusal = Refusal::default();
        refusal.hear_resend(Moment::ZERO, Some(7));
        assert_eq!(refusal.hold_until(), Some(Moment::ZERO + HOLD));
        refusal.handle_timeout(Moment::ZERO + HOLD);
        assert_eq!((refusal.hold_until(), refusal.hear_ok(false)), (None, OkMeans::Taken));
    }

    #[test]
    fn an_ok_with_temperatures_is_no_end_of_a_refusal() {
        let mut refusal = Refusal::default();
        refusal.hear_resend(Moment::ZERO, Some(7));
        assert_eq!(refusal.hear_ok(true), OkMeans::Taken);
        assert_eq!(refusal.hear_ok(false), OkMeans::Taken, "the request's own ok must have been lost");
    }
}
