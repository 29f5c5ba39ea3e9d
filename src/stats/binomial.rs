//! Regression of counts out of n, with the scatter between units estimated.
//!
//! Not for a side where nothing (or everything) germinated: it says
//! `separated` and `firth.rs` takes over. It does not know which unit a
//! factor was applied to (`strata.rs` does).

use nalgebra::{DMatrix, DVector};

use crate::stats::convergence::Convergence;
use crate::stats::design::{Design, rank};
use crate::stats::distribution::{
    f_upper, ln_binomial_probability, normal_cdf, t_two_sided, t_upper,
    times_ln,
};
use crate::stats::error::StatsError;
use crate::stats::interval::{Confidence, Interval};
use crate::stats::link::Link;
use crate::stats::proportion::Proportion;

/// Which scatter the errors are based on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scatter {
    /// Every seed independent: z tests. Seldom true.
    Seeds,
    /// Scatter between the units fitted, not below that of seeds: t tests.
    Units,
}

/// A fitted regression.
#[derive(Debug, Clone, PartialEq)]
pub struct BinomialFit {
    /// The link used.
    pub link: Link,
    /// Names of the effects, the constant first.
    pub names: Vec<String>,
    /// Effects on the scale of the link.
    pub estimates: Vec<f64>,
    /// Their covariance if every seed were independent (dispersion 1).
    pub covariance: DMatrix<f64>,
    /// Fitted chance of each unit.
    pub fitted: Vec<f64>,
    /// Residual deviance.
    pub deviance: f64,
    /// Deviance of the constant alone.
    pub null_deviance: f64,
    /// Pearson's X².
    pub pearson: f64,
    /// Units minus effects.
    pub df_residual: u32,
    /// Log-likelihood with the binomial constants.
    pub log_likelihood: f64,
    /// Some effect runs off to infinity: a side with none or all.
    pub separated: bool,
    /// Whether the iteration arrived.
    pub convergence: Convergence,
    design: DMatrix<f64>,
    known: DVector<f64>,
    outcomes: Vec<Proportion>,
}

/// One effect with its uncertainty, on the scale of the link.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// Its name.
    pub name: String,
    /// Its size.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Size over error.
    pub statistic: f64,
    /// Degrees of freedom of the t; none for a z.
    pub df: Option<f64>,
    /// Probability of a larger statistic if the effect is none.
    pub p_value: f64,
    /// Limits.
    pub interval: Interval,
}

/// Outcome of comparing two nested fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NestedTest {
    /// F statistic: change of deviance by effect over the dispersion.
    pub statistic: f64,
    /// Degrees of freedom: effects dropped, residual of the larger fit.
    pub df: (f64, f64),
    /// Probability of a larger F if the dropped effects are none.
    pub p_value: f64,
    /// Dispersion of the larger fit, not below 1.
    pub dispersion: f64,
}

const MAX_STEPS: u32 = 60;

/// Binomial regression by iteratively reweighted least squares.
///
/// # Arguments
/// - `design`: columns, one row a unit.
/// - `outcomes`: k of n for each unit, same order.
/// - `link`: see [`Link`].
///
/// # Errors
/// [`StatsError::LengthsDiffer`], [`StatsError::Empty`], or
/// [`StatsError::Inseparable`] when columns cannot be told apart.
///
/// # When it misleads
/// With `separated` no effect may be reported. With few seeds a unit the
/// Pearson dispersion is rough. The unit must be the one treated.
///
/// # Source
/// McCullagh & Nelder, Generalized Linear Models (from memory). Checked with
/// Crowder's 21 plates; test `effects_match_crowder`.
///
/// # Example
/// ```
/// use vernalog::stats::binomial::fit;
/// use vernalog::stats::link::Link;
/// use vernalog::stats::design::Design;
/// use vernalog::stats::proportion::Proportion;
/// let counts = [Proportion::new(5, 20).unwrap(),
///     Proportion::new(15, 20).unwrap()];
/// let design = Design::constant(2)
///     .with_column("chilled", &[0.0, 1.0]).unwrap();
/// let fit = fit(&design, &counts, Link::Logit).unwrap();
/// // ln(15/5) − ln(5/15) = 2 ln 3
/// assert!((fit.estimates[1] - 2.0 * 3.0_f64.ln()).abs() < 1e-9);
/// ```
pub fn fit(
    design: &Design,
    outcomes: &[Proportion],
    link: Link,
) -> Result<BinomialFit, StatsError> {
    fit_beside(design, outcomes, &vec![0.0; outcomes.len()], link)
}

