//! Quantities with their units. No bare `f64` crosses a room's border without its unit in a type or a name.

use std::fmt;
use std::ops::{Add, AddAssign, Neg, Sub, SubAssign};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident($inner:ty), $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub $inner);

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }

        impl SubAssign for $name {
            fn sub_assign(&mut self, other: Self) {
                self.0 -= other.0;
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                f.write_str($unit)
            }
        }
    };
}

quantity! {
    /// A length in millimetres, the unit of sliced files.
    Millimetres(f64), " mm"
}
quantity! {
    /// Belt travel in whole micrometres: what the odometer counts, so that nothing is lost to rounding.
    Micrometres(i64), " µm"
}
quantity! {
    /// A temperature in degrees Celsius.
    Celsius(f64), " °C"
}
quantity! {
    /// A speed in millimetres a minute, the unit of `F` words.
    MillimetresPerMinute(f64), " mm/min"
}

impl Eq for Micrometres {}

impl Millimetres {
    /// To the nearest whole micrometre.
    #[must_use]
    pub fn to_micrometres(self) -> Micrometres {
        #[expect(clippy::cast_possible_truncation, reason = "belt travel is far below 2^53 µm")]
        Micrometres((self.0 * 1000.0).round() as i64)
    }
}

impl Micrometres {
    /// The same length in millimetres; exact below 2^53 µm.
    #[must_use]
    pub fn to_millimetres(self) -> Millimetres {
        #[expect(clippy::cast_precision_loss, reason = "belt travel is far below 2^53 µm")]
        Millimetres(self.0 as f64 / 1000.0)
    }
}

/// A point on a line's own monotonic clock, in microseconds since the daemon started.
///
/// Nothing above the bar reads a clock; it is given moments.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(pub u64);

impl Moment {
    /// The start of the clock.
    pub const ZERO: Self = Self(0);

    /// Time since `earlier`; zero if `earlier` is later.
    #[must_use]
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_micros(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for Moment {
    type Output = Self;
    fn add(self, span: Duration) -> Self {
        Self(self.0.saturating_add(u64::try_from(span.as_micros()).unwrap_or(u64::MAX)))
    }
}

/// A point in civil time, in milliseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct UnixMillis(pub i64);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn micrometres_round_half_away_and_come_back() {
        assert_eq!(Millimetres(0.0005).to_micrometres(), Micrometres(1));
        assert_eq!(Millimetres(-12.3456).to_micrometres(), Micrometres(-12_346));
        assert_eq!(Micrometres(182_500).to_millimetres(), Millimetres(182.5));
    }

    #[test]
    fn moments_do_not_run_backwards() {
        assert_eq!(Moment(5).since(Moment(9)), Duration::ZERO);
        assert_eq!(Moment(5) + Duration::from_millis(2), Moment(2005));
    }
}
