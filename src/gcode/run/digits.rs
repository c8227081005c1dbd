//! Numbers as they stand in a line, and what they mean, many at once.

use wide::{CmpEq, CmpGt, f64x2, i8x16, i16x8, i32x8};

use super::read::LINES;

/// Most digits before the point.
const WHOLE_MAX: usize = 7;

/// Most digits behind the point: nanometres.
const FRACTION_MAX: usize = 6;

/// The highest bytes of a word, as many as there are digits.
const WHOLE_KEPT: [u64; WHOLE_MAX + 1] = {
    let mut kept = [0; WHOLE_MAX + 1];
    let mut count = 1;
    while count <= WHOLE_MAX {
        kept[count] = u64::MAX << (64 - 8 * count);
        count += 1;
    }
    kept
};

/// Bytes of a word from the third on, as many as there are digits.
const FRACTION_KEPT: [u64; FRACTION_MAX + 1] = {
    let mut kept = [0; FRACTION_MAX + 1];
    let mut count = 1;
    while count <= FRACTION_MAX {
        kept[count] = u64::MAX >> (64 - 8 * count) << 16;
        count += 1;
    }
    kept
};

/// Marks a negative number, in the byte of the whole part that no digit comes to.
const NEGATIVE: u64 = 0x80;

/// Which of 16 bytes are this one: one bit each, the first byte's the lowest.
#[inline(always)]
pub(super) fn equals(bytes: &[u8; 16], byte: u8) -> u64 {
    let mask = bytemuck::cast::<_, i8x16>(*bytes).cmp_eq(i8x16::splat(byte.cast_signed())).move_mask();
    u64::from(mask.cast_unsigned() as u16)
}

/// Which of 16 bytes are no digits: one bit each, the first byte's the lowest.
#[inline(always)]
pub(super) fn nondigits(bytes: &[u8; 16]) -> u64 {
    // Compared as signed numbers: the digits become the ten least ones.
    const TO_LEAST: i8 = i8::MIN.wrapping_sub(b'0'.cast_signed());
    let shifted = bytemuck::cast::<_, i8x16>(*bytes) + i8x16::splat(TO_LEAST);
    let mask = shifted.cmp_gt(i8x16::splat(i8::MIN + 9)).move_mask();
    u64::from(mask.cast_unsigned() as u16)
}

/// The digits of one number, each in the low half of a byte; high halves mean nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Digits {
    /// Those before the point: the last in the highest byte, zeros below the first; in the lowest byte the sign.
    whole: u64,
    /// Those behind it, the first in the third byte, zeros behind the last.
    fraction: u64,
}

impl Digits {
    /// From the eight bytes that end with the last of `count` digits. `None` if they are too many.
    #[inline(always)]
    pub(super) fn whole(bytes: [u8; 8], count: usize, is_negative: bool) -> Option<Self> {
        let whole = u64::from_le_bytes(bytes) & WHOLE_KEPT.get(count)?;
        Some(Self { whole: if is_negative { whole | NEGATIVE } else { whole }, fraction: 0 })
    }

    /// The same number with digits behind its point, from the eight bytes that begin one before the point. `None` if the digits
    /// are too many.
    #[inline(always)]
    pub(super) fn with_fraction(self, bytes: [u8; 8], count: usize) -> Option<Self> {
        Some(Self { fraction: u64::from_le_bytes(bytes) & FRACTION_KEPT.get(count)?, ..self })
    }

    /// What they mean, in millionths.
    pub(super) fn millionths(self) -> f64 {
        values([self.whole, 0], [self.fraction, 0])[0]
    }
}

/// Numbers behind the same letter, line by line.
#[derive(Debug)]
pub(super) struct Column {
    whole: [u64; LINES],
    fraction: [u64; LINES],
}

impl Default for Column {
    fn default() -> Self {
        Self { whole: [0; LINES], fraction: [0; LINES] }
    }
}

impl Column {
    #[inline(always)]
    pub(super) const fn put(&mut self, at: usize, digits: Digits) {
        self.whole[at] = digits.whole;
        self.fraction[at] = digits.fraction;
    }

    /// The same as in the line before.
    #[inline(always)]
    pub(super) const fn repeat(&mut self, at: usize) {
        let before = at.saturating_sub(1);
        self.whole[at] = self.whole[before];
        self.fraction[at] = self.fraction[before];
    }

    /// What the first `count` of them mean, in millionths: whole numbers below 2^53, and so exact.
    pub(super) fn read(&self, count: usize, millionths: &mut [f64; LINES]) {
        let (whole, _) = self.whole.as_chunks::<2>();
        let (fraction, _) = self.fraction.as_chunks::<2>();
        let (out, _) = millionths.as_chunks_mut::<2>();
        for ((whole, fraction), out) in whole.iter().zip(fraction).zip(out).take(count.div_ceil(2)) {
            *out = values(*whole, *fraction);
        }
    }
}

/// What two numbers mean, in millionths.
#[inline(always)]
fn values(whole: [u64; 2], fraction: [u64; 2]) -> [f64; 2] {
    // By twos, by fours, by eights.
    let by_fours: i32x8 = bytemuck::cast([fours(whole), fours(fraction)]);
    let by_eights = i16x8::from_i32x8_saturate(by_fours).dot(i16x8::new([10_000, 1, 10_000, 1, 10_000, 1, 10_000, 1]));
    let [numbers, fractions]: [u64; 2] = bytemuck::cast(by_eights);
    let float = |two: u64| f64x2::from_i32x4_lower2(bytemuck::cast([two, 0]));
    let values: f64x2 = float(numbers) * f64x2::splat(1e6) + float(fractions);
    let signs: f64x2 = bytemuck::cast([(whole[0] & NEGATIVE) << 56, (whole[1] & NEGATIVE) << 56]);
    f64x2::to_array(values | signs)
}

/// Two words of eight digits as four numbers of four digits.
#[inline(always)]
fn fours(words: [u64; 2]) -> wide::i32x4 {
    let pairs: i16x8 = bytemuck::cast(words);
    let digit = i16x8::splat(0x0f);
    let tens: i16x8 = (pairs & digit) * i16x8::splat(10);
    let twos: i16x8 = tens + ((pairs >> 8_i32) & digit);
    twos.dot(i16x8::new([100, 1, 100, 1, 100, 1, 100, 1]))
}