/// The same with a known part of the sum of effects for each unit, such as
/// the logarithm of the time it was exposed.
///
/// # Arguments
/// - `known`: added to the effects of each unit, same order.
///
/// # Errors
/// As [`fit`].
pub(crate) fn fit_beside(
    design: &Design,
    outcomes: &[Proportion],
    known: &[f64],
    link: Link,
) -> Result<BinomialFit, StatsError> {
    let what = "binomial regression";
    for right in [outcomes.len(), known.len()] {
        if right != design.n_rows() {
            let left = design.n_rows();
            return Err(StatsError::LengthsDiffer { what, left, right });
        }
    }
    let known = DVector::from_column_slice(known);
    if outcomes.is_empty() {
        return Err(StatsError::Empty { what });
    }
    let x = design.matrix();
    if rank(&x) < x.ncols() {
        return Err(StatsError::Inseparable { what });
    }
    let start = DVector::from_iterator(
        outcomes.len(),
        outcomes.iter().map(|o| {
            let (k, n) = (f64::from(o.k()), f64::from(o.n()));
            link.of((k + 0.5) / (n + 1.0))
        }),
    );
    let mut eta = start;
    let mut beta = None;
    let mut previous = f64::INFINITY;
    let mut convergence =
        Convergence::Stopped { steps: MAX_STEPS, last_change: f64::INFINITY };
    for step in 1..=MAX_STEPS {
        let target = weighted_least_squares(&x, &eta, &known, outcomes, link)
            .ok_or(StatsError::Inseparable { what })?;
        let (next, deviance) = not_uphill(
            &x,
            beta.as_ref(),
            target,
            &known,
            outcomes,
            link,
            previous,
        );
        eta = &x * &next + &known;
        beta = Some(next);
        let change = (previous - deviance).abs() / (deviance + 0.1);
        previous = deviance;
        if change < 1e-12 {
            convergence = Convergence::Arrived { steps: step };
            break;
        }
        convergence = Convergence::Stopped { steps: step, last_change: change };
    }
    let beta = beta.expect("at least one step was made");
    let covariance = information(&x, &eta, outcomes, link)
        .cholesky()
        .ok_or(StatsError::Inseparable { what })?
        .inverse();
    let fitted: Vec<f64> = eta.iter().map(|&e| link.chance(e)).collect();
    let n_rows = u32::try_from(x.nrows()).expect("fewer than 2^32 units");
    let n_effects = u32::try_from(x.ncols()).expect("few effects");
    Ok(BinomialFit {
        link,
        names: design.names().to_vec(),
        estimates: beta.iter().copied().collect(),
        covariance,
        deviance: deviance(outcomes, &fitted),
        null_deviance: null_deviance(outcomes),
        pearson: pearson(outcomes, &fitted),
        df_residual: n_rows - n_effects,
        log_likelihood: outcomes
            .iter()
            .zip(&fitted)
            .map(|(o, &p)| ln_binomial_probability(o.k(), o.n(), p))
            .sum(),
        separated: fitted.iter().any(|p| *p < 1e-6 || *p > 1.0 - 1e-6),
        convergence,
        fitted,
        design: x,
        known,
        outcomes: outcomes.to_vec(),
    })
}

impl BinomialFit {
    /// X² over its degrees of freedom, as it comes; none without any left.
    #[must_use]
    pub fn raw_dispersion(&self) -> Option<f64> {
        (self.df_residual > 0)
            .then(|| self.pearson / f64::from(self.df_residual))
    }

    /// How much more units scatter than seeds alone would, not below 1.
    #[must_use]
    pub fn dispersion(&self) -> Option<f64> {
        self.raw_dispersion().map(|d| d.max(1.0))
    }

