//! How many will germinate and how fast those do, told apart.
//!
//! Not for seeds still coming up in numbers: then the two trade against each
//! other and `share_seen` says so. Limits from scatter between containers
//! come from `resample.rs`.

use crate::stats::censored::{Censored, checked};
use crate::stats::convergence::Convergence;
use crate::stats::distribution::{
    TINY, normal_between, normal_cdf, normal_quantile,
};
use crate::stats::error::{StatsError, within};
use crate::stats::optimise::{Peak, climb, maximise};

/// The shape of the times of those seeds that germinate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeShape {
    /// The logarithm of the time is normal.
    LogNormal,
    /// The logarithm of the time is logistic: heavier tails.
    LogLogistic,
}

/// Parameters of the model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SplitParameters {
    /// Share of the seeds that germinates in the end.
    pub fraction: f64,
    /// Time by which half of those have.
    pub median: f64,
    /// Scale of the natural logarithm of the time.
    pub spread: f64,
}

/// A fitted split-population model.
#[derive(Debug, Clone, PartialEq)]
pub struct SplitFit {
    /// The shape assumed.
    pub shape: TimeShape,
    /// The estimate.
    pub parameters: SplitParameters,
    /// Log-likelihood at the estimate.
    pub log_likelihood: f64,
    /// Share of the germinating seeds that had germinated, by the model, when
    /// the last seeds were last seen; well below 1 means that fraction and
    /// speed cannot be told apart yet.
    pub share_seen: f64,
    /// Seeds.
    pub n: u32,
    /// Whether the search arrived.
    pub convergence: Convergence,
}

/// Below this share the fraction is a guess about what is to come.
pub const SETTLED: f64 = 0.95;

/// Fits a final fraction and a distribution of times by maximum likelihood.
///
/// Seeds seen to germinate in (left, right] count with
/// `fraction · (G(right) − G(left))`, seeds last seen ungerminated at left
/// with `1 − fraction · G(left)`.
///
/// # Arguments
/// - `rows`: interval-censored counts, times above 0.
/// - `shape`: distribution of the times.
///
/// # Errors
/// [`StatsError::Empty`] when nothing germinated,
/// [`StatsError::OneLevel`] when all germinants came in one interval (no
/// spread to estimate), and what the rows themselves get wrong.
///
/// # When it misleads
/// Seeds that share a container are taken as independent: no errors are
/// given here. Germinants in no more than two neighbouring intervals leave
/// the spread open (the search does not arrive). Seeds removed for mould are
/// taken as like the others. With
/// `share_seen` below [`SETTLED`] a slow lot and a poor lot look alike.
///
/// # Source
/// The mixture ("cure") model as in Farewell 1982, Biometrics 38: 1041–1046
/// (from memory); test `fits_match_an_independent_optimiser`.
///
/// # Example
/// ```
/// use vernalog::stats::censored::Censored;
/// use vernalog::stats::split_population::{TimeShape, fit_split};
/// let rows = [
///     Censored::between(2.0, 4.0, 6), Censored::between(4.0, 6.0, 9),
///     Censored::between(6.0, 8.0, 4), Censored::between(8.0, 10.0, 1),
///     Censored::not_by(30.0, 20),
/// ];
/// let fit = fit_split(&rows, TimeShape::LogNormal).unwrap();
/// // 20 of 40, and the last look was long after the last germinant.
/// assert!((fit.parameters.fraction - 0.5).abs() < 1e-3);
/// assert!(fit.share_seen > 0.999);
/// ```
pub fn fit_split(
    rows: &[Censored],
    shape: TimeShape,
) -> Result<SplitFit, StatsError> {
    fit(rows, shape, None)
}

/// As [`fit_split`], begun at parameters that are known to be near, such as
/// those of all containers when one is left out: a few steps instead of a
/// search. Where all germinated there, it is assumed to do so here.
///
/// # Errors
/// As [`fit_split`].
pub fn fit_split_near(
    rows: &[Censored],
    shape: TimeShape,
    near: SplitParameters,
) -> Result<SplitFit, StatsError> {
    fit(rows, shape, Some(near))
}

