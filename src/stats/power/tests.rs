//! Power against scipy's noncentral F, Cohen's table, and trials invented
//! anew and judged by the tests of a report themselves.

#![allow(clippy::float_cmp, reason = "values given or exactly representable")]

use super::*;

const PLAN: Comparison = Comparison {
    first: 0.4,
    second: 0.4,
    levels: 2,
    likeness: 0.05,
    seeds: 25,
    units: 6,
};

#[test]
fn without_a_difference_the_power_is_the_level() {
    let none = power(PLAN, 0.05, 4000, 20_261_125).unwrap();
    assert!((none.power - 0.05).abs() < 4.0 * 0.0035, "{none:?}");
}

#[test]
fn power_lies_near_the_noncentral_f() {
    // Chances 0.4 and 0.6, 6 units of 25 seeds, dispersion
    // 1 + 24 · 0.05 = 2.2: noncentrality 6 · 25 · 0.2² / (2 · 0.24 · 2.2)
    // = 5.68; F(1, 10) then has power 0.5762, scipy 1.17.1 ncf (computed).
    // An approximation for counts, hence the margin.
    let plan = Comparison { second: 0.6, ..PLAN };
    let got = power(plan, 0.05, 4000, 20_261_125).unwrap();
    assert!((got.dispersion - 2.2).abs() < 1e-12);
    assert!((got.power - 0.5762).abs() < 0.05, "{got:?}");
}

#[test]
fn the_noncentral_f_matches_tables() {
    // scipy 1.17.1 ncf.sf(f.ppf(0.95, …), …) (computed).
    for (df1, df2, centre, expected) in [
        (1.0, 10.0, 5.68, 0.576_064_737),
        (1.0, 30.0, 8.0, 0.781_397_792),
        (2.0, 12.0, 10.0, 0.701_508_342),
        (1.0, 4.0, 3.0, 0.266_936_612),
        (1.0, 100.0, 40.0, 0.999_991_573),
    ] {
        let reach = f_reach(0.05, df1, df2);
        let got = noncentral_f_upper(reach, df1, df2, centre);
        assert!((got - expected).abs() < 1e-8, "{got} {expected}");
    }
    // Two groups of 64 half a standard deviation apart: 80 % (Cohen
    // 1988, table 2.4.1, from memory).
    let reach = f_reach(0.05, 1.0, 126.0);
    let got = noncentral_f_upper(reach, 1.0, 126.0, 64.0 * 0.25 / 2.0);
    assert!((got - 0.80).abs() < 0.005, "{got}");
}

#[test]
fn units_by_f_are_those_of_scipy_and_bear_the_simulation() {
    // The same search with scipy 1.17.1 ncf (computed).
    for (first, second, seeds, likeness, units) in [
        (0.4, 0.6, 25, 0.05, 10),
        (0.4, 0.7, 25, 0.05, 5),
        (0.3, 0.5, 28, 0.1, 13),
        (0.4, 0.6, 25, 0.0, 5),
    ] {
        let levels = 2;
        let plan =
            Comparison { first, second, levels, likeness, seeds, units: 1 };
        let (found, by_f) = units_by_f(plan, 0.8, 99, 0.05).unwrap().unwrap();
        assert_eq!(found.units, units);
        let invented = power(found, 0.05, 2000, 20_261_126).unwrap();
        let off = (invented.power - by_f.power).abs();
        // Without scatter between units the floor of the dispersion
        // makes the real test careful: it sees less than F promises.
        let allowed = if likeness > 0.0 { 0.06 } else { 0.10 };
        assert!(off < allowed, "{invented:?} {by_f:?}");
    }
}

#[test]
fn the_test_is_the_one_made_by_strata() {
    use crate::stats::interval::Confidence;
    use crate::stats::proportion::Proportion;
    use crate::stats::strata::{
        ContainerOutcome, Factor, Stratum, factor_tests,
    };
    let counts = [[3, 6, 8, 4], [9, 12, 7, 13]];
    let mut containers = Vec::new();
    for (level, group) in counts.iter().enumerate() {
        for k in group {
            containers.push(ContainerOutcome {
                container: containers.len().to_string(),
                batch: containers.len().to_string(),
                lot: "hillside".to_owned(),
                outcome: Proportion::new(*k, 20).unwrap(),
                levels: vec![level.to_string()],
            });
        }
    }
    let factor =
        Factor { name: "place".to_owned(), applied_to: Stratum::Container };
    let tests =
        factor_tests(&containers, &[factor], &[], Confidence::NINETY_FIVE)
            .unwrap();
    let [one, other] = counts.map(|group| group.map(f64::from));
    let groups = [one.to_vec(), other.to_vec()];
    let p = tested(&groups, 20.0).unwrap().p;
    assert!((p - tests[0].p.unwrap()).abs() < 1e-9, "{p}");
}

