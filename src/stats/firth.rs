//! Logistic regression that stays finite when a side has none or all.
//!
//! Not a cure for too few units, and blind to scatter between them unless a
//! dispersion is given.

use nalgebra::{DMatrix, DVector};

use crate::stats::convergence::Convergence;
use crate::stats::design::{Design, rank};
use crate::stats::distribution::{chi_squared_upper, root_between, times_ln};
use crate::stats::error::{StatsError, within};
use crate::stats::interval::{Confidence, Interval};
use crate::stats::link::Link;
use crate::stats::proportion::Proportion;

/// One effect of a penalised fit, on the logit scale.
#[derive(Debug, Clone, PartialEq)]
pub struct PenalisedEffect {
    /// Its name.
    pub name: String,
    /// Its size.
    pub estimate: f64,
    /// Standard error from the information; prefer the interval.
    pub standard_error: f64,
    /// Profile limits of the penalised likelihood.
    pub interval: Interval,
    /// Penalised likelihood ratio, chi-squared on 1.
    pub statistic: f64,
    /// Probability of a larger ratio if the effect is none.
    pub p_value: f64,
}

/// A penalised fit.
#[derive(Debug, Clone, PartialEq)]
pub struct PenalisedFit {
    /// Every effect, the constant first.
    pub effects: Vec<PenalisedEffect>,
    /// Log-likelihood (without binomial constants) plus half the log
    /// determinant of the information.
    pub penalised_log_likelihood: f64,
    /// Whether every maximisation in it arrived.
    pub convergence: Convergence,
}

/// Penalised likelihood ratio for several effects at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PenalisedTest {
    /// Twice the fall of the penalised log-likelihood, over the dispersion.
    pub statistic: f64,
    /// Effects set to none.
    pub df: f64,
    /// Probability of a larger statistic if all are none.
    pub p_value: f64,
}

const MAX_STEPS: u32 = 200;
const SCORING_STEPS: u32 = 8;

/// Firth's penalised logistic regression with profile limits.
///
/// Maximises the log-likelihood plus half the log determinant of the
/// information; finite whenever the columns can be told apart.
///
/// # Hypotheses
/// For each effect: H₀ it is none; H₁ it is not.
///
/// # Arguments
/// - `design`, `outcomes`: as in [`crate::stats::binomial::fit`].
/// - `dispersion`: 1 for independent things (boxes, mouldy or not); the
///   dispersion of the units for seeds in containers. At least 1.
/// - `confidence`: of the limits.
///
/// # Errors
/// [`StatsError::LengthsDiffer`], [`StatsError::Empty`],
/// [`StatsError::OutOfRange`] for a dispersion below 1,
/// [`StatsError::Inseparable`].
///
/// # When it misleads
/// The constant is drawn towards a half, so fitted chances are, too. With
/// very few units (three against three) an exact test says how little can be
/// known; this does not.
///
/// # Source
/// Firth 1993, Biometrika 80: 27–38; Heinze & Schemper 2002, Stat. Med. 21:
/// 2409–2419 (from memory); test `effects_match_the_endometrial_fit`.
///
/// # Example
/// ```
/// use vernalog::stats::design::Design;
/// use vernalog::stats::firth::fit_penalised;
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::proportion::Proportion;
/// let none = [Proportion::new(0, 9).unwrap()];
/// let fit = fit_penalised(
///     &Design::constant(1), &none, 1.0, Confidence::NINETY_FIVE).unwrap();
/// // For one fraction the penalty adds half a seed to either side.
/// let half_a_seed = (0.5_f64 / 9.5).ln();
/// assert!((fit.effects[0].estimate - half_a_seed).abs() < 1e-6);
/// ```
pub fn fit_penalised(
    design: &Design,
    outcomes: &[Proportion],
    dispersion: f64,
    confidence: Confidence,
) -> Result<PenalisedFit, StatsError> {
    let problem = Problem::new(design, outcomes, dispersion)?;
    let best = problem.maximum(&[], None)?;
    let mut convergence = best.convergence;
    let inverse = problem.inverse_information(&best.beta)?;
    let threshold = confidence.z().powi(2) * dispersion / 2.0;
    let mut effects = Vec::new();
    for (i, name) in design.names().iter().enumerate() {
        let estimate = best.beta[i];
        let standard_error = inverse[(i, i)].sqrt();
        let without = problem.maximum(&[(i, 0.0)], Some(&best.beta))?;
        if !without.convergence.arrived() {
            convergence = without.convergence;
        }
        let fall = (best.value - without.value).max(0.0);
        let statistic = 2.0 * fall / dispersion;
        let limit = |direction: f64| {
            problem.limit(&best, i, direction * standard_error, threshold)
        };
        effects.push(PenalisedEffect {
            name: name.clone(),
            estimate,
            standard_error,
            interval: Interval {
                lower: limit(-1.0),
                upper: limit(1.0),
                confidence,
            },
            statistic,
            p_value: chi_squared_upper(statistic, 1.0),
        });
    }
    let penalised_log_likelihood = best.value;
    Ok(PenalisedFit { effects, penalised_log_likelihood, convergence })
}

