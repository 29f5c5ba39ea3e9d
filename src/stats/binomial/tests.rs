//! The regression against Crowder's plates. Nothing here is a model of its
//! own.

#![allow(clippy::float_cmp, reason = "values given or exactly representable")]

use super::*;
use serde_json::Value;

const PLATES: &str =
    include_str!("../../../tests/reference/stats/crowder_seeds.csv");
const ANSWERS: &str =
    include_str!("../../../tests/reference/stats/crowder_reference.json");

fn answers() -> Value {
    serde_json::from_str(ANSWERS).unwrap()
}

/// Counts, seed type 73, cucumber extract.
fn plates() -> (Vec<Proportion>, Vec<f64>, Vec<f64>) {
    let mut columns = (Vec::new(), Vec::new(), Vec::new());
    for row in csv::Reader::from_reader(PLATES.as_bytes()).records() {
        let row = row.unwrap();
        let (r, n) = (row[1].parse().unwrap(), row[2].parse().unwrap());
        columns.0.push(Proportion::new(r, n).unwrap());
        columns.1.push(row[3].parse().unwrap());
        columns.2.push(row[4].parse().unwrap());
    }
    columns
}

fn main_effects(seed: &[f64], extract: &[f64]) -> Design {
    Design::constant(seed.len())
        .with_column("seed73", seed)
        .unwrap()
        .with_column("cucumber", extract)
        .unwrap()
}

fn fits() -> (BinomialFit, BinomialFit) {
    let (counts, seed, extract) = plates();
    let main = main_effects(&seed, &extract);
    let both: Vec<f64> =
        seed.iter().zip(&extract).map(|(a, b)| a * b).collect();
    let full = main.clone().with_column("interaction", &both).unwrap();
    (
        fit(&main, &counts, Link::Logit).unwrap(),
        fit(&full, &counts, Link::Logit).unwrap(),
    )
}

const TERMS: [&str; 4] = ["intercept", "seed73", "cucumber", "interaction"];

fn close(what: &str, got: f64, expected: &Value, off: f64) {
    let expected = expected.as_f64().unwrap();
    assert!((got - expected).abs() < off, "{what}: {got} {expected}");
}

#[test]
fn effects_match_crowder() {
    // Data: Crowder 1978, table 3 (read). R 4.2.2 glm and statsmodels 0.15.0
    // (computed, agree to 1e-8).
    let answers = answers();
    let (main, full) = fits();
    let expected = &answers["logistic_glm"];
    let effects =
        full.effects(Scatter::Seeds, Confidence::NINETY_FIVE).unwrap();
    for (effect, term) in effects.iter().zip(TERMS) {
        close(term, effect.estimate, &expected["coef"][term]["est"], 1e-8);
        close(term, effect.standard_error, &expected["coef"][term]["se"], 1e-8);
    }
    for i in 0..4 {
        for j in 0..4 {
            let got = full.covariance[(i, j)];
            close("covariance", got, &expected["vcov"][i][j], 1e-9);
        }
    }
    close("deviance", full.deviance, &expected["deviance"], 1e-7);
    close("null", full.null_deviance, &expected["null_deviance"], 1e-7);
    close("X2", full.pearson, &expected["pearson_x2"], 1e-6);
    close("loglik", full.log_likelihood, &expected["loglik"], 1e-6);
    assert_eq!(expected["df"], full.df_residual);
    assert!(full.convergence.arrived() && !full.separated);
    let expected = &answers["main_effects_glm"];
    close("main deviance", main.deviance, &expected["deviance"], 1e-7);
    close("main X2", main.pearson, &expected["pearson_x2"], 1e-6);
    for (estimate, term) in main.estimates.iter().zip(TERMS) {
        close(term, *estimate, &expected["coef"][term]["est"], 1e-8);
    }
}

#[test]
fn plates_scatter_more_than_seeds_would() {
    use crate::stats::distribution::chi_squared_upper;
    let answers = answers();
    let expected = &answers["overdispersion_tests"];
    let (_, full) = fits();
    let p = |statistic| chi_squared_upper(statistic, 17.0);
    close("deviance", p(full.deviance), &expected["deviance_p"], 1e-9);
    close("X2", p(full.pearson), &expected["pearson_p"], 1e-8);
}