    /// Every effect with error, test and limits.
    ///
    /// # Hypotheses
    /// For each: H₀ the effect is none; H₁ it is not.
    ///
    /// # Returns
    /// `None` for [`Scatter::Units`] without residual degrees of freedom.
    ///
    /// # When it misleads
    /// An effect that runs off to infinity (`separated`) has a huge error and
    /// a p-value near 1 whatever the truth.
    #[must_use]
    pub fn effects(
        &self,
        scatter: Scatter,
        confidence: Confidence,
    ) -> Option<Vec<Effect>> {
        (0..self.names.len())
            .map(|i| {
                let mut weights = vec![0.0; self.names.len()];
                weights[i] = 1.0;
                self.combination(&self.names[i], &weights, scatter, confidence)
            })
            .collect()
    }

    /// A weighted sum of effects, such as the effect within one level.
    ///
    /// # Returns
    /// `None` as for [`BinomialFit::effects`], and when the number of weights
    /// is not the number of effects.
    #[must_use]
    pub fn combination(
        &self,
        name: &str,
        weights: &[f64],
        scatter: Scatter,
        confidence: Confidence,
    ) -> Option<Effect> {
        if weights.len() != self.estimates.len() {
            return None;
        }
        let w = DVector::from_column_slice(weights);
        let (factor, df) = match scatter {
            Scatter::Seeds => (1.0, None),
            Scatter::Units => {
                (self.dispersion()?, Some(f64::from(self.df_residual)))
            }
        };
        let beta = DVector::from_column_slice(&self.estimates);
        let estimate = w.dot(&beta);
        let variance = factor * (w.transpose() * &self.covariance * &w)[0];
        let standard_error = variance.sqrt();
        let statistic = estimate / standard_error;
        let (p_value, reach) = match df {
            Some(df) => {
                (t_two_sided(statistic, df), t_upper(confidence.tail(), df))
            }
            None => (2.0 * normal_cdf(-statistic.abs()), confidence.z()),
        };
        Some(Effect {
            name: name.to_owned(),
            estimate,
            standard_error,
            statistic,
            df,
            p_value,
            interval: Interval {
                lower: estimate - reach * standard_error,
                upper: estimate + reach * standard_error,
                confidence,
            },
        })
    }

    /// Covariance of the effects that allows units of a cluster to hang
    /// together: the sandwich of summed scores, without a small-sample factor.
    ///
    /// # Arguments
    /// - `clusters`: a number for each unit, same order.
    ///
    /// # Errors
    /// [`StatsError::LengthsDiffer`].
    ///
    /// # When it misleads
    /// Under about ten clusters the errors are themselves too small.
    pub fn cluster_robust_covariance(
        &self,
        clusters: &[usize],
    ) -> Result<DMatrix<f64>, StatsError> {
        if clusters.len() != self.outcomes.len() {
            return Err(StatsError::LengthsDiffer {
                what: "clusters",
                left: self.outcomes.len(),
                right: clusters.len(),
            });
        }
        let k = self.estimates.len();
        let mut scores = std::collections::BTreeMap::new();
        let beta = DVector::from_column_slice(&self.estimates);
        let eta = &self.design * beta + &self.known;
        for (i, cluster) in clusters.iter().enumerate() {
            let (chance, slope) =
                (self.link.chance(eta[i]), self.link.slope(eta[i]));
            let spread = self.link.spread(eta[i]);
            let outcome = self.outcomes[i];
            let residual =
                f64::from(outcome.k()) - f64::from(outcome.n()) * chance;
            let row = self.design.row(i).transpose();
            let sum: &mut DVector<f64> =
                scores.entry(*cluster).or_insert_with(|| DVector::zeros(k));
            *sum += row * (residual * slope / spread);
        }
        let mut meat = DMatrix::zeros(k, k);
        for score in scores.values() {
            meat += score * score.transpose();
        }
        Ok(&self.covariance * meat * &self.covariance)
    }
}

