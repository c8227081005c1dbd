//! Which line an `ok` answers.

use super::window::Window;

/// What is known of how the printer acknowledges.
#[derive(Debug, Default)]
pub(super) struct Tally {
    /// It has been seen to put `ok` and temperatures on one line.
    inline: bool,
    /// The last M105 that was acknowledged by a bare `ok` although the printer answers inline: one `ok` too many was heard.
    overtaken: Option<u32>,
    /// The line that the last numbered `ok` answered by its own account.
    claimed: Option<u32>,
}

/// An `ok`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Heard {
    /// Number of the line, where it tells.
    pub(super) line: Option<u32>,
    /// Whether it carries temperatures.
    pub(super) temperatures: bool,
}

impl Tally {
    /// The line that an `ok` answers, and with it all before; nothing when it answers none in flight. Lines that were overtaken
    /// are remembered for the next `reach` lines.
    ///
    /// A bare `ok` answers the oldest line in flight. The others set the count right where an `ok` got lost or was doubled.
    pub(super) fn answered_line(&mut self, window: &Window, heard: Heard, reach: usize) -> Option<u32> {
        match heard.line {
            Some(line) if line < window.cursor() => self.answered_by_number(window.oldest(), line),
            _ if heard.temperatures => self.answered_by_temperatures(window, reach),
            _ => Some(self.answered_by_count(window)),
        }
    }

    /// The conversation has come to a halt: what was overtaken will not be answered any more.
    pub(super) fn forget_overtaken(&mut self) {
        self.overtaken = None;
    }

    /// Replies have no checksum, so a number that skips lines is believed when the next one goes on from it.
    fn answered_by_number(&mut self, oldest: u32, line: u32) -> Option<u32> {
        let goes_on = self.claimed.replace(line).is_some_and(|before| before + 1 == line);
        (line >= oldest).then_some(if goes_on { line } else { oldest })
    }

    /// Temperatures behind an `ok` can only answer an M105; but not the one in flight if another has just been overtaken: then
    /// this is its own `ok` at last, and makes up for the one that was too many.
    fn answered_by_temperatures(&mut self, window: &Window, reach: usize) -> Option<u32> {
        self.inline = true;
        let oldest = window.oldest();
        match self.overtaken.take() {
            Some(line) if line < oldest && (oldest - line) as usize <= reach => None,
            _ => Some(window.oldest_poll().unwrap_or(oldest)),
        }
    }

    fn answered_by_count(&mut self, window: &Window) -> u32 {
        let oldest = window.oldest();
        if self.inline && window.oldest_poll() == Some(oldest) {
            self.overtaken = Some(oldest);
        }
        oldest
    }
}