/// Penalised likelihood ratio test of several columns, such as a factor of
/// three levels.
///
/// # Hypotheses
/// H₀: the effects of all these columns are none. H₁: some are not.
///
/// # Arguments
/// - `columns`: positions in the design, each once.
/// - others: as in [`fit_penalised`].
///
/// # Errors
/// As [`fit_penalised`]; [`StatsError::OneLevel`] for no columns or one that
/// is not there.
///
/// # When it misleads
/// As [`fit_penalised`].
pub fn penalised_test(
    design: &Design,
    outcomes: &[Proportion],
    columns: &[usize],
    dispersion: f64,
) -> Result<PenalisedTest, StatsError> {
    let what = "penalised test";
    let there = columns.iter().all(|c| *c < design.names().len());
    if columns.is_empty() || !there {
        return Err(StatsError::OneLevel { what });
    }
    let problem = Problem::new(design, outcomes, dispersion)?;
    let best = problem.maximum(&[], None)?;
    let fixed: Vec<(usize, f64)> = columns.iter().map(|c| (*c, 0.0)).collect();
    let without = problem.maximum(&fixed, Some(&best.beta))?;
    let fall = (best.value - without.value).max(0.0);
    let statistic = 2.0 * fall / dispersion;
    let df = f64::from(u32::try_from(columns.len()).expect("few columns"));
    let p_value = chi_squared_upper(statistic, df);
    Ok(PenalisedTest { statistic, df, p_value })
}

struct Problem {
    x: DMatrix<f64>,
    k: DVector<f64>,
    n: DVector<f64>,
}

struct Maximum {
    beta: DVector<f64>,
    value: f64,
    convergence: Convergence,
}

const WHAT: &str = "penalised regression";

impl Problem {
    fn new(
        design: &Design,
        outcomes: &[Proportion],
        dispersion: f64,
    ) -> Result<Self, StatsError> {
        within("dispersion", dispersion, 1.0, f64::MAX)?;
        if outcomes.len() != design.n_rows() {
            return Err(StatsError::LengthsDiffer {
                what: WHAT,
                left: design.n_rows(),
                right: outcomes.len(),
            });
        }
        if outcomes.is_empty() {
            return Err(StatsError::Empty { what: WHAT });
        }
        let x = design.matrix();
        if rank(&x) < x.ncols() {
            return Err(StatsError::Inseparable { what: WHAT });
        }
        let column = |count: fn(&Proportion) -> u32| {
            DVector::from_iterator(
                outcomes.len(),
                outcomes.iter().map(|o| f64::from(count(o))),
            )
        };
        Ok(Self { x, k: column(|o| o.k()), n: column(|o| o.n()) })
    }

    fn information(&self, beta: &DVector<f64>) -> DMatrix<f64> {
        let eta = &self.x * beta;
        let mut weighted = self.x.clone();
        for (i, mut row) in weighted.row_iter_mut().enumerate() {
            row *= Link::Logit.weight(eta[i], self.n[i]);
        }
        self.x.transpose() * weighted
    }

    fn inverse_information(
        &self,
        beta: &DVector<f64>,
    ) -> Result<DMatrix<f64>, StatsError> {
        self.information(beta)
            .cholesky()
            .map(|factor| factor.inverse())
            .ok_or(StatsError::Inseparable { what: WHAT })
    }

    fn value(&self, beta: &DVector<f64>) -> f64 {
        let eta = &self.x * beta;
        let mut sum = 0.0;
        for i in 0..eta.len() {
            let p = Link::Logit.chance(eta[i]);
            sum += times_ln(self.k[i], p);
            sum += times_ln(self.n[i] - self.k[i], 1.0 - p);
        }
        match self.information(beta).cholesky() {
            Some(factor) => {
                sum + factor.l().diagonal().iter().map(|d| d.ln()).sum::<f64>()
            }
            None => f64::NEG_INFINITY,
        }
    }

    /// Score with Firth's correction.
    fn score(
        &self,
        beta: &DVector<f64>,
        inverse: &DMatrix<f64>,
    ) -> DVector<f64> {
        let eta = &self.x * beta;
        let residual = DVector::from_fn(eta.len(), |i, _| {
            let p = Link::Logit.chance(eta[i]);
            let row = self.x.row(i);
            let leverage = Link::Logit.weight(eta[i], self.n[i])
                * (row * inverse * row.transpose())[0];
            self.k[i] - self.n[i] * p + leverage * (0.5 - p)
        });
        self.x.transpose() * residual
    }

