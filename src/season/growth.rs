//! Lets a plan happen: batches are chilled, sown into containers and
//! followed to the end.
//!
//! Who goes where and how many seeds it gets; what then happens is in
//! `chilling` and `germination`.

use crate::observation::Name;
use crate::season::chance::binomial;
use crate::season::chilling::{self, DampHours, GrownBatch};
use crate::season::germination::{self, GrownContainer, PlaceLog, Spell};
use crate::season::noise::Noise;
use crate::season::plan::{Crossing, SeasonPlan};
use crate::season::truth::ContainerTruth;
use crate::trial::entry::{Closure, Severity};
use crate::units::Instant;

/// What came of all units.
pub(crate) struct Grown {
    pub(crate) batches: Vec<GrownBatch>,
    pub(crate) containers: Vec<GrownContainer>,
}

/// What was to be seen at a look.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    pub(crate) at: Instant,
    pub(crate) germinated: u32,
    pub(crate) mouldy_now: u32,
    pub(crate) removed_mould: u32,
    /// Only where mould is in a bag or was at the look before.
    pub(crate) severity: Option<Severity>,
    pub(crate) rinsed: bool,
}

/// Final counts drawn anew.
pub(crate) fn redraw(truths: &[ContainerTruth], seed: u64) -> Vec<u32> {
    let mut dice = Noise::new(seed).of("redraw").dice();
    truths
        .iter()
        .map(|t| binomial(&mut dice, t.seeds, t.fraction.value()))
        .collect()
}

/// Lets every batch and container happen.
pub(crate) fn grow(plan: &SeasonPlan) -> Grown {
    let weather = plan.weather();
    let chills = 0..plan.truth.chills.len();
    let first_sowing =
        chills.clone().map(|c| plan.sowing_of(c)).min().unwrap_or_default();
    let logs: Vec<PlaceLog> = plan
        .places
        .iter()
        .map(|place| PlaceLog::take(&weather, place, first_sowing, plan.ends()))
        .collect();
    let mut grown = Grown { batches: Vec::new(), containers: Vec::new() };
    for chill in chills {
        let damp = DampHours::take(plan, &weather, chill);
        let sown = plan.sowing_of(chill);
        let spells: Vec<Spell<'_>> = logs
            .iter()
            .enumerate()
            .map(|(place, log)| Spell {
                place,
                log,
                warmth: log.warmth(plan.truth.base_of(chill), sown),
            })
            .collect();
        for lot in 0..plan.lots.len() {
            for number in 1..=plan.batches_each {
                let (mut batch, mut left) =
                    chilling::grow_batch(plan, &damp, chill, lot, number);
                let containers = sow(plan, &batch, left, number, &spells);
                left -= containers.iter().map(|c| c.truth.seeds).sum::<u32>();
                batch.closure = chilling::cut_left_over(plan, &batch, left);
                grown.batches.push(batch);
                grown.containers.extend(containers);
            }
        }
    }
    grown
}

