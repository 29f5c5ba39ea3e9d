//! False alarms where nothing differs, power where something does, and what
//! happens when the wrong thing is taken as the unit.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use vernalog::stats::binomial::{Scatter, fit};
use vernalog::stats::design::Design;
use vernalog::stats::exact::{PermutedUnit, fisher, permutation};
use vernalog::stats::interval::Confidence;
use vernalog::stats::link::Link;
use vernalog::stats::proportion::Proportion;
use vernalog::stats::strata::{ContainerOutcome, Stratum, factor_tests};

use crate::counts::{CHILL, PLACE, Truth, factors, germinated};
use crate::scale::{FLOOR_ACTS, Rate, Table, runs};

const LEVEL: Confidence = Confidence::NINETY_FIVE;
const SEED: u64 = 20_261_125;
const ALPHA: f64 = 0.05;

/// Trials in which neither chill nor place does anything.
const PLAIN: Truth = Truth {
    name: "plain: 8 batches, 24 boxes",
    middle: 0.0,
    chills: &[0.0, 0.0],
    places: &[0.0, 0.0, 0.0],
    lots: &[0.0],
    batches: 4,
    containers: 1,
    seeds: 28,
    batch_scatter: 0.4,
    container_scatter: 0.3,
};

const NULLS: [Truth; 11] = [
    PLAIN,
    Truth {
        name: "demo: 16 batches, 48 boxes, 2 lots",
        chills: &[0.0, 0.0, 0.0, 0.0],
        lots: &[0.15, -0.15],
        batches: 2,
        batch_scatter: 0.25,
        ..PLAIN
    },
    Truth {
        name: "no scatter but seeds",
        batch_scatter: 0.0,
        container_scatter: 0.0,
        ..PLAIN
    },
    Truth {
        name: "much scatter",
        batch_scatter: 0.8,
        container_scatter: 0.8,
        ..PLAIN
    },
    Truth { name: "few come up: 12 %", middle: -2.0, ..PLAIN },
    Truth {
        name: "from 60 % to nearly all",
        middle: 2.5,
        batches: 3,
        containers: 2,
        seeds: 25,
        batch_scatter: 1.0,
        container_scatter: 0.8,
        ..PLAIN
    },
    Truth {
        name: "from 5 % to 95 %",
        batches: 3,
        containers: 2,
        seeds: 25,
        batch_scatter: 1.6,
        container_scatter: 0.6,
        ..PLAIN
    },
    Truth {
        name: "from 60 % to nearly all, 16 boxes",
        middle: 2.5,
        places: &[0.0, 0.0],
        batch_scatter: 1.0,
        container_scatter: 0.8,
        ..PLAIN
    },
    Truth {
        name: "lots far apart: 20 % and 80 %",
        lots: &[-1.4, 1.4],
        batches: 3,
        ..PLAIN
    },
    Truth {
        name: "lots far apart: 50 % and 95 %",
        middle: 1.5,
        lots: &[-1.5, 1.5],
        batches: 3,
        batch_scatter: 0.6,
        container_scatter: 0.6,
        ..PLAIN
    },
    Truth {
        name: "smallest: 6 batches, 12 boxes",
        places: &[0.0, 0.0],
        batches: 3,
        ..PLAIN
    },
];

#[test]
fn false_alarms_of_factor_tests_stay_near_five_percent() {
    let each = runs(10_000, 250);
    let mut table = Table::titled("False alarms at 5 %, null generator");
    for truth in NULLS {
        let mut dice = ChaCha8Rng::seed_from_u64(SEED);
        let (mut alarms, mut floor) =
            ([Rate::default(); 2], [Rate::default(); 2]);
        for _ in 0..each {
            let trial = truth.invent(&mut dice);
            let tests =
                factor_tests(&trial.rows, &factors(), &[], LEVEL).unwrap();
            for (i, test) in tests.iter().enumerate() {
                if let (Some(p), Some(scatter)) = (test.p, test.dispersion) {
                    alarms[i].add(p < ALPHA);
                    floor[i].add(scatter <= 1.0);
                }
            }
        }
        for (factor, what) in [(CHILL, "chill"), (PLACE, "place")] {
            let line = format!("{}: F of {what}", truth.name);
            let low =
                if floor[factor].share() > FLOOR_ACTS { 0.0 } else { 0.035 };
            table.gate(&line, alarms[factor], low, 0.06);
        }
    }
    table.close();
}

/// Fractions of the units of a stratum with the level of one factor.
fn permuted(
    rows: &[ContainerOutcome],
    factor: usize,
    unit: Stratum,
) -> Vec<PermutedUnit> {
    let name = |row: &ContainerOutcome| match unit {
        Stratum::Lot => row.lot.clone(),
        Stratum::Batch => row.batch.clone(),
        Stratum::Container => row.container.clone(),
    };
    let mut units: std::collections::BTreeMap<String, (u32, u32, usize)> =
        std::collections::BTreeMap::new();
    for (position, row) in rows.iter().enumerate() {
        let sum = units.entry(name(row)).or_insert((0, 0, position));
        sum.0 += row.outcome.k();
        sum.1 += row.outcome.n();
    }
    units
        .into_values()
        .map(|(k, n, row)| PermutedUnit {
            value: f64::from(k) / f64::from(n),
            level: rows[row].levels[factor].clone(),
            block: match unit {
                Stratum::Container => rows[row].batch.clone(),
                _ => rows[row].lot.clone(),
            },
        })
        .collect()
}