    /// What a step is measured by: the information at first, which is safe,
    /// then the true curvature from differences of the score, because the
    /// penalty alone makes scoring steps crawl where units are few.
    fn curvature(
        &self,
        beta: &DVector<f64>,
        free: &[usize],
        steps: u32,
    ) -> Result<DMatrix<f64>, StatsError> {
        if steps < SCORING_STEPS {
            let rows = self.information(beta).select_rows(free);
            return Ok(rows.select_columns(free));
        }
        let mut curvature = DMatrix::zeros(free.len(), free.len());
        for (position, column) in free.iter().enumerate() {
            let score_at = |shift: f64| {
                let mut there = beta.clone();
                there[*column] += shift;
                let inverse = self.inverse_information(&there)?;
                Ok(self.score(&there, &inverse).select_rows(free))
            };
            let change = score_at(-1e-5)? - score_at(1e-5)?;
            curvature.set_column(position, &(change / 2e-5));
        }
        Ok((&curvature + curvature.transpose()) / 2.0)
    }

    /// The maximum with some effects held; steps are halved until uphill.
    fn maximum(
        &self,
        held: &[(usize, f64)],
        start: Option<&DVector<f64>>,
    ) -> Result<Maximum, StatsError> {
        let columns = self.x.ncols();
        let free: Vec<usize> =
            (0..columns).filter(|c| held.iter().all(|(h, _)| h != c)).collect();
        let mut beta =
            start.cloned().unwrap_or_else(|| DVector::zeros(columns));
        for &(column, value) in held {
            beta[column] = value;
        }
        let mut value = self.value(&beta);
        let mut left = f64::INFINITY;
        for steps in 0..MAX_STEPS {
            let inverse = self.inverse_information(&beta)?;
            let score = self.score(&beta, &inverse).select_rows(&free);
            left = score.amax();
            if free.is_empty() || left < 1e-9 {
                let convergence = Convergence::Arrived { steps };
                return Ok(Maximum { beta, value, convergence });
            }
            let part = self.curvature(&beta, &free, steps)?;
            let step = part
                .cholesky()
                .or_else(|| {
                    let plain = self.information(&beta);
                    let rows = plain.select_rows(&free);
                    rows.select_columns(&free).cholesky()
                })
                .ok_or(StatsError::Inseparable { what: WHAT })?
                .solve(&score);
            let longest = step.amax();
            let mut share = if longest > 5.0 { 5.0 / longest } else { 1.0 };
            let mut moved = false;
            for _ in 0..40 {
                let mut next = beta.clone();
                for (position, column) in free.iter().enumerate() {
                    next[*column] += share * step[position];
                }
                let there = self.value(&next);
                if there >= value - 1e-12 * value.abs() {
                    (beta, value, moved) = (next, there, true);
                    break;
                }
                share /= 2.0;
            }
            if !moved {
                break;
            }
        }
        let convergence = if left < 1e-5 {
            Convergence::Arrived { steps: MAX_STEPS }
        } else {
            Convergence::Stopped { steps: MAX_STEPS, last_change: left }
        };
        Ok(Maximum { beta, value, convergence })
    }

