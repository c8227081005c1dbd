//! How long the belt takes for what it has to run.

use super::times::even;
use crate::belt::{Advance, Drive, Move, Stretch};
use crate::line::{Check, Line};
use crate::schedule::{Lasting, Placing, Spread};
use crate::units::{Micrometres, Millimetres};

/// For each command of a move: starting and stopping, and the answer. A guess for belts that take a fifth of a second to get to
/// their speed.
const PIECE_S: f64 = 0.25;
/// How far off a move may be, as a share.
const BELT_OWN: f64 = 0.15;

/// A part's way over the nose, at the first try.
pub(super) fn advance(line: &Line, advance: Advance) -> Lasting {
    let settings = line.settings();
    let (drive, check) = (&settings.drive, settings.check);
    let longest = if check == Check::Switch { drive.sampled_piece_max } else { drive.piece_max };
    let seconds = seconds(&drive.advance_moves(advance), longest) * f64::from(check.advances());
    Lasting { expected_s: seconds, own: even(seconds * BELT_OWN), shared: Spread::default() }
}

/// The way to a free place. Where it is not known how far that is, it is off the same way for every copy.
pub(super) fn run(line: &Line, placing: Placing) -> Lasting {
    let drive = &line.settings().drive;
    let takes = |travel: Micrometres| {
        seconds(&[Move { stretch: Stretch::Approach, travel, feed: drive.travel_feed }], drive.piece_max)
    };
    let expected_s = takes(placing.expected);
    let shared = Spread { down_s: expected_s - takes(placing.least), up_s: takes(placing.most) - expected_s };
    Lasting { expected_s, own: even(expected_s * BELT_OWN), shared }
}

/// What may be needed, and may not.
pub(super) fn sometimes(time: Lasting) -> Lasting {
    let half_s = time.expected_s / 2.0;
    let late_s = time.expected_s + time.own.up_s.hypot(time.shared.up_s);
    Lasting { expected_s: half_s, own: Spread { down_s: half_s, up_s: late_s - half_s }, shared: Spread::default() }
}

fn seconds(moves: &[Move], longest: Millimetres) -> f64 {
    let pieces: f64 = moves.iter().map(|m| (m.travel.to_millimetres().0.abs() / longest.0).ceil()).sum();
    Drive::seconds(moves) + pieces * PIECE_S
}
