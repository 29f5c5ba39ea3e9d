//! What stands beside the F test where that is on thin ice: an exact
//! permutation where units are few, a penalised fit where a level has none
//! or all.
//!
//! Not another verdict: the corrected p stays that of F, so that nobody picks
//! the smaller one.

use std::collections::{BTreeMap, BTreeSet};

use crate::stats::design::Design;
use crate::stats::exact::{PermutationTest, PermutedUnit, permutation};
use crate::stats::firth::{PenalisedTest, penalised_test};
use crate::stats::proportion::Proportion;
use crate::stats::strata::{ContainerOutcome, Factor, FactorTest, Stratum};

/// With so many units at some level, or fewer, the permutation test is made.
pub const FEW_UNITS: u32 = 4;

/// A unit of a comparison: its containers added up.
struct Unit {
    germinated: u32,
    sown: u32,
    level: String,
    /// Lot, or batch: what the unit belongs to.
    block: String,
    /// Levels of the other factors that were given to the same kind of unit.
    others: Vec<String>,
}

/// The exact test of a factor, levels exchanged among units that are alike
/// in lot (or batch) and in every other factor of that kind of unit.
///
/// None where every level has more than [`FEW_UNITS`] units, where units have
/// no one level each, or where the arrangements are too many to go through.
pub(crate) fn exact(
    rows: &[ContainerOutcome],
    factors: &[Factor],
    test: &FactorTest,
) -> Option<PermutationTest> {
    let few = test.levels.iter().any(|level| level.n_units <= FEW_UNITS);
    if !few {
        return None;
    }
    let units: Vec<PermutedUnit> = units(rows, factors, test)?
        .into_iter()
        .map(|unit| PermutedUnit {
            value: f64::from(unit.germinated) / f64::from(unit.sown),
            level: unit.level,
            block: format!("{} {}", unit.block, unit.others.join(" ")),
        })
        .collect();
    permutation(&units).ok()
}

/// The penalised test of a factor one of whose levels has none or all, on the
/// scatter between its units.
pub(crate) fn penalised(
    rows: &[ContainerOutcome],
    factors: &[Factor],
    test: &FactorTest,
) -> Option<PenalisedTest> {
    if !test.separated {
        return None;
    }
    let units = units(rows, factors, test)?;
    let outcomes: Vec<Proportion> = units
        .iter()
        .map(|unit| Proportion::new(unit.germinated, unit.sown).ok())
        .collect::<Option<_>>()?;
    let column = |pick: &dyn Fn(&Unit) -> String| -> Vec<String> {
        units.iter().map(pick).collect()
    };
    let mut design = Design::constant(units.len());
    let n_others = units.first()?.others.len();
    design = with(design, &column(&|unit| unit.block.clone()))?;
    for other in 0..n_others {
        design = with(design, &column(&|unit| unit.others[other].clone()))?;
    }
    let before = design.names().len();
    design = with(design, &column(&|unit| unit.level.clone()))?;
    let own: Vec<usize> = (before..design.names().len()).collect();
    let dispersion = test.dispersion.unwrap_or(1.0);
    penalised_test(&design, &outcomes, &own, dispersion).ok()
}

fn with(design: Design, levels: &[String]) -> Option<Design> {
    let levels: Vec<&str> = levels.iter().map(String::as_str).collect();
    design.with_factor("", &levels).ok()
}

/// The units on which a factor was tested, in order of name.
fn units(
    rows: &[ContainerOutcome],
    factors: &[Factor],
    test: &FactorTest,
) -> Option<Vec<Unit>> {
    let factor = factors.iter().position(|f| f.name == test.name)?;
    let same_kind: Vec<usize> = (0..factors.len())
        .filter(|i| *i != factor && factors[*i].applied_to == test.tested_on)
        .collect();
    let name = |row: &ContainerOutcome, kind: Stratum| match kind {
        Stratum::Lot => row.lot.clone(),
        Stratum::Batch => row.batch.clone(),
        Stratum::Container => row.container.clone(),
    };
    let mut units: BTreeMap<String, Unit> = BTreeMap::new();
    for row in rows {
        let level = &row.levels[factor];
        let unit =
            units.entry(name(row, test.tested_on)).or_insert_with(|| Unit {
                germinated: 0,
                sown: 0,
                level: level.clone(),
                block: block(rows, row, test.tested_on),
                others: same_kind
                    .iter()
                    .map(|i| row.levels[*i].clone())
                    .collect(),
            });
        if unit.level != *level {
            return None;
        }
        unit.germinated += row.outcome.k();
        unit.sown += row.outcome.n();
    }
    Some(units.into_values().collect())
}