    /// Where the profile has fallen by `threshold`; infinite when it never
    /// does.
    fn limit(
        &self,
        best: &Maximum,
        column: usize,
        stride: f64,
        threshold: f64,
    ) -> f64 {
        let centre = best.beta[column];
        let fall = |at: f64| {
            self.maximum(&[(column, at)], Some(&best.beta))
                .map_or(f64::INFINITY, |there| best.value - there.value)
                - threshold
        };
        let mut near = centre;
        let mut far = centre + stride;
        for _ in 0..30 {
            if fall(far) > 0.0 {
                return root_between(near, far, fall);
            }
            (near, far) = (far, far + 2.0 * (far - centre));
        }
        f64::INFINITY * stride.signum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::Value;

    const WOMEN: &str =
        include_str!("../../tests/reference/stats/endometrial.csv");
    const ANSWERS: &str = include_str!(
        "../../tests/reference/stats/separation_and_exact_tests.json"
    );

    fn answers() -> Value {
        serde_json::from_str(ANSWERS).unwrap()
    }

    fn close(what: &str, got: f64, expected: &Value, off: f64) {
        let expected = expected.as_f64().unwrap();
        assert!((got - expected).abs() < off, "{what}: {got} {expected}");
    }

    fn check(fit: &PenalisedFit, expected: &Value) {
        assert!(fit.convergence.arrived());
        let names = expected["terms"].as_array().unwrap();
        assert_eq!(names.len(), fit.effects.len());
        for (i, effect) in fit.effects.iter().enumerate() {
            let name = names[i].as_str().unwrap();
            close(name, effect.estimate, &expected["coef"][i], 1e-6);
            close(name, effect.standard_error, &expected["se"][i], 1e-6);
            let limits = &expected["profile_ci95"][name];
            close(name, effect.interval.lower, &limits[0], 2e-5);
            close(name, effect.interval.upper, &limits[1], 2e-5);
            let ratio = &expected["plr_p"][name];
            if ratio.is_object() {
                close(name, effect.statistic, &ratio["chi2"], 1e-6);
                close(name, effect.p_value, &ratio["p"], 1e-7);
            }
        }
        let value = &expected["penalised_loglik"];
        close("value", fit.penalised_log_likelihood, value, 1e-6);
    }

    #[test]
    fn effects_match_the_endometrial_fit() {
        // R brglm2 and an independent Newton code agree (computed);
        // 2.929, −0.035, −2.604 as published, from memory, reproduced.
        let mut columns = vec![Vec::new(); 3];
        let mut outcomes = Vec::new();
        for row in csv::Reader::from_reader(WOMEN.as_bytes()).records() {
            let row = row.unwrap();
            for (i, column) in columns.iter_mut().enumerate() {
                column.push(row[i].parse::<f64>().unwrap());
            }
            let high = row[3].parse().unwrap();
            outcomes.push(Proportion::new(high, 1).unwrap());
        }
        let mut design = Design::constant(outcomes.len());
        for (name, column) in ["NV", "PI", "EH"].iter().zip(&columns) {
            design = design.with_column(name, column).unwrap();
        }
        let fit =
            fit_penalised(&design, &outcomes, 1.0, Confidence::NINETY_FIVE)
                .unwrap();
        check(&fit, &answers()["firth_endometrial"]);
        let one = penalised_test(&design, &outcomes, &[1], 1.0).unwrap();
        assert!((one.statistic - fit.effects[1].statistic).abs() < 1e-9);
        let all = penalised_test(&design, &outcomes, &[1, 2, 3], 1.0).unwrap();
        assert!(all.statistic > 17.0 && all.p_value < 1e-3, "{all:?}");
    }

    #[test]
    fn boxes_without_any_mould_on_one_side_have_limits() {
        // Invented counts, answers from R brglm2 and an independent Newton
        // code (computed).
        let outcomes =
            [(0, 8), (4, 7)].map(|(k, n)| Proportion::new(k, n).unwrap());
        let design =
            Design::constant(2).with_column("high", &[0.0, 1.0]).unwrap();
        let fit =
            fit_penalised(&design, &outcomes, 1.0, Confidence::NINETY_FIVE)
                .unwrap();
        check(&fit, &answers()["mould_boxes"]["firth"]);
        let scattered =
            fit_penalised(&design, &outcomes, 2.0, Confidence::NINETY_FIVE)
                .unwrap();
        let (one, two) = (&fit.effects[1], &scattered.effects[1]);
        assert!((one.statistic - 2.0 * two.statistic).abs() < 1e-6);
        assert!(two.interval.width() > one.interval.width());
    }

    #[test]
    fn nonsense_is_refused() {
        let one = [Proportion::new(1, 2).unwrap()];
        let design = Design::constant(1);
        let level = Confidence::NINETY_FIVE;
        assert!(fit_penalised(&design, &one, 0.5, level).is_err());
        assert!(fit_penalised(&design, &[], 1.0, level).is_err());
        assert!(penalised_test(&design, &one, &[], 1.0).is_err());
        assert!(penalised_test(&design, &one, &[7], 1.0).is_err());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]
        #[test]
        fn any_counts_have_finite_limits(
            rows in prop::collection::vec(
                (0_usize..2, 0_usize..3, 1_u32..20, 0_u32..20), 6..12),
        ) {
            let outcomes: Vec<_> = rows.iter()
                .map(|(_, _, n, k)| Proportion::new(*k.min(n), *n).unwrap())
                .collect();
            let names = ["a", "b", "c"];
            let level = |i: usize| names[i];
            let one: Vec<_> = rows.iter().map(|r| level(r.0)).collect();
            let two: Vec<_> = rows.iter().map(|r| level(r.1)).collect();
            let design = Design::constant(rows.len())
                .with_factor("one", &one).unwrap()
                .with_factor("two", &two).unwrap();
            prop_assume!(design.rank() == design.names().len());
            let fit = fit_penalised(&design, &outcomes, 1.0,
                Confidence::NINETY_FIVE).unwrap();
            prop_assert!(fit.convergence.arrived(), "{fit:?}");
            for effect in &fit.effects {
                let limits = effect.interval;
                prop_assert!(limits.lower < effect.estimate, "{effect:?}");
                prop_assert!(effect.estimate < limits.upper, "{effect:?}");
                prop_assert!(limits.width().is_finite(), "{effect:?}");
                // A likelihood ratio and its limits are one statement.
                prop_assert_eq!(limits.holds(0.0), effect.p_value >= 0.05);
            }
        }
    }
}
