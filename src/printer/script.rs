//! A short list of commands with what each one's acknowledgement means; and the words of each task.

use std::collections::VecDeque;

use super::task::{Looks, TaskResult};
use crate::belt::{Drive, Move, Restore};
use crate::units::{Celsius, Micrometres, Millimetres};

/// How far the head goes up when it may stand in a part.
pub(super) const LIFT: Millimetres = Millimetres(5.0);
/// How much filament is drawn back for a stand, so that the nozzle does not ooze.
const DRAW_BACK_MM: f64 = 2.0;

/// What a file may take for granted, whatever the one before it left behind: the survey has read it so.
pub(super) const PRELUDE: [&str; 5] = ["G21", "G90", "M82", "T0", "G92 E0"];

/// A command and what its acknowledgement means.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Item {
    pub(super) text: String,
    pub(super) means: Means,
}

/// What an acknowledgement means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Means {
    /// Nothing but that it was taken.
    Taken,
    /// The belt is on its way by so much.
    Travel(Micrometres),
    /// Everything sent before has been carried out.
    Settled,
    /// The endstop report has come.
    Looked,
}

/// Commands to send, and what has become of the belt by them.
#[derive(Clone, Debug, Default)]
pub(super) struct Script {
    items: VecDeque<Item>,
    /// What must follow even when the rest is cut short.
    tail: Vec<Item>,
    sent: Micrometres,
    settled: Micrometres,
    cut_short: bool,
    looks: Option<Looks>,
    first_state: Option<bool>,
}

impl Script {
    pub(super) fn of(lines: impl IntoIterator<Item = String>) -> Self {
        Self { items: lines.into_iter().map(taken).collect(), ..Self::default() }
    }

    /// The belt's moves, between what must be before and after.
    pub(super) fn belt(drive: &Drive, moves: &[Move], odometer: Micrometres, watch: bool, restore: Restore) -> Self {
        let mut script = Self::of(drive.before());
        let look = || Item { text: "M119".to_owned(), means: Means::Looked };
        if watch {
            script.looks = Some(Looks { back: true, ..Looks::default() });
            script.items.push_back(look());
        }
        let mut at = odometer;
        for belt_move in moves {
            for piece in drive.pieces(at, belt_move, watch) {
                let last = piece.lines.len().saturating_sub(1);
                for (i, text) in piece.lines.into_iter().enumerate() {
                    let means = if i == last { Means::Travel(piece.travel) } else { Means::Taken };
                    script.items.push_back(Item { text, means });
                }
                if watch {
                    script.items.extend([settle(), look()]);
                }
            }
            at += belt_move.travel;
        }
        script.tail = std::iter::once(settle()).chain(drive.after(restore).into_iter().map(taken)).collect();
        script
    }

    /// The same, after these.
    pub(super) fn after(mut self, lines: &[String]) -> Self {
        for line in lines.iter().rev() {
            self.items.push_front(taken(line.clone()));
        }
        self
    }

    /// The same for a printer that counts in inches, and goes on to do so.
    pub(super) fn in_millimetres(mut self) -> Self {
        self.items.push_front(taken("G21".to_owned()));
        self.tail.push(taken("G20".to_owned()));
        self
    }

    /// The next command to send.
    pub(super) fn next(&mut self) -> Option<Item> {
        let item = self.items.pop_front().or_else(|| {
            let mut tail = std::mem::take(&mut self.tail).into_iter();
            let first = tail.next();
            self.items.extend(tail);
            first
        })?;
        if let Means::Travel(um) = item.means {
            self.sent += um;
        }
        Some(item)
    }

    pub(super) fn is_empty(&self) -> bool {
        self.items.is_empty() && self.tail.is_empty()
    }

    /// Leaves out what has not been sent, but for what must follow.
    pub(super) fn cut_short(&mut self) {
        // Once the tail has begun there is nothing left to cut.
        if !self.tail.is_empty() && !self.items.is_empty() {
            self.cut_short = true;
            self.items.clear();
        }
    }

    /// An acknowledgement came; `pressed` is what the last endstop report said of the switch since the command was sent.
    pub(super) fn on_acknowledged(&mut self, means: Means, pressed: Option<bool>) {
        match means {
            Means::Settled => self.settled = self.sent,
            Means::Looked => self.look(pressed),
            Means::Taken | Means::Travel(_) => {}
        }
    }

    pub(super) fn result(&self) -> TaskResult {
        TaskResult {
            complete: !self.cut_short,
            moved: self.settled,
            maybe: self.sent - self.settled,
            watched: self.looks,
            dropped: 0,
        }
    }

    fn look(&mut self, pressed: Option<bool>) {
        let (Some(looks), Some(pressed)) = (&mut self.looks, pressed) else { return };
        let first = *self.first_state.get_or_insert(pressed);
        looks.looks += 1;
        looks.changed |= pressed != first;
        looks.back = pressed == first;
    }
}

fn taken(text: String) -> Item {
    Item { text, means: Means::Taken }
}

fn settle() -> Item {
    Item { text: "M400".to_owned(), means: Means::Settled }
}

pub(super) fn heat(bed: Option<Celsius>, nozzle: Option<Celsius>) -> Vec<String> {
    let bed = bed.map(|t| format!("M140 S{}", t.0));
    let nozzle = nozzle.map(|t| format!("M104 S{}", t.0));
    bed.into_iter().chain(nozzle).collect()
}

