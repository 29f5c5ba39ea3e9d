//! Two trials side by side: described, never pooled, and what was different
//! about how they were made.
//!
//! No test is made across trials: nothing was dealt out between them.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::report::results::{FactorResult, Results};
use crate::study::wording;

/// Two trials side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Names of the two.
    pub trials: [String; 2],
    /// What is told of both, line by line.
    pub lines: Vec<Line>,
    /// What was different about how they were made.
    pub differences: Vec<String>,
    /// What must be said with it.
    pub caution: String,
}

/// One thing told of both.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// What.
    pub what: String,
    /// In the first and in the second trial; empty where it is not there.
    pub told: [String; 2],
}

/// Describes two trials side by side.
#[must_use]
pub fn compare(one: &Results, other: &Results) -> Comparison {
    let both = [one, other];
    let mut lines = Vec::new();
    let mut say = |what: &str, tell: &dyn Fn(&Results) -> String| {
        lines.push(Line { what: what.to_owned(), told: both.map(tell) });
    };
    say("question", &|r| r.trial.question.clone());
    say("from", &|r| date(r.trial.started));
    say("until", &|r| date(r.trial.until));
    say("planned", &|r| r.trial.planned.join(", "));
    say("lots", &|r| r.trial.lots.to_string());
    say("batches", &|r| r.trial.batches.to_string());
    say("containers", &|r| r.trial.containers.to_string());
    say("seeds sown", &|r| r.trial.seeds_sown.to_string());
    say("compared at, days", &|r| number(r.trial.common_age_days, 0));
    say("days between looks", &|r| number(r.timing.days_between_looks, 1));
    say("germinated of every 100 sown", &germinated);
    for place in places(both) {
        for (quantity, digits) in
            [("temperature", 1), ("humidity", 0), ("light", 0)]
        {
            say(&format!("{place}: mean {quantity}"), &|r| {
                mean(r, &place, quantity, digits)
            });
        }
    }
    for (factor, level) in levels(both) {
        let words = wording::level(&factor, &level).short();
        say(&format!("{}: {words}", wording::factor(&factor)), &|r| {
            told_level(r, &factor, &level)
        });
    }
    // A place without a log says nothing in either.
    lines.retain(|line| line.told.iter().any(|told| !told.is_empty()));
    Comparison {
        trials: both.map(|r| r.trial.id.clone()),
        lines,
        differences: differences(one, other),
        caution: "Two trials side by side, not one: season, seeds, places \
                  and hands differ between them together, and nothing was \
                  dealt out by lot. What differs here is described, not \
                  tested."
            .to_owned(),
    }
}

fn date(at: crate::units::Instant) -> String {
    at.to_string().chars().take(10).collect()
}

fn number(value: Option<f64>, digits: usize) -> String {
    value.map(|value| format!("{value:.digits$}")).unwrap_or_default()
}

fn germinated(results: &Results) -> String {
    let (k, n) = results
        .containers
        .iter()
        .fold((0, 0), |(k, n), own| (k + own.germinated, n + own.seeds));
    if n == 0 {
        return String::new();
    }
    let share = 100.0 * f64::from(k) / f64::from(n);
    format!("{share:.0} ({k}/{n} in {} containers)", results.containers.len())
}

fn places(both: [&Results; 2]) -> BTreeSet<String> {
    both.into_iter()
        .flat_map(|r| r.places.iter().map(|place| place.id.clone()))
        .collect()
}

fn mean(
    results: &Results,
    place: &str,
    quantity: &str,
    digits: usize,
) -> String {
    let found = results.places.iter().find(|own| own.id == place);
    let told = found.and_then(|own| own.quantities.get(quantity));
    told.and_then(|told| Some((told.mean?, &told.unit)))
        .map(|(mean, unit)| format!("{mean:.digits$} {unit}"))
        .unwrap_or_default()
}

/// Factors and levels of both, in the order of the first.
fn levels(both: [&Results; 2]) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for factor in both.into_iter().flat_map(|r| &r.factors) {
        for level in &factor.levels {
            let own = (factor.name.clone(), level.level.clone());
            if !found.contains(&own) {
                found.push(own);
            }
        }
    }
    found.sort_by_key(|(factor, _)| {
        both.iter().position(|r| r.factors.iter().any(|f| f.name == *factor))
    });
    found
}

fn factor_of<'a>(results: &'a Results, name: &str) -> Option<&'a FactorResult> {
    results.factors.iter().find(|factor| factor.name == name)
}

fn told_level(results: &Results, factor: &str, level: &str) -> String {
    let Some(found) = factor_of(results, factor) else {
        return String::new();
    };
    let own = found.levels.iter().find(|own| own.level == level);
    own.map(|own| {
        let limits = own.interval.map_or_else(String::new, |i| {
            format!(", {:.0} to {:.0}", 100.0 * i.lower, 100.0 * i.upper)
        });
        let units = usize::try_from(own.n_units).unwrap_or(usize::MAX);
        format!(
            "{:.0} of every 100{limits} ({})",
            100.0 * own.estimate,
            wording::counted(units, &found.tested_on)
        )
    })
    .unwrap_or_default()
}

/// How the two designs differ.
fn differences(one: &Results, other: &Results) -> Vec<String> {
    let both = [one, other];
    let mut found = Vec::new();
    let mut unlike = |what: &str, told: [String; 2]| {
        if told[0] != told[1] {
            found.push(format!("{what}: {} against {}", told[0], told[1]));
        }
    };
    let named = |words: BTreeSet<String>| {
        let words: Vec<String> = words.into_iter().collect();
        if words.is_empty() { "none".to_owned() } else { words.join(", ") }
    };
    unlike(
        "planned comparisons",
        both.map(|r| named(r.trial.planned.iter().cloned().collect())),
    );
    unlike(
        "places",
        both.map(|r| {
            named(r.places.iter().map(|place| place.id.clone()).collect())
        }),
    );
    unlike(
        "lots",
        both.map(|r| {
            named(r.units.iter().filter_map(|u| u.lot.clone()).collect())
        }),
    );
    unlike(
        "compared at, days",
        both.map(|r| number(r.trial.common_age_days, 0)),
    );
    unlike(
        "month of sowing",
        both.map(|r| {
            let begun: BTreeMap<String, usize> = r
                .units
                .iter()
                .filter(|unit| unit.kind == "container")
                .fold(BTreeMap::new(), |mut months, unit| {
                    let month = date(unit.begun).chars().take(7).collect();
                    *months.entry(month).or_default() += 1;
                    months
                });
            named(begun.into_keys().collect())
        }),
    );
    let names: BTreeSet<&str> = both
        .iter()
        .flat_map(|r| r.factors.iter().map(|f| f.name.as_str()))
        .collect();
    for name in names {
        let told = both.map(|r| {
            factor_of(r, name).map_or_else(
                || "not there".to_owned(),
                |factor| {
                    let levels: Vec<&str> = factor
                        .levels
                        .iter()
                        .map(|level| level.level.as_str())
                        .collect();
                    format!(
                        "{} (given to each {}, {} units)",
                        levels.join(", "),
                        factor.applied_to,
                        factor.n_units
                    )
                },
            )
        });
        unlike(&format!("levels of {}", wording::factor(name)), told);
    }
    found
}
