//! The difference of two fractions, each k of n.
//!
//! Not a test, and not for containers thrown together (see `strata.rs`).

use crate::stats::interval::{Confidence, Interval};
use crate::stats::proportion::{IntervalMethod, Proportion};

/// One fraction minus another, with limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// First fraction minus second, −1 to 1.
    pub estimate: f64,
    /// Limits for it.
    pub interval: Interval,
}

/// Newcombe's interval for a difference: squares and adds the distances of
/// two Wilson intervals from their fractions.
///
/// # Arguments
/// - `first`, `second`: the two fractions; independent of each other.
/// - `confidence`: how often the limits should hold the true difference.
///
/// # Returns
/// The difference `first − second` and its limits, within −1 to 1.
///
/// # When it misleads
/// Each fraction is taken as one set of independent seeds. Two containers
/// differ by more than that; with one container a side this says nothing
/// about what was done to them.
///
/// # Source
/// Newcombe 1998, Stat. Med. 17: 873–890: 56/70 − 48/80 gives 0.0524 to
/// 0.3339; see test `limits_match_the_published_cases`.
///
/// # Example
/// ```
/// use vernalog::stats::difference::newcombe;
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::proportion::Proportion;
/// let nine = Proportion::new(9, 10).unwrap();
/// let three = Proportion::new(3, 10).unwrap();
/// let difference = newcombe(nine, three, Confidence::NINETY_FIVE);
/// assert!((difference.estimate - 0.6).abs() < 1e-12);
/// assert!((difference.interval.lower - 0.1705).abs() < 5e-5);
/// ```
#[must_use]
pub fn newcombe(
    first: Proportion,
    second: Proportion,
    confidence: Confidence,
) -> Difference {
    let (p, q) = (first.fraction(), second.fraction());
    let a = first.interval(IntervalMethod::Wilson, confidence);
    let b = second.interval(IntervalMethod::Wilson, confidence);
    let estimate = p - q;
    let lower = estimate - (p - a.lower).hypot(b.upper - q);
    let upper = estimate + (a.upper - p).hypot(q - b.lower);
    Difference {
        estimate,
        interval: Interval {
            lower: lower.max(-1.0),
            upper: upper.min(1.0),
            confidence,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    const CASES: &str =
        include_str!("../../tests/reference/stats/difference_intervals.json");

    #[test]
    fn limits_match_the_published_cases() {
        // Newcombe 1998 (from memory, 4 decimals, reproduced) and statsmodels
        // 0.15.0 (computed, 10 decimals).
        let data: Value = serde_json::from_str(CASES).unwrap();
        let cases = data["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 4);
        for case in cases {
            let number = |key: &str| case[key].as_f64().unwrap();
            let count =
                |key: &str| u32::try_from(case[key].as_u64().unwrap()).unwrap();
            let got = newcombe(
                Proportion::new(count("x1"), count("n1")).unwrap(),
                Proportion::new(count("x2"), count("n2")).unwrap(),
                Confidence::NINETY_FIVE,
            );
            for (value, computed, printed) in [
                (got.interval.lower, "lower", "lower_published"),
                (got.interval.upper, "upper", "upper_published"),
            ] {
                assert!((value - number(computed)).abs() < 1e-9, "{case}");
                assert!((value - number(printed)).abs() < 5.1e-5, "{case}");
            }
            assert!((got.estimate - number("diff")).abs() < 1e-9);
        }
    }

    #[test]
    fn swapping_the_two_turns_the_interval_round() {
        let (a, b) =
            (Proportion::new(0, 9).unwrap(), Proportion::new(7, 11).unwrap());
        let one = newcombe(a, b, Confidence::NINETY_FIVE).interval;
        let other = newcombe(b, a, Confidence::NINETY_FIVE).interval;
        assert!((one.lower + other.upper).abs() < 1e-12);
        assert!((one.upper + other.lower).abs() < 1e-12);
    }
}
