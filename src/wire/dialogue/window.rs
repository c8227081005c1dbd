//! The lines that were sent: those in flight, those to be sent again, and some older ones in case the printer asks.

use std::collections::VecDeque;

use super::event::Ticket;

/// Acknowledged lines that are kept. A printer asks for one only if an `ok` too many was heard, so a few are plenty.
const HISTORY: u32 = 64;

/// A line as it was sent.
#[derive(Debug)]
struct SentLine {
    /// With number, checksum and line break.
    bytes: Vec<u8>,
    /// Whose command it is; nobody's when the dialogue asks on its own account.
    ticket: Option<Ticket>,
    /// Whether it asks for temperatures (M105).
    polls: bool,
    /// Whether its acknowledgement has been told.
    told: bool,
}

/// Numbers rise: `first ≤ oldest ≤ cursor ≤ next`. Lines from `oldest` up to `cursor` are in flight, those from `cursor` up to
/// `next` are to be sent again, those before `oldest` are history.
#[derive(Debug)]
pub(super) struct Window {
    lines: VecDeque<SentLine>,
    first: u32,
    oldest: u32,
    cursor: u32,
}

impl Window {
    /// An empty window whose first line will have the number `first`.
    pub(super) fn new(first: u32) -> Self {
        Self { lines: VecDeque::new(), first, oldest: first, cursor: first }
    }

    /// Number of the oldest line that could be sent again.
    pub(super) fn first(&self) -> u32 {
        self.first
    }

    /// Number of the oldest line without acknowledgement.
    pub(super) fn oldest(&self) -> u32 {
        self.oldest
    }

    /// Number of the next line to leave, anew or again.
    pub(super) fn cursor(&self) -> u32 {
        self.cursor
    }

    /// Number of the next new line.
    pub(super) fn next(&self) -> u32 {
        self.first + u32::try_from(self.lines.len()).expect("invariant: history and window are short")
    }

    /// Whether lines are to be sent again.
    pub(super) fn repeats(&self) -> bool {
        self.cursor < self.next()
    }

    /// Whether line `number` is still here.
    pub(super) fn holds(&self, number: u32) -> bool {
        (self.first..self.next()).contains(&number)
    }

    /// Number of lines in flight.
    pub(super) fn in_flight(&self) -> usize {
        self.flight().len()
    }

    /// Bytes in flight.
    pub(super) fn bytes_in_flight(&self) -> usize {
        self.flight().map(|line| line.bytes.len()).sum()
    }

    /// Lines in flight that are somebody's commands, and their bytes.
    pub(super) fn commands_in_flight(&self) -> (usize, usize) {
        let commands = self.flight().filter(|line| line.ticket.is_some());
        commands.fold((0, 0), |(lines, bytes), line| (lines + 1, bytes + line.bytes.len()))
    }

    /// Whether any line in flight is the dialogue's own.
    pub(super) fn own_in_flight(&self) -> bool {
        self.flight().any(|line| line.ticket.is_none())
    }

    /// Whether something is in flight, and all of it is the dialogue's own.
    pub(super) fn only_own_in_flight(&self) -> bool {
        self.in_flight() > 0 && self.flight().all(|line| line.ticket.is_none())
    }

    /// The oldest line in flight that asks for temperatures.
    pub(super) fn oldest_poll(&self) -> Option<u32> {
        (self.oldest..self.cursor).zip(self.flight()).find(|(_, line)| line.polls).map(|(number, _)| number)
    }

    /// Takes a new line that is about to leave. Nothing may be waiting to be sent again.
    pub(super) fn push(&mut self, bytes: Vec<u8>, ticket: Option<Ticket>, polls: bool) {
        debug_assert!(!self.repeats(), "invariant: lines leave in order");
        self.lines.push_back(SentLine { bytes, ticket, polls, told: false });
        self.cursor += 1;
        while self.first + HISTORY < self.oldest {
            self.lines.pop_front();
            self.first += 1;
        }
    }

