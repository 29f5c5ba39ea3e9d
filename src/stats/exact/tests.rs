//! The exact tests against counts made by hand and a published table.

#![allow(clippy::float_cmp, reason = "values given or exactly representable")]

use super::*;
use proptest::prelude::*;
use serde_json::Value;

const ANSWERS: &str = include_str!(
    "../../../tests/reference/stats/separation_and_exact_tests.json"
);
const LEVEL: Confidence = Confidence::NINETY_FIVE;

fn answers() -> Value {
    serde_json::from_str(ANSWERS).unwrap()
}

fn close(got: f64, expected: &Value, relative: f64) {
    let expected = expected.as_f64().unwrap();
    let off = (got - expected).abs();
    assert!(off < relative * expected.abs(), "{got} {expected}");
}

fn of(k: u32, n: u32) -> Proportion {
    Proportion::new(k, n).unwrap()
}

#[test]
fn tea_tasting_by_hand() {
    // Fisher 1935: eight cups, four of each; 17/70, 34/70, 1/70 by hand.
    let three = fisher(of(3, 4), of(1, 4), LEVEL);
    assert!((three.p_greater - 17.0 / 70.0).abs() < 1e-12);
    assert!((three.p_two_sided - 34.0 / 70.0).abs() < 1e-12);
    let four = fisher(of(4, 4), of(0, 4), LEVEL);
    assert!((four.p_greater - 1.0 / 70.0).abs() < 1e-12);
    assert!((three.smallest_p - 2.0 / 70.0).abs() < 1e-12);
    let expected = &answers()["tea_tasting"];
    close(three.p_greater, &expected["p_one_sided"], 1e-9);
    close(three.p_two_sided, &expected["p_two_sided"], 1e-9);
}

#[test]
fn convicts_match() {
    // p: R 4.2.2 fisher.test (computed). Odds ratio and limits: scipy 1.17.1
    // odds_ratio(kind="conditional") (computed); R prints the same to within
    // 2e-5, the tolerance of its own search.
    let answers = answers();
    let expected = &answers["convicts"];
    let test = fisher(of(2, 17), of(10, 13), LEVEL);
    close(test.p_two_sided, &expected["p_two_sided"], 1e-8);
    close(test.odds_ratio, &Value::from(0.046_936_639_049_680_04), 1e-9);
    let limits = test.interval;
    close(limits.lower, &Value::from(0.003_317_163_950_657_366), 1e-9);
    close(limits.upper, &Value::from(0.363_189_602_356_679_96), 1e-9);
    for (got, printed) in [
        (test.odds_ratio, &expected["odds_ratio_conditional"]),
        (limits.lower, &expected["ci95"][0]),
        (limits.upper, &expected["ci95"][1]),
    ] {
        assert!((got - printed.as_f64().unwrap()).abs() < 2e-5);
    }
}

#[test]
fn mouldy_boxes_match() {
    let answers = answers();
    let expected = &answers["mould_boxes"];
    let test = fisher(of(4, 7), of(0, 8), LEVEL);
    close(test.p_two_sided, &expected["fisher_two_sided_p"], 1e-9);
    close(test.p_greater, &expected["fisher_one_sided_p"], 1e-9);
    assert_eq!(test.odds_ratio, f64::INFINITY);
    assert_eq!(test.interval.upper, f64::INFINITY);
    assert!(test.interval.lower > 0.0);
}

#[test]
fn two_boxes_without_mould_say_nothing() {
    let test = fisher(of(0, 3), of(0, 5), LEVEL);
    assert_eq!((test.p_two_sided, test.smallest_p), (1.0, 1.0));
    assert!(test.odds_ratio.is_nan());
}

fn unit(value: f64, level: &str, block: &str) -> PermutedUnit {
    PermutedUnit { value, level: level.to_owned(), block: block.to_owned() }
}

fn groups(names: [&str; 2], values: [&Value; 2]) -> Vec<PermutedUnit> {
    let mut units = Vec::new();
    for (name, values) in names.iter().zip(values) {
        for value in values.as_array().unwrap() {
            units.push(unit(value.as_f64().unwrap(), name, "all"));
        }
    }
    units
}

#[test]
fn four_against_four_match() {
    // 70 arrangements gone through outside this program (computed).
    let answers = answers();
    let case = &answers["permutation_mean_difference"];
    let units = groups(["2-a", "1-b"], [&case["a"], &case["b"]]);
    let test = permutation(&units).unwrap();
    close(test.difference.unwrap(), &case["diff"], 1e-12);
    assert_eq!(test.arrangements, 70.0);
    close(test.p_two_sided, &case["p_two_sided"], 1e-9);
    close(test.p_greater.unwrap(), &case["p_greater"], 1e-9);
}

