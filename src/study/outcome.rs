//! What came of a unit: counts, fraction with interval, time to germination.
//!
//! Counts are known only at looks, so times are intervals. Which seeds a
//! number speaks of is in its name: entering, sown, germinated.

use std::collections::BTreeMap;

use crate::observation::Name;
use crate::stats::censored::Censored;
use crate::stats::germination::{CountSeries, NewlyGerminated, Timing};
use crate::stats::interval::{Confidence, Interval};
use crate::stats::proportion::{IntervalMethod, Proportion};
use crate::stats::turnbull::{Of, TimeToShare, turnbull};
use crate::study::Material;
use crate::trial::book::Trial;
use crate::trial::entry::{Closure, Severity};
use crate::trial::history::{AppliedTo, Stretch};
use crate::trial::label::Label;
use crate::trial::unit::Unit;
use crate::units::Instant;

/// One look with what it found, on the axis of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The look before it, or the start of the unit.
    pub since: Instant,
    /// The look.
    pub at: Instant,
    /// Newly germinated between the two.
    pub germinated: u32,
    /// Germinated so far.
    pub total: u32,
    /// The unit was moved between the two looks, so that the germination
    /// cannot be given to one place.
    pub straddles_a_move: bool,
}

/// Mould lies between the last clean look and the first sighting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sighting {
    /// The last look without mould before it, or the start of the unit.
    pub clean_until: Instant,
    /// The look at which it was first seen.
    pub seen: Instant,
    /// How bad it became.
    pub worst: Severity,
}

/// What came of one unit.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The unit.
    pub name: Name,
    /// Batch or container.
    pub is_container: bool,
    /// Its label.
    pub label: Option<Label>,
    /// The lot of its seeds.
    pub lot: Option<Name>,
    /// The batch it was sown from (a batch: itself).
    pub batch: Option<Name>,
    /// Level of every factor that reaches it, and the thing it was applied
    /// to.
    pub levels: BTreeMap<String, (String, AppliedTo)>,
    /// Its own stays.
    pub stretches: Vec<Stretch>,
    /// When it began: sown, or prepared.
    pub begun: Instant,
    /// Seeds that entered it.
    pub entered: u32,
    /// Germinated in it, up to the last look.
    pub germinated: u32,
    /// Germinated in it by the common age; as `germinated` for batches.
    pub germinated_at_common_age: u32,
    /// Days from its start to its last look or closure.
    pub follow_up_days: f64,
    /// Taken out because of mould.
    pub removed_mould: u32,
    /// Taken out for another reason.
    pub removed_other: u32,
    /// Moved into other units.
    pub transferred: u32,
    /// Left at the last look (classed at closure, if closed).
    pub left: u32,
    /// What became of them.
    pub closure: Option<Closure>,
    /// Germinated at the common age ÷ seeds that entered; none for an empty
    /// unit, and for one that was lost before that age.
    pub fraction: Option<f64>,
    /// Its 95 % Wilson interval, which takes seeds as independent.
    pub interval: Option<Interval>,
    /// Mean, first and last time of the germinated, and T50 as published;
    /// none when nothing germinated.
    pub timing: Option<Timing>,
    /// T50 of the seeds that entered, from the interval-censored curve.
    pub t50_entered: Option<TimeToShare>,
    /// T50 of the seeds that germinated, from the same curve.
    pub t50_germinated: Option<TimeToShare>,
    /// The looks.
    pub steps: Vec<Step>,
    /// When mould came, if it did.
    pub mould: Option<Sighting>,
    /// Looks at which mould was looked for.
    pub looks: usize,
    /// All seeds left were lost before the common age, so that its share is
    /// not known.
    pub lost_early: bool,
}

impl Outcome {
    /// The place where it spent most of its time.
    #[must_use]
    pub fn main_place(&self) -> Option<&Name> {
        let mut hours: BTreeMap<&Name, f64> = BTreeMap::new();
        for stretch in &self.stretches {
            *hours.entry(&stretch.place).or_default() += stretch.hours();
        }
        hours
            .into_iter()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(place, _)| place)
    }

    /// The level of a factor, if it has one.
    #[must_use]
    pub fn level(&self, factor: &str) -> Option<&str> {
        self.levels.get(factor).map(|(level, _)| level.as_str())
    }
}

/// The shortest follow-up of all containers, days since sowing; none
/// without a container that was looked at. A container whose seeds were lost
/// does not shorten it.
///
/// Containers are compared at this age, so that none has had longer to
/// germinate than another.
#[must_use]
pub fn common_age_days(trial: &Trial) -> Option<f64> {
    let sown = || trial.containers().filter(|unit| unit.entered() > 0);
    let kept = sown().filter(|unit| !all_lost(unit));
    kept.map(follow_up_days)
        .min_by(f64::total_cmp)
        .or_else(|| sown().map(follow_up_days).min_by(f64::total_cmp))
}

/// Whether every seed that was left was lost: what they would have done is
/// not known.
fn all_lost(unit: &Unit) -> bool {
    unit.closure.as_ref().is_some_and(|(_, closure)| {
        closure.lost > 0 && closure.lost == closure.total()
    })
}

fn follow_up_days(unit: &Unit) -> f64 {
    let closed = unit.closure.as_ref().map(|(when, _)| when.at);
    let end = closed.unwrap_or(unit.last_looked()).max(unit.last_looked());
    end.days_since(unit.begun.at)
}