fn fit(
    rows: &[Censored],
    shape: TimeShape,
    near: Option<SplitParameters>,
) -> Result<SplitFit, StatsError> {
    let what = "split-population model";
    let rows = checked(what, rows)?;
    let seen: Vec<&Censored> = rows.iter().filter(|r| r.germinated()).collect();
    let first = seen.first().ok_or(StatsError::Empty { what })?;
    if seen.iter().all(|r| r.right <= first.right && r.left >= first.left) {
        return Err(StatsError::OneLevel { what: "intervals with germinants" });
    }
    let n: u32 = rows.iter().map(|r| r.n).sum();
    let germinated: u32 = seen.iter().map(|r| r.n).sum();
    // Fraction on the logit scale, so that 0 and 1 are never crossed.
    let split = |x: &[f64]| {
        log_likelihood_of(&rows, shape, logistic(x[0]), x[1], x[2].exp())
    };
    let whole =
        |x: &[f64]| log_likelihood_of(&rows, shape, 1.0, x[0], x[1].exp());
    let of_split =
        |peak: Peak| (logistic(peak.at[0]), peak.at[1], peak.at[2], peak);
    let of_whole = |peak: Peak| (1.0, peak.at[0], peak.at[1], peak);
    let (fraction, ln_median, ln_spread, peak) = if let Some(near) = near {
        let times = [near.median.ln(), near.spread.ln()];
        if near.fraction < 1.0 {
            let logit = (near.fraction / (1.0 - near.fraction)).ln();
            of_split(climb(split, &[logit, times[0], times[1]], 0.1))
        } else {
            of_whole(climb(whole, &times, 0.1))
        }
    } else {
        let (start_median, start_spread) = moments(&seen);
        let crude = f64::from(germinated) / f64::from(n);
        let logit = (crude / (1.0 - crude + 1e-3)).ln();
        let split = maximise(split, &[logit, start_median, start_spread], 0.3);
        let whole = maximise(whole, &[start_median, start_spread], 0.3);
        // Everything germinates in the end: the logit runs off, so that the
        // plain model is the estimate.
        if whole.value >= split.value - 1e-6 {
            of_whole(whole)
        } else {
            of_split(split)
        }
    };
    let spread = ln_spread.exp();
    let last = rows
        .iter()
        .map(|r| if r.germinated() { r.right } else { r.left })
        .fold(0.0, f64::max);
    Ok(SplitFit {
        shape,
        parameters: SplitParameters {
            fraction,
            median: ln_median.exp(),
            spread,
        },
        log_likelihood: peak.value,
        share_seen: shape.by(standard(last, ln_median, spread)),
        n,
        convergence: peak.convergence,
    })
}

/// Log-likelihood of given parameters, for comparing models.
///
/// # Errors
/// As [`fit_split`] for the rows; [`StatsError::OutOfRange`] for parameters
/// outside what they can be.
pub fn log_likelihood(
    rows: &[Censored],
    shape: TimeShape,
    parameters: SplitParameters,
) -> Result<f64, StatsError> {
    let SplitParameters { fraction, median, spread } = parameters;
    within("fraction", fraction, 0.0, 1.0)?;
    within("median time", median, f64::MIN_POSITIVE, f64::MAX)?;
    within("spread", spread, f64::MIN_POSITIVE, f64::MAX)?;
    let rows = checked("log-likelihood", rows)?;
    Ok(log_likelihood_of(&rows, shape, fraction, median.ln(), spread))
}

impl SplitFit {
    /// Share of all seeds germinated by `time`.
    #[must_use]
    pub fn share_by(&self, time: f64) -> f64 {
        let SplitParameters { fraction, median, spread } = self.parameters;
        fraction * self.shape.by(standard(time, median.ln(), spread))
    }

    /// Time by which `share` of the seeds that germinate have done so.
    #[must_use]
    pub fn time_to(&self, share: f64) -> f64 {
        let z = self.shape.quantile(share);
        self.parameters.median * (self.parameters.spread * z).exp()
    }

    /// Whether the seeds were watched long enough to tell fraction from
    /// speed.
    #[must_use]
    pub fn settled(&self) -> bool {
        self.share_seen >= SETTLED
    }
}

impl TimeShape {
    fn by(self, z: f64) -> f64 {
        match self {
            Self::LogNormal => normal_cdf(z),
            Self::LogLogistic => logistic(z),
        }
    }

    fn between(self, a: f64, b: f64) -> f64 {
        match self {
            Self::LogNormal => normal_between(a, b),
            // Mirrored in the upper tail, so that small chances keep digits.
            Self::LogLogistic if a > 0.0 => logistic(-a) - logistic(-b),
            Self::LogLogistic => logistic(b) - logistic(a),
        }
    }

    fn quantile(self, share: f64) -> f64 {
        match self {
            Self::LogNormal => normal_quantile(share),
            Self::LogLogistic => (share / (1.0 - share)).ln(),
        }
    }
}

