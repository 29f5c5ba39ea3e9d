//! Quantities that carry their unit in their type, and the instant.
//!
//! Not a unit library: six quantities and one instant are all this program
//! needs, and none of them knows a sensor or a place.

use std::fmt;
use std::ops::{Add, Sub};

use chrono::{DateTime, SecondsFormat, Utc};

/// Why a number could not become a quantity.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// The number is NaN or infinite.
    #[error("{quantity} is not a finite number")]
    NotFinite {
        /// What the number was meant to be.
        quantity: &'static str,
    },
    /// The number lies outside what the quantity can be.
    #[error("{quantity} {value} is outside {low}–{high} {unit}")]
    OutOfRange {
        /// What the number was meant to be.
        quantity: &'static str,
        /// The number.
        value: f64,
        /// Lowest possible value.
        low: f64,
        /// Highest possible value.
        high: f64,
        /// The unit of all three.
        unit: &'static str,
    },
}

fn within(
    quantity: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
    value: f64,
) -> Result<f64, UnitError> {
    if !value.is_finite() {
        return Err(UnitError::NotFinite { quantity });
    }
    if value < low || value > high {
        return Err(UnitError::OutOfRange { quantity, value, low, high, unit });
    }
    Ok(value)
}

/// A temperature, °C. A point on the scale, not a difference.
///
/// Two temperatures cannot be added:
/// ```compile_fail
/// use vernalog::units::Celsius;
/// let sum = Celsius::new(3.0).unwrap() + Celsius::new(4.0).unwrap();
/// ```
/// Their difference is a [`CelsiusSpan`]:
/// ```
/// use vernalog::units::{Celsius, CelsiusSpan};
/// let span = Celsius::new(7.0).unwrap() - Celsius::new(4.0).unwrap();
/// assert_eq!(span, CelsiusSpan::new(3.0).unwrap());
/// ```
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Celsius(f64);

impl Celsius {
    /// A temperature above absolute zero.
    ///
    /// # Errors
    /// [`UnitError`] when `value` is not finite or below −273.15 °C.
    pub fn new(value: f64) -> Result<Self, UnitError> {
        within("temperature", "°C", -273.15, 1.0e4, value).map(Self)
    }

    /// A temperature stated in degrees Fahrenheit.
    ///
    /// # Errors
    /// As [`Celsius::new`].
    pub fn from_fahrenheit(value: f64) -> Result<Self, UnitError> {
        Self::new((value - 32.0) / 1.8)
    }

    /// The number of degrees Celsius.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.0
    }
}

impl Sub for Celsius {
    type Output = CelsiusSpan;
    fn sub(self, other: Self) -> CelsiusSpan {
        CelsiusSpan(self.0 - other.0)
    }
}

impl Add<CelsiusSpan> for Celsius {
    type Output = Self;
    fn add(self, span: CelsiusSpan) -> Self {
        Self(self.0 + span.0)
    }
}

/// A difference between two temperatures, °C.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct CelsiusSpan(f64);

impl CelsiusSpan {
    /// A finite difference.
    ///
    /// # Errors
    /// [`UnitError::NotFinite`] when `value` is NaN or infinite.
    pub fn new(value: f64) -> Result<Self, UnitError> {
        within("temperature difference", "°C", -1.0e4, 1.0e4, value).map(Self)
    }

    /// The number of degrees.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.0
    }
}

/// Relative humidity over liquid water, also below freezing.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct RelativeHumidity(f64);

impl RelativeHumidity {
    /// Humidity from a percentage.
    ///
    /// # Errors
    /// [`UnitError`] outside 0–100 % or when not finite.
    pub fn from_percent(value: f64) -> Result<Self, UnitError> {
        within("humidity", "%", 0.0, 100.0, value).map(|v| Self(v / 100.0))
    }

    /// 0 to 100.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }

    /// 0 to 1.
    #[must_use]
    pub fn fraction(self) -> f64 {
        self.0
    }
}

/// A pressure, kPa: here always of water vapour.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Kilopascal(f64);

impl Kilopascal {
    /// A pressure that is not negative.
    ///
    /// # Errors
    /// [`UnitError`] when negative or not finite.
    pub fn new(value: f64) -> Result<Self, UnitError> {
        within("pressure", "kPa", 0.0, 1.0e6, value).map(Self)
    }

    /// The number of kilopascals.
    #[must_use]
    pub fn kilopascals(self) -> f64 {
        self.0
    }
}