/// Invented anew with other dice and judged by the tests of a report
/// themselves: F by `strata`, and the interval of the pair.
#[test]
fn the_power_is_that_of_the_test_a_report_makes() {
    use crate::stats::interval::Confidence;
    use crate::stats::proportion::Proportion;
    use crate::stats::strata::{
        ContainerOutcome, Factor, Stratum, factor_tests,
    };
    const SEED: u64 = 20_261_127;
    const RUNS: u32 = 600;
    let judged = |groups: &[Vec<f64>], seeds: u32| -> bool {
        let mut rows = Vec::new();
        for (level, group) in groups.iter().enumerate() {
            for k in group {
                let k: u32 = format!("{k:.0}").parse().unwrap();
                rows.push(ContainerOutcome {
                    container: rows.len().to_string(),
                    batch: rows.len().to_string(),
                    lot: "hillside".to_owned(),
                    outcome: Proportion::new(k, seeds).unwrap(),
                    levels: vec![level.to_string()],
                });
            }
        }
        let factor =
            Factor { name: "chill".to_owned(), applied_to: Stratum::Container };
        let n_pairs = f64::from(u32::try_from(groups.len()).unwrap());
        let n_pairs = n_pairs * (n_pairs - 1.0) / 2.0;
        let confidence = Confidence::new(1.0 - 0.05 / n_pairs).unwrap();
        let test = &factor_tests(&rows, &[factor], &[], confidence).unwrap()[0];
        test.p.is_some_and(|p| p < 0.05)
            && test.differences.iter().any(|pair| {
                (pair.from.as_str(), pair.to.as_str()) == ("0", "1")
                    && !pair.interval.holds(0.0)
            })
    };
    for (levels, likeness, seeds, units) in
        [(2, 0.0, 25, 5), (3, 0.0, 20, 5), (3, 0.05, 25, 9)]
    {
        let plan = Comparison {
            first: 0.4,
            second: 0.6,
            levels,
            likeness,
            seeds,
            units,
        };
        let told = power(plan, 0.05, TRIALS, 7).unwrap();
        let (seen, error) =
            invented(plan, RUNS, SEED, |groups| judged(groups, seeds)).unwrap();
        let allowed = 4.0 * (error.powi(2) + told.error.powi(2)).sqrt();
        let off = (told.power - seen).abs();
        assert!(off < allowed, "{plan:?}: {told:?}, {seen} (seed {SEED})");
    }
}

/// Four against four reach 2/70; three against three 2/20 at best.
#[test]
fn exact_power_is_none_where_no_arrangement_is_rare_enough() {
    let plan = Comparison { first: 0.1, second: 0.9, units: 3, ..PLAN };
    let got = |plan| exact_power(plan, 0.05, 200, 1).unwrap();
    assert_eq!(got(plan).unwrap().power, 0.0);
    let four = Comparison { units: 4, ..plan };
    assert!(got(four).unwrap().power > 0.95);
    assert_eq!(got(Comparison { units: 5, ..plan }), None);
    assert_eq!(got(Comparison { levels: 3, ..four }), None);
}

#[test]
fn more_units_are_needed_when_seeds_are_more_alike() {
    let plan = Comparison { second: 0.7, units: 1, ..PLAN };
    let need = |likeness| {
        let plan = Comparison { likeness, ..plan };
        let found = units_needed(plan, 0.8, 60, 0.05, 3).unwrap();
        found.unwrap().0.units
    };
    assert!(need(0.2) > need(0.0));
    let hopeless = Comparison { second: 0.41, ..plan };
    assert_eq!(units_needed(hopeless, 0.8, 4, 0.05, 3), Ok(None));
}

#[test]
fn chances_of_a_unit_match_and_add_up() {
    // scipy 1.17.1 betabinom(20, 2, 6).logpmf(0) (computed): mean 0.25,
    // likeness 1/9.
    let none = beta_binomial_chance(0, 20, 0.25, 1.0 / 9.0).unwrap();
    assert!((none.ln() + 2.816_263_785_742_442_4).abs() < 1e-9);
    for likeness in [0.0, 0.3] {
        let sum: f64 = (0..=12)
            .map(|k| beta_binomial_chance(k, 12, 0.7, likeness).unwrap())
            .sum();
        assert!((sum - 1.0).abs() < 1e-9);
    }
    assert!(beta_binomial_chance(3, 2, 0.5, 0.1).is_err());
    assert!(power(Comparison { units: 0, ..PLAN }, 0.05, 9, 1).is_err());
}