#[test]
fn exact_tests_never_raise_more_alarms_than_they_say() {
    let each = runs(10_000, 400);
    let mut table = Table::titled("False alarms at 5 %, exact tests");
    let small = Truth { places: &[0.0, 0.0], ..PLAIN };
    let unlike = Truth {
        name: "from 60 % to nearly all",
        middle: 2.5,
        batch_scatter: 1.0,
        container_scatter: 0.8,
        ..small
    };
    for truth in [small, unlike] {
        let mut dice = ChaCha8Rng::seed_from_u64(SEED);
        let mut alarms = [Rate::default(); 2];
        for _ in 0..each {
            let trial = truth.invent(&mut dice);
            let units = permuted(&trial.rows, CHILL, Stratum::Batch);
            let chill = permutation(&units).unwrap();
            alarms[0].add(chill.p_two_sided <= ALPHA);
            let units = permuted(&trial.rows, PLACE, Stratum::Container);
            let place = permutation(&units).unwrap();
            alarms[1].add(place.p_two_sided <= ALPHA);
        }
        for (rate, what) in alarms.iter().zip(["chill", "place"]) {
            let line = format!("{}: permutation of {what}", truth.name);
            table.at_most(&line, *rate, ALPHA);
        }
    }
    let mut dice = ChaCha8Rng::seed_from_u64(SEED);
    let mut alarms = Rate::default();
    for _ in 0..each {
        let mouldy = |dice: &mut ChaCha8Rng| {
            Proportion::new(germinated(dice, 12, 0.3), 12).unwrap()
        };
        let (one, other) = (mouldy(&mut dice), mouldy(&mut dice));
        alarms.add(fisher(one, other, LEVEL).p_two_sided <= ALPHA);
    }
    table.at_most("12 boxes against 12, 30 % mouldy: Fisher", alarms, ALPHA);
    table.close();
}

/// p of chill when every seed is taken as a unit.
fn by_seeds(rows: &[ContainerOutcome]) -> f64 {
    let chilled: Vec<f64> = rows
        .iter()
        .map(|row| if row.levels[CHILL] == "1" { 1.0 } else { 0.0 })
        .collect();
    let design =
        Design::constant(rows.len()).with_column("chill", &chilled).unwrap();
    let outcomes: Vec<Proportion> = rows.iter().map(|r| r.outcome).collect();
    let fit = fit(&design, &outcomes, Link::Logit).unwrap();
    fit.effects(Scatter::Seeds, LEVEL).unwrap()[1].p_value
}

/// p of chill when every container is taken as a unit.
fn by_containers(rows: &[ContainerOutcome]) -> Option<f64> {
    let rows: Vec<ContainerOutcome> = rows
        .iter()
        .map(|row| ContainerOutcome {
            batch: row.container.clone(),
            levels: vec![row.levels[CHILL].clone()],
            ..row.clone()
        })
        .collect();
    let factor = &factors()[CHILL];
    let tests = factor_tests(&rows, std::slice::from_ref(factor), &[], LEVEL);
    tests.unwrap()[0].p
}

/// Shows why each factor is tested on the units it was applied to, and what
/// the tests can see: 37.5 % against 62.5 %.
#[test]
fn the_wrong_unit_raises_many_false_alarms() {
    let each = runs(10_000, 300);
    let mut table = Table::titled("The unit of chill, and power");
    let effect = (0.625_f64 / 0.375).ln();
    let differing = Truth {
        name: "25 points apart",
        // ln(0.625 / 0.375) = 0.5108 either side of a half.
        chills: &[-0.5108, 0.5108],
        places: &[-0.5108, 0.5108],
        ..PLAIN
    };
    assert!((effect - 0.5108).abs() < 1e-4);
    let mut dice = ChaCha8Rng::seed_from_u64(SEED);
    let (mut seeds, mut boxes) = (Rate::default(), Rate::default());
    let mut batches = Rate::default();
    for _ in 0..each {
        let rows = PLAIN.invent(&mut dice).rows;
        seeds.add(by_seeds(&rows) < ALPHA);
        boxes.add(by_containers(&rows).is_some_and(|p| p < ALPHA));
        let tests = factor_tests(&rows, &factors(), &[], LEVEL).unwrap();
        batches.add(tests[CHILL].p.is_some_and(|p| p < ALPHA));
    }
    table.shown("false alarms of chill, seeds as units", seeds);
    table.shown("false alarms of chill, containers as units", boxes);
    table.gate("false alarms of chill, batches as units", batches, 0.035, 0.06);
    assert!(seeds.share() > 0.2 && boxes.share() > 0.08);
    assert!(seeds.share() > boxes.share());

    let mut dice = ChaCha8Rng::seed_from_u64(SEED);
    let (mut found, mut permuted_found) =
        ([Rate::default(); 2], [Rate::default(); 2]);
    for _ in 0..each {
        let rows = differing.invent(&mut dice).rows;
        let tests = factor_tests(&rows, &factors(), &[], LEVEL).unwrap();
        let units = [
            permuted(&rows, CHILL, Stratum::Batch),
            permuted(&rows, PLACE, Stratum::Container),
        ];
        for factor in [CHILL, PLACE] {
            found[factor].add(tests[factor].p.is_some_and(|p| p < ALPHA));
            let exact = permutation(&units[factor]).unwrap();
            permuted_found[factor].add(exact.p_two_sided <= ALPHA);
        }
    }
    table.shown("power, chill 25 points apart, F on 8 batches", found[CHILL]);
    table.shown("the same, permutation of batches", permuted_found[CHILL]);
    table.shown("power, place 25 points apart, F on 16 boxes", found[PLACE]);
    table.shown("the same, permutation within batches", permuted_found[PLACE]);
    assert!(found[CHILL].share() > batches.share());
    table.close();
}
