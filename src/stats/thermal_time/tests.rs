//! The thermal-time model against forward cases and simulated sets whose
//! truth is known.

#![allow(clippy::float_cmp, reason = "values given or exactly representable")]

use super::*;
use serde_json::Value;

const ANSWERS: &str =
    include_str!("../../../tests/reference/stats/thermal_time_model.json");
const SIM_A: &str =
    include_str!("../../../tests/reference/stats/thermal_time_sim_a.csv");
const SIM_B: &str =
    include_str!("../../../tests/reference/stats/thermal_time_sim_b.csv");

const QUESTION: ThermalQuestion = ThermalQuestion {
    final_share: FinalShare::Estimated,
    lowest_base: -4.0,
    highest_base: 8.0,
    dispersion: 1.0,
    widest_base: 4.0,
    confidence: Confidence::NINETY_FIVE,
};

fn answers() -> Value {
    serde_json::from_str(ANSWERS).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

/// Counts of each dish and its constant temperature; time in days.
fn dishes(text: &str) -> (Vec<Vec<Censored>>, Vec<f64>) {
    let (mut counts, mut celsius) = (Vec::new(), Vec::new());
    let mut current = String::new();
    for row in csv::Reader::from_reader(text.as_bytes()).records() {
        let row = row.unwrap();
        if row[0] != current {
            row[0].clone_into(&mut current);
            counts.push(Vec::new());
            celsius.push(row[1].parse().unwrap());
        }
        counts.last_mut().unwrap().push(Censored::between(
            row[2].parse().unwrap(),
            row[3].parse().unwrap_or(f64::INFINITY),
            row[4].parse().unwrap(),
        ));
    }
    (counts, celsius)
}

fn check(text: &str, expected: &Value, final_share: FinalShare) {
    let (counts, celsius) = dishes(text);
    assert_eq!(counts.len(), 15);
    let warmth =
        |dish: usize, base: f64, days: f64| (celsius[dish] - base) * days;
    let data = ThermalData::new(&counts, &warmth).unwrap();
    let question = ThermalQuestion { final_share, ..QUESTION };
    let base = data.base(&question).unwrap();
    let Base::Told { estimate, interval } = base else {
        panic!("{base:?}");
    };
    assert!((estimate - number(&expected["base_c"])).abs() < 0.001);
    // Profile limits lie near those from the printed error.
    let half = 1.96 * number(&expected["se"]["base_c"]);
    assert!((interval.width() / 2.0 / half - 1.0).abs() < 0.1);
    let fit = data.fit_at(estimate, &question);
    assert!(fit.convergence.arrived(), "{fit:?}");
    let log_theta50 = number(&expected["log10_theta50"]);
    assert!((fit.parameters.theta50.log10() - log_theta50).abs() < 1e-4);
    let sigma = number(&expected["sigma_log10"]);
    assert!((fit.parameters.sigma - sigma).abs() < 1e-4);
    let log_likelihood = number(&expected["loglik"]);
    assert!((fit.log_likelihood - log_likelihood).abs() < 1e-4);
    if final_share == FinalShare::Estimated {
        let g_max = number(&expected["g_max"]);
        assert!((fit.parameters.g_max - g_max).abs() < 1e-4);
        let error = number(&expected["se"]["logit_g_max"]);
        let limits = fit.g_max_interval.unwrap();
        let width = (limits.upper / (1.0 - limits.upper)).ln()
            - (limits.lower / (1.0 - limits.lower)).ln();
        assert!((width / 2.0 / 1.959_964 / error - 1.0).abs() < 0.01);
    }
}

#[test]
fn fits_match_the_simulated_sets() {
    // Simulated, truth stated in the file; maximum likelihood computed
    // outside this program, set a twice (R survival 3.5.3 agrees).
    let answers = answers();
    let fits = &answers["fits"];
    check(SIM_A, &fits["sim_a"]["mle"], FinalShare::Everything);
    let with = &fits["sim_b"]["mle_with_g_max"];
    check(SIM_B, with, FinalShare::Estimated);
    // Leaving out the final share moves the warmth needed from 85 to 133.
    let without = &fits["sim_b"]["mle_without_g_max"];
    check(SIM_B, without, FinalShare::Everything);
}

#[test]
fn forward_cases_match() {
    let answers = answers();
    let cases = answers["forward_cases"].as_array().unwrap();
    assert_eq!(cases.len(), 8);
    for case in cases {
        let model = ThermalParameters {
            g_max: 1.0,
            theta50: number(&case["theta50_cd"]),
            sigma: number(&case["sigma_log10"]),
        };
        let above =
            (number(&case["temp_c"]) - number(&case["base_c"])).max(0.0);
        for (days, share) in case["fraction_at_d"].as_object().unwrap() {
            let days: f64 = days.parse().unwrap();
            let got = model.share_after(above * days);
            let off = (got - number(share)).abs();
            assert!(off <= 1e-9 * number(share), "{case} {days} {got}");
        }
        for (share, days) in case["time_to_fraction_d"].as_object().unwrap() {
            let Some(days) = days.as_f64() else {
                assert_eq!(above, 0.0);
                continue;
            };
            let warmth = model.warmth_for(share.parse().unwrap()).unwrap();
            assert!((warmth / above / days - 1.0).abs() < 1e-9);
        }
    }
    let case = &answers["fluctuating_case"];
    let model = ThermalParameters {
        g_max: 1.0,
        theta50: number(&case["theta50_cd"]),
        sigma: number(&case["sigma_log10"]),
    };
    for (days, share) in case["fraction_after_days"].as_object().unwrap() {
        let warmth = number(&case["thermal_time_cd_after_days"][days]);
        let got = model.share_after(warmth);
        assert!((got / number(share) - 1.0).abs() < 1e-9, "{days} {got}");
    }
}

#[test]
fn places_two_degrees_apart_cannot_tell_the_base() {
    // Three places at 18, 19 and 20 °C, counts made from the model itself
    // (base 3, theta50 60, sigma 0.16), rounded to whole seeds.
    let truth = ThermalParameters { g_max: 0.9, theta50: 60.0, sigma: 0.16 };
    let celsius = [18.0, 19.0, 20.0];
    let counts: Vec<Vec<Censored>> = celsius
        .iter()
        .map(|warm: &f64| {
            let mut rows = Vec::new();
            let mut so_far = 0.0;
            for day in 1..=12_u32 {
                let warmth = (warm - 3.0) * f64::from(day);
                let now = (25.0 * truth.share_after(warmth)).round();
                let new = (0..=25_u32)
                    .find(|n| f64::from(*n) >= now - so_far)
                    .unwrap();
                let left = f64::from(day - 1);
                rows.push(Censored::between(left, left + 1.0, new));
                so_far = now;
            }
            let rest = (0..=25_u32).find(|n| f64::from(*n) >= 25.0 - so_far);
            rows.push(Censored::not_by(12.0, rest.unwrap()));
            rows
        })
        .collect();
    let warmth =
        |place: usize, base: f64, days: f64| (celsius[place] - base) * days;
    let data = ThermalData::new(&counts, &warmth).unwrap();
    let base = data.base(&QUESTION).unwrap();
    assert!(matches!(base, Base::CannotTell { .. }), "{base:?}");
    // At a base taken as known the rest can still be told.
    let fit = data.fit_at(3.0, &QUESTION);
    assert!((fit.parameters.theta50 / 60.0 - 1.0).abs() < 0.1, "{fit:?}");
    assert!(fit.theta50_interval.unwrap().holds(60.0));
    assert!(fit.g_max_interval.unwrap().holds(0.9));
}

#[test]
fn nothing_germinated_or_a_single_interval_is_refused() {
    let warmth = |_: usize, _: f64, days: f64| 10.0 * days;
    let none = [vec![Censored::not_by(9.0, 20)]];
    assert!(ThermalData::new(&none, &warmth).is_err());
    let once = [vec![Censored::between(3.0, 4.0, 20)]];
    assert!(ThermalData::new(&once, &warmth).is_err());
    let good =
        [vec![Censored::between(3.0, 4.0, 20), Censored::between(4.0, 5.0, 9)]];
    let data = ThermalData::new(&good, &warmth).unwrap();
    let narrow = ThermalQuestion { dispersion: 0.5, ..QUESTION };
    assert!(data.base(&narrow).is_err());
    let upside_down = ThermalQuestion { highest_base: -9.0, ..QUESTION };
    assert!(data.base(&upside_down).is_err());
}

/// Counts of sim b and its dishes turned round, in other units, split.
#[test]
fn order_units_and_splitting_of_rows_leave_the_fit_as_it_is() {
    let (counts, celsius) = dishes(SIM_B);
    let warmth =
        |dish: usize, base: f64, days: f64| (celsius[dish] - base) * days;
    let fitted = |counts: &[Vec<Censored>],
                  warmth: &dyn Fn(usize, f64, f64) -> f64| {
        let data = ThermalData::new(counts, warmth).unwrap();
        data.fit_at(4.0, &QUESTION).parameters
    };
    let straight = fitted(&counts, &warmth);
    let close = |other: ThermalParameters, unit: f64| {
        assert!((other.theta50 / unit / straight.theta50 - 1.0).abs() < 1e-5);
        assert!((other.sigma / straight.sigma - 1.0).abs() < 1e-5);
        assert!((other.g_max - straight.g_max).abs() < 1e-5);
    };
    let mut turned = counts.clone();
    turned.reverse();
    let n = counts.len();
    let back =
        |dish: usize, base: f64, days: f64| warmth(n - 1 - dish, base, days);
    close(fitted(&turned, &back), 1.0);
    let hours =
        |dish: usize, base: f64, days: f64| 24.0 * warmth(dish, base, days);
    close(fitted(&counts, &hours), 24.0);
    let split: Vec<Vec<Censored>> = counts
        .iter()
        .map(|rows| {
            rows.iter()
                .flat_map(|row| {
                    let some = row.n / 3;
                    [some, row.n - some].map(|n| Censored { n, ..*row })
                })
                .collect()
        })
        .collect();
    close(fitted(&split, &warmth), 1.0);
}

/// Leaving a dish out and fitting the rest from the start is the same.
#[test]
fn the_fits_without_each_container_are_those_of_the_rest() {
    let (counts, celsius) = dishes(SIM_B);
    let warmth =
        |dish: usize, base: f64, days: f64| (celsius[dish] - base) * days;
    let data = ThermalData::new(&counts, &warmth).unwrap();
    let all = data.fit_at(5.0, &QUESTION);
    let without = data.without_each(&all, &QUESTION);
    assert_eq!(without.len(), 15);
    for out in [0, 7, 14] {
        let mut rest = counts.clone();
        rest.remove(out);
        let shifted = |dish: usize, base: f64, days: f64| {
            warmth(if dish < out { dish } else { dish + 1 }, base, days)
        };
        let rest = ThermalData::new(&rest, &shifted).unwrap();
        let expected = rest.fit_at(5.0, &QUESTION).parameters;
        let got = without[out].unwrap();
        assert!((got.theta50 / expected.theta50 - 1.0).abs() < 1e-5);
        assert!((got.sigma / expected.sigma - 1.0).abs() < 1e-5);
        assert!((got.g_max - expected.g_max).abs() < 1e-5);
    }
    // Nothing is left without the only dish in which anything came up.
    let single = [
        vec![Censored::between(2.0, 3.0, 4), Censored::between(3.0, 4.0, 5)],
        vec![Censored::not_by(9.0, 20)],
    ];
    let warmth = |_: usize, _: f64, days: f64| 10.0 * days;
    let data = ThermalData::new(&single, &warmth).unwrap();
    let all = data.fit_at(0.0, &QUESTION);
    assert_eq!(data.without_each(&all, &QUESTION)[0], None);
}
