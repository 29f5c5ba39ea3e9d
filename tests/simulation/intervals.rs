//! How often limits hold what they speak of, seeds and factors.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use vernalog::stats::interval::Confidence;
use vernalog::stats::proportion::{IntervalMethod, Proportion, exact_coverage};
use vernalog::stats::strata::{FactorTest, factor_tests};

use crate::counts::{CHILL, PLACE, Trial, Truth, factors, germinated};
use crate::scale::{ERRORS, FLOOR_ACTS, Rate, Table, runs};

const LEVEL: Confidence = Confidence::NINETY_FIVE;
const SEED: u64 = 20_261_125;

/// Each cell within three standard errors of what the enumeration of all
/// outcomes says; of 36 cells one in ten runs would miss that once by
/// chance, so a cell may be four off and their mean three.
#[test]
fn single_fractions_are_covered_as_often_as_enumeration_says() {
    let methods = [
        ("Wilson", IntervalMethod::Wilson),
        ("Clopper–Pearson", IntervalMethod::ClopperPearson),
        ("Jeffreys", IntervalMethod::Jeffreys),
    ];
    let each = runs(40_000, 4_000);
    let mut table = Table::titled("One container: observed against enumerated");
    let mut dice = ChaCha8Rng::seed_from_u64(SEED);
    for (name, method) in methods {
        let (mut off, mut variance, mut worst) = (0.0, 0.0, 0.0_f64);
        for n in [10, 20, 28, 50] {
            let holds: Vec<_> = (0..=n)
                .map(|k| Proportion::new(k, n).unwrap())
                .map(|counted| counted.interval(method, LEVEL))
                .collect();
            for truth in [0.05, 0.3, 0.72] {
                let exact = exact_coverage(method, n, truth, LEVEL).unwrap();
                let mut seen = Rate::default();
                for _ in 0..each {
                    let k = germinated(&mut dice, n, truth);
                    let k = usize::try_from(k).unwrap();
                    seen.add(holds[k].holds(truth));
                }
                let error = seen.error_at(exact);
                let difference = seen.share() - exact;
                worst = worst.max(difference.abs() / error);
                off += difference;
                variance += error * error;
            }
        }
        let all: f64 = off.abs() / variance.sqrt();
        table.say(&format!(
            "{name:<16} mean off by {all:.1} standard errors, worst of 12 \
             cells by {worst:.1}"
        ));
        assert!(all <= ERRORS && worst <= ERRORS + 1.0, "{name}");
    }
    table.close();
}

/// Trials with effects, from rich to as small as a p-value is given for.
const DEMO: Truth = Truth {
    name: "demo: 16 batches, 48 boxes",
    middle: 0.0,
    chills: &[-2.6, -0.6, 0.9, 0.9],
    places: &[-0.3, 0.0, 0.3],
    lots: &[0.15, -0.15],
    batches: 2,
    containers: 1,
    seeds: 28,
    batch_scatter: 0.25,
    container_scatter: 0.3,
};

const TRIALS: [Truth; 7] = [
    DEMO,
    Truth {
        name: "rich: 12 batches, 72 boxes",
        chills: &[-0.5, 0.5],
        lots: &[0.0],
        batches: 6,
        containers: 2,
        seeds: 25,
        batch_scatter: 0.4,
        container_scatter: 0.3,
        ..DEMO
    },
    Truth {
        name: "much scatter: 12 batches, 36 boxes",
        chills: &[-0.5, 0.5],
        lots: &[0.0],
        batches: 6,
        batch_scatter: 0.8,
        container_scatter: 0.6,
        ..DEMO
    },
    Truth {
        name: "nearly all: 12 batches, 36 boxes",
        middle: 2.0,
        chills: &[-0.5, 0.5],
        lots: &[0.0],
        batches: 6,
        seeds: 25,
        batch_scatter: 1.0,
        container_scatter: 0.8,
        ..DEMO
    },
    Truth {
        name: "few come up: 12 batches, 36 boxes",
        middle: -2.0,
        chills: &[-0.5, 0.5],
        lots: &[0.0],
        batches: 6,
        batch_scatter: 0.4,
        container_scatter: 0.4,
        ..DEMO
    },
    Truth {
        name: "small: 8 batches, 16 boxes",
        chills: &[-0.5, 0.5],
        places: &[-0.3, 0.3],
        lots: &[0.0],
        batches: 4,
        batch_scatter: 0.4,
        container_scatter: 0.3,
        ..DEMO
    },
    Truth {
        name: "smallest: 6 batches, 12 boxes",
        chills: &[-0.5, 0.5],
        places: &[-0.3, 0.3],
        lots: &[0.0],
        batches: 3,
        batch_scatter: 0.4,
        container_scatter: 0.3,
        ..DEMO
    },
];

/// Coverage of levels and of differences, and how often the floor acted.
#[derive(Default, Clone, Copy)]
struct Rates {
    levels: Rate,
    differences: Rate,
    floor: Rate,
}

/// The same by degrees of freedom of scatter: 4 to 9, 10 or more.
#[derive(Default)]
struct Covered {
    few_df: Rates,
    many_df: Rates,
}

impl Covered {
    fn add(&mut self, test: &FactorTest, truth: impl Fn(&str) -> f64) {
        let (Some(_), Some(dispersion)) = (test.p, test.dispersion) else {
            return;
        };
        let rates = if test.df.1 >= 10.0 {
            &mut self.many_df
        } else {
            &mut self.few_df
        };
        rates.floor.add(dispersion <= 1.0);
        for level in &test.levels {
            let limits = level.interval.unwrap();
            rates.levels.add(limits.holds(truth(&level.name)));
        }
        for pair in &test.differences {
            let difference = truth(&pair.to) - truth(&pair.from);
            rates.differences.add(pair.interval.holds(difference));
        }
    }

    fn gates(&self, table: &mut Table, what: &str) {
        let kinds = [
            (self.many_df, "10 df or more", 0.93, 0.97),
            (self.few_df, "4 to 9 df", 0.90, 0.98),
        ];
        for (rates, df, low, high) in kinds {
            if rates.floor.of < 100 {
                continue;
            }
            let careful = rates.floor.share() > FLOOR_ACTS;
            let high = if careful { 1.0 } else { high };
            for (rate, of) in
                [(rates.levels, "levels"), (rates.differences, "differences")]
            {
                table.gate(&format!("{what} {of}, {df}"), rate, low, high);
            }
        }
    }
}

/// A batch factor's limits speak of all batches there could be, a container
/// factor's of the batches of the trial.
#[test]
fn factor_limits_hold_their_truth_as_often_as_they_say() {
    let each = runs(10_000, 250);
    let mut table = Table::titled("Limits of factors, matching generator");
    for truth in TRIALS {
        let mut dice = ChaCha8Rng::seed_from_u64(SEED);
        let (mut chill, mut place) = (Covered::default(), Covered::default());
        for _ in 0..each {
            let trial: Trial = truth.invent(&mut dice);
            let tests =
                factor_tests(&trial.rows, &factors(), &[], LEVEL).unwrap();
            let level = |name: &str| name.parse::<usize>().unwrap();
            chill.add(&tests[CHILL], |name| truth.of_chill(level(name)));
            place
                .add(&tests[PLACE], |name| truth.of_place(&trial, level(name)));
        }
        chill.gates(&mut table, &format!("{}: chill", truth.name));
        place.gates(&mut table, &format!("{}: place", truth.name));
    }
    table.close();
}
