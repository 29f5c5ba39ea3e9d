//! k of n: the fraction, and how far it can be trusted.
//!
//! Not for several containers thrown together: pooled seeds are treated as
//! independent here, and seeds that shared a container are not
//! (`binomial.rs`, `strata.rs`).

use crate::stats::distribution::{beta_quantile, ln_binomial_probability};
use crate::stats::error::{StatsError, within};
use crate::stats::interval::{Confidence, Interval};

/// `k` of `n` things were of a kind; `n` is at least 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proportion {
    k: u32,
    n: u32,
}

/// How the two limits of a fraction are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IntervalMethod {
    /// Score interval: close to its level on average, the usual choice.
    Wilson,
    /// "Exact": never below its level, therefore wider.
    ClopperPearson,
    /// Equal tails of the beta posterior with both shapes raised by a half;
    /// 0 at none and 1 at all.
    Jeffreys,
}

impl Proportion {
    /// `k` of `n`.
    ///
    /// # Errors
    /// [`StatsError::Empty`] when `n` is 0, [`StatsError::PartAboveWhole`]
    /// when `k > n`.
    pub fn new(k: u32, n: u32) -> Result<Self, StatsError> {
        if n == 0 {
            return Err(StatsError::Empty { what: "fraction" });
        }
        if k > n {
            return Err(StatsError::PartAboveWhole { k, n });
        }
        Ok(Self { k, n })
    }

    /// How many were of the kind.
    #[must_use]
    pub fn k(self) -> u32 {
        self.k
    }

    /// How many there were.
    #[must_use]
    pub fn n(self) -> u32 {
        self.n
    }

    /// `k / n`.
    #[must_use]
    pub fn fraction(self) -> f64 {
        f64::from(self.k) / f64::from(self.n)
    }

    /// Limits for the true fraction behind `k` of `n`.
    ///
    /// Wilson inverts the score test and so never collapses at 0 or n;
    /// Clopper–Pearson inverts the two one-sided binomial tests; Jeffreys
    /// takes the beta posterior with both shapes raised by ½.
    ///
    /// # Arguments
    /// - `method`: which of the three.
    /// - `confidence`: how often such limits should hold the truth.
    ///
    /// # Returns
    /// Two limits within 0 to 1. All three give the limit 0 at k = 0 and 1 at
    /// k = n.
    ///
    /// # When it misleads
    /// Seeds pooled over containers are not independent: the interval is then
    /// too short. Repeated looks at a growing count are not allowed for.
    ///
    /// # Source
    /// Newcombe 1998, Stat. Med. 17: 857–872, table I: 81 of 263 gives
    /// 0.2553 to 0.3662 (Wilson) and 0.2527 to 0.3676 (Clopper–Pearson); see
    /// test `limits_match_the_published_table`.
    ///
    /// # Example
    /// ```
    /// use vernalog::stats::interval::Confidence;
    /// use vernalog::stats::proportion::{IntervalMethod, Proportion};
    /// let none_of_20 = Proportion::new(0, 20).unwrap();
    /// let limits = none_of_20
    ///     .interval(IntervalMethod::Wilson, Confidence::NINETY_FIVE);
    /// // z² / (n + z²) = 3.8415 / 23.8415
    /// assert!(limits.lower == 0.0 && (limits.upper - 0.1611).abs() < 5e-5);
    /// ```
    #[must_use]
    pub fn interval(
        self,
        method: IntervalMethod,
        confidence: Confidence,
    ) -> Interval {
        let (lower, upper) = match method {
            IntervalMethod::Wilson => self.wilson(confidence.z()),
            IntervalMethod::ClopperPearson => {
                self.beta_limits(confidence.tail(), 0.0, 1.0)
            }
            IntervalMethod::Jeffreys => {
                self.beta_limits(confidence.tail(), 0.5, 0.5)
            }
        };
        Interval {
            lower: if self.k == 0 { 0.0 } else { lower.max(0.0) },
            upper: if self.k == self.n { 1.0 } else { upper.min(1.0) },
            confidence,
        }
    }

    fn wilson(self, z: f64) -> (f64, f64) {
        self.wilson_of(f64::from(self.n), z)
    }

    /// Wilson's limits as if the share came from `n` seeds.
    fn wilson_of(self, n: f64, z: f64) -> (f64, f64) {
        let p = self.fraction();
        let z2 = z * z;
        let centre = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
        let half = z / (1.0 + z2 / n)
            * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
        (centre - half, centre + half)
    }

