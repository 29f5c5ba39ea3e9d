//! The round: which units to look at, in the order of a walk.
//!
//! Only the list; how a day is counted in the grower's zone is the caller's
//! knowledge.

use std::cmp::Ordering;

use crate::observation::Name;
use crate::trial::book::Trial;
use crate::trial::unit::{Looked, Unit};
use crate::units::Instant;

/// A unit to look at, with what the grower wants to know before opening it.
#[derive(Debug, Clone, PartialEq)]
pub struct Due<'a> {
    /// The unit.
    pub unit: &'a Unit,
    /// Where it is; none when nobody said so.
    pub place: Option<&'a Name>,
    /// Where at the place.
    pub position: &'a str,
    /// The last look at it.
    pub last: Option<&'a Looked>,
}

impl Trial {
    /// The units that were not yet looked at since `today` began, by place,
    /// position and name.
    ///
    /// Left out are units that are closed, not begun, or without a seed.
    #[must_use]
    pub fn round(&self, today: Instant, now: Instant) -> Vec<Due<'_>> {
        let mut due: Vec<Due<'_>> = self
            .units
            .values()
            .filter(|unit| unit.closure.is_none() && unit.begun.at <= now)
            .filter(|unit| unit.left() > 0)
            .filter(|unit| {
                unit.looks.last().is_none_or(|look| look.when.at < today)
            })
            .map(|unit| {
                let stay = unit.stay_at(now);
                Due {
                    unit,
                    place: stay.map(|stay| &stay.place),
                    position: stay.map_or("", |stay| &stay.position),
                    last: unit.looks.last(),
                }
            })
            .collect();
        due.sort_by(|a, b| {
            let key = |due: &Due<'_>| (due.place.is_none(), due.place.cloned());
            key(a)
                .cmp(&key(b))
                .then_with(|| in_order(a.position, b.position))
                .then_with(|| {
                    in_order(a.unit.name.as_str(), b.unit.name.as_str())
                })
        });
        due
    }
}

/// The order of a walk: as text, but numbers in it by their value, so that
/// `tray 2` comes before `tray 10`.
#[must_use]
pub fn in_order(a: &str, b: &str) -> Ordering {
    let (mut a_rest, mut b_rest) = (a, b);
    while !a_rest.is_empty() && !b_rest.is_empty() {
        let (a_run, b_run) = (run(a_rest), run(b_rest));
        let by_value = || {
            let (a, b): (u64, u64) = (a_run.parse().ok()?, b_run.parse().ok()?);
            Some(a.cmp(&b))
        };
        let order = by_value().unwrap_or_else(|| a_run.cmp(b_run));
        if order != Ordering::Equal {
            return order;
        }
        (a_rest, b_rest) = (&a_rest[a_run.len()..], &b_rest[b_run.len()..]);
    }
    // `r1` and `r01` have one value and are still two.
    a_rest.len().cmp(&b_rest.len()).then_with(|| a.cmp(b))
}

/// The digits, or the other characters, that a text begins with.
fn run(text: &str) -> &str {
    let digits = text.starts_with(|c: char| c.is_ascii_digit());
    let end = text.find(|c: char| c.is_ascii_digit() != digits);
    &text[..end.unwrap_or(text.len())]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_names_are_walked_by_their_value() {
        let mut walk = ["tray 10", "tray 2", "", "r2b", "r10", "r2", "r02"];
        walk.sort_by(|a, b| in_order(a, b));
        assert_eq!(walk, ["", "r02", "r2", "r2b", "r10", "tray 2", "tray 10"]);
        assert_eq!(in_order("r1", "r01"), in_order("r01", "r1").reverse());
    }
}
