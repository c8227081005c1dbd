//! What a printer makes of the bytes that come in: lines, each with the moment when its answer is through.

use std::time::{Duration, Instant};

use nosebar::wire::checksum;

/// Bits that a byte takes on the cable.
const BITS: f64 = 10.0;
/// Lines at the beginning that are not counted: the handshake, and what a print begins with.
const UNCOUNTED: u64 = 24;

/// Takes lines one after another, as fast as the cable has them.
pub(crate) struct Intake {
    /// Seconds that a byte takes; 0 where the cable is not the limit.
    byte_s: f64,
    delay: Duration,
    bytes: Vec<u8>,
    /// When the line before was in, and when its answer was out.
    in_at: Instant,
    out_at: Instant,
    wanted: Option<u32>,
    bed_c: String,
    nozzle_c: String,
}

/// What has come in until now.
#[derive(Clone, Debug, Default)]
pub(crate) struct Taken {
    /// Lines, those at the beginning included.
    pub(crate) lines: u64,
    /// When the first line that counts was in, and the last one.
    span: Option<(Instant, Instant)>,
    /// Lines since then, and how long they took on the cable.
    counted: u64,
    cable: Duration,
    /// From the end of one of them to the end of the next, at most.
    pub(crate) longest_gap: Duration,
    /// Lines and bytes without an answer, now and at most.
    waiting: (usize, usize),
    pub(crate) most_waiting: (usize, usize),
    /// Lines with a wrong number or checksum.
    pub(crate) wrong: u64,
}

impl Taken {
    /// Lines a second, once enough have come in.
    pub(crate) fn lines_per_s(&self) -> f64 {
        self.counted as f64 / self.span_s()
    }

    /// Share of the time in which the cable was in use.
    pub(crate) fn share(&self) -> f64 {
        self.cable.as_secs_f64() / self.span_s()
    }

    fn span_s(&self) -> f64 {
        self.span.map_or(f64::NAN, |(first, last)| last.duration_since(first).as_secs_f64())
    }

    /// Forgets what share of the cable was in use.
    pub(crate) fn count_anew(&mut self) {
        self.span = None;
        (self.counted, self.cable, self.longest_gap) = (0, Duration::ZERO, Duration::ZERO);
    }

    /// A line of so many bytes has been answered.
    pub(crate) fn answered(&mut self, bytes: usize) {
        let (waiting_lines, waiting_bytes) = self.waiting;
        self.waiting = (waiting_lines.saturating_sub(1), waiting_bytes.saturating_sub(bytes));
    }

    fn count(&mut self, bytes: usize, in_at: Instant, took: Duration) {
        self.lines += 1;
        self.waiting = (self.waiting.0 + 1, self.waiting.1 + bytes);
        self.most_waiting = (self.most_waiting.0.max(self.waiting.0), self.most_waiting.1.max(self.waiting.1));
        match &mut self.span {
            Some((_, last)) => {
                self.longest_gap = self.longest_gap.max(in_at.duration_since(*last));
                *last = in_at;
                self.counted += 1;
                self.cable += took;
            }
            None if self.lines >= UNCOUNTED => self.span = Some((in_at, in_at)),
            None => {}
        }
    }
}

impl Intake {
    pub(crate) fn new(baud: Option<u32>, delay: Duration, now: Instant) -> Self {
        Self {
            byte_s: baud.map_or(0.0, |baud| BITS / f64::from(baud)),
            delay,
            bytes: Vec::new(),
            in_at: now,
            out_at: now,
            wanted: None,
            bed_c: "0".to_owned(),
            nozzle_c: "0".to_owned(),
        }
    }

    pub(crate) fn handle_bytes(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
    }

    /// The next line that is whole, without its end.
    pub(crate) fn next_line(&mut self) -> Option<Vec<u8>> {
        let end = memchr::memchr(b'\n', &self.bytes)?;
        let line = self.bytes[..end].to_vec();
        self.bytes.drain(..=end);
        Some(line)
    }

    /// Takes a line that was read then. Gives its answer, and when the last byte of that is through. Empty lines have none.
    pub(crate) fn take(&mut self, read_at: Instant, line: &[u8], taken: &mut Taken) -> Option<(Instant, Vec<u8>)> {
        if line.is_empty() {
            return None;
        }
        let command = self.command(line).unwrap_or_else(|| {
            taken.wrong += 1;
            Vec::new()
        });
        let answer = self.answer(&command);
        let took = self.cable_time(line.len() + 1);
        self.in_at = self.in_at.max(read_at) + took;
        self.out_at = self.out_at.max(self.in_at + self.delay) + self.cable_time(answer.len());
        taken.count(line.len() + 1, self.in_at, took);
        Some((self.out_at, answer))
    }

    fn cable_time(&self, bytes: usize) -> Duration {
        Duration::from_secs_f64(self.byte_s * bytes as f64)
    }

    /// The command on a line, if number and checksum are right.
    fn command(&mut self, line: &[u8]) -> Option<Vec<u8>> {
        let star = memchr::memrchr(b'*', line)?;
        let sum: u8 = std::str::from_utf8(&line[star + 1..]).ok()?.parse().ok()?;
        let blank = memchr::memchr(b' ', line)?;
        let number: u32 = std::str::from_utf8(line.get(1..blank)?).ok()?.parse().ok()?;
        let command = line.get(blank + 1..star)?.to_vec();
        let sets = command.starts_with(b"M110");
        let right = sum == checksum(&line[..star]) && (sets || self.wanted.is_none_or(|wanted| wanted == number));
        self.wanted = Some(if sets { 1 } else { number + 1 });
        right.then_some(command)
    }

    /// Heaters are as hot as they shall be at once.
    fn answer(&mut self, command: &[u8]) -> Vec<u8> {
        let text = String::from_utf8_lossy(command);
        let target = || text.split(' ').find_map(|word| word.strip_prefix('S')).map(str::to_owned);
        match text.split(' ').next() {
            Some("M140" | "M190") => self.bed_c = target().unwrap_or_else(|| self.bed_c.clone()),
            Some("M104" | "M109") => self.nozzle_c = target().unwrap_or_else(|| self.nozzle_c.clone()),
            Some("M105") => {
                let (bed, nozzle) = (&self.bed_c, &self.nozzle_c);
                return format!("ok T:{nozzle} /{nozzle} B:{bed} /{bed}\n").into_bytes();
            }
            _ => {}
        }
        b"ok\n".to_vec()
    }
}
