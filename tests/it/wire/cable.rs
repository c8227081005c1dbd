//! A bad cable.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use nosebar::units::Moment;

/// What the cable does to one line.
#[derive(Clone, Copy, Debug)]
pub(super) enum Damage {
    Lost,
    Flipped { at: usize, bit: u8 },
    Deleted { at: usize },
    Doubled,
}

/// How long bytes take, microseconds.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Speed {
    /// From the start of a byte to that of the next.
    pub(super) byte_us: u64,
    /// On the way.
    pub(super) delay_us: u64,
}

/// A cable, with damage by the number of the line, counted on each way from 0.
#[derive(Clone, Debug, Default)]
pub(super) struct Cable {
    pub(super) speed: Speed,
    pub(super) out: BTreeMap<usize, Damage>,
    pub(super) back: BTreeMap<usize, Damage>,
}

fn damaged(line: &[u8], damage: Option<&Damage>) -> Vec<u8> {
    let mut line = line.to_vec();
    match damage {
        None => {}
        Some(Damage::Lost) => line.clear(),
        Some(Damage::Flipped { at, bit }) => {
            let at = at % line.len();
            line[at] ^= 1 << (bit % 7);
        }
        Some(Damage::Deleted { at }) => {
            line.remove(at % line.len());
        }
        Some(Damage::Doubled) => line = line.repeat(2),
    }
    line
}

/// One way of the cable: bytes in order, each with the moment of its arrival.
#[derive(Debug, Default)]
pub(super) struct Way {
    bytes: VecDeque<(Moment, u8)>,
    free_at: Moment,
    lines: usize,
}

impl Way {
    pub(super) fn send(&mut self, now: Moment, line: &[u8], speed: &Speed, damage: &BTreeMap<usize, Damage>) {
        for byte in damaged(line, damage.get(&self.lines)) {
            self.free_at = self.free_at.max(now) + Duration::from_micros(speed.byte_us);
            self.bytes.push_back((self.free_at + Duration::from_micros(speed.delay_us), byte));
        }
        self.lines += 1;
    }

    /// When the next piece is there: a few bytes, the last of a line at most.
    pub(super) fn next_at(&self) -> Option<Moment> {
        let piece = self.bytes.iter().take(8);
        let end = piece.clone().position(|(_, byte)| *byte == b'\n').or_else(|| piece.len().checked_sub(1))?;
        Some(self.bytes[end].0)
    }

    pub(super) fn receive(&mut self, now: Moment) -> Vec<u8> {
        let due = self.bytes.iter().take_while(|(at, _)| *at <= now).count();
        self.bytes.drain(..due).map(|(_, byte)| byte).collect()
    }
}
