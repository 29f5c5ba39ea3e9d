//! The tests by stratum against Crowder's plates, by hand, and by seeded
//! simulation. The long simulation is a program of its own.

#![allow(clippy::float_cmp, reason = "values given or exactly representable")]

use super::*;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Binomial, Distribution, Normal};
use serde_json::Value;

const PLATES: &str =
    include_str!("../../../tests/reference/stats/crowder_seeds.csv");
const ANSWERS: &str =
    include_str!("../../../tests/reference/stats/crowder_reference.json");
const LEVEL: Confidence = Confidence::NINETY_FIVE;

fn factor(name: &str, applied_to: Stratum) -> Factor {
    Factor { name: name.to_owned(), applied_to }
}

fn outcome(
    container: usize,
    batch: &str,
    k: u32,
    n: u32,
    levels: &[&str],
) -> ContainerOutcome {
    ContainerOutcome {
        container: format!("box-{container}"),
        batch: batch.to_owned(),
        lot: "hillside".to_owned(),
        outcome: Proportion::new(k, n).unwrap(),
        levels: levels.iter().map(|l| (*l).to_owned()).collect(),
    }
}

fn plates() -> Vec<ContainerOutcome> {
    csv::Reader::from_reader(PLATES.as_bytes())
        .records()
        .map(Result::unwrap)
        .map(|row| {
            let plate: usize = row[0].parse().unwrap();
            let seed = if &row[3] == "1" { "73" } else { "75" };
            let extract = if &row[4] == "1" { "cucumber" } else { "bean" };
            let (k, n) = (row[1].parse().unwrap(), row[2].parse().unwrap());
            outcome(plate, &plate.to_string(), k, n, &[seed, extract])
        })
        .collect()
}

fn crowder_factors() -> [Factor; 2] {
    [factor("seed", Stratum::Container), factor("extract", Stratum::Container)]
}

#[test]
fn plates_are_the_unit_in_crowders_trial() {
    // R 4.2.2 and statsmodels 0.15.0 (computed): seeds as units would give
    // p = 0.011.
    let answers: Value = serde_json::from_str(ANSWERS).unwrap();
    let expected = &answers["interaction_tests"];
    let tests =
        factor_tests(&plates(), &crowder_factors(), &[(0, 1)], LEVEL).unwrap();
    let both = &tests[2];
    let close = |got: f64, expected: &Value, off: f64| {
        let expected = expected.as_f64().unwrap();
        assert!((got - expected).abs() < off, "{got} {expected}");
    };
    assert_eq!(both.name, "seed × extract");
    assert_eq!((both.n_units, both.df), (21, (1.0, 17.0)));
    close(both.f.unwrap(), &expected["quasi_F"], 1e-6);
    close(both.p.unwrap(), &expected["quasi_F_p"], 1e-8);
    close(both.dispersion.unwrap(), &answers["quasi"]["dispersion"], 1e-7);
    for cell in answers["cells"].as_array().unwrap() {
        let seed = if cell["seed73"] == 1 { "73" } else { "75" };
        let extract = if cell["cucumber"] == 1 { "cucumber" } else { "bean" };
        let name = format!("{seed} × {extract}");
        let level = both.levels.iter().find(|l| l.name == name).unwrap();
        close(100.0 * level.estimate, &cell["pct"], 1e-7);
        assert!(level.interval.unwrap().holds(level.estimate));
    }
    // The main effect of extract after seed, on the scatter of all four
    // cells: (deviance of seed alone − 39.68588963) / 1.861832059. The
    // deviance of seed alone is from statsmodels 0.15.0 (computed).
    let extract = &tests[1];
    let f = (96.175_242_90 - 39.685_889_63) / 1.861_832_059;
    assert!((extract.f.unwrap() - f).abs() < 1e-4, "{extract:?}");
    assert_eq!(extract.df, (1.0, 17.0));
}

