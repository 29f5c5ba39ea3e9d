//! Levels of a factor in their order, with the step that gives the colour,
//! and which of them this trial can tell apart.

use crate::chart::Step;
use crate::observation::Name;
use crate::stats::strata::Stratum;
use crate::study::factors::{FactorStudy, level};
use crate::study::wording::LevelWords;
use crate::study::{Study, UnitStudy};

/// One level, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderedLevel {
    /// As stated.
    pub name: String,
    /// As spoken.
    pub words: LevelWords,
    /// Its colour.
    pub step: Step,
}

/// The factor by which figures are coloured: the first planned one given to
/// batches or lots, a numeric one before others; else the first of them that
/// was not planned.
#[must_use]
pub fn coloured_by(study: &Study) -> Option<&FactorStudy> {
    let prepared = |factor: &&FactorStudy| {
        factor.test.applied_to != Stratum::Container
            && factor.name() != crate::study::factors::LOT
    };
    let rank = |factor: &&FactorStudy| {
        let numeric = factor
            .test
            .levels
            .iter()
            .all(|level| number(&level.name).is_some());
        (!factor.planned, !numeric)
    };
    study.factors.iter().filter(prepared).min_by_key(rank)
}

/// The levels of a factor: numbers by size, then words by alphabet.
#[must_use]
pub fn ordered(study: &Study, factor: &str) -> Vec<OrderedLevel> {
    let mut names: Vec<String> =
        study.containers().filter_map(|unit| level(unit, factor)).collect();
    names.sort_by(|a, b| {
        let key = |name: &str| number(name).unwrap_or(f64::INFINITY);
        key(a).total_cmp(&key(b)).then_with(|| a.cmp(b))
    });
    names.dedup();
    let steps = steps(&names);
    names
        .into_iter()
        .zip(steps)
        .map(|(name, step)| OrderedLevel {
            words: study.level_words(factor, &name),
            name,
            step,
        })
        .collect()
}

/// A level as a number; the words for nothing are 0.
fn number(level: &str) -> Option<f64> {
    match level.trim() {
        "none" | "no" => Some(0.0),
        text => text.parse().ok().filter(|value: &f64| value.is_finite()),
    }
}

/// Nothing, then short, medium, long by order; the longest is always long.
fn steps(names: &[String]) -> Vec<Step> {
    let first_is_none = names
        .first()
        .and_then(|name| number(name))
        .is_some_and(|value| value <= 0.0);
    let real = names.len() - usize::from(first_is_none);
    (0..names.len())
        .map(|i| {
            if first_is_none && i == 0 {
                return Step::None;
            }
            // 1 … real
            let place = i + usize::from(!first_is_none);
            match (3 * place).div_ceil(real.max(1)) {
                _ if place == real => Step::Long,
                0 | 1 => Step::Short,
                2 => Step::Medium,
                _ => Step::Long,
            }
        })
        .collect()
}

/// Whether this trial can tell two levels of a factor apart.
#[must_use]
pub fn told_apart(factor: &FactorStudy, a: &str, b: &str) -> bool {
    factor.tells_apart(a, b)
}

/// Containers whose seeds mostly lay at a place.
pub fn containers_at<'a>(
    study: &'a Study,
    place: &'a Name,
) -> impl Iterator<Item = &'a UnitStudy> {
    study
        .containers()
        .filter(move |unit| unit.outcome.main_place() == Some(place))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(names: &[&str]) -> Vec<Step> {
        let names: Vec<String> =
            names.iter().map(|n| (*n).to_owned()).collect();
        steps(&names)
    }

    #[test]
    fn the_longest_is_long_and_nothing_is_none() {
        use Step::{Long, Medium, None, Short};
        assert_eq!(of(&["0", "6", "12", "18"]), [None, Short, Medium, Long]);
        assert_eq!(of(&["0", "12"]), [None, Long]);
        assert_eq!(of(&["6", "12", "18"]), [Short, Medium, Long]);
        assert_eq!(of(&["6", "12"]), [Medium, Long]);
        assert_eq!(of(&["12"]), [Long]);
        let many = of(&["0", "2", "4", "6", "8", "10", "12"]);
        assert_eq!(many, [None, Short, Short, Medium, Medium, Long, Long]);
    }
}
