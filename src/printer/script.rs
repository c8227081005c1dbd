//! A short list of commands with what each one's acknowledgement means.

use std::collections::VecDeque;

use super::task::{Looks, TaskResult};
use crate::belt::{Drive, Move, Restore};
use crate::units::Micrometres;

/// A command and what its acknowledgement means.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Item {
    pub(super) text: String,
    pub(super) means: Means,
    /// Whether it goes with the one before it: where that has left, this follows, even when the rest is cut short.
    follows: bool,
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
    /// What must be said to the printer, by whoever speaks to it next, if the connection goes in the middle.
    owed: Vec<String>,
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

    /// What a machine is owed from an earlier connection.
    pub(super) fn debt(lines: Vec<String>) -> Self {
        Self { owed: lines.clone(), ..Self::of(lines) }
    }

    /// The belt's moves, between what must be before and after.
    pub(super) fn belt(drive: &Drive, moves: &[Move], odometer: Micrometres, watch: bool, restore: Restore) -> Self {
        let mut script = Self::of(drive.before(restore));
        let look = || Item { text: "M119".to_owned(), means: Means::Looked, follows: false };
        if watch {
            script.looks = Some(Looks { back: true, ..Looks::default() });
            script.items.push_back(look());
        }
        let mut at = odometer;
        for belt_move in moves {
            for piece in drive.pieces(at, belt_move, watch) {
                for (i, text) in piece.lines.into_iter().enumerate() {
                    let means = if i == piece.moves_at { Means::Travel(piece.travel) } else { Means::Taken };
                    script.items.push_back(Item { text, means, follows: i > 0 });
                }
                // A piece waits for the end of the one before it: so much and no more lies in the printer, and is beyond
                // recall when the belt is to stop.
                script.items.push_back(settle());
                if watch {
                    script.items.push_back(look());
                }
            }
            at += belt_move.travel;
        }
        // The tail begins with one.
        script.items.pop_back_if(|last| last.means == Means::Settled);
        let after = drive.after(restore);
        script.owed.clone_from(&after);
        script.tail = std::iter::once(settle()).chain(after.into_iter().map(taken)).collect();
        script
    }

    /// What must be said to the printer if the connection goes now.
    pub(super) fn owed(&self) -> &[String] {
        &self.owed
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
        self.owed.insert(0, "G21".to_owned());
        self.owed.push("G20".to_owned());
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
        let whole = self.items.iter().take_while(|item| item.follows).count();
        if !self.tail.is_empty() && whole < self.items.len() {
            self.cut_short = true;
            self.items.truncate(whole);
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
    Item { text, means: Means::Taken, follows: false }
}

fn settle() -> Item {
    Item { text: "M400".to_owned(), means: Means::Settled, follows: false }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::belt::{Advance, DriveBy};

    const RESTORE: Restore = Restore {
        tool: 0,
        relative: false,
        relative_e: false,
        e_register: 12.5,
        feed_mm_min: 1500.0,
        volumetric_mm: None,
    };

    fn drive() -> Drive {
        Drive::plain(DriveBy::Extruder(1))
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
            "T1|M83|M302 S0|G1 E10 F1500|M400|G1 E5 F600|M400|G1 E30 F1500|M400|\
             G1 E30 F1500|M400|M302 S170|T0|M82|G92 E12.5|G1 F1500"
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
        for _ in 0..6 {
            let item = script.next().expect("six items");
            script.on_acknowledged(item.means, None);
        }
        let result = script.result();
        assert_eq!((result.moved, result.maybe), (Micrometres(10_000), Micrometres(5_000)));
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
    fn own_lines_of_a_piece_stay_together_and_their_travel_counts_from_the_line_that_moves() {
        let own = ["G91", "G1 A{mm} F{feed}", "G90"].map(str::to_owned).to_vec();
        let drive = Drive { by: DriveBy::Lines(own), ..drive() };
        let advance = Advance { approach_um: 10_000, peel_um: 5_000, overrun_um: 0 };
        let script = || Script::belt(&drive, &drive.advance_moves(advance), Micrometres(0), false, RESTORE);
        for (sent, rest, maybe) in [(1, "G1 A10 F1500|G90|M400", 0), (2, "G90|M400", 10_000), (3, "M400", 10_000)] {
            let mut script = script();
            (0..sent).for_each(|_| drop(script.next()));
            assert_eq!(script.result().maybe, Micrometres(maybe));
            script.cut_short();
            let rest = format!("{rest}|T0|G90|M82|G92 E12.5|G1 F1500");
            assert_eq!(send_all(&mut script, |_| None).join("|"), rest);
            assert_eq!(script.result().moved, Micrometres(10_000));
        }
        assert_eq!(script().owed().join("|"), "T0|G90|M82|G92 E12.5|G1 F1500");
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
