//! Where the belt is: what it certainly did, and what it may have done.

use crate::units::Micrometres;

/// Net belt travel toward the nose since installation.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    /// What the printer acknowledged.
    pub odometer: Micrometres,
    /// What was sent, not acknowledged, and may have happened.
    pub uncertain: Micrometres,
}

impl Ledger {
    /// Counts travel: `done` certainly happened, `maybe` may have.
    pub fn count(&mut self, done: Micrometres, maybe: Micrometres) {
        self.odometer += done;
        self.uncertain += maybe;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_may_have_happened_is_not_counted_as_done() {
        let mut ledger = Ledger::default();
        ledger.count(Micrometres(195_802), Micrometres(0));
        ledger.count(Micrometres(-10_000), Micrometres(50_000));
        assert_eq!(ledger, Ledger { odometer: Micrometres(185_802), uncertain: Micrometres(50_000) });
    }
}
