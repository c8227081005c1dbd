//! Lines out of bytes that come cut anywhere.

/// Bytes of a line that are kept. What is longer can only be a comment, or was refused.
const LINE_BYTES_MAX: usize = 64 * 1024;

/// The beginning of a line whose end has not come yet.
#[derive(Debug, Default)]
pub(super) struct Cutter {
    carry: Vec<u8>,
}

impl Cutter {
    /// Takes the next bytes and gives every line that they complete, without its line feed.
    pub(super) fn take(&mut self, bytes: &[u8], mut line: impl FnMut(&[u8])) {
        let mut rest = bytes;
        while let Some(length) = memchr::memchr(b'\n', rest) {
            if self.carry.is_empty() {
                line(&rest[..length.min(LINE_BYTES_MAX)]);
            } else {
                self.keep(&rest[..length]);
                line(&self.carry);
                self.carry.clear();
            }
            rest = &rest[length + 1..];
        }
        self.keep(rest);
    }

    /// Gives what stands behind the last line feed.
    pub(super) fn finish(&mut self, mut line: impl FnMut(&[u8])) {
        if !self.carry.is_empty() {
            line(&self.carry);
            self.carry.clear();
        }
    }

    fn keep(&mut self, bytes: &[u8]) {
        let room = LINE_BYTES_MAX.saturating_sub(self.carry.len());
        self.carry.extend_from_slice(&bytes[..bytes.len().min(room)]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_the_same_however_the_bytes_are_cut() {
        let text = b"G28\n\nG1 X1\r\nG1 X2";
        for size in 1..=text.len() {
            let (mut cutter, mut lines) = (Cutter::default(), Vec::new());
            for piece in text.chunks(size) {
                cutter.take(piece, |line| lines.push(line.to_vec()));
            }
            cutter.finish(|line| lines.push(line.to_vec()));
            assert_eq!(lines, [&b"G28"[..], b"", b"G1 X1\r", b"G1 X2"], "in pieces of {size}");
        }
    }

    #[test]
    fn a_line_beyond_the_cap_is_the_same_whether_it_comes_whole_or_in_pieces() {
        let mut text = vec![b'x'; LINE_BYTES_MAX + 5];
        text.extend(b"\nG28\n");
        for size in [100, LINE_BYTES_MAX + 2, text.len()] {
            let (mut cutter, mut lengths) = (Cutter::default(), Vec::new());
            for piece in text.chunks(size) {
                cutter.take(piece, |line| lengths.push(line.len()));
            }
            assert_eq!(lengths, [LINE_BYTES_MAX, 3], "in pieces of {size}");
        }
    }

    #[test]
    fn a_line_without_end_takes_no_more_memory_than_its_cap() {
        let mut cutter = Cutter::default();
        for _ in 0..100 {
            cutter.take(&[b'x'; 4096], |_| panic!("there is no line feed"));
        }
        assert_eq!(cutter.carry.len(), LINE_BYTES_MAX);
    }
}
