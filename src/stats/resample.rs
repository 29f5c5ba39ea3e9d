//! Limits for any figure of a group of containers, from the containers
//! themselves: leave one out, or draw them again.
//!
//! Not for fewer than six containers, where there are no limits at all, and
//! blind to batches: containers of one batch count as independent here.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::stats::distribution::t_upper;
use crate::stats::interval::{Confidence, Interval};

/// Containers below which a group gets no limits.
pub const LEAST_CONTAINERS: usize = 6;

/// A figure of a group with limits from its containers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resampled {
    /// The figure from all containers.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Its limits.
    pub interval: Interval,
    /// Containers.
    pub n_containers: usize,
}

/// Why a group has no limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoLimits {
    /// Too few containers.
    #[error("{n} containers are too few for limits, {LEAST_CONTAINERS} needed")]
    TooFewContainers {
        /// How many there are.
        n: usize,
    },
    /// The figure does not exist for some selection of the containers, such
    /// as a T50 that is not always reached.
    #[error("the figure does not exist for {without} of {of} selections")]
    NotAlwaysThere {
        /// Selections without the figure.
        without: usize,
        /// Selections tried.
        of: usize,
    },
}

/// Jackknife: leaves out each container in turn.
///
/// # Arguments
/// - `n_containers`: how many there are.
/// - `figure`: computes it from the containers at the given positions; `None`
///   when it does not exist for them.
///
/// # Returns
/// Estimate from all, error from the spread of the n leave-one-out values,
/// limits by t with n − 1 degrees of freedom.
///
/// # Errors
/// [`NoLimits`]: too few containers, or the figure is missing once.
///
/// # When it misleads
/// For figures that jump (a median read off a step curve). Containers from
/// few batches: the batches are the units then.
///
/// # Source
/// Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 11 (from
/// memory): for a mean it gives the plain standard error; test
/// `the_jackknife_of_a_mean_is_the_plain_error`.
///
/// # Example
/// ```
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::resample::jackknife;
/// let values = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
/// let mean = |picked: &[usize]| Some(
///     picked.iter().map(|i| values[*i]).sum::<f64>() / picked.len() as f64);
/// let result = jackknife(6, Confidence::NINETY_FIVE, mean).unwrap();
/// // s / √n = √3.5 / √6
/// assert!((result.standard_error - (3.5_f64 / 6.0).sqrt()).abs() < 1e-12);
/// ```
pub fn jackknife(
    n_containers: usize,
    confidence: Confidence,
    figure: impl Fn(&[usize]) -> Option<f64>,
) -> Result<Resampled, NoLimits> {
    enough(n_containers)?;
    let all: Vec<usize> = (0..n_containers).collect();
    let estimate =
        figure(&all).ok_or(NoLimits::NotAlwaysThere { without: 1, of: 1 })?;
    let values: Vec<f64> = (0..n_containers)
        .filter_map(|out| {
            let rest: Vec<usize> =
                all.iter().copied().filter(|i| *i != out).collect();
            figure(&rest)
        })
        .collect();
    if values.len() < n_containers {
        let without = n_containers - values.len();
        return Err(NoLimits::NotAlwaysThere { without, of: n_containers });
    }
    let n = real(n_containers);
    let spread = squares(&values);
    let standard_error = (spread * (n - 1.0) / n).sqrt();
    let half = t_upper(confidence.tail(), n - 1.0) * standard_error;
    Ok(Resampled {
        estimate,
        standard_error,
        interval: Interval {
            lower: estimate - half,
            upper: estimate + half,
            confidence,
        },
        n_containers,
    })
}

/// The difference `a − b` of the same figure in two groups that share no
/// container: errors add as squares, limits by t with the smaller group's
/// degrees of freedom.
///
/// # Source
/// Welch's approach with the cautious choice of degrees of freedom
/// (textbook, from memory); test `a_difference_is_wider_than_either`.
#[must_use]
pub fn difference(
    a: &Resampled,
    b: &Resampled,
    confidence: Confidence,
) -> Resampled {
    let estimate = a.estimate - b.estimate;
    let standard_error = a.standard_error.hypot(b.standard_error);
    let n_containers = a.n_containers.min(b.n_containers);
    let df = (real(n_containers) - 1.0).max(1.0);
    let half = t_upper(confidence.tail(), df) * standard_error;
    let (lower, upper) = (estimate - half, estimate + half);
    Resampled {
        estimate,
        standard_error,
        interval: Interval { lower, upper, confidence },
        n_containers,
    }
}