/// Illuminance, lx.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Lux(f64);

impl Lux {
    /// An illuminance that is not negative.
    ///
    /// # Errors
    /// [`UnitError`] when negative or not finite.
    pub fn new(value: f64) -> Result<Self, UnitError> {
        within("light", "lx", 0.0, 1.0e6, value).map(Self)
    }

    /// The number of lux.
    #[must_use]
    pub fn lux(self) -> f64 {
        self.0
    }
}

/// A share of a whole, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Fraction(f64);

impl Fraction {
    /// A share.
    ///
    /// # Errors
    /// [`UnitError`] outside 0–1 or when not finite.
    pub fn new(value: f64) -> Result<Self, UnitError> {
        within("fraction", "", 0.0, 1.0, value).map(Self)
    }

    /// 0 to 1.
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }

    /// 0 to 100.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
}

/// Milliseconds in one hour, for sums over time.
pub const MILLIS_PER_HOUR: f64 = 3_600_000.0;
/// Milliseconds in one day of 24 hours.
pub const MILLIS_PER_DAY: i64 = 86_400_000;

/// An instant: milliseconds since 1970-01-01T00:00Z, leap seconds ignored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Instant(i64);

impl Instant {
    /// The first instant chrono can print; earlier ones are clamped to it.
    const EARLIEST: i64 = -62_135_596_800_000;
    /// The last instant with a four-digit year.
    const LATEST: i64 = 253_402_300_799_999;

    /// From milliseconds since 1970.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since 1970.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// This instant as chrono's UTC time.
    #[must_use]
    pub fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(
            self.0.clamp(Self::EARLIEST, Self::LATEST),
        )
        .expect("a clamped instant can be shown")
    }

    /// Later by so many milliseconds (earlier when negative).
    #[must_use]
    pub const fn plus_millis(self, millis: i64) -> Self {
        Self(self.0.saturating_add(millis))
    }

    /// Later by so many hours.
    #[must_use]
    pub fn plus_hours(self, hours: f64) -> Self {
        #[allow(
            clippy::cast_possible_truncation,
            reason = "rounded hours of a trial are far inside i64"
        )]
        let millis = (hours * MILLIS_PER_HOUR).round() as i64;
        self.plus_millis(millis)
    }

    /// Milliseconds from `earlier` to this instant; negative when before it.
    #[must_use]
    pub const fn millis_since(self, earlier: Self) -> i64 {
        self.0.saturating_sub(earlier.0)
    }

    /// Hours from `earlier` to this instant; negative when before it.
    #[must_use]
    pub fn hours_since(self, earlier: Self) -> f64 {
        #[allow(
            clippy::cast_precision_loss,
            reason = "milliseconds of centuries fit in 53 bits"
        )]
        let millis = self.millis_since(earlier) as f64;
        millis / MILLIS_PER_HOUR
    }

    /// Days of 24 hours from `earlier` to this instant.
    #[must_use]
    pub fn days_since(self, earlier: Self) -> f64 {
        self.hours_since(earlier) / 24.0
    }
}

impl From<DateTime<Utc>> for Instant {
    fn from(time: DateTime<Utc>) -> Self {
        Self(time.timestamp_millis())
    }
}

/// RFC 3339 in UTC with `Z`; fractions only where there are any.
impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.utc().to_rfc3339_opts(SecondsFormat::AutoSi, true))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn humidity_refuses_what_air_cannot_hold() {
        let error = RelativeHumidity::from_percent(130.0).unwrap_err();
        assert_eq!(error.to_string(), "humidity 130 is outside 0–100 %");
        assert!(RelativeHumidity::from_percent(f64::NAN).is_err());
    }

    /// Source: definition of the two scales; 41 °F = 5 °C exactly.
    #[test]
    fn fahrenheit_is_converted() {
        let t = Celsius::from_fahrenheit(41.0).unwrap();
        assert!((t.degrees() - 5.0).abs() < 1e-12);
    }

    #[test]
    fn instants_print_as_utc() {
        let noon = Instant::from_millis(1_773_489_600_000);
        assert_eq!(noon.to_string(), "2026-03-14T12:00:00Z");
        assert_eq!(
            noon.plus_millis(250).to_string(),
            "2026-03-14T12:00:00.250Z"
        );
        assert!((noon.plus_hours(1.5).hours_since(noon) - 1.5).abs() < 1e-12);
    }
}
