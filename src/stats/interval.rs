//! A confidence level and the interval that goes with it.
//!
//! Not a way to make intervals: each method makes its own.

use crate::stats::distribution::normal_quantile;
use crate::stats::error::{StatsError, within};

/// How often an interval should hold the truth, strictly between 0 and 1.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Confidence(f64);

impl Confidence {
    /// The level used unless another is asked for.
    pub const NINETY_FIVE: Self = Self(0.95);

    /// A level such as 0.95.
    ///
    /// # Errors
    /// [`StatsError::OutOfRange`] unless `0 < level < 1`.
    pub fn new(level: f64) -> Result<Self, StatsError> {
        within("confidence", level, f64::MIN_POSITIVE, 1.0 - f64::EPSILON)
            .map(Self)
    }

    /// The level as a fraction.
    #[must_use]
    pub fn level(self) -> f64 {
        self.0
    }

    /// The probability left in one of the two tails.
    #[must_use]
    pub fn tail(self) -> f64 {
        (1.0 - self.0) / 2.0
    }

    /// The normal quantile of the upper limit: 1.96 for 95 %.
    #[must_use]
    pub fn z(self) -> f64 {
        -normal_quantile(self.tail())
    }
}

/// Two limits and the confidence they were made for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower limit; may be −∞ where the data give none.
    pub lower: f64,
    /// Upper limit; may be +∞ where the data give none.
    pub upper: f64,
    /// How often such an interval should hold the truth.
    pub confidence: Confidence,
}

impl Interval {
    /// Whether `value` lies between the limits or on one of them.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        self.lower <= value && value <= self.upper
    }

    /// Distance between the limits.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.upper - self.lower
    }

    /// Both limits passed through a rising function, for a change of scale.
    #[must_use]
    pub fn map(self, rising: impl Fn(f64) -> f64) -> Self {
        Self {
            lower: rising(self.lower),
            upper: rising(self.upper),
            confidence: self.confidence,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_confidence_of_nothing_or_of_everything_is_refused() {
        for level in [0.0, 1.0, -0.5, 95.0, f64::NAN] {
            assert!(Confidence::new(level).is_err(), "{level}");
        }
    }

    #[test]
    fn the_normal_limit_of_95_percent_is_the_tabled_one() {
        // Any table of the normal distribution; more digits from scipy
        // 1.17.1, computed.
        let z = Confidence::NINETY_FIVE.z();
        assert!((z - 1.959_963_984_540_054).abs() < 1e-12, "{z}");
    }
}