/// Bootstrap: draws as many containers again, with replacement.
///
/// # Arguments
/// - `n_containers`, `figure`: as in [`jackknife`].
/// - `draws`: how often, such as 2,000; at least 1 is taken.
/// - `seed`: the same seed gives the same limits.
///
/// # Returns
/// Estimate from all, error and percentile limits from the draws.
///
/// # Errors
/// [`NoLimits`]: too few containers, or the figure is missing in more than
/// one draw of a hundred.
///
/// # When it misleads
/// Percentile limits are too short by about √((n−1)/n) and more in the tails
/// with few containers; the jackknife's t is the safer of the two below
/// about fifteen.
pub fn bootstrap(
    n_containers: usize,
    confidence: Confidence,
    draws: usize,
    seed: u64,
    figure: impl Fn(&[usize]) -> Option<f64>,
) -> Result<Resampled, NoLimits> {
    enough(n_containers)?;
    let all: Vec<usize> = (0..n_containers).collect();
    let estimate =
        figure(&all).ok_or(NoLimits::NotAlwaysThere { without: 1, of: 1 })?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let draws = draws.max(1);
    let mut values: Vec<f64> = (0..draws)
        .filter_map(|_| {
            let mut picked: Vec<usize> = (0..n_containers)
                .map(|_| rng.random_range(0..n_containers))
                .collect();
            picked.sort_unstable();
            figure(&picked)
        })
        .collect();
    let without = draws - values.len();
    if without * 100 > draws || values.is_empty() {
        return Err(NoLimits::NotAlwaysThere { without, of: draws });
    }
    values.sort_by(f64::total_cmp);
    let spread = squares(&values) / (real(values.len()) - 1.0).max(1.0);
    Ok(Resampled {
        estimate,
        standard_error: spread.sqrt(),
        interval: Interval {
            lower: quantile(&values, confidence.tail()),
            upper: quantile(&values, 1.0 - confidence.tail()),
            confidence,
        },
        n_containers,
    })
}

fn enough(n: usize) -> Result<(), NoLimits> {
    if n < LEAST_CONTAINERS {
        Err(NoLimits::TooFewContainers { n })
    } else {
        Ok(())
    }
}

fn real(n: usize) -> f64 {
    f64::from(u32::try_from(n).expect("fewer than 2^32 containers"))
}

/// Sum of squared distances from the mean.
fn squares(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / real(values.len());
    values.iter().map(|v| (v - mean).powi(2)).sum()
}

/// Quantile of sorted values, by a line between the two nearest.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * real(sorted.len() - 1);
    let mut below = 0;
    while below + 1 < sorted.len() && real(below + 1) <= place {
        below += 1;
    }
    let above = (below + 1).min(sorted.len() - 1);
    let part = place - real(below);
    sorted[below] + part * (sorted[above] - sorted[below])
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;

    const VALUES: [f64; 8] = [0.2, 0.35, 0.5, 0.3, 0.45, 0.6, 0.25, 0.4];
    const LEVEL: Confidence = Confidence::NINETY_FIVE;

    fn mean(picked: &[usize]) -> Option<f64> {
        let sum: f64 = picked.iter().map(|i| VALUES[*i]).sum();
        Some(sum / real(picked.len()))
    }

    #[test]
    fn the_jackknife_of_a_mean_is_the_plain_error() {
        // For a mean the jackknife is s/√n exactly; limits by t on 7 degrees
        // of freedom, 2.3646 in any table.
        let result = jackknife(8, LEVEL, mean).unwrap();
        let plain = (squares(&VALUES) / 7.0 / 8.0).sqrt();
        assert!((result.standard_error - plain).abs() < 1e-12);
        let upper = result.estimate + 2.364_624_25 * plain;
        assert!((result.interval.upper - upper).abs() < 1e-8);
    }

    #[test]
    fn the_bootstrap_repeats_itself_and_lies_near_the_plain_error() {
        let one = bootstrap(8, LEVEL, 2000, 7, mean).unwrap();
        let again = bootstrap(8, LEVEL, 2000, 7, mean).unwrap();
        assert_eq!(one, again);
        // Its variance has divisor n: √(Σ/8/8), give or take three of its
        // own errors (se / √(2·2000)).
        let expected = (squares(&VALUES) / 64.0).sqrt();
        let off = (one.standard_error - expected).abs();
        assert!(off < 3.0 * expected / 4000.0_f64.sqrt(), "{one:?}");
        assert!(one.interval.holds(one.estimate));
    }

    #[test]
    fn five_containers_have_no_limits() {
        let few = Err(NoLimits::TooFewContainers { n: 5 });
        assert_eq!(jackknife(5, LEVEL, mean), few);
        assert_eq!(bootstrap(5, LEVEL, 100, 1, mean), few);
    }

    #[test]
    fn a_figure_that_is_not_always_there_has_no_limits() {
        let fussy = |picked: &[usize]| picked.contains(&0).then_some(1.0);
        assert_eq!(
            jackknife(6, LEVEL, fussy),
            Err(NoLimits::NotAlwaysThere { without: 1, of: 6 })
        );
        assert!(bootstrap(6, LEVEL, 200, 1, fussy).is_err());
    }

    #[test]
    fn quantiles_of_sorted_values_lie_between_neighbours() {
        let sorted = [1.0, 2.0, 4.0];
        assert_eq!(quantile(&sorted, 0.0), 1.0);
        assert_eq!(quantile(&sorted, 0.75), 3.0);
        assert_eq!(quantile(&sorted, 1.0), 4.0);
    }
}