#[test]
fn one_factor_gives_the_plain_fractions_with_score_limits() {
    // By hand: k/n of each level; limits t²-score with n over dispersion.
    let factors = [factor("seed", Stratum::Container)];
    let mut plates = plates();
    plates.retain(|plate| plate.levels[1] == "bean");
    for plate in &mut plates {
        plate.levels.truncate(1);
    }
    let test = &factor_tests(&plates, &factors, &[], LEVEL).unwrap()[0];
    assert!((test.levels[1].estimate - 99.0 / 272.0).abs() < 1e-9);
    assert!((test.levels[0].estimate - 49.0 / 123.0).abs() < 1e-9);
    let difference = &test.differences[0];
    let by_hand = 99.0 / 272.0 - 49.0 / 123.0;
    assert!((difference.estimate - by_hand).abs() < 1e-9);
    assert_eq!((&*difference.from, &*difference.to), ("73", "75"));
}

/// Two batches a chill, three places, two containers in each.
fn crossed(counts: impl Fn(&str, &str, usize) -> u32) -> Vec<ContainerOutcome> {
    let mut all = Vec::new();
    for batch in ["a", "b", "c", "d", "e", "f", "g", "h"] {
        let chill = if batch < "e" { "6 weeks" } else { "12 weeks" };
        for place in ["landing", "shelf", "sill"] {
            for twin in 0..2 {
                let k = counts(batch, place, twin);
                all.push(outcome(all.len(), batch, k, 20, &[chill, place]));
            }
        }
    }
    all
}

fn crossed_factors() -> [Factor; 2] {
    [factor("chill", Stratum::Batch), factor("place", Stratum::Container)]
}

#[test]
fn chill_is_tested_on_batches_and_place_on_containers() {
    let data = crossed(|batch, place, twin| {
        let base = if batch < "e" { 6 } else { 12 };
        let there = if place == "sill" { 3 } else { 0 };
        base + there + u32::try_from(twin).unwrap()
    });
    let tests =
        factor_tests(&data, &crossed_factors(), &[(0, 1)], LEVEL).unwrap();
    let (chill, place, both) = (&tests[0], &tests[1], &tests[2]);
    assert_eq!((chill.tested_on, chill.n_units), (Stratum::Batch, 8));
    assert_eq!(chill.df, (1.0, 6.0));
    assert_eq!((place.tested_on, place.n_units), (Stratum::Container, 48));
    // 48 − 8 batches − 2 places − 2 chill × place; a little less because the
    // batches differ in weight.
    assert!(place.df.1 > 34.0 && place.df.1 < 36.0, "{:?}", place.df);
    assert_eq!((both.tested_on, both.df), (Stratum::Container, place.df));
    assert!(chill.p.unwrap() < 1e-3 && place.p.unwrap() < 1e-3);
    let names: Vec<_> = chill.levels.iter().map(|l| &*l.name).collect();
    assert_eq!(names, ["6 weeks", "12 weeks"], "in order of number");
    assert_eq!(place.differences.len(), 3);
    let mut turned = data.clone();
    turned.reverse();
    let turned =
        factor_tests(&turned, &crossed_factors(), &[(0, 1)], LEVEL).unwrap();
    for (a, b) in tests.iter().zip(&turned) {
        assert!((a.f.unwrap() - b.f.unwrap()).abs() < 1e-7);
    }
}

#[test]
fn one_batch_a_level_is_description_only() {
    let data: Vec<_> =
        crossed(|_, place, twin| u32::try_from(place.len() + twin).unwrap())
            .into_iter()
            .filter(|c| c.batch == "a" || c.batch == "e")
            .collect();
    let tests = factor_tests(&data, &crossed_factors(), &[], LEVEL).unwrap();
    assert_eq!(tests[0].p, None);
    assert_eq!(
        tests[0].why_no_p,
        Some(WhyNoP::TooFewUnits {
            left: 0,
            needed: 4,
            n_units: 2,
            unit: Stratum::Batch
        })
    );
    assert!(tests[0].levels.iter().all(|l| l.interval.is_none()));
    assert!(tests[0].differences.is_empty());
    assert!(tests[1].p.is_some(), "places differ within batches");
}

