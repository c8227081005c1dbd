//! Sums and extremes of many figures, several at a time, so that none waits for the one before it.
//!
//! All of it is `#[inline(always)]`: in the loops of who asks it becomes one with what is done to each figure.

/// As many as keep a processor busy.
const LANES: usize = 8;

/// The sum of `value` over both lists, which are equally long.
#[inline(always)]
pub(crate) fn sum(left: &[f64], right: &[f64], value: impl Fn(f64, f64) -> f64) -> f64 {
    let mut sums = [0.0; LANES];
    let ((left, left_rest), (right, right_rest)) = (left.as_chunks::<LANES>(), right.as_chunks::<LANES>());
    for (left, right) in left.iter().zip(right) {
        for lane in 0..LANES {
            sums[lane] += value(left[lane], right[lane]);
        }
    }
    for (sum, (left, right)) in sums.iter_mut().zip(left_rest.iter().zip(right_rest)) {
        *sum += value(*left, *right);
    }
    sums.iter().sum()
}

/// The least and the greatest of a list; infinite where it is empty.
#[inline(always)]
pub(crate) fn extremes(list: &[f64]) -> (f64, f64) {
    let (mut least, mut greatest) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let mut take = |lane: usize, value: f64| {
        least[lane] = smaller(value, least[lane]);
        greatest[lane] = larger(value, greatest[lane]);
    };
    let (chunks, rest) = list.as_chunks::<LANES>();
    for chunk in chunks {
        for (lane, value) in chunk.iter().enumerate() {
            take(lane, *value);
        }
    }
    for (lane, value) in rest.iter().enumerate() {
        take(lane, *value);
    }
    (least.into_iter().fold(f64::INFINITY, f64::min), greatest.into_iter().fold(f64::NEG_INFINITY, f64::max))
}

/// Works with the widest registers that the processor has: what the compiler may count on everywhere is half as wide on most.
/// The work must be inlined: what it calls is made for any processor.
#[inline(always)]
pub(crate) fn at_full_width<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}

/// Not `f64::max`, which minds what is no number: nothing here is none.
#[inline(always)]
pub(crate) const fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// Not `f64::min`, for the same reason.
#[inline(always)]
pub(crate) const fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}