    /// The next line to be sent again.
    pub(super) fn repeat(&self) -> Option<&[u8]> {
        self.lines.get(self.index(self.cursor)).map(|line| line.bytes.as_slice())
    }

    /// The line that [`repeat`](Self::repeat) gave has left.
    pub(super) fn repeated(&mut self) {
        self.cursor += 1;
    }

    /// The oldest line in flight has been acknowledged. Gives its ticket, unless that has been told before.
    pub(super) fn acknowledge(&mut self) -> Option<Ticket> {
        if self.oldest == self.cursor {
            return None;
        }
        let index = self.index(self.oldest);
        self.oldest += 1;
        let line = &mut self.lines[index];
        let told = std::mem::replace(&mut line.told, true);
        line.ticket.filter(|_| !told)
    }

    /// The printer wants line `number`, which is here: it leaves next. What comes before it has been received, so what was
    /// acknowledged before is not waited for again.
    pub(super) fn go_back(&mut self, number: u32) {
        debug_assert!(self.holds(number), "invariant: only lines that are here are sent again");
        self.cursor = number;
        self.oldest = self.oldest.min(number);
        self.skip_told();
    }

    /// The printer has received every line.
    pub(super) fn received_all(&mut self) {
        self.cursor = self.next();
        self.skip_told();
    }

    /// Every command that has not been acknowledged, in order.
    pub(super) fn untold(&self) -> impl Iterator<Item = Ticket> + '_ {
        self.lines.iter().filter(|line| !line.told).filter_map(|line| line.ticket)
    }

    fn skip_told(&mut self) {
        while self.oldest < self.cursor && self.lines[self.index(self.oldest)].told {
            self.oldest += 1;
        }
    }

    fn flight(&self) -> impl ExactSizeIterator<Item = &SentLine> + '_ {
        self.lines.range(self.index(self.oldest)..self.index(self.cursor))
    }

    fn index(&self, number: u32) -> usize {
        (number - self.first) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(lines: u64) -> Window {
        let mut window = Window::new(10);
        for ticket in 0..lines {
            window.push(vec![b'x'; 20], Some(Ticket(ticket)), false);
        }
        window
    }

    #[test]
    fn lines_are_acknowledged_in_order_and_an_ok_too_many_is_nothing() {
        let mut window = window(2);
        assert_eq!((window.in_flight(), window.bytes_in_flight(), window.next()), (2, 40, 12));
        assert_eq!(window.acknowledge(), Some(Ticket(0)));
        assert_eq!(window.acknowledge(), Some(Ticket(1)));
        assert_eq!(window.acknowledge(), None);
        assert_eq!((window.in_flight(), window.oldest()), (0, 12));
    }

    #[test]
    fn going_back_leaves_what_was_received_in_flight() {
        let mut window = window(4);
        window.go_back(12);
        assert_eq!((window.in_flight(), window.repeats()), (2, true));
        window.repeated();
        assert_eq!(window.in_flight(), 3);
    }

    #[test]
    fn a_line_that_was_acknowledged_too_early_is_told_once() {
        let mut window = window(3);
        window.acknowledge();
        window.acknowledge();
        window.go_back(11);
        assert_eq!((window.oldest(), window.in_flight()), (11, 0));
        window.repeated();
        assert_eq!(window.acknowledge(), None, "told before");
        window.repeated();
        assert_eq!(window.acknowledge(), Some(Ticket(2)));
    }

    #[test]
    fn old_lines_are_forgotten_but_none_in_flight() {
        let mut window = window(200);
        assert_eq!(window.first(), 10);
        for _ in 0..200 {
            window.acknowledge();
        }
        window.push(vec![b'x'], None, false);
        assert_eq!((window.first(), window.next()), (210 - HISTORY, 211));
        assert!(window.holds(210) && !window.holds(100));
    }
}