/// Heaters and part fan off, then up by `lift`, relative to where the head is: no coordinate offset can mislead that.
pub(super) fn cool_down(tool: u32, lift: Option<Millimetres>) -> Vec<String> {
    let mut lines = heat(Some(Celsius(0.0)), Some(Celsius(0.0)));
    if tool != 0 {
        lines.push("M104 T0 S0".to_owned());
    }
    lines.push("M107".to_owned());
    if let Some(lift) = lift.filter(|l| l.0 > 0.0) {
        lines.extend(["G91".to_owned(), format!("G1 Z{:.3} F600", lift.0), "G90".to_owned()]);
    }
    lines.push("M400".to_owned());
    lines
}

/// Comes to a stand: buffered moves end, filament back a little, head up.
pub(super) fn stand(lift: Millimetres) -> Vec<String> {
    vec![
        "M400".to_owned(),
        "M83".to_owned(),
        format!("G1 E-{DRAW_BACK_MM} F1800"),
        "G91".to_owned(),
        // Where G91 governs E it is relative now too; either way nothing but Z moves.
        format!("G1 Z{:.3} F600", lift.0),
        "M400".to_owned(),
    ]
}

/// Goes back to where [`stand`] left off, with everything as it was.
pub(super) fn go_back(lift: Millimetres, as_before: Restore) -> Vec<String> {
    vec![
        "G91".to_owned(),
        format!("G1 Z-{:.3} F600", lift.0),
        "M83".to_owned(),
        format!("G1 E{DRAW_BACK_MM} F1800"),
        if as_before.relative { "G91" } else { "G90" }.to_owned(),
        if as_before.relative_e { "M83" } else { "M82" }.to_owned(),
        format!("G92 E{:.5}", as_before.e_mm),
        format!("G1 F{}", if as_before.feed_mm_min > 0.0 { as_before.feed_mm_min } else { 1500.0 }),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belt::{Advance, DriveBy};
    use crate::units::MillimetresPerMinute;

    const RESTORE: Restore = Restore { tool: 0, relative: false, relative_e: false, e_mm: 12.5, feed_mm_min: 1500.0 };

    fn drive() -> Drive {
        Drive {
            by: DriveBy::Extruder(1),
            units_per_mm: 1.0,
            inverted: false,
            piece_max: Millimetres(50.0),
            sampled_piece_max: Millimetres(5.0),
            travel_feed: MillimetresPerMinute(1500.0),
            peel_feed: MillimetresPerMinute(600.0),
            cold_guard_c: 170.0,
        }
    }

    fn belt(watch: bool) -> Script {
        let advance = Advance { approach_um: 10_000, peel_um: 5_000, overrun_um: 60_000 };
        Script::belt(&drive(), &drive().advance_moves(advance), Micrometres(0), watch, RESTORE)
    }

    fn send_all(script: &mut Script, pressed: impl Fn(usize) -> Option<bool>) -> Vec<String> {
        let mut sent = Vec::new();
        while let Some(item) = script.next() {
            script.on_acknowledged(item.means, pressed(sent.len()));
            sent.push(item.text);
        }
        sent
    }

    #[test]
    fn an_advance_is_settled_before_it_counts_and_leaves_everything_as_before() {
        let mut script = belt(false);
        let sent = send_all(&mut script, |_| None);
        assert_eq!(
            sent.join("|"),
            "T1|M83|M302 S0|G1 E10 F1500|G1 E5 F600|G1 E30 F1500|G1 E30 F1500|M400|M302 S170|T0|M82|G92 E12.5|G1 F1500"
        );
        assert_eq!(script.result(), TaskResult { complete: true, moved: Micrometres(75_000), ..TaskResult::default() });
    }

    #[test]
    fn inches_are_left_for_the_belt_and_come_back() {
        let sent = send_all(&mut belt(false).in_millimetres(), |_| None);
        assert_eq!((sent.first().map(String::as_str), sent.last().map(String::as_str)), (Some("G21"), Some("G20")));
    }

    #[test]
    fn what_is_not_settled_may_have_happened() {
        let mut script = belt(false);
        for _ in 0..5 {
            let item = script.next().expect("five items");
            script.on_acknowledged(item.means, None);
        }
        let result = script.result();
        assert_eq!((result.moved, result.maybe), (Micrometres(0), Micrometres(15_000)));
    }

    #[test]
    fn an_advance_that_is_cut_short_still_restores() {
        let mut script = belt(false);
        for _ in 0..4 {
            let item = script.next().expect("four items");
            script.on_acknowledged(item.means, None);
        }
        script.cut_short();
        assert_eq!(send_all(&mut script, |_| None).join("|"), "M400|M302 S170|T0|M82|G92 E12.5|G1 F1500");
        let result = script.result();
        assert_eq!((result.complete, result.moved, result.maybe), (false, Micrometres(10_000), Micrometres(0)));
    }

    #[test]
    fn a_switch_that_moves_and_comes_back_has_seen_the_part_go() {
        let mut script = belt(true);
        send_all(&mut script, |n| Some((20..40).contains(&n)));
        let looks = script.result().watched.expect("looked");
        assert!(looks.changed && looks.back && looks.looks == 16, "{looks:?}");
    }

    #[test]
    fn a_switch_that_stays_pressed_or_never_moves_is_told_apart() {
        let looks = |pressed: fn(usize) -> Option<bool>| {
            let mut script = belt(true);
            send_all(&mut script, pressed);
            script.result().watched.expect("looked")
        };
        let hangs = looks(|n| Some(n > 20));
        assert!(hangs.changed && !hangs.back);
        let still = looks(|_| Some(true));
        assert!(!still.changed && still.back);
        assert_eq!(looks(|_| None).looks, 0);
    }
}
