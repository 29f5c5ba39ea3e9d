//! How many of so many are still to come: limits of a count that is not
//! there yet.
//!
//! Not limits of a share: the chance itself is uncertain, and so is the draw.

use crate::stats::distribution::{
    ln_beta_binomial_probability, ln_binomial_probability,
};
use crate::stats::interval::Confidence;

/// A count to come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountAhead {
    /// Its mean.
    pub mean: f64,
    /// Not fewer than this …
    pub low: u32,
    /// … and not more than this, at the confidence asked for.
    pub high: u32,
}

/// Mean and limits of the count among `n` whose chance is only known with an
/// error: beta-binomial.
///
/// # Arguments
/// - `n`: how many could.
/// - `chance`: expected chance of each, 0 to 1.
/// - `error`: standard error of that chance.
/// - `confidence`: of the limits, equal tails; whole counts hold a little
///   more.
///
/// # Source
/// Quantiles of the beta-binomial; scipy 1.17.1 `betabinom.ppf` (computed),
/// test `limits_match_scipy`.
///
/// # Example
/// ```
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::predictive::count_ahead;
/// // Ten fair coins: 2 to 8 heads.
/// let heads = count_ahead(10, 0.5, 0.0, Confidence::NINETY_FIVE);
/// assert_eq!((heads.low, heads.high), (2, 8));
/// ```
#[must_use]
pub fn count_ahead(
    n: u32,
    chance: f64,
    error: f64,
    confidence: Confidence,
) -> CountAhead {
    let mean = f64::from(n) * chance;
    if n == 0 || chance <= 0.0 || chance >= 1.0 {
        let all = if chance >= 1.0 { n } else { 0 };
        return CountAhead { mean, low: all, high: all };
    }
    // Correlation of the beta with this mean and error.
    let likeness = (error * error / (chance * (1.0 - chance))).min(0.99);
    let tail = confidence.tail();
    let (mut below, mut low, mut high) = (0.0, None, n);
    for k in 0..=n {
        below += if likeness < 1e-9 {
            ln_binomial_probability(k, n, chance).exp()
        } else {
            let sum = (1.0 - likeness) / likeness;
            let (a, b) = (chance * sum, (1.0 - chance) * sum);
            ln_beta_binomial_probability(k, n, a, b).exp()
        };
        if below >= tail && low.is_none() {
            low = Some(k);
        }
        if below >= 1.0 - tail {
            high = k;
            break;
        }
    }
    CountAhead { mean, low: low.unwrap_or(0), high }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_match_scipy() {
        // betabinom(20, 3, 5).ppf([0.025, 0.975]): mean 3/8, variance of the
        // chance 15/(64·9); betabinom(28, 0.5, 4.5) likewise.
        let error = (15.0_f64 / 576.0).sqrt();
        let got = count_ahead(20, 0.375, error, Confidence::NINETY_FIVE);
        assert_eq!((got.low, got.high), SCIPY[0]);
        let error = (0.1 * 0.9 / 6.0_f64).sqrt();
        let got = count_ahead(28, 0.1, error, Confidence::NINETY_FIVE);
        assert_eq!((got.low, got.high), SCIPY[1]);
        let got = count_ahead(28, 0.1, 0.0, Confidence::NINETY_FIVE);
        assert_eq!((got.low, got.high), SCIPY[2]);
    }

    const SCIPY: [(u32, u32); 3] = [(1, 15), (0, 13), (0, 6)];

    #[test]
    fn what_is_certain_has_no_limits_beside_it() {
        let none = count_ahead(9, 0.0, 0.2, Confidence::NINETY_FIVE);
        assert_eq!((none.low, none.high), (0, 0));
        let all = count_ahead(9, 1.0, 0.0, Confidence::NINETY_FIVE);
        assert_eq!((all.low, all.high), (9, 9));
    }
}
