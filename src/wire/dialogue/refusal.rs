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

/// The refusal that is being heard, if any, and those that are to come.
#[derive(Debug, Default)]
pub(super) struct Refusal {
    complaint: Option<Option<u32>>,
    hold_until: Option<Moment>,
    /// Lines under way that are sure to be refused, sent to hear which line is wanted.
    provoked: u32,
    provoked_until: Option<Moment>,
}

impl Refusal {
    /// `Error:…` with the line that is wanted, where the text tells.
    pub(super) fn hear_complaint(&mut self, line: Option<u32>) {
        self.complaint = Some(line);
    }

    /// `Resend: n`.
    pub(super) fn hear_resend(&mut self, now: Moment) {
        self.complaint = None;
        self.provoked = self.provoked.saturating_sub(1);
        self.provoked_until = None;
        self.hold_until = Some(now + HOLD);
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

    /// A line leaves that is sure to be refused.
    pub(super) fn provoke(&mut self) {
        self.provoked += 1;
    }

    /// A line has been taken. What was provoked before is heard now or never; until then nothing may be sent, since it would
    /// look refused.
    pub(super) fn expect_provoked(&mut self, now: Moment) {
        if self.provoked > 0 {
            self.provoked_until = Some(now + HOLD);
        }
    }

    /// Until when nothing may be sent, since the printer is refusing.
    pub(super) fn hold_until(&self) -> Option<Moment> {
        self.hold_until.max(self.provoked_until)
    }

    /// The wait may be over.
    pub(super) fn handle_timeout(&mut self, now: Moment) {
        self.hold_until = self.hold_until.filter(|until| now < *until);
        if self.provoked_until.is_some_and(|until| now >= until) {
            (self.provoked, self.provoked_until) = (0, None);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ok_of_a_refusal_acknowledges_nothing() {
        let mut refusal = Refusal::default();
        refusal.hear_complaint(Some(7));
        refusal.hear_resend(Moment::ZERO);
        assert_eq!(refusal.hear_ok(false), OkMeans::EndOfRefusal);
        assert_eq!(refusal.hear_ok(false), OkMeans::Taken);
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
        refusal.hear_resend(Moment::ZERO);
        assert_eq!(refusal.hold_until(), Some(Moment::ZERO + HOLD));
        refusal.handle_timeout(Moment::ZERO + HOLD);
        assert_eq!((refusal.hold_until(), refusal.hear_ok(false)), (None, OkMeans::Taken));
    }

    #[test]
    fn a_provoked_refusal_is_waited_for_once_the_printer_goes_on() {
        let mut refusal = Refusal::default();
        refusal.provoke();
        assert_eq!(refusal.hold_until(), None, "it may be long before the printer reads it");
        refusal.expect_provoked(Moment::ZERO);
        assert_eq!(refusal.hold_until(), Some(Moment::ZERO + HOLD));
        refusal.hear_resend(Moment::ZERO);
        assert_eq!(refusal.hear_ok(false), OkMeans::EndOfRefusal);
        refusal.expect_provoked(Moment::ZERO);
        assert_eq!(refusal.hold_until(), None);
    }

    #[test]
    fn an_ok_with_temperatures_is_no_end_of_a_refusal() {
        let mut refusal = Refusal::default();
        refusal.hear_resend(Moment::ZERO);
        assert_eq!(refusal.hear_ok(true), OkMeans::Taken);
        assert_eq!(refusal.hear_ok(false), OkMeans::Taken, "the request's own ok must have been lost");
    }
}
