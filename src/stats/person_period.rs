//! The chance of germinating between two looks, with conditions that change
//! from look to look.
//!
//! For prediction, not for proof: a condition that differs mainly between
//! places carries everything else that differs between them.

use nalgebra::{DMatrix, DVector};

use crate::stats::binomial::{BinomialFit, fit_beside};
use crate::stats::design::Design;
use crate::stats::distribution::{t_two_sided, t_upper};
use crate::stats::error::{StatsError, within};
use crate::stats::interval::{Confidence, Interval};
use crate::stats::link::Link;
use crate::stats::proportion::Proportion;

/// One effect on the log of the cumulative hazard of an interval.
#[derive(Debug, Clone, PartialEq)]
pub struct HazardEffect {
    /// Its name.
    pub name: String,
    /// Its size.
    pub estimate: f64,
    /// Error if every seed were independent.
    pub seed_error: f64,
    /// Error that lets seeds of a container hang together.
    pub container_error: f64,
    /// Probability of a larger effect by chance: t on containers − 1.
    pub p_value: f64,
    /// Limits from the container error.
    pub interval: Interval,
}

/// A fitted hazard model.
#[derive(Debug, Clone, PartialEq)]
pub struct HazardFit {
    /// Every effect, the constant first.
    pub effects: Vec<HazardEffect>,
    /// The regression beneath, with deviance and convergence.
    pub regression: BinomialFit,
    /// Containers.
    pub n_containers: u32,
    covariance: DMatrix<f64>,
    confidence: Confidence,
}

/// A share with limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// Share germinated by the end of the intervals asked for.
    pub share: f64,
    /// Limits for it, from the container errors.
    pub interval: Interval,
}

/// Cumulative hazard of what is to come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ahead {
    /// The cumulative hazard.
    pub hazard: f64,
    /// Standard error of its natural logarithm.
    pub log_error: f64,
}

/// With fewer containers the container errors are themselves too small.
pub const FEW_CONTAINERS: u32 = 10;

/// Grouped proportional hazards: complementary log-log regression of
/// container-interval rows, errors by container.
///
/// # Hypotheses
/// For each effect: H₀ it does not change the hazard; H₁ it does.
///
/// # Arguments
/// - `design`: one row for each container and interval: log of the age,
///   conditions of that interval, and so on.
/// - `rows`: germinated of those at risk in that interval, same order; rows
///   with nobody at risk are left out beforehand.
/// - `containers`: which container a row belongs to, same order.
///
/// # Returns
/// Effects; e to the power of one multiplies the hazard.
///
/// # Errors
/// As [`crate::stats::binomial::fit`], and [`StatsError::OneLevel`] for fewer
/// than two containers.
///
/// # When it misleads
/// Under [`FEW_CONTAINERS`] containers p-values are too small. Conditions
/// that rise with time along with everything else look like causes. Seeds
/// that never will germinate flatten the hazard late (see
/// `split_population.rs`).
///
/// # Source
/// Prentice & Gloeckler 1978, Biometrics 34: 57–67 (from memory); test
/// `fits_match_three_engines`.
///
/// # Example
/// ```
/// use vernalog::stats::design::Design;
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::person_period::fit_hazard;
/// use vernalog::stats::proportion::Proportion;
/// // Half of those at risk germinate in every interval.
/// let rows = [(10, 20), (5, 10), (8, 16), (4, 8)]
///     .map(|(k, n)| Proportion::new(k, n).unwrap());
/// let fit = fit_hazard(
///     &Design::constant(4), &rows, &[0, 0, 1, 1], Confidence::NINETY_FIVE,
/// ).unwrap();
/// let ln_2 = std::f64::consts::LN_2;
/// assert!((fit.effects[0].estimate - ln_2.ln()).abs() < 1e-9);
/// ```
pub fn fit_hazard(
    design: &Design,
    rows: &[Proportion],
    containers: &[usize],
    confidence: Confidence,
) -> Result<HazardFit, StatsError> {
    let steady = vec![1.0; rows.len()];
    fit_exposed(design, rows, &steady, containers, confidence)
}