/// What a unit belongs to: its batch while batches have several containers,
/// else its lot.
fn block(
    rows: &[ContainerOutcome],
    row: &ContainerOutcome,
    kind: Stratum,
) -> String {
    let batches: BTreeSet<&str> =
        rows.iter().map(|row| row.batch.as_str()).collect();
    let shared = batches.len() < rows.len();
    match kind {
        Stratum::Lot => String::new(),
        Stratum::Container if shared => row.batch.clone(),
        Stratum::Batch | Stratum::Container => row.lot.clone(),
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;
    use crate::stats::interval::Confidence;
    use crate::stats::strata::factor_tests;

    fn factor(name: &str, applied_to: Stratum) -> Factor {
        Factor { name: name.to_owned(), applied_to }
    }

    /// Three batches at each of two chills, two boxes each.
    fn rows(counts: [u32; 6]) -> Vec<ContainerOutcome> {
        let mut rows = Vec::new();
        for (batch, k) in counts.into_iter().enumerate() {
            for place in ["sill", "shelf"] {
                let chill = if batch < 3 { "6" } else { "12" };
                rows.push(ContainerOutcome {
                    container: format!("box-{batch}-{place}"),
                    batch: format!("batch-{batch}"),
                    lot: "hillside".to_owned(),
                    outcome: Proportion::new(k, 20).unwrap(),
                    levels: vec![chill.to_owned(), place.to_owned()],
                });
            }
        }
        rows
    }

    fn tested(rows: &[ContainerOutcome]) -> (Vec<Factor>, Vec<FactorTest>) {
        let factors = vec![
            factor("chill", Stratum::Batch),
            factor("place", Stratum::Container),
        ];
        let tests =
            factor_tests(rows, &factors, &[], Confidence::NINETY_FIVE).unwrap();
        (factors, tests)
    }

    /// Three against three: 2 of 20 arrangements is the best there is, and
    /// these counts, all apart, reach it.
    #[test]
    fn three_batches_against_three_cannot_reach_five_percent() {
        let rows = rows([1, 2, 3, 11, 12, 13]);
        let (factors, tests) = tested(&rows);
        let chill = exact(&rows, &factors, &tests[0]).unwrap();
        assert_eq!((chill.p_two_sided, chill.smallest_p), (0.1, 0.1));
        assert_eq!((chill.n_units, chill.arrangements), (6, 20.0));
    }

    /// Two boxes a batch, six batches: 2⁶ arrangements, the two extreme ones
    /// of which are the best there is.
    #[test]
    fn places_are_exchanged_within_batches() {
        let mut rows = rows([5, 6, 7, 8, 9, 10]);
        for row in rows.iter_mut().filter(|r| r.levels[1] == "sill") {
            let k = row.outcome.k() + 3;
            row.outcome = Proportion::new(k, 20).unwrap();
        }
        let (factors, mut tests) = tested(&rows);
        // Six boxes at each place are not few.
        assert_eq!(exact(&rows, &factors, &tests[1]), None);
        tests[1].levels[0].n_units = 4;
        let place = exact(&rows, &factors, &tests[1]).unwrap();
        assert_eq!(place.arrangements, 64.0);
        assert_eq!(place.p_two_sided, 2.0 / 64.0);
    }

    #[test]
    fn a_level_where_nothing_germinated_gets_a_finite_penalised_test() {
        let apart = rows([0, 0, 0, 9, 11, 10]);
        let (factors, tests) = tested(&apart);
        let chill = penalised(&apart, &factors, &tests[0]).unwrap();
        assert!(chill.statistic.is_finite() && chill.p_value < 0.001);
        assert_eq!(chill.df, 1.0);
        let mixed = rows([1, 2, 3, 9, 11, 10]);
        let (factors, tests) = tested(&mixed);
        assert_eq!(penalised(&mixed, &factors, &tests[0]), None);
    }

    #[test]
    fn the_order_of_rows_changes_nothing() {
        let straight = rows([0, 0, 0, 9, 11, 10]);
        let mut turned = straight.clone();
        turned.reverse();
        let (factors, tests) = tested(&straight);
        assert_eq!(
            exact(&straight, &factors, &tests[0]),
            exact(&turned, &factors, &tests[0])
        );
        let p = |rows: &[ContainerOutcome]| {
            penalised(rows, &factors, &tests[0]).unwrap().p_value
        };
        assert!((p(&straight) - p(&turned)).abs() < 1e-9);
    }
}