#[test]
fn chill_of_batches_with_one_container_each_is_said_of_batches() {
    let data: Vec<_> = (0..10)
        .map(|i| {
            let chill = if i < 5 { "6" } else { "12" };
            let k = u32::try_from(4 + i % 3 + i / 5).unwrap();
            outcome(i, &format!("batch-{i}"), k, 20, &[chill])
        })
        .collect();
    let factors = [factor("chill", Stratum::Batch)];
    let test = &factor_tests(&data, &factors, &[], LEVEL).unwrap()[0];
    assert_eq!((test.tested_on, test.n_units), (Stratum::Batch, 10));
    assert_eq!(test.df, (1.0, 8.0));
}

#[test]
fn a_place_that_never_differed_within_a_batch_is_tested_on_batches() {
    let data: Vec<_> = (0..24)
        .map(|i| {
            let batch = format!("batch-{}", i / 3);
            let place = if i / 3 % 2 == 0 { "sill" } else { "shelf" };
            let k = u32::try_from(5 + i % 7).unwrap();
            outcome(i, &batch, k, 20, &[place])
        })
        .collect();
    let factors = [factor("place", Stratum::Container)];
    let test = &factor_tests(&data, &factors, &[], LEVEL).unwrap()[0];
    assert_eq!(test.applied_to, Stratum::Container);
    assert_eq!((test.tested_on, test.n_units), (Stratum::Batch, 8));
    assert_eq!(test.df, (1.0, 6.0));
}

#[test]
fn factors_that_always_change_together_are_called_inseparable() {
    let data: Vec<_> = (0..12)
        .map(|i| {
            let (place, lid) = if i % 2 == 0 {
                ("sill", "vented")
            } else {
                ("shelf", "closed")
            };
            let k = u32::try_from(4 + i % 5).unwrap();
            outcome(i, &i.to_string(), k, 20, &[place, lid])
        })
        .collect();
    let factors = [
        factor("place", Stratum::Container),
        factor("lid", Stratum::Container),
    ];
    for test in factor_tests(&data, &factors, &[], LEVEL).unwrap() {
        assert_eq!((test.p, test.why_no_p), (None, Some(WhyNoP::Inseparable)));
    }
}

#[test]
fn nothing_germinated_anywhere_is_no_test() {
    let data = crossed(|_, _, _| 0);
    for test in factor_tests(&data, &crossed_factors(), &[], LEVEL).unwrap() {
        assert_eq!((test.p, test.why_no_p), (None, Some(WhyNoP::AllAlike)));
    }
}

#[test]
fn a_level_where_nothing_germinated_is_marked_and_keeps_its_width() {
    let data = crossed(|batch, place, twin| match (batch, place) {
        (_, "sill") => 0,
        ("a" | "e", _) => 7,
        _ => 4 + 3 * u32::try_from(twin).unwrap(),
    });
    let tests = factor_tests(&data, &crossed_factors(), &[], LEVEL).unwrap();
    let place = &tests[1];
    assert!(place.separated);
    let sill = place.levels.iter().find(|l| l.name == "sill").unwrap();
    let limits = sill.interval.unwrap();
    assert!(sill.estimate < 1e-6 && limits.lower == 0.0);
    assert!(limits.upper > 0.01 && limits.upper < 0.1, "{limits:?}");
    // 48 containers, of which 16 at the sill say nothing of scatter.
    assert!(place.df.1 <= 32.0 - 8.0, "{:?}", place.df);
    for difference in &place.differences {
        let Interval { lower, upper, .. } = difference.interval;
        assert!(lower > -1.0 && upper < 1.0 && lower < upper);
    }
}