/// The same where intervals differ in how much time (or warmth) they hold:
/// the hazard is that of one unit of exposure.
///
/// # Arguments
/// - `exposure`: time or warmth in each interval, above 0, same order.
///
/// # Errors
/// As [`fit_hazard`], and [`StatsError::OutOfRange`] for an interval without
/// exposure.
///
/// # Example
/// ```
/// use vernalog::stats::design::Design;
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::person_period::fit_exposed;
/// use vernalog::stats::proportion::Proportion;
/// // Half of those at risk in one day, three quarters in two.
/// let rows = [(10, 20), (15, 20)].map(|(k, n)| Proportion::new(k, n).unwrap());
/// let fit = fit_exposed(
///     &Design::constant(2), &rows, &[1.0, 2.0], &[0, 1],
///     Confidence::NINETY_FIVE,
/// ).unwrap();
/// let ln_2 = std::f64::consts::LN_2;
/// assert!((fit.effects[0].estimate - ln_2.ln()).abs() < 1e-9);
/// ```
pub fn fit_exposed(
    design: &Design,
    rows: &[Proportion],
    exposure: &[f64],
    containers: &[usize],
    confidence: Confidence,
) -> Result<HazardFit, StatsError> {
    for value in exposure {
        within("exposure", *value, f64::MIN_POSITIVE, f64::MAX)?;
    }
    let known: Vec<f64> = exposure.iter().map(|value| value.ln()).collect();
    let regression =
        fit_beside(design, rows, &known, Link::ComplementaryLogLog)?;
    let covariance = regression.cluster_robust_covariance(containers)?;
    let distinct: std::collections::BTreeSet<_> = containers.iter().collect();
    let n_containers = u32::try_from(distinct.len()).expect("few containers");
    if n_containers < 2 {
        return Err(StatsError::OneLevel { what: "containers" });
    }
    let df = f64::from(n_containers - 1);
    let reach = t_upper(confidence.tail(), df);
    let effects = regression
        .names
        .iter()
        .enumerate()
        .map(|(i, name)| {
            let estimate = regression.estimates[i];
            let container_error = covariance[(i, i)].sqrt();
            HazardEffect {
                name: name.clone(),
                estimate,
                seed_error: regression.covariance[(i, i)].sqrt(),
                container_error,
                p_value: t_two_sided(estimate / container_error, df),
                interval: Interval {
                    lower: estimate - reach * container_error,
                    upper: estimate + reach * container_error,
                    confidence,
                },
            }
        })
        .collect();
    Ok(HazardFit { effects, regression, n_containers, covariance, confidence })
}

impl HazardFit {
    /// Whether there are too few containers to trust the errors.
    #[must_use]
    pub fn few_containers(&self) -> bool {
        self.n_containers < FEW_CONTAINERS
    }

    /// Share germinated by the end of a run of intervals.
    ///
    /// # Arguments
    /// - `course`: the design rows of the intervals in order, each with the
    ///   constant first.
    ///
    /// # Errors
    /// [`StatsError::LengthsDiffer`] when a row does not fit the model,
    /// [`StatsError::Empty`] for no intervals.
    ///
    /// # When it misleads
    /// Outside the conditions and ages the model was fitted on.
    pub fn predict(
        &self,
        course: &[Vec<f64>],
    ) -> Result<Predicted, StatsError> {
        let ahead = self.ahead(course, &vec![1.0; course.len()])?;
        let df = f64::from(self.n_containers - 1);
        let half = t_upper(self.confidence.tail(), df) * ahead.log_error;
        let share = |hazard: f64| -(-hazard).exp_m1();
        Ok(Predicted {
            share: share(ahead.hazard),
            interval: Interval {
                lower: share(ahead.hazard * (-half).exp()),
                upper: share(ahead.hazard * half.exp()),
                confidence: self.confidence,
            },
        })
    }

