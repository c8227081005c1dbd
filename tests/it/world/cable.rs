//! The cable: bytes on their way, and what a bad cable does to them.

use std::collections::VecDeque;
use std::time::Duration;

use nosebar::units::Moment;

/// What happens to the next bytes that are sent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Damage {
    Lost { at: usize, count: usize },
    Doubled { at: usize, count: usize },
    Flipped { at: usize, bit: u8 },
    Delayed(Duration),
}

/// One way of the cable: bytes in order, each piece with the moment of its arrival.
#[derive(Debug, Default)]
pub(crate) struct Way {
    latency: Duration,
    pieces: VecDeque<(Moment, Vec<u8>)>,
    damages: VecDeque<Damage>,
    last_due: Moment,
}

impl Way {
    pub(crate) fn with_latency(latency: Duration) -> Self {
        Self { latency, ..Self::default() }
    }

    /// Something will happen to what is sent next.
    pub(crate) fn damage(&mut self, damage: Damage) {
        self.damages.push_back(damage);
    }

    pub(crate) fn send(&mut self, now: Moment, mut bytes: Vec<u8>) {
        let mut delay = self.latency;
        match self.damages.pop_front() {
            Some(Damage::Lost { at, count }) => {
                let from = at % bytes.len().max(1);
                bytes.drain(from..(from + count).min(bytes.len()));
            }
            Some(Damage::Doubled { at, count }) => {
                let from = at % bytes.len().max(1);
                let again = bytes[from..(from + count).min(bytes.len())].to_vec();
                bytes.splice(from..from, again);
            }
            Some(Damage::Flipped { at, bit }) => {
                let at = at % bytes.len().max(1);
                bytes[at] ^= 1 << (bit % 7);
            }
            Some(Damage::Delayed(span)) => delay += span,
            None => {}
        }
        self.last_due = self.last_due.max(now + delay);
        self.pieces.push_back((self.last_due, bytes));
    }

    /// When the next piece is there.
    pub(crate) fn next(&self) -> Option<Moment> {
        self.pieces.front().map(|(due, _)| *due)
    }

    pub(crate) fn receive(&mut self, now: Moment) -> Option<Vec<u8>> {
        self.pieces.pop_front_if(|(due, _)| *due <= now).map(|(_, bytes)| bytes)
    }

    /// What is on its way is lost.
    pub(crate) fn empty(&mut self) {
        self.pieces.clear();
    }
}