    /// Lower limit: beta(k + raise, n − k + other); upper: the mirror.
    fn beta_limits(self, tail: f64, raise: f64, other: f64) -> (f64, f64) {
        let (k, left) = (f64::from(self.k), f64::from(self.n - self.k));
        let lower = if self.k == 0 {
            0.0
        } else {
            beta_quantile(tail, k + raise, left + other)
        };
        let upper = if self.k == self.n {
            1.0
        } else {
            1.0 - beta_quantile(tail, left + raise, k + other)
        };
        (lower, upper)
    }
}

/// Limits of the share of several containers together: Wilson's, on the
/// seeds divided by the scatter between containers.
///
/// # Arguments
/// - `pooled`: their counts added up.
/// - `dispersion`: Pearson's X² of the containers over its degrees of
///   freedom; below 1 counts as 1.
///
/// # When it misleads
/// With few containers the scatter itself is hardly known: a picture, not a
/// test.
///
/// # Source
/// The effective sample size of survey statistics, n over the design effect
/// (from memory); with scatter 1 it is Wilson's interval itself, test
/// `scatter_widens_and_none_changes_nothing`.
#[must_use]
pub fn widened(
    pooled: Proportion,
    dispersion: f64,
    confidence: Confidence,
) -> Interval {
    let n = f64::from(pooled.n) / dispersion.max(1.0);
    let (lower, upper) = pooled.wilson_of(n.max(1.0), confidence.z());
    Interval {
        lower: if pooled.k == 0 { 0.0 } else { lower.max(0.0) },
        upper: if pooled.k == pooled.n { 1.0 } else { upper.min(1.0) },
        confidence,
    }
}

