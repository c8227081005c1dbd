//! The replies on their way to the host.

use std::collections::VecDeque;
use std::time::Duration;

use crate::units::Moment;

/// Replies, each with the moment at which it leaves.
#[derive(Clone, Debug)]
pub(super) struct Output {
    delay: Duration,
    waiting: VecDeque<(Moment, Vec<u8>)>,
    waiting_bytes: usize,
    lose_ok: u32,
    double_ok: u32,
}

/// What a link keeps while nobody reads. Older replies are lost.
const KEPT_BYTES_MAX: usize = 65_536;

impl Output {
    pub(super) fn new(delay: Duration) -> Self {
        Self { delay, waiting: VecDeque::new(), waiting_bytes: 0, lose_ok: 0, double_ok: 0 }
    }

    /// Says a line; the line end is added.
    pub(super) fn say(&mut self, now: Moment, text: &str) {
        let mut bytes = text.as_bytes().to_vec();
        bytes.push(b'\n');
        self.waiting_bytes += bytes.len();
        self.waiting.push_back((now + self.delay, bytes));
        while self.waiting_bytes > KEPT_BYTES_MAX
            && let Some((_, oldest)) = self.waiting.pop_front()
        {
            self.waiting_bytes -= oldest.len();
        }
    }

    /// Says a line that begins with `ok`, unless it is to be lost; twice, if it is to be doubled.
    pub(super) fn say_ok(&mut self, now: Moment, text: &str) {
        if self.lose_ok > 0 {
            self.lose_ok -= 1;
            return;
        }
        self.say(now, text);
        if self.double_ok > 0 {
            self.double_ok -= 1;
            self.say(now, text);
        }
    }

    pub(super) fn lose_next_ok(&mut self) {
        self.lose_ok += 1;
    }

    pub(super) fn double_next_ok(&mut self) {
        self.double_ok += 1;
    }

    /// When the next reply leaves.
    pub(super) fn next(&self) -> Option<Moment> {
        self.waiting.front().map(|(due, _)| *due)
    }

    /// All that has left by now.
    pub(super) fn poll(&mut self, now: Moment) -> Option<Vec<u8>> {
        let mut out = Vec::new();
        while let Some((_, bytes)) = self.waiting.pop_front_if(|(due, _)| *due <= now) {
            self.waiting_bytes -= bytes.len();
            out.extend(bytes);
        }
        (!out.is_empty()).then_some(out)
    }

    /// Nobody hears what was said so far.
    pub(super) fn discard(&mut self) {
        self.waiting.clear();
        self.waiting_bytes = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn replies_leave_after_their_delay() {
        let mut output = Output::new(Duration::from_millis(4));
        output.say(Moment(1_000), "ok");
        assert_eq!((output.next(), output.poll(Moment(4_999))), (Some(Moment(5_000)), None));
        assert_eq!(output.poll(Moment(5_000)).as_deref(), Some(&b"ok\n"[..]));
    }

    #[test]
    fn an_ok_can_be_lost_and_doubled() {
        let mut output = Output::new(Duration::ZERO);
        output.lose_next_ok();
        output.double_next_ok();
        for text in ["ok 1", "ok 2", "ok 3"] {
            output.say_ok(Moment::ZERO, text);
        }
        assert_eq!(output.poll(Moment::ZERO).as_deref(), Some(&b"ok 2\nok 2\nok 3\n"[..]));
    }

    #[test]
    fn what_nobody_reads_does_not_pile_up() {
        let mut output = Output::new(Duration::ZERO);
        for _ in 0..10_000 {
            output.say(Moment::ZERO, "T:20.00 /0.00 B:20.00 /0.00");
        }
        output.say(Moment::ZERO, "last");
        let kept = output.poll(Moment::ZERO).expect("something is kept");
        assert!(kept.len() <= KEPT_BYTES_MAX && kept.ends_with(b"last\n"));
    }
}
