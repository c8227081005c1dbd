//! Bytes to the numbers of many lines.

use super::digits::{Column, Digits, equals, nondigits};

/// Most lines of a run.
pub(crate) const LINES: usize = 128;

/// Bytes of a line that are looked at.
const WINDOW: usize = 80;

/// Bytes before it that are loaded with its first digits, and mean nothing.
const LEAD: usize = 8;

/// So many bytes of a line are searched for what is no digit; a word that goes on behind them is not plain.
const SEEN: usize = 48;

/// Which words a line has.
pub(crate) mod named {
    pub(crate) const X: u8 = 1;
    pub(crate) const Y: u8 = 2;
    pub(crate) const Z: u8 = 4;
    pub(crate) const E: u8 = 8;
}

/// Moves that follow one upon another, as their lines ask for them: the modal state has not given them their meaning yet.
#[derive(Debug)]
pub(crate) struct Run {
    /// Moves read.
    pub(crate) moves: usize,
    /// Lines read: some only set the feed.
    pub(crate) lines: usize,
    /// Bytes of these lines.
    pub(crate) bytes: usize,
    /// Whether the last line was `G0`.
    pub(crate) rapid: bool,
    /// Feed behind the last line.
    pub(crate) feed: Feed,
    /// The one before it.
    other_feed: Feed,
    /// How many moves come before the first feed; more than there are if none is set.
    unfed: usize,
    /// Which words each move has: a sum of [`named`].
    pub(crate) named: [u8; LINES],
    /// Which of the lines each move is, from 1 on.
    pub(crate) line: [u32; LINES],
    /// How many bytes from the first one on each move's line ends.
    pub(crate) end: [u32; LINES],
    /// Feed of each move, mm/min.
    pub(crate) feeds: [f64; LINES],
    /// The inverse of each, min/mm.
    pub(crate) feed_inverse: [f64; LINES],
    /// Numbers behind Z, nm, where there are any.
    pub(crate) z: [f64; LINES],
    x: Column,
    y: Column,
    e: Column,
}

impl Default for Run {
    fn default() -> Self {
        Self {
            moves: 0,
            lines: 0,
            bytes: 0,
            rapid: false,
            feed: Feed::default(),
            other_feed: Feed::default(),
            unfed: usize::MAX,
            named: [0; LINES],
            line: [0; LINES],
            end: [0; LINES],
            feeds: [0.0; LINES],
            feed_inverse: [0.0; LINES],
            z: [0.0; LINES],
            x: Column::default(),
            y: Column::default(),
            e: Column::default(),
        }
    }
}

impl Run {
    /// Reads plain lines of at most `room` bytes beside their comments from `bytes[from..]`, for as long as one follows upon
    /// another and ends within them. `feed` is that in force, mm/min.
    ///
    /// Plain is: the command first, then upper-case letters in the order in which slicers write them, F before or behind the
    /// others, at most one blank before each, and right behind each a number of at most seven digits and six decimals.
    pub(crate) fn read(&mut self, bytes: &[u8], from: usize, room: usize, feed: f64) {
        self.feed = Feed { mm_min: feed, inverse: 1.0 / feed, digits: Digits::default() };
        self.unfed = usize::MAX;
        // The columns hold digits as they stand in little-endian words. Elsewhere every line goes the long way.
        let lines_max = if cfg!(target_endian = "big") { 0 } else { LINES };
        let mut at = At { moves: 0, lines: 0, bytes: 0 };
        while at.lines < lines_max {
            let start = from + at.bytes;
            let window = start.checked_sub(LEAD).and_then(|lead| bytes.get(lead..)?.first_chunk());
            let read = match window {
                Some(window) => self.read_line(at, window, &bytes[start..], room),
                None => self.read_line_at_edge(at, &bytes[start..], room),
            };
            let Some(next) = read else { break };
            at = next;
        }
        (self.moves, self.lines, self.bytes) = (at.moves, at.lines, at.bytes);
    }