#[test]
fn data_that_contradict_the_plan_are_refused() {
    let mut data = crossed(|_, _, _| 5);
    data[0].levels[0] = "0 weeks".to_owned();
    assert_eq!(
        factor_tests(&data, &crossed_factors(), &[], LEVEL),
        Err(StatsError::DiffersInside {
            factor: "chill".to_owned(),
            unit: "a".to_owned()
        })
    );
    data[0].levels.clear();
    assert!(factor_tests(&data, &crossed_factors(), &[], LEVEL).is_err());
    assert!(factor_tests(&[], &[], &[], LEVEL).is_err());
    assert!(
        factor_tests(&plates(), &crowder_factors(), &[(0, 2)], LEVEL).is_err()
    );
}

/// An invented trial in which no factor does anything.
struct Season {
    /// Logit of the chance in the middle.
    middle: f64,
    /// Standard deviation of the logit between batches.
    batches: f64,
    /// The same between containers of one batch.
    containers: f64,
    seeds: u32,
    /// Of the eight batches of `crossed`, those used.
    used: &'static [&'static str],
}

impl Season {
    fn invent(&self, rng: &mut ChaCha8Rng) -> Vec<ContainerOutcome> {
        let between_batches = Normal::new(self.middle, self.batches).unwrap();
        let between_containers = Normal::new(0.0, self.containers).unwrap();
        let mut data = crossed(|_, _, _| 0);
        data.retain(|one| self.used.contains(&one.batch.as_str()));
        for batch in data.chunks_mut(6) {
            let middle = between_batches.sample(rng);
            for container in batch {
                let eta = middle + between_containers.sample(rng);
                let chance = 1.0 / (1.0 + (-eta).exp());
                let n = u64::from(self.seeds);
                let k = Binomial::new(n, chance).unwrap().sample(rng);
                let k = u32::try_from(k).unwrap();
                container.outcome = Proportion::new(k, self.seeds).unwrap();
            }
        }
        data
    }

    /// Share of seasons with p < 0.05, and with limits of the first
    /// difference that hold 0, for chill and for place.
    fn rates(&self, seasons: u32, seed: u64) -> [(f64, f64); 2] {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut alarms, mut held) = ([0_u32; 2], [0_u32; 2]);
        for _ in 0..seasons {
            let data = self.invent(&mut rng);
            let tests =
                factor_tests(&data, &crossed_factors(), &[], LEVEL).unwrap();
            for (i, test) in tests.iter().enumerate() {
                alarms[i] += u32::from(test.p.unwrap() < 0.05);
                held[i] += u32::from(test.differences[0].interval.holds(0.0));
            }
        }
        [0, 1].map(|i| {
            let of = f64::from(seasons);
            (f64::from(alarms[i]) / of, f64::from(held[i]) / of)
        })
    }
}

#[test]
fn false_alarms_stay_near_five_percent() {
    // 600 invented seasons, seed 20261125. Standard error of a rate of 5 %:
    // 0.9 %, so 2 to 8 % is a little over three of them.
    let season = Season {
        middle: 0.0,
        batches: 0.5,
        containers: 0.4,
        seeds: 20,
        used: &["a", "b", "c", "d", "e", "f", "g", "h"],
    };
    for (alarms, held) in season.rates(600, 20_261_125) {
        assert!((0.02..=0.08).contains(&alarms), "{alarms}");
        assert!((0.92..=0.98).contains(&held), "{held}");
    }
}

#[test]
fn batches_very_unlike_each_other_raise_no_more_false_alarms_of_places() {
    // Batches between a half and nearly all germinated, 3,000 seasons, seed
    // 20261125. One common dispersion, in which all batches counted alike,
    // gave 8.2 %; standard error of a rate of 5 %: 0.4 %.
    let season = Season {
        middle: 2.5,
        batches: 1.0,
        containers: 0.8,
        seeds: 25,
        used: &["a", "b", "c", "e", "f", "g"],
    };
    for (alarms, held) in season.rates(3000, 20_261_125) {
        assert!((0.035..=0.065).contains(&alarms), "{alarms}");
        assert!((0.93..=0.97).contains(&held), "{held}");
    }
}

