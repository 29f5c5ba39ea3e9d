//! The round: which units to look at, in the order of a walk.
//!
//! Only the list; how a day is counted in the grower's zone is the caller's
//! knowledge.

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
                .then_with(|| a.position.cmp(b.position))
                .then_with(|| a.unit.name.cmp(&b.unit.name))
        });
        due
    }
}