    /// Has it begin with this feed, mm/min, and not with the one that it was read with.
    pub(crate) fn begin_with(&mut self, feed: f64) {
        let (mm_min, inverse) = (feed, 1.0 / feed);
        let unfed = self.unfed.min(self.moves);
        self.feeds[..unfed].fill(mm_min);
        self.feed_inverse[..unfed].fill(inverse);
        if self.unfed == usize::MAX {
            self.feed = Feed { mm_min, inverse, digits: Digits::default() };
        }
    }

    /// What is behind X, Y and E in each move, nm, or in the last one before it that names them; before the first, anything.
    pub(crate) fn numbers(&self, x: &mut [f64; LINES], y: &mut [f64; LINES], e: &mut [f64; LINES]) {
        self.x.read(self.moves, x);
        self.y.read(self.moves, y);
        self.e.read(self.moves, e);
    }

    #[cold]
    fn read_line_at_edge(&mut self, at: At, rest: &[u8], room: usize) -> Option<At> {
        let mut window = [0; LEAD + WINDOW];
        let seen = rest.len().min(WINDOW);
        window[LEAD..LEAD + seen].copy_from_slice(&rest[..seen]);
        self.read_line(at, &window, rest, room)
    }

    /// Reads the line at the head of `rest`, which `window` shows. `None` if it is not plain.
    #[inline(always)]
    fn read_line(&mut self, place: At, window: &[u8; LEAD + WINDOW], rest: &[u8], room: usize) -> Option<At> {
        let line: &[u8; WINDOW] = window.last_chunk().expect("a window holds one");
        let head = u32::from_le_bytes(*line.first_chunk().expect("four bytes"));
        if head & 0xff_feff != u32::from_le_bytes(*b"G0 \0") {
            return None;
        }
        let at = place.moves;
        let mut words = Words::behind_command(window, head);
        let mut named = 0;
        let mut feed = None;
        if words.letter == b'F' {
            std::hint::cold_path();
            feed = Some(words.number()?);
        }
        if words.letter == b'X' {
            self.x.put(at, words.number()?);
            named = named::X;
        } else {
            std::hint::cold_path();
            self.x.repeat(at);
        }
        if words.letter == b'Y' {
            self.y.put(at, words.number()?);
            named |= named::Y;
        } else {
            std::hint::cold_path();
            self.y.repeat(at);
        }
        if words.letter == b'Z' {
            std::hint::cold_path();
            self.z[at] = words.number()?.millionths();
            named |= named::Z;
        }
        if words.letter == b'E' {
            self.e.put(at, words.number()?);
            named |= named::E;
        } else {
            std::hint::cold_path();
            self.e.repeat(at);
        }
        if words.letter == b'F' && feed.is_none() {
            std::hint::cold_path();
            feed = Some(words.number()?);
        }
        let length = words.end(rest, room)?;
        if let Some(digits) = feed {
            std::hint::cold_path();
            self.take_feed(digits)?;
            self.unfed = self.unfed.min(at);
        }
        self.rapid = head & 0x100 == 0;
        self.named[at] = named;
        self.feeds[at] = self.feed.mm_min;
        self.feed_inverse[at] = self.feed.inverse;
        let next = At { moves: at + usize::from(named != 0), lines: place.lines + 1, bytes: place.bytes + length };
        self.line[at] = next.lines as u32;
        self.end[at] = next.bytes as u32;
        Some(next)
    }

    /// Most files change between two feeds all the time.
    #[inline(always)]
    fn take_feed(&mut self, digits: Digits) -> Option<()> {
        if digits == self.feed.digits {
            return Some(());
        }
        std::mem::swap(&mut self.feed, &mut self.other_feed);
        if digits != self.feed.digits {
            std::hint::cold_path();
            let mm_min = digits.millionths() / 1e6;
            if mm_min <= 0.0 {
                self.feed = self.other_feed;
                return None;
            }
            self.feed = Feed { mm_min, inverse: 1.0 / mm_min, digits };
        }
        Some(())
    }
}