    /// Cumulative hazard over a run of intervals, with the error of its
    /// logarithm from the container errors.
    ///
    /// # Arguments
    /// - `course`: as for [`HazardFit::predict`].
    /// - `exposure`: time or warmth in each interval, same order.
    ///
    /// # Errors
    /// As [`HazardFit::predict`].
    pub fn ahead(
        &self,
        course: &[Vec<f64>],
        exposure: &[f64],
    ) -> Result<Ahead, StatsError> {
        let what = "course of conditions";
        if course.is_empty() {
            return Err(StatsError::Empty { what });
        }
        let n = self.effects.len();
        let beta = DVector::from_column_slice(&self.regression.estimates);
        let mut hazard = 0.0;
        let mut gradient = DVector::zeros(n);
        if exposure.len() != course.len() {
            let (left, right) = (course.len(), exposure.len());
            return Err(StatsError::LengthsDiffer { what, left, right });
        }
        for (row, exposed) in course.iter().zip(exposure) {
            if row.len() != n {
                let (left, right) = (n, row.len());
                return Err(StatsError::LengthsDiffer { what, left, right });
            }
            let row = DVector::from_column_slice(row);
            let part = exposed * row.dot(&beta).min(700.0).exp();
            hazard += part;
            gradient += row * part;
        }
        // Limits on the log of the cumulative hazard stay within 0 and 1.
        let along = gradient / hazard.max(f64::MIN_POSITIVE);
        let variance = (along.transpose() * &self.covariance * &along)[0];
        Ok(Ahead { hazard, log_error: variance.max(0.0).sqrt() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;
    use statrs::function::factorial::ln_binomial;

    const ROWS: &str =
        include_str!("../../tests/reference/stats/person_period.csv");
    const ANSWERS: &str = include_str!(
        "../../tests/reference/stats/person_period_reference.json"
    );

    struct Data {
        dish: Vec<usize>,
        place: Vec<String>,
        log_day: Vec<f64>,
        rows: Vec<Proportion>,
        warmth: Vec<f64>,
        lit: Vec<f64>,
    }

    fn data() -> Data {
        let mut data = Data {
            dish: vec![],
            place: vec![],
            log_day: vec![],
            rows: vec![],
            warmth: vec![],
            lit: vec![],
        };
        for row in csv::Reader::from_reader(ROWS.as_bytes()).records() {
            let row = row.unwrap();
            let at_risk: u32 = row[3].parse().unwrap();
            if at_risk == 0 {
                continue;
            }
            data.dish.push(row[0].parse().unwrap());
            data.place.push(row[1].to_owned());
            data.log_day.push(row[2].parse::<f64>().unwrap().ln());
            let new = row[4].parse().unwrap();
            data.rows.push(Proportion::new(new, at_risk).unwrap());
            data.warmth.push(row[5].parse::<f64>().unwrap() - 15.0);
            data.lit.push(row[6].parse().unwrap());
        }
        data
    }

    fn design(data: &Data, terms: &[Value]) -> Design {
        let at = |place: &str| -> Vec<f64> {
            let is = |p: &String| if p == place { 1.0 } else { 0.0 };
            data.place.iter().map(is).collect()
        };
        let mut design = Design::constant(data.rows.len());
        for term in &terms[1..] {
            let name = term.as_str().unwrap();
            let column = match name {
                "log_day" => data.log_day.clone(),
                "temp_minus_15" => data.warmth.clone(),
                "lit" => data.lit.clone(),
                place => at(place),
            };
            design = design.with_column(name, &column).unwrap();
        }
        design
    }

    #[test]
    fn fits_match_three_engines() {
        // Simulated container-days; R glm, statsmodels 0.15.0 and a direct
        // maximisation agree, errors by container from R sandwich (computed).
        let answers: Value = serde_json::from_str(ANSWERS).unwrap();
        let data = data();
        for (name, expected) in answers["fits"].as_object().unwrap() {
            let terms = expected["terms"].as_array().unwrap();
            let fit = fit_hazard(
                &design(&data, terms),
                &data.rows,
                &data.dish,
                Confidence::NINETY_FIVE,
            )
            .unwrap();
            let number =
                |key: &str, i: usize| expected[key][i].as_f64().unwrap();
            for (i, effect) in fit.effects.iter().enumerate() {
                for (got, key) in [
                    (effect.estimate, "coef"),
                    (effect.seed_error, "se_model"),
                    (effect.container_error, "se_robust_dish_hc0"),
                ] {
                    let off = (got - number(key, i)).abs();
                    assert!(off < 1e-6, "{name} {i} {key}: {got}");
                }
            }
            let regression = &fit.regression;
            let deviance = expected["deviance"].as_f64().unwrap();
            assert!((regression.deviance - deviance).abs() < 1e-6);
            let x2 = expected["pearson_x2"].as_f64().unwrap();
            assert!((regression.pearson - x2).abs() < 1e-4);
            assert_eq!(expected["df"], regression.df_residual);
            // The printed value leaves out the binomial constants.
            let constants: f64 = data
                .rows
                .iter()
                .map(|row| ln_binomial(row.n().into(), row.k().into()))
                .sum();
            let kernel = expected["kernel_loglik"].as_f64().unwrap();
            let off = regression.log_likelihood - constants - kernel;
            assert!(off.abs() < 1e-5, "{name} {off}");
            assert_eq!((fit.n_containers, fit.few_containers()), (9, true));
        }
    }

    #[test]
    fn a_constant_hazard_predicts_by_hand() {
        // Half of those at risk each time: after three intervals 7/8.
        let rows = [(10, 20), (5, 10), (7, 16), (5, 8)]
            .map(|(k, n)| Proportion::new(k, n).unwrap());
        let fit = fit_hazard(
            &Design::constant(4),
            &rows,
            &[0, 0, 1, 1],
            Confidence::NINETY_FIVE,
        )
        .unwrap();
        let chance = 27.0 / 54.0_f64;
        let three = fit.predict(&vec![vec![1.0]; 3]).unwrap();
        let by_hand = 1.0 - (1.0 - chance).powi(3);
        assert!((three.share - by_hand).abs() < 1e-9, "{three:?}");
        assert!(three.interval.holds(three.share));
        assert!(three.interval.lower > 0.0 && three.interval.upper < 1.0);
        assert!(fit.predict(&[]).is_err());
        assert!(fit.predict(&[vec![1.0, 2.0]]).is_err());
    }

    #[test]
    fn one_container_is_not_enough() {
        let rows = [Proportion::new(3, 9).unwrap(); 2];
        let fit = fit_hazard(
            &Design::constant(2),
            &rows,
            &[4, 4],
            Confidence::NINETY_FIVE,
        );
        assert_eq!(fit, Err(StatsError::OneLevel { what: "containers" }));
    }
}