#[test]
fn few_units_cannot_reach_a_small_p() {
    let answers = answers();
    for row in answers["minimum_attainable_p"].as_array().unwrap() {
        let (a, b) = row["groups"].as_str().unwrap().split_once(" v ").unwrap();
        let (a, b): (u32, u32) = (a.parse().unwrap(), b.parse().unwrap());
        let smallest = smallest_p_of_two(a, b).unwrap();
        close(smallest, &row["min_two_sided"], 1e-9);
        let units: Vec<_> = (0..a + b)
            .map(|i| {
                let level = if i < a { "low" } else { "top" };
                // Unevenly spaced, so that only one split is the farthest.
                unit(f64::from(10 - i).powi(2), level, "all")
            })
            .collect();
        let test = permutation(&units).unwrap();
        assert!((test.p_two_sided - smallest).abs() < 1e-12, "{test:?}");
        assert!((test.smallest_p - smallest).abs() < 1e-12, "{test:?}");
    }
    assert!(smallest_p_of_two(0, 3).is_err());
}

#[test]
fn levels_are_exchanged_only_within_blocks() {
    // By hand: three pairs, 2³ arrangements, the difference always up:
    // 1 of 8 one-sided, 2 of 8 two-sided.
    let mut units = Vec::new();
    for (i, block) in ["a", "b", "c"].iter().enumerate() {
        let base = 10.0 * f64::from(u32::try_from(i).unwrap());
        units.push(unit(base, "dry", block));
        units.push(unit(base + 1.0, "moist", block));
    }
    let test = permutation(&units).unwrap();
    assert_eq!(test.arrangements, 8.0);
    assert_eq!((test.p_two_sided, test.p_greater), (0.25, Some(0.125)));
    assert_eq!((test.difference, test.smallest_p), (Some(1.0), 0.25));
}

#[test]
fn three_levels_and_refusals() {
    // By hand: 6!/(2!2!2!) = 90 arrangements, of which the 3! renamings of
    // the perfect split lie as far apart.
    let units: Vec<_> = (0..6_u32)
        .map(|i| unit(f64::from(i / 2), &(i / 2).to_string(), "all"))
        .collect();
    let test = permutation(&units).unwrap();
    assert_eq!((test.arrangements, test.difference), (90.0, None));
    assert!((test.p_two_sided - 6.0 / 90.0).abs() < 1e-12);
    assert!((test.smallest_p - 6.0 / 90.0).abs() < 1e-12);
    assert!(permutation(&[]).is_err());
    assert!(permutation(&units[..2]).is_err());
    let many: Vec<_> = (0..40_u32)
        .map(|i| unit(f64::from(i), if i < 20 { "a" } else { "b" }, "all"))
        .collect();
    assert!(matches!(permutation(&many), Err(StatsError::TooMany { .. })));
}

#[test]
fn four_levels_in_two_lots_are_gone_through_without_their_renamings() {
    // By hand: (8! / 2!⁴)² = 2520² arrangements; the perfect split lies as
    // far apart as its 4! renamings alone.
    let units: Vec<_> = (0..16_u32)
        .map(|i| {
            let lot = if i < 8 { "hillside" } else { "stream" };
            let level = i % 8 / 2;
            unit(f64::from(level * level), &level.to_string(), lot)
        })
        .collect();
    let test = permutation(&units).unwrap();
    assert_eq!(test.arrangements, 2520.0 * 2520.0);
    assert!((test.p_two_sided * test.arrangements - 24.0).abs() < 1e-9);
    assert_eq!(test.p_two_sided, test.smallest_p);
    let same: Vec<_> =
        units.into_iter().map(|u| PermutedUnit { value: 3.0, ..u }).collect();
    assert_eq!(permutation(&same).unwrap().p_two_sided, 1.0);
}

proptest! {
    #[test]
    fn the_order_of_units_does_not_matter(
        values in prop::collection::vec(0_u32..9, 6..9), turn in 0_usize..6,
    ) {
        let mut units: Vec<_> = values.iter().enumerate().map(|(i, value)| {
            unit(f64::from(*value), if i % 2 == 0 { "a" } else { "b" }, "all")
        }).collect();
        let straight = permutation(&units).unwrap();
        units.rotate_left(turn);
        let turned = permutation(&units).unwrap();
        prop_assert!(
            (straight.p_two_sided - turned.p_two_sided).abs() < 1e-12);
    }
}