#[test]
fn scatter_between_plates_widens_the_errors() {
    let answers = answers();
    let (_, full) = fits();
    let expected = &answers["quasi"];
    let dispersion = full.dispersion().unwrap();
    close("dispersion", dispersion, &expected["dispersion"], 1e-7);
    let effects =
        full.effects(Scatter::Units, Confidence::NINETY_FIVE).unwrap();
    for (effect, term) in effects.iter().zip(TERMS) {
        close(term, effect.standard_error, &expected["coef"][term]["se"], 1e-7);
        close(term, effect.statistic, &expected["t"][term], 1e-6);
        close(term, effect.p_value, &expected["p_t17"][term], 1e-8);
        let reach = expected["t_quantile_975_17"].as_f64().unwrap();
        let upper = effect.estimate + reach * effect.standard_error;
        assert!((effect.interval.upper - upper).abs() < 1e-7);
    }
}

#[test]
fn the_interaction_is_not_as_sure_as_831_seeds_would_say() {
    let answers = answers();
    let expected = &answers["interaction_tests"];
    let (main, full) = fits();
    let test = f_test(&main, &full).unwrap();
    close("F", test.statistic, &expected["quasi_F"], 1e-6);
    close("p", test.p_value, &expected["quasi_F_p"], 1e-8);
    assert_eq!(test.df, (1.0, 17.0));
    let change = main.deviance - full.deviance;
    close("likelihood ratio", change, &expected["lrt_chi2"], 1e-7);
    assert_eq!(f_test(&full, &main), None);
}

#[test]
fn effects_within_one_level_match() {
    let answers = answers();
    let (_, full) = fits();
    for (row, weights) in answers["contrasts"].as_array().unwrap().iter().zip([
        [0.0, 0.0, 1.0, 0.0],
        [0.0, 0.0, 1.0, 1.0],
        [0.0, 1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0, 1.0],
        [0.0, 0.0, 0.0, 1.0],
    ]) {
        let name = row["contrast"].as_str().unwrap();
        for (scatter, error) in
            [(Scatter::Seeds, "se_binomial"), (Scatter::Units, "se_quasi")]
        {
            let got = full
                .combination(name, &weights, scatter, Confidence::NINETY_FIVE)
                .unwrap();
            close(name, got.estimate, &row["logit"], 1e-7);
            close(name, got.standard_error, &row[error], 1e-7);
        }
    }
    let short =
        full.combination("x", &[1.0], Scatter::Seeds, Confidence::NINETY_FIVE);
    assert_eq!(short, None);
}

#[test]
fn errors_by_plate_match_the_sandwich() {
    // R sandwich on 831 rows of 0 and 1, plate as cluster (computed).
    let answers = answers();
    let (_, full) = fits();
    let plates: Vec<usize> = (0..21).collect();
    let covariance = full.cluster_robust_covariance(&plates).unwrap();
    for (variance, term) in covariance.diagonal().iter().zip(TERMS) {
        let expected = &answers["cluster_robust_hc0_by_plate"]["se"][term];
        close(term, variance.sqrt(), expected, 1e-7);
    }
    assert!(full.cluster_robust_covariance(&[1, 2]).is_err());
}

#[test]
fn a_side_where_nothing_germinated_is_called_separated() {
    let counts = [(0, 20), (0, 20), (7, 20), (4, 20)]
        .map(|(k, n)| Proportion::new(k, n).unwrap());
    let design = Design::constant(4)
        .with_factor("chill", &["0", "0", "12", "12"])
        .unwrap();
    for link in [Link::Logit, Link::ComplementaryLogLog] {
        let fit = fit(&design, &counts, link).unwrap();
        assert!(fit.separated, "{fit:?}");
        assert!(fit.deviance.is_finite() && fit.pearson.is_finite());
    }
}

#[test]
fn one_unit_has_no_scatter_and_twin_columns_are_refused() {
    let one = [Proportion::new(3, 9).unwrap()];
    let alone = fit(&Design::constant(1), &one, Link::Logit).unwrap();
    assert_eq!(alone.dispersion(), None);
    assert_eq!(alone.effects(Scatter::Units, Confidence::NINETY_FIVE), None);
    let two = [one[0], one[0]];
    let twins = Design::constant(2).with_column("x", &[1.0, 1.0]).unwrap();
    assert_eq!(
        fit(&twins, &two, Link::Logit),
        Err(StatsError::Inseparable { what: "binomial regression" })
    );
    assert!(fit(&twins, &one, Link::Logit).is_err());
    assert!(fit(&Design::constant(0), &[], Link::Logit).is_err());
}

#[test]
fn the_order_of_units_does_not_matter() {
    let (mut counts, mut seed, mut extract) = plates();
    let straight =
        fit(&main_effects(&seed, &extract), &counts, Link::Logit).unwrap();
    counts.reverse();
    seed.reverse();
    extract.reverse();
    let turned =
        fit(&main_effects(&seed, &extract), &counts, Link::Logit).unwrap();
    for (a, b) in straight.estimates.iter().zip(&turned.estimates) {
        assert!((a - b).abs() < 1e-10);
    }
}