/// F test of a smaller fit inside a larger one.
///
/// # Hypotheses
/// H₀: the effects only in `larger` are all none. H₁: some are not.
///
/// # Returns
/// `None` when `larger` has no residual degrees of freedom or no more effects
/// than `smaller`.
///
/// # When it misleads
/// The residual of `larger` must be scatter between the units the effects
/// were applied to. A dispersion below 1 is taken as 1.
#[must_use]
pub fn f_test(
    smaller: &BinomialFit,
    larger: &BinomialFit,
) -> Option<NestedTest> {
    let dropped = smaller.df_residual.checked_sub(larger.df_residual)?;
    if dropped == 0 {
        return None;
    }
    let dispersion = larger.dispersion()?;
    let df = (f64::from(dropped), f64::from(larger.df_residual));
    let change = (smaller.deviance - larger.deviance).max(0.0);
    let statistic = change / df.0 / dispersion;
    let p_value = f_upper(statistic, df.0, df.1);
    Some(NestedTest { statistic, df, p_value, dispersion })
}

fn information(
    x: &DMatrix<f64>,
    eta: &DVector<f64>,
    outcomes: &[Proportion],
    link: Link,
) -> DMatrix<f64> {
    let mut weighted = x.clone();
    for (i, mut row) in weighted.row_iter_mut().enumerate() {
        row *= link.weight(eta[i], f64::from(outcomes[i].n()));
    }
    x.transpose() * weighted
}

fn weighted_least_squares(
    x: &DMatrix<f64>,
    eta: &DVector<f64>,
    known: &DVector<f64>,
    outcomes: &[Proportion],
    link: Link,
) -> Option<DVector<f64>> {
    let working = DVector::from_fn(outcomes.len(), |i, _| {
        let e = link.bounded(eta[i]);
        let residual = outcomes[i].fraction() - link.chance(e);
        let z = e - known[i] + residual / link.slope(e);
        z * link.weight(e, f64::from(outcomes[i].n()))
    });
    information(x, eta, outcomes, link)
        .cholesky()
        .map(|factor| factor.solve(&(x.transpose() * working)))
}

/// The target, or a point on the way to it whose deviance is not larger.
fn not_uphill(
    x: &DMatrix<f64>,
    from: Option<&DVector<f64>>,
    target: DVector<f64>,
    known: &DVector<f64>,
    outcomes: &[Proportion],
    link: Link,
    previous: f64,
) -> (DVector<f64>, f64) {
    let at = |beta: &DVector<f64>| {
        let fitted: Vec<f64> =
            (x * beta + known).iter().map(|&e| link.chance(e)).collect();
        deviance(outcomes, &fitted)
    };
    let mut next = target;
    let mut now = at(&next);
    if let Some(from) = from {
        for _ in 0..30 {
            if now <= previous * (1.0 + 1e-12) + 1e-12 {
                break;
            }
            next = (&next + from) / 2.0;
            now = at(&next);
        }
    }
    (next, now)
}

fn deviance(outcomes: &[Proportion], fitted: &[f64]) -> f64 {
    outcomes
        .iter()
        .zip(fitted)
        .map(|(o, &p)| {
            let (k, n) = (f64::from(o.k()), f64::from(o.n()));
            let left = n - k;
            let best = times_ln(k, k / n) + times_ln(left, left / n);
            2.0 * (best - times_ln(k, p) - times_ln(left, 1.0 - p))
        })
        .sum::<f64>()
        .max(0.0)
}

fn null_deviance(outcomes: &[Proportion]) -> f64 {
    let k: f64 = outcomes.iter().map(|o| f64::from(o.k())).sum();
    let n: f64 = outcomes.iter().map(|o| f64::from(o.n())).sum();
    deviance(outcomes, &vec![k / n; outcomes.len()])
}

fn pearson(outcomes: &[Proportion], fitted: &[f64]) -> f64 {
    outcomes
        .iter()
        .zip(fitted)
        .map(|(o, &p)| {
            let n = f64::from(o.n());
            n * (o.fraction() - p).powi(2) / (p * (1.0 - p)).max(1e-14)
        })
        .sum()
}

#[cfg(test)]
mod tests;