/// Sows a batch into its containers, as many seeds into each.
fn sow(
    plan: &SeasonPlan,
    batch: &GrownBatch,
    left: u32,
    number: u32,
    spells: &[Spell<'_>],
) -> Vec<GrownContainer> {
    let spots: Vec<(usize, u32)> = places_of(plan, batch, number)
        .into_iter()
        .flat_map(|place| (1..=plan.containers_each).map(move |k| (place, k)))
        .collect();
    let n = u32::try_from(spots.len()).expect("few containers");
    let seeds = plan.seeds_in_container.min(left / n.max(1));
    spots
        .into_iter()
        .map(|(place, copy)| {
            let name = container_name(plan, batch, place, copy);
            germination::grow_container(
                plan,
                batch,
                name,
                seeds,
                &spells[place],
            )
        })
        .collect()
}

/// The places at which a batch is sown.
fn places_of(plan: &SeasonPlan, batch: &GrownBatch, number: u32) -> Vec<usize> {
    let n = plan.places.len();
    let turn = usize::try_from(number).expect("few batches") - 1;
    match plan.crossing {
        Crossing::Crossed => (0..n).collect(),
        Crossing::BatchesInTurn => vec![(batch.chill + batch.lot + turn) % n],
        Crossing::ChillWithPlace => vec![batch.chill % n],
    }
}

fn container_name(
    plan: &SeasonPlan,
    batch: &GrownBatch,
    place: usize,
    copy: u32,
) -> Name {
    let start = format!("{}-{}", batch.truth.batch, plan.places[place].short);
    let name = if plan.containers_each == 1 {
        start
    } else {
        format!("{start}-{copy}")
    };
    Name::new(name).expect("short names make a name")
}

/// To be filled in.
pub(crate) fn no_closure(unit: Name) -> Closure {
    Closure { unit, viable: 0, empty: 0, dead: 0, mouldy: 0, lost: 0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::plan::SeasonPlan;
    use crate::season::rowan::rowan_plan;

    fn seen(looks: &[Seen]) -> u32 {
        looks.iter().map(|s| s.germinated + s.removed_mould).sum()
    }

    #[test]
    fn every_seed_is_accounted_for() {
        let plan = rowan_plan(8);
        let grown = grow(&plan);
        for container in &grown.containers {
            let found = seen(&container.looks) + container.closure.total();
            assert_eq!(found, container.truth.seeds);
        }
        for batch in &grown.batches {
            let sown: u32 = grown
                .containers
                .iter()
                .filter(|c| c.truth.batch == batch.truth.batch)
                .map(|c| c.truth.seeds)
                .sum();
            let found = seen(&batch.looks) + sown + batch.closure.total();
            assert_eq!(found, plan.seeds_in_batch);
        }
    }

    /// Counts come from single seeds and their warmth, the truth from the
    /// formula: over 1,440 containers they agree within four standard errors,
    /// for slow and fast places alike, and scatter about it as the binomial
    /// distribution does (dispersion 1, its standard error near 0.04).
    #[test]
    fn germination_agrees_with_the_true_fractions() {
        let (mut squares, mut n_containers) = (0.0, 0.0);
        for place in ["south-sill", "stair-landing", "airing-shelf"] {
            let (mut counted, mut expected, mut variance) = (0.0, 0.0, 0.0);
            for seed in 0..30 {
                let grown = grow(&rowan_plan(seed));
                let here = grown
                    .containers
                    .iter()
                    .map(|c| &c.truth)
                    .filter(|t| t.place.as_str() == place);
                for truth in here {
                    let (n, p) =
                        (f64::from(truth.seeds), truth.fraction.value());
                    counted += f64::from(truth.germinated);
                    expected += n * p;
                    variance += n * p * (1.0 - p);
                    let off = f64::from(truth.germinated) - n * p;
                    squares += off.powi(2) / (n * p * (1.0 - p));
                    n_containers += 1.0;
                }
            }
            let off: f64 = (counted - expected) / variance.sqrt();
            assert!(off.abs() < 4.0, "{place}: {off} standard errors");
        }
        let dispersion: f64 = squares / n_containers;
        assert!((dispersion - 1.0).abs() < 0.16, "{dispersion}");
    }

    /// Source: mean and variance of the binomial distribution.
    #[test]
    fn redrawn_counts_have_the_true_fractions_as_mean() {
        let season = rowan_plan(8).grow();
        let truths = season.container_truths();
        let mut sums = vec![0_u32; truths.len()];
        for seed in 0..500 {
            for (sum, count) in sums.iter_mut().zip(season.redraw_counts(seed))
            {
                *sum += count;
            }
        }
        for (sum, truth) in sums.iter().zip(truths) {
            let n = 500.0 * f64::from(truth.seeds);
            let p = truth.fraction.value();
            let off = (f64::from(*sum) - n * p) / (n * p * (1.0 - p)).sqrt();
            assert!(off.abs() < 4.5, "{}: {off}", truth.container);
        }
        assert_ne!(season.redraw_counts(0), season.redraw_counts(1));
    }

    fn many_batches(seed: u64) -> Grown {
        grow(&SeasonPlan { batches_each: 60, ..rowan_plan(seed) })
    }

    #[test]
    fn mould_is_likelier_in_bags_that_stay_longer_and_damper() {
        let mouldy = |grown: &Grown, weeks: u32| {
            let here: Vec<_> = grown
                .batches
                .iter()
                .filter(|b| b.truth.chill_weeks == weeks)
                .collect();
            let n = here.iter().filter(|b| b.truth.mould_began.is_some());
            n.count() as f64 / here.len() as f64
        };
        let grown = many_batches(8);
        let [m6, m12, m18] = [6, 12, 18].map(|weeks| mouldy(&grown, weeks));
        assert!(mouldy(&grown, 0) < 1e-12);
        assert!(m6 < m12 && m12 < m18, "{m6} {m12} {m18}");
        assert!((0.02..0.35).contains(&m6) && m18 < 0.75, "{m6} {m18}");

        let mut drier = SeasonPlan { batches_each: 60, ..rowan_plan(8) };
        drier.truth.mould.damp_percent = 99.9;
        let dry = grow(&drier);
        assert!(mouldy(&dry, 18) < m18 - 0.1);
    }

    #[test]
    fn seeds_germinate_in_the_cold_only_after_long_chilling() {
        let grown = many_batches(9);
        let in_the_cold = |weeks: u32| -> u32 {
            let batches =
                grown.batches.iter().filter(|b| b.truth.chill_weeks == weeks);
            batches.flat_map(|b| &b.looks).map(|s| s.germinated).sum()
        };
        assert_eq!((in_the_cold(6), in_the_cold(12)), (0, 0));
        // 5 weeks at 1.2 % of the living 85 %: 5 of every 100 seeds, over
        // 120 batches of 100.
        let share = f64::from(in_the_cold(18)) / 12_000.0;
        assert!((share - 0.05).abs() < 0.01, "{share}");
    }

    #[test]
    fn warmth_brings_the_same_seeds_up_sooner() {
        let plan = rowan_plan(8);
        let grown = grow(&plan);
        let mean_days = |place: &str| {
            let (mut days, mut n) = (0.0, 0.0);
            let here = grown
                .containers
                .iter()
                .filter(|c| c.truth.place.as_str() == place);
            for container in here.filter(|c| c.truth.chill_weeks == 12) {
                for look in &container.looks {
                    let new = f64::from(look.germinated);
                    days += new * look.at.days_since(plan.sowing_of(2));
                    n += new;
                }
            }
            days / n
        };
        let [warm, sill, cool] =
            ["airing-shelf", "south-sill", "stair-landing"].map(mean_days);
        assert!(warm < sill && sill < cool, "{warm} {sill} {cool}");
        // 125 °C·d at 9 to 10 °C above the base of the landing.
        assert!((10.0..20.0).contains(&cool), "{cool}");
    }
}
