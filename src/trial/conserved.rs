//! Whether no seed was lost or made in the adding up: each unit's seeds
//! summed once more, and every transfer found at both of its ends.
//!
//! `book` refuses entries that would break this; here its result is looked
//! at from outside, with signed numbers, for `verify`.

use std::collections::BTreeMap;

use crate::observation::Name;
use crate::trial::book::{Book, Trial};

/// Everything that does not add up, in words; empty when all does.
#[must_use]
pub fn imbalances(book: &Book) -> Vec<String> {
    book.trials.values().flat_map(of_trial).collect()
}

fn of_trial(trial: &Trial) -> Vec<String> {
    let mut found = Vec::new();
    // From, to: seeds as the giver and as the taker say.
    let mut moved: BTreeMap<(&Name, &Name), (i64, i64)> = BTreeMap::new();
    for unit in trial.units.values() {
        let sum = |numbers: &mut dyn Iterator<Item = u32>| -> i64 {
            numbers.map(i64::from).sum()
        };
        let entered = i64::from(unit.seeds)
            + sum(&mut unit.added.iter().map(|moved| moved.seeds));
        let gone = sum(&mut unit.looks.iter().map(|look| look.germinated))
            + sum(&mut unit.looks.iter().map(|look| look.removed_mould))
            + sum(&mut unit.looks.iter().map(|look| look.removed_other))
            + sum(&mut unit.taken.iter().map(|moved| moved.seeds));
        let left = i64::from(unit.left());
        if entered != gone + left {
            found.push(format!(
                "{} of {}: {entered} seeds entered, {gone} are accounted for \
                 and {left} are left",
                unit.name, trial.name
            ));
        }
        if let Some((_, closure)) = &unit.closure
            && i64::from(closure.total()) != left
        {
            found.push(format!(
                "{} of {}: {left} seeds were left and {} were classed",
                unit.name,
                trial.name,
                closure.total()
            ));
        }
        for taken in &unit.taken {
            moved.entry((&unit.name, &taken.other)).or_default().0 +=
                i64::from(taken.seeds);
        }
        for added in &unit.added {
            moved.entry((&added.other, &unit.name)).or_default().1 +=
                i64::from(added.seeds);
        }
        if let Some(source) = &unit.source {
            moved.entry((source, &unit.name)).or_default().1 +=
                i64::from(unit.seeds);
        }
    }
    for ((from, to), (given, taken)) in moved {
        if given != taken {
            found.push(format!(
                "{}: {given} seeds left {from} for {to}, {taken} arrived",
                trial.name
            ));
        }
    }
    found
}