/// Looks this little after the common age still belong to it: containers of
/// one evening are looked at one after the other.
const SAME_EVENING_DAYS: f64 = 0.25;

pub(crate) fn of_unit(
    material: Material<'_>,
    unit: &Unit,
    common_age_days: Option<f64>,
) -> Outcome {
    let trial = material.trial;
    let steps = steps(unit);
    let germinated = unit.germinated();
    let by_common_age = match common_age_days.filter(|_| unit.is_container()) {
        Some(age) => steps
            .iter()
            .filter(|step| {
                step.at.days_since(unit.begun.at) <= age + SAME_EVENING_DAYS
            })
            .map(|step| step.germinated)
            .sum(),
        None => germinated,
    };
    let lost_early = all_lost(unit)
        && common_age_days
            .is_some_and(|age| follow_up_days(unit) + SAME_EVENING_DAYS < age);
    let share = Proportion::new(by_common_age, unit.entered())
        .ok()
        .filter(|_| !lost_early);
    let curve = turnbull(&censored(unit)).ok();
    let time_to_half =
        |of| curve.as_ref().filter(|_| germinated > 0)?.time_to(0.5, of).ok();
    Outcome {
        name: unit.name.clone(),
        is_container: unit.is_container(),
        label: unit.label,
        lot: trial.lot_of(unit).cloned(),
        batch: trial.batch_of(unit).cloned(),
        levels: levels(trial, unit),
        stretches: trial.own_stretches(unit, material.until),
        begun: unit.begun.at,
        entered: unit.entered(),
        germinated,
        germinated_at_common_age: by_common_age,
        follow_up_days: follow_up_days(unit),
        removed_mould: unit.removed_mould(),
        removed_other: unit.removed_other(),
        transferred: unit.transferred(),
        left: unit.left(),
        closure: unit.closure.as_ref().map(|(_, closure)| closure.clone()),
        fraction: share.map(Proportion::fraction),
        interval: share.map(|share| {
            share.interval(IntervalMethod::Wilson, Confidence::NINETY_FIVE)
        }),
        timing: timing(unit),
        t50_entered: time_to_half(Of::Sown),
        t50_germinated: time_to_half(Of::Germinated),
        steps,
        mould: sighting(unit),
        looks: unit.looks.len(),
        lost_early,
    }
}

fn levels(trial: &Trial, unit: &Unit) -> BTreeMap<String, (String, AppliedTo)> {
    trial
        .factor_names()
        .into_iter()
        .filter_map(|factor| {
            let (level, applied) = trial.level(unit, &factor)?;
            Some((factor, (level.to_owned(), applied)))
        })
        .collect()
}

fn steps(unit: &Unit) -> Vec<Step> {
    unit.looks
        .iter()
        .map(|look| Step {
            since: look.since,
            at: look.when.at,
            germinated: look.germinated,
            total: look.total,
            straddles_a_move: unit.stays.iter().any(|stay| {
                stay.from.at > look.since
                    && stay.from.at < look.when.at
                    && stay.from.at > unit.begun.at
            }),
        })
        .collect()
}

/// One row a look with germinants; seeds taken out or moved on are known
/// not to have germinated by then, the rest not by the last look.
pub(crate) fn censored(unit: &Unit) -> Vec<Censored> {
    let days = |at: Instant| at.days_since(unit.begun.at).max(0.0);
    let mut rows = Vec::new();
    let mut push = |row: Censored| {
        if row.n > 0 {
            rows.push(row);
        }
    };
    for look in &unit.looks {
        let (left, right) = (days(look.since), days(look.when.at));
        if right > left {
            push(Censored::between(left, right, look.germinated));
        }
        push(Censored::not_by(right, look.removed_mould + look.removed_other));
    }
    for moved in &unit.taken {
        // Seen ungerminated at the last look before the transfer at latest.
        push(Censored::not_by(days(moved.when.at), moved.seeds));
    }
    push(Censored::not_by(days(unit.last_looked()), unit.left()));
    rows
}

fn timing(unit: &Unit) -> Option<Timing> {
    let looks = unit
        .looks
        .iter()
        .filter(|look| look.when.at > look.since)
        .map(|look| NewlyGerminated {
            left_days: look.since.days_since(unit.begun.at),
            right_days: look.when.at.days_since(unit.begun.at),
            n: look.germinated,
        })
        .collect();
    CountSeries::new(unit.entered(), looks).ok()?.timing()
}

/// When mould came: from looks at the seeds and from mould entries.
fn sighting(unit: &Unit) -> Option<Sighting> {
    let from_looks = unit.looks.iter().map(|look| {
        let mouldy = look.mouldy_now + look.removed_mould > 0;
        let severity = if mouldy { Severity::Some } else { Severity::None };
        (look.when.at, severity)
    });
    let from_entries =
        unit.mould.iter().map(|seen| (seen.when.at, seen.severity));
    let mut looks: Vec<(Instant, Severity)> =
        from_looks.chain(from_entries).collect();
    // Where a look and an entry share an instant, the worse one counts.
    looks.sort_by_key(|(at, severity)| (*at, std::cmp::Reverse(*severity)));
    let first =
        looks.iter().position(|(_, severity)| *severity > Severity::None)?;
    Some(Sighting {
        clean_until: looks[..first].last().map_or(unit.begun.at, |(at, _)| *at),
        seen: looks[first].0,
        worst: looks
            .iter()
            .map(|(_, severity)| *severity)
            .max()
            .unwrap_or(Severity::None),
    })
}