fn logistic(z: f64) -> f64 {
    1.0 / (1.0 + (-z).exp())
}

fn standard(time: f64, ln_median: f64, spread: f64) -> f64 {
    (time.ln() - ln_median) / spread
}

fn log_likelihood_of(
    rows: &[Censored],
    shape: TimeShape,
    fraction: f64,
    ln_median: f64,
    spread: f64,
) -> f64 {
    rows.iter()
        .map(|row| {
            let left = standard(row.left, ln_median, spread);
            let chance = if row.germinated() {
                let right = standard(row.right, ln_median, spread);
                fraction * shape.between(left, right)
            } else {
                // 1 − f G, without cancellation where both are near 1.
                (1.0 - fraction) + fraction * shape.by(-left)
            };
            f64::from(row.n) * chance.max(TINY).ln()
        })
        .sum()
}

/// Mean and log spread of the log times, each taken in mid-interval.
fn moments(seen: &[&Censored]) -> (f64, f64) {
    let logs: Vec<(f64, f64)> = seen
        .iter()
        .map(|r| (f64::midpoint(r.left, r.right).ln(), f64::from(r.n)))
        .collect();
    let n: f64 = logs.iter().map(|l| l.1).sum();
    let mean = logs.iter().map(|l| l.0 * l.1).sum::<f64>() / n;
    let variance =
        logs.iter().map(|l| l.1 * (l.0 - mean).powi(2)).sum::<f64>() / n;
    (mean, variance.sqrt().max(0.05).ln())
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;

    #[test]
    fn begun_nearby_it_ends_where_the_search_does() {
        let rows = [
            Censored::between(2.0, 4.0, 6),
            Censored::between(4.0, 6.0, 9),
            Censored::between(6.0, 8.0, 4),
            Censored::not_by(30.0, 20),
        ];
        let searched = fit_split(&rows, TimeShape::LogNormal).unwrap();
        let near = SplitParameters { fraction: 0.6, median: 6.0, spread: 0.4 };
        let found = fit_split_near(&rows, TimeShape::LogNormal, near).unwrap();
        assert!(found.convergence.arrived());
        let (a, b) = (searched.parameters, found.parameters);
        assert!((a.median - b.median).abs() < 1e-5, "{a:?} {b:?}");
        assert!((a.fraction - b.fraction).abs() < 1e-5, "{a:?} {b:?}");
    }

    use proptest::prelude::*;
    use serde_json::Value;

    const COSMESIS: &str =
        include_str!("../../tests/reference/stats/cosmesis.csv");
    const ANSWERS: &str =
        include_str!("../../tests/reference/stats/cosmesis_npmle.json");

    fn cosmesis(group: &str) -> Vec<Censored> {
        csv::Reader::from_reader(COSMESIS.as_bytes())
            .records()
            .map(Result::unwrap)
            .filter(|row| &row[2] == group)
            .map(|row| {
                let right = row[1].parse().unwrap_or(f64::INFINITY);
                Censored::between(row[0].parse().unwrap(), right, 1)
            })
            .collect()
    }

    #[test]
    fn likelihoods_match_survreg() {
        // R survival 3.5.3 survreg, interval2, common scale (computed).
        let answers: Value = serde_json::from_str(ANSWERS).unwrap();
        for (name, shape) in [
            ("lognormal", TimeShape::LogNormal),
            ("loglogistic", TimeShape::LogLogistic),
        ] {
            let expected = &answers["parametric"][name];
            let number = |value: &Value| value.as_f64().unwrap();
            let base = number(&expected["coef"][0]);
            let effect = number(&expected["coef"][1]);
            let at = |ln_median: f64| SplitParameters {
                fraction: 1.0,
                median: ln_median.exp(),
                spread: number(&expected["scale"]),
            };
            let total =
                log_likelihood(&cosmesis("radiotherapy"), shape, at(base))
                    .unwrap()
                    + log_likelihood(
                        &cosmesis("radiotherapy+chemotherapy"),
                        shape,
                        at(base + effect),
                    )
                    .unwrap();
            assert!((total - number(&expected["loglik"])).abs() < 1e-6);
        }
    }

    fn check(rows: &[Censored], shape: TimeShape, expected: [f64; 4]) {
        let fit = fit_split(rows, shape).unwrap();
        let SplitParameters { fraction, median, spread } = fit.parameters;
        let got = [fraction, median, spread, fit.log_likelihood];
        for (got, expected) in got.iter().zip(expected) {
            let off = (got - expected).abs();
            assert!(off < 1e-4 * expected.abs(), "{got} {expected} {fit:?}");
        }
        assert!(fit.convergence.arrived(), "{fit:?}");
    }

    fn slow_lot() -> Vec<Censored> {
        vec![
            Censored::between(5.0, 7.0, 2),
            Censored::between(7.0, 9.0, 9),
            Censored::between(9.0, 12.0, 14),
            Censored::between(12.0, 16.0, 6),
            Censored::between(16.0, 20.0, 3),
            Censored::not_by(12.0, 2),
            Censored::not_by(35.0, 24),
        ]
    }

    // Fraction, median, spread, log-likelihood.
    const RADIO_NORMAL: [f64; 4] =
        [1.0, 42.535_229_121, 1.308_045_215, -64.734_898_685];
    const SLOW_NORMAL: [f64; 4] =
        [0.576_316_854, 10.404_918_224, 0.271_184_904, -89.449_101_793];
    const SLOW_LOGISTIC: [f64; 4] =
        [0.575_951_706, 10.314_206_313, 0.156_244_193, -89.945_762_965];

    #[test]
    fn fits_match_an_independent_optimiser() {
        // scipy 1.17.1 minimize over its own norm and logistic (computed);
        // the second set are invented counts.
        check(&cosmesis("radiotherapy"), TimeShape::LogNormal, RADIO_NORMAL);
        check(&slow_lot(), TimeShape::LogNormal, SLOW_NORMAL);
        check(&slow_lot(), TimeShape::LogLogistic, SLOW_LOGISTIC);
    }

    #[test]
    fn seeds_still_coming_up_leave_the_fraction_open() {
        let rows = [
            Censored::between(6.0, 8.0, 1),
            Censored::between(8.0, 10.0, 3),
            Censored::between(10.0, 12.0, 6),
            Censored::not_by(12.0, 30),
        ];
        let fit = fit_split(&rows, TimeShape::LogNormal).unwrap();
        assert!(!fit.settled(), "{fit:?}");
        assert!(
            fit_split(&slow_lot(), TimeShape::LogNormal).unwrap().settled()
        );
    }

    #[test]
    fn all_germinated_is_a_fraction_of_one() {
        let rows = [
            Censored::between(2.0, 4.0, 5),
            Censored::between(4.0, 6.0, 9),
            Censored::between(6.0, 8.0, 3),
        ];
        let fit = fit_split(&rows, TimeShape::LogLogistic).unwrap();
        assert_eq!(fit.parameters.fraction, 1.0);
        let half = fit.time_to(0.5);
        assert!((fit.share_by(half) - 0.5).abs() < 1e-9);
    }

    #[test]
    fn nothing_or_a_single_interval_is_refused() {
        let none = [Censored::not_by(9.0, 20)];
        assert!(fit_split(&none, TimeShape::LogNormal).is_err());
        let one = [Censored::between(0.0, 3.0, 20)];
        assert_eq!(
            fit_split(&one, TimeShape::LogNormal),
            Err(StatsError::OneLevel { what: "intervals with germinants" })
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]
        #[test]
        fn any_counts_get_an_estimate_no_worse_than_simple_guesses(
            counts in prop::collection::vec(0_u32..7, 3..12),
            rest in 0_u32..30, wait in 0.0..40.0,
        ) {
            let mut rows: Vec<_> = counts.iter().zip(0_u32..).map(|(n, i)| {
                let left = 2.0 * f64::from(i) + 3.0;
                Censored::between(left, left + 2.0, *n)
            }).collect();
            let end = rows[rows.len() - 1].right;
            rows.push(Censored::not_by(end + wait, rest));
            prop_assume!(counts.iter().filter(|n| **n > 0).count() > 2);
            for shape in [TimeShape::LogNormal, TimeShape::LogLogistic] {
                let fit = fit_split(&rows, shape).unwrap();
                prop_assert!(fit.convergence.arrived(), "{fit:?}");
                for fraction in [0.2, 0.5, 0.9, 1.0] {
                    for median in [4.0, 8.0, 16.0] {
                        for spread in [0.1, 0.3, 0.8] {
                            let guess = log_likelihood(&rows, shape,
                                SplitParameters { fraction, median, spread });
                            prop_assert!(
                                guess.unwrap() <= fit.log_likelihood + 1e-6);
                        }
                    }
                }
            }
        }
    }
}