#[test]
fn a_batch_counts_for_scatter_as_much_as_for_the_comparison() {
    // By hand, Welch and Satterthwaite: two blocks of one degree of freedom
    // each, weights w and 1 − w, have 1 / (w² + (1 − w)²) together.
    let block = |information, x2, df| model::BlockScatter {
        n_units: 2.0,
        information,
        x2,
        df,
    };
    let unlike = [block(15.0, 6.0, 1.0), block(5.0, 2.0, 1.0)];
    let scatter = model::Scatter::of(&unlike, 2);
    assert!((scatter.dispersion - (0.75 * 6.0 + 0.25 * 2.0)).abs() < 1e-12);
    assert!((scatter.df - 1.0 / 0.625).abs() < 1e-12);
    // Alike in weight they are the plain pooled scatter.
    let alike = [block(4.0, 3.0, 2.0), block(4.0, 5.0, 2.0)];
    let scatter = model::Scatter::of(&alike, 4);
    assert!((scatter.dispersion - 2.0).abs() < 1e-12);
    assert!((scatter.df - 4.0).abs() < 1e-12);
}

fn sound(test: &FactorTest) -> Result<(), TestCaseError> {
    prop_assert_eq!(test.p.is_some(), test.why_no_p.is_none(), "{:?}", test);
    if let Some(p) = test.p {
        prop_assert!((0.0..=1.0).contains(&p));
        prop_assert!(test.df.1 > 0.0 && test.dispersion.unwrap() >= 1.0);
    }
    for level in &test.levels {
        prop_assert!((0.0..=1.0).contains(&level.estimate));
        if let Some(limits) = level.interval {
            prop_assert!(limits.lower >= 0.0 && limits.upper <= 1.0);
            prop_assert!(limits.lower <= level.estimate + 1e-9);
            prop_assert!(limits.upper >= level.estimate - 1e-9, "{:?}", test);
            prop_assert!(limits.width() > 0.0, "{:?}", test);
        }
    }
    for difference in &test.differences {
        prop_assert!(difference.interval.holds(difference.estimate));
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn any_trial_gets_sound_numbers_or_a_reason(
        rows in prop::collection::vec(
            (0_usize..5, 0_usize..3, 0_usize..2, 1_u32..12, 0_u32..12), 1..30),
        lots in 1_usize..4,
    ) {
        let data: Vec<_> = rows.iter().enumerate().map(|(i, row)| {
            let (batch, place, lid, n, k) = *row;
            let levels = [
                ["0", "6", "12"][batch % 3],
                ["shelf", "sill", "tray"][place],
                ["vented", "closed"][lid],
            ];
            let name = format!("batch-{batch}");
            let mut one = outcome(i, &name, k.min(n), n, &levels);
            one.lot = format!("lot-{}", batch % lots);
            one
        }).collect();
        let factors = [
            factor("chill", Stratum::Batch),
            factor("place", Stratum::Container),
            factor("lid", Stratum::Container),
        ];
        let pairs = [(0, 1), (1, 2)];
        let tests = factor_tests(&data, &factors, &pairs, LEVEL).unwrap();
        let mut turned = data.clone();
        turned.reverse();
        let turned = factor_tests(&turned, &factors, &pairs, LEVEL).unwrap();
        prop_assert_eq!(tests.len(), 5);
        for (test, turned) in tests.iter().zip(&turned) {
            sound(test)?;
            prop_assert_eq!(&test.why_no_p, &turned.why_no_p);
            if let (Some(p), Some(q)) = (test.p, turned.p) {
                prop_assert!((p - q).abs() < 1e-5, "{} {}", p, q);
            }
        }
    }
}
