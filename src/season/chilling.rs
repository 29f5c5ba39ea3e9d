//! Batches in the fridge: mould, germination in the cold, and the looks at
//! which a grower would have seen it.
//!
//! Counts only; how they are written down is `diary`'s.

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use crate::observation::Name;
use crate::season::chance::{bell, binomial, dice_for};
use crate::season::growth::{Seen, no_closure};
use crate::season::plan::{SeasonPlan, after, evening, local};
use crate::season::truth::{BatchTruth, Truth};
use crate::season::weather::Weather;
use crate::trial::entry::{Closure, Severity};
use crate::units::Instant;

/// A batch from soak to sowing.
pub(crate) struct GrownBatch {
    pub(crate) truth: BatchTruth,
    pub(crate) chill: usize,
    pub(crate) lot: usize,
    pub(crate) looks: Vec<Seen>,
    pub(crate) closure: Closure,
}

/// Very damp hours of the fridge while one chill length is in it.
pub(crate) struct DampHours {
    from: Instant,
    damp: Vec<bool>,
}

impl DampHours {
    pub(crate) fn take(
        plan: &SeasonPlan,
        weather: &Weather,
        chill: usize,
    ) -> Self {
        let from = evening(plan.chilling_date_of(chill));
        let hours = plan.sowing_of(chill).hours_since(from);
        let limit = plan.truth.mould.damp_percent;
        let mut damp = Vec::new();
        let mut hour = 0.0;
        while hour < hours {
            let here = weather.climate_at(
                plan.fridge.name.as_str(),
                &plan.fridge.spot,
                from.plus_hours(hour),
            );
            damp.push(here.humidity.percent() >= limit);
            hour += 1.0;
        }
        Self { from, damp }
    }

    fn share(&self) -> f64 {
        let n = self.damp.iter().filter(|d| **d).count();
        n as f64 / self.damp.len().max(1) as f64
    }

    /// When mould begins, if it does, for a chance that grows hour by hour.
    fn mould_begins(
        &self,
        truth: &Truth,
        since: Instant,
        dice: &mut ChaCha8Rng,
    ) -> Option<Instant> {
        let mut to_come = -(1.0 - dice.random::<f64>()).ln();
        for (hour, damp) in (0..).zip(&self.damp) {
            let at = self.from.plus_hours(f64::from(hour));
            if at < since {
                continue;
            }
            let extra = if *damp { truth.mould.per_damp_week } else { 0.0 };
            to_come -= (truth.mould.per_week + extra) / 168.0;
            if to_come <= 0.0 {
                return Some(at);
            }
        }
        None
    }
}

/// Looks at a bag: fortnightly for six weeks, then weekly, and on the day of
/// sowing.
fn bag_looks(plan: &SeasonPlan, chill: usize) -> Vec<Instant> {
    let weeks = plan.truth.chills[chill].weeks;
    let begun = plan.chilling_date_of(chill);
    (1..weeks)
        .filter(|week| *week > 6 || week % 2 == 0)
        .map(|week| local(after(begun, 7 * week), 19, 10))
        .chain((weeks > 0).then(|| local(plan.sowing_date_of(chill), 18, 30)))
        .collect()
}

/// A batch until it is sown, and the seeds left then. Its closure is still
/// to be filled in.
pub(crate) fn grow_batch(
    plan: &SeasonPlan,
    damp: &DampHours,
    chill: usize,
    lot: usize,
    number: u32,
) -> (GrownBatch, u32) {
    let truth = &plan.truth;
    let weeks = truth.chills[chill].weeks;
    let planned = &plan.lots[lot];
    let name = Name::new(format!("{}{weeks:02}-{number}", planned.short))
        .expect("short names make a name");
    let mut dice = dice_for(plan, "batch", &name);
    let scatter = truth.batch_scatter * bell(&mut dice);
    let mut mould = damp.mould_begins(truth, damp.from, &mut dice);
    let mould_began = mould;
    let living = 1.0 - truth.empty_share - truth.dead_share;
    let mut left = plan.seeds_in_batch;
    let mut since = damp.from;
    let mut sightings = 0;
    let mut looks = Vec::new();
    for at in bag_looks(plan, chill) {
        let cold_from = damp.from.plus_hours(168.0 * truth.cold.after_weeks);
        let cold_weeks = at.hours_since(since.max(cold_from)).max(0.0) / 168.0;
        let share = 1.0 - (-truth.cold.per_week * cold_weeks).exp();
        let germinated = binomial(&mut dice, left, share * living);
        left -= germinated;
        let mut seen = Seen {
            at,
            germinated,
            mouldy_now: 0,
            removed_mould: 0,
            severity: (sightings > 0).then_some(Severity::None),
            rinsed: false,
        };
        if mould.is_some_and(|began| began <= at) {
            sightings += 1;
            let mouldy = (1 + binomial(&mut dice, left, 0.015)).min(left);
            left -= mouldy;
            seen.removed_mould = mouldy;
            seen.severity = Some(match mouldy {
                1 => Severity::Trace,
                2 | 3 => Severity::Some,
                _ => Severity::Heavy,
            });
            seen.rinsed = dice.random::<f64>() < 0.8;
            if seen.rinsed {
                mould = damp.mould_begins(truth, at, &mut dice);
            }
        }
        looks.push(seen);
        since = at;
    }
    let batch = GrownBatch {
        truth: BatchTruth {
            batch: name.clone(),
            lot: planned.lot.lot.clone(),
            chill_weeks: weeks,
            scatter,
            mould_began,
            damp_share: damp.share(),
        },
        chill,
        lot,
        looks,
        closure: no_closure(name),
    };
    (batch, left)
}

/// The seeds of a batch that were not sown, cut open.
pub(crate) fn cut_left_over(
    plan: &SeasonPlan,
    batch: &GrownBatch,
    left: u32,
) -> Closure {
    let mut dice = dice_for(plan, "left over", &batch.truth.batch);
    let truth = &plan.truth;
    let empty = binomial(&mut dice, left, truth.empty_share);
    let of_rest = truth.dead_share / (1.0 - truth.empty_share);
    let dead = binomial(&mut dice, left - empty, of_rest);
    Closure {
        viable: left - empty - dead,
        empty,
        dead,
        ..no_closure(batch.truth.batch.clone())
    }
}