/// How often an interval method really holds the truth, by going through all
/// n + 1 outcomes.
///
/// # Arguments
/// - `method`, `confidence`: the interval on trial.
/// - `n`: seeds in the container, at least 1.
/// - `true_fraction`: the fraction assumed true, 0 to 1.
///
/// # Returns
/// The sum of the binomial probabilities of those outcomes whose interval
/// holds `true_fraction`; a fraction.
///
/// # Errors
/// [`StatsError::OutOfRange`] for a fraction outside 0 to 1,
/// [`StatsError::Empty`] for `n` = 0.
///
/// # Example
/// ```
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::proportion::{IntervalMethod, exact_coverage};
/// let seeds = 12;
/// let coverage = exact_coverage(
///     IntervalMethod::ClopperPearson, seeds, 0.3, Confidence::NINETY_FIVE,
/// ).unwrap();
/// assert!(coverage >= 0.95);
/// ```
pub fn exact_coverage(
    method: IntervalMethod,
    n: u32,
    true_fraction: f64,
    confidence: Confidence,
) -> Result<f64, StatsError> {
    within("true fraction", true_fraction, 0.0, 1.0)?;
    let mut coverage = 0.0;
    for k in 0..=n {
        let limits = Proportion::new(k, n)?.interval(method, confidence);
        if limits.holds(true_fraction) {
            coverage += ln_binomial_probability(k, n, true_fraction).exp();
        }
    }
    Ok(coverage.min(1.0))
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;

    #[test]
    fn scatter_widens_and_none_changes_nothing() {
        let count = Proportion::new(20, 80).unwrap();
        let level = Confidence::NINETY_FIVE;
        let plain = count.interval(IntervalMethod::Wilson, level);
        assert_eq!(widened(count, 1.0, level), plain);
        assert_eq!(widened(count, 0.3, level), plain);
        // Four times the scatter is a quarter of the seeds: 5 of 20.
        let quarter = Proportion::new(5, 20).unwrap();
        let wide = widened(count, 4.0, level);
        let same = quarter.interval(IntervalMethod::Wilson, level);
        assert!((wide.lower - same.lower).abs() < 1e-12);
        assert!((wide.upper - same.upper).abs() < 1e-12);
    }

    use proptest::prelude::*;

    const TABLE: &str =
        include_str!("../../tests/reference/stats/binomial_intervals.csv");

    const JEFFREYS: [(u32, u32, f64, f64); 7] = [
        (0, 20, 0.0, 0.116_638_982_905),
        (1, 29, 0.003_746_173_649, 0.150_077_686_002),
        (15, 148, 0.060_448_517_009, 0.157_643_143_479),
        (81, 263, 0.254_521_934_991, 0.365_647_499_174),
        (6, 12, 0.243_011_257_872, 0.756_988_742_128),
        (12, 12, 0.814_694_061_688, 1.0),
        (1, 1, 0.146_746_316_310, 1.0),
    ];

    const COVERAGE: [(&str, u32, f64, f64); 10] = [
        ("wilson", 12, 0.5, 0.961_425_781_250),
        ("wilson", 25, 0.1, 0.966_600_055_389),
        ("wilson", 30, 0.8, 0.963_861_254_331),
        ("wilson", 100, 0.05, 0.965_891_176_616),
        ("wilson", 20, 0.02, 0.940_101_021_451),
        ("clopper-pearson", 12, 0.5, 0.961_425_781_250),
        ("clopper-pearson", 25, 0.1, 0.990_523_639_308),
        ("clopper-pearson", 30, 0.8, 0.979_984_387_491),
        ("clopper-pearson", 100, 0.05, 0.982_607_060_712),
        ("clopper-pearson", 20, 0.02, 0.992_931_306_596),
    ];

    fn method(name: &str) -> IntervalMethod {
        match name {
            "wilson" => IntervalMethod::Wilson,
            "clopper-pearson" => IntervalMethod::ClopperPearson,
            other => panic!("unknown method {other}"),
        }
    }

    #[test]
    fn limits_match_the_published_table() {
        // Newcombe 1998 table I (from memory, reproduced) and statsmodels
        // 0.15.0 with scipy 1.17.1 (computed, 8 decimals).
        let mut rows = 0;
        for row in csv::Reader::from_reader(TABLE.as_bytes()).records() {
            let row = row.unwrap();
            let number = |i: usize| row[i].parse::<f64>().ok();
            let limits = Proportion::new(
                row[0].parse().unwrap(),
                row[1].parse().unwrap(),
            )
            .unwrap()
            .interval(method(&row[2]), Confidence::NINETY_FIVE);
            for (got, printed, computed) in [
                (limits.lower, number(3), number(5).unwrap()),
                (limits.upper, number(4), number(6).unwrap()),
            ] {
                assert!((got - computed).abs() <= 5.1e-9, "{row:?}: {got}");
                if let Some(printed) = printed {
                    assert!((got - printed).abs() <= 5.1e-5, "{row:?}: {got}");
                }
            }
            rows += 1;
        }
        assert_eq!(rows, 26);
    }

    #[test]
    fn jeffreys_limits_are_beta_quantiles() {
        // scipy 1.17.1, stats.beta.ppf (computed); see the note on the ends.
        for (k, n, lower, upper) in JEFFREYS {
            let limits = Proportion::new(k, n)
                .unwrap()
                .interval(IntervalMethod::Jeffreys, Confidence::NINETY_FIVE);
            assert!((limits.lower - lower).abs() < 1e-9, "{k}/{n} {limits:?}");
            assert!((limits.upper - upper).abs() < 1e-9, "{k}/{n} {limits:?}");
        }
    }

    #[test]
    fn coverage_matches_an_independent_enumeration() {
        // scipy 1.17.1 binom.pmf over statsmodels 0.15.0 proportion_confint
        // (computed).
        for (name, n, fraction, expected) in COVERAGE {
            let got = exact_coverage(
                method(name),
                n,
                fraction,
                Confidence::NINETY_FIVE,
            )
            .unwrap();
            assert!((got - expected).abs() < 1e-9, "{name} {n} {fraction}");
        }
    }

    #[test]
    fn coverage_at_the_ends_is_complete() {
        for fraction in [0.0, 1.0] {
            let got = exact_coverage(
                IntervalMethod::Wilson,
                15,
                fraction,
                Confidence::NINETY_FIVE,
            );
            assert_eq!(got, Ok(1.0));
        }
    }

    #[test]
    fn impossible_counts_are_refused() {
        assert_eq!(
            Proportion::new(0, 0),
            Err(StatsError::Empty { what: "fraction" })
        );
        assert_eq!(
            Proportion::new(3, 2),
            Err(StatsError::PartAboveWhole { k: 3, n: 2 })
        );
    }

    proptest! {
        #[test]
        fn the_exact_interval_never_falls_short(
            n in 1_u32..40, fraction in 0.0..1.0,
        ) {
            let got = exact_coverage(
                IntervalMethod::ClopperPearson, n, fraction,
                Confidence::NINETY_FIVE).unwrap();
            prop_assert!(got >= 0.95 - 1e-9, "{got}");
        }

        #[test]
        fn counting_the_rest_mirrors_the_limits(
            (n, k) in (1_u32..200).prop_flat_map(|n| (Just(n), 0..=n)),
        ) {
            for method in [IntervalMethod::Wilson,
                IntervalMethod::ClopperPearson, IntervalMethod::Jeffreys] {
                let at = |k| Proportion::new(k, n).unwrap()
                    .interval(method, Confidence::NINETY_FIVE);
                let (one, other) = (at(k), at(n - k));
                prop_assert!((one.lower - (1.0 - other.upper)).abs() < 1e-12);
                prop_assert!(one.holds(f64::from(k) / f64::from(n)));
            }
        }
    }
}
