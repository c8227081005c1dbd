//! What time it is, and what has been measured until then.

use std::time::Instant;

/// Now, by the machine's own clock.
#[expect(clippy::disallowed_methods, reason = "a bench measures the machine's own time")]
pub(crate) fn now() -> Instant {
    Instant::now()
}

/// The value that this share of all does not pass, by nearest rank; 0.5 is the median.
pub(crate) fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in the list")]
    let rank = (share * values.len() as f64).ceil() as usize;
    *values.get(rank.max(1) - 1).expect("something was measured")
}