/// A feed, and the digits that said so.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Feed {
    pub(crate) mm_min: f64,
    inverse: f64,
    digits: Digits,
}

/// How far a run has been read.
#[derive(Clone, Copy, Debug)]
struct At {
    moves: usize,
    lines: usize,
    bytes: usize,
}

/// The words of a line, one after the other.
#[derive(Clone, Copy)]
struct Words<'a> {
    /// The line behind its lead.
    window: &'a [u8; LEAD + WINDOW],
    /// What is no digit from `at` on: one bit for each byte that is seen.
    nondigits: u64,
    /// Where the first line feed is; 64 if none is seen. Looked for by itself, so that the next line can be begun before this
    /// one's words are all read.
    line_feed: usize,
    at: usize,
    /// What stands there.
    letter: u8,
}

impl<'a> Words<'a> {
    #[inline(always)]
    fn behind_command(window: &'a [u8; LEAD + WINDOW], head: u32) -> Self {
        const COMMAND: u64 = 0b111;
        let (chunks, _) = window[LEAD..].as_chunks::<16>();
        let seen = |find: fn(&[u8; 16]) -> u64| find(&chunks[0]) | find(&chunks[1]) << 16 | find(&chunks[2]) << 32;
        let line_feed = seen(|bytes| equals(bytes, b'\n')).trailing_zeros() as usize;
        let [.., letter] = head.to_le_bytes();
        Self { window, line_feed, nondigits: (seen(nondigits) | 1 << SEEN) & !COMMAND, at: 3, letter }
    }

    #[inline(always)]
    const fn byte(&self, at: usize) -> u8 {
        self.window[LEAD + at]
    }

    /// Where the next byte that is no digit stands; 64 if none is seen.
    #[inline(always)]
    const fn next_nondigit(&mut self) -> usize {
        let at = self.nondigits.trailing_zeros() as usize;
        self.nondigits &= self.nondigits.wrapping_sub(1);
        at
    }

    /// The eight bytes before this place.
    #[inline(always)]
    fn eight_before(&self, at: usize) -> [u8; 8] {
        *self.window[at..].first_chunk().expect("no byte behind the 72nd is asked for")
    }

    /// The number behind the letter that stands here, `None` if it is not plain. Then the next letter stands here.
    #[inline(always)]
    fn number(&mut self) -> Option<Digits> {
        let mut from = self.at + 1;
        self.next_nondigit();
        let mut end = self.next_nondigit();
        let is_negative = self.byte(from) == b'-';
        if is_negative {
            std::hint::cold_path();
            from += 1;
            end = self.next_nondigit();
        }
        let count = end.wrapping_sub(from);
        let mut digits = Digits::whole(self.eight_before(end), count, is_negative)?;
        if self.byte(end) == b'.' {
            let point = end;
            end = self.next_nondigit();
            let decimals = end - point - 1;
            digits = digits.with_fraction(self.eight_before(point + 7), decimals)?;
            if count == 0 && decimals == 0 {
                return None;
            }
        } else {
            std::hint::cold_path();
            if count == 0 {
                return None;
            }
        }
        if self.byte(end) == b' ' {
            self.at = end + 1;
        } else {
            std::hint::cold_path();
            self.at = end;
            self.nondigits |= 1 << end;
        }
        self.letter = self.byte(self.at);
        Some(digits)
    }

    /// How long the line is, its end included, if nothing but a comment is left of it.
    #[inline(always)]
    fn end(&self, rest: &[u8], room: usize) -> Option<usize> {
        if self.letter == b'\n' {
            return (self.line_feed <= room).then_some(self.line_feed + 1);
        }
        std::hint::cold_path();
        if self.at > room {
            return None;
        }
        match self.letter {
            b'\r' if self.at < room && self.byte(self.at + 1) == b'\n' => Some(self.at + 2),
            b';' => {
                let length = memchr::memchr2(b'\n', 0, rest.get(self.at..)?)?;
                (rest[self.at + length] == b'\n').then_some(self.at + length + 1)
            }
            _ => None,
        }
    }
}
