//! Germination against the warmth each container really had.
//!
//! The model is `stats::thermal_time`; here containers become its rows and
//! their places' logs its warmth. It refuses, with the reason, where the logs
//! or the places do not carry it.

mod curves;

use std::collections::BTreeSet;

use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::observation::Name;
use crate::stats::error::StatsError;
use crate::stats::interval::{Confidence, Interval};
use crate::stats::resample::{NoLimits, jackknife};
use crate::stats::thermal_time::{
    Base, FinalShare, ThermalData, ThermalParameters, ThermalQuestion,
};
use crate::study::place::PlaceSums;
use crate::study::warmth::Warmths;
use crate::study::wording::counted;
use crate::study::{Material, UnitStudy, outcome};
use crate::trial::history::AppliedTo;
use crate::trial::unit::Unit;

pub use curves::{CurvePoint, PlaceCurve};

/// The base at which warmth is counted: a convention.
pub const STATED_BASE_CELSIUS: f64 = 0.0;

/// Between these bases the places are asked for theirs, °C.
pub const BASES_TRIED: (f64, f64) = (-5.0, 10.0);

/// Limits of the base wider than this, °C, are no answer.
pub const WIDEST_BASE: f64 = 4.0;

/// Germination against warmth for all containers, and for each level of the
/// first planned factor of batches or lots.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermalStudy {
    /// All containers together. Misleads where chilling changes the warmth
    /// that seeds need; the groups do not.
    pub all: ThermalGroup,
    /// The factor of the groups.
    pub factor: Option<String>,
    /// One a level.
    pub groups: Vec<ThermalGroup>,
}

/// Containers taken together.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermalGroup {
    /// The level they share; empty for all.
    pub level: String,
    /// Those whose warmth is known well enough.
    pub containers: Vec<Name>,
    /// Those whose warmth is not.
    pub left_out: Vec<Name>,
    /// What was found, or why nothing was.
    pub outcome: Result<ThermalTime, NoThermalTime>,
    /// What was counted at each place beside the warmth by then; empty
    /// without a fit.
    pub curves: Vec<PlaceCurve>,
}

/// A fit at the stated base, and what the places say of the base.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermalTime {
    /// Final share, warmth for half of it (°C·h above the stated base) and
    /// spread (decadic logarithm).
    pub fitted: ThermalParameters,
    /// Their limits, from the containers.
    pub limits: Result<ThermalLimits, NoLimits>,
    /// Scatter between containers, 1 = that of seeds alone.
    pub dispersion: f64,
    /// What the places say of the base.
    pub base: Base,
    /// Mean temperature of the coolest and the warmest container, °C.
    pub mean_celsius: (f64, f64),
    /// Seeds.
    pub n_seeds: u32,
}

/// Limits at 95 %, jackknife over containers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalLimits {
    /// Of the final share.
    pub g_max: Interval,
    /// Of the warmth for half of it, °C·h.
    pub theta50: Interval,
    /// Of the spread.
    pub sigma: Interval,
}

/// Why there is no fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoThermalTime {
    /// No container at all.
    #[error("there is no container with seeds")]
    NoContainer,
    /// The logs do not cover enough of any container's time, or have a hole
    /// that cannot be filled.
    #[error(
        "the temperature of {} is not known well enough; at least 80 % of their time must be logged, without a hole \
         over three days and without an hour of day that is always missing",
        some_of(*left_out, *of)
    )]
    TooLittleData {
        /// Containers whose warmth is not known.
        left_out: usize,
        /// Containers.
        of: usize,
    },
    /// All known containers stood at one place.
    #[error("all containers with a known temperature stood at one place")]
    OnePlace,
    /// Nothing germinated.
    #[error("nothing germinated in these containers")]
    NothingGerminated,
    /// All germinants were found at the same look.
    #[error("all seeds that germinated were found between the same two looks")]
    OneInterval,
    /// The search did not come to an end.
    #[error("the counts do not settle the warmth that seeds need")]
    NotSettled,
}

/// `3 of 8 containers`, `all 8 containers`.
fn some_of(n: usize, of: usize) -> String {
    let all = counted(of, "container");
    if n < of || of < 2 {
        format!("{n} of {all}")
    } else {
        format!("all {all}")
    }
}

impl ThermalStudy {
    /// What must be said with it: why there is no fit, or that the base
    /// stays unknown.
    pub(crate) fn caution(&self) -> Option<String> {
        match &self.all.outcome {
            Ok(found) => found.what_would_tell_the_base(),
            Err(NoThermalTime::NoContainer) => None,
            Err(why) => {
                Some(format!("Warmth and germination were not joined: {why}."))
            }
        }
    }
}

impl ThermalTime {
    /// What would tell the base, where these places cannot.
    #[must_use]
    pub fn what_would_tell_the_base(&self) -> Option<String> {
        let Base::CannotTell { .. } = self.base else { return None };
        let (cool, warm) = self.mean_celsius;
        Some(format!(
            "These places, {cool:.1} to {warm:.1} °C on average, cannot tell \
             the base temperature. At least three places well apart (about \
             5 °C from one to the next), logged throughout, with several \
             containers at each, would."
        ))
    }
}

pub(crate) fn study(
    material: Material<'_>,
    sums: &PlaceSums<'_>,
    units: &[UnitStudy],
) -> ThermalStudy {
    let containers: Vec<Container<'_>> = material
        .trial
        .containers()
        .filter(|unit| unit.entered() > 0)
        .filter_map(|unit| {
            let known = units.iter().find(|u| u.outcome.name == unit.name)?;
            (!known.outcome.lost_early).then_some(Container { unit, known })
        })
        .collect();
    let factor = material.trial.planned.iter().find(|factor| {
        containers.iter().any(|container| {
            matches!(
                container.known.outcome.levels.get(*factor),
                Some((_, AppliedTo::Lot | AppliedTo::Batch))
            )
        })
    });
    let all = || group(String::new(), &containers, sums);
    let groups = |factor: &String| {
        let level = |container: &Container<'_>| {
            container.known.outcome.level(factor).map(str::to_owned)
        };
        let levels: BTreeSet<String> =
            containers.iter().filter_map(level).collect();
        let mut groups: Vec<ThermalGroup> = levels
            .into_par_iter()
            .map(|name| {
                let own: Vec<Container<'_>> = containers
                    .iter()
                    .filter(|c| level(c).as_ref() == Some(&name))
                    .copied()
                    .collect();
                group(name, &own, sums)
            })
            .collect();
        groups.sort_by(|a, b| in_order(&a.level, &b.level));
        groups
    };
    let groups = || factor.map_or_else(Vec::new, groups);
    let (all, groups) = rayon::join(all, groups);
    ThermalStudy { all, factor: factor.cloned(), groups }
}

/// Numbers by size, words by letter.
fn in_order(a: &str, b: &str) -> std::cmp::Ordering {
    match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(a), Ok(b)) => a.total_cmp(&b),
        _ => a.cmp(b),
    }
}

#[derive(Clone, Copy)]
pub(crate) struct Container<'a> {
    pub(crate) unit: &'a Unit,
    pub(crate) known: &'a UnitStudy,
}

fn group(
    level: String,
    containers: &[Container<'_>],
    sums: &PlaceSums<'_>,
) -> ThermalGroup {
    let (known, unknown): (Vec<Container<'_>>, Vec<Container<'_>>) =
        containers.iter().partition(|c| is_known(c));
    let names = |containers: &[Container<'_>]| {
        containers.iter().map(|c| c.unit.name.clone()).collect()
    };
    let outcome = fit(&known, unknown.len(), sums);
    let curves =
        if outcome.is_ok() { curves::of(&known, sums) } else { Vec::new() };
    ThermalGroup {
        level,
        containers: names(&known),
        left_out: names(&unknown),
        outcome,
        curves,
    }
}

/// Whether the warmth of a container may be compared.
fn is_known(container: &Container<'_>) -> bool {
    use crate::climate::integrate::Comparable;
    let dose = &container.known.doses.degree_hours[0];
    matches!(dose.comparable(), Comparable::Value(_))
}

fn fit(
    containers: &[Container<'_>],
    left_out: usize,
    sums: &PlaceSums<'_>,
) -> Result<ThermalTime, NoThermalTime> {
    if containers.is_empty() {
        let of = left_out;
        return Err(if of == 0 {
            NoThermalTime::NoContainer
        } else {
            NoThermalTime::TooLittleData { left_out, of }
        });
    }
    let places: BTreeSet<&Name> = containers
        .iter()
        .filter_map(|c| c.known.outcome.main_place())
        .collect();
    if places.len() < 2 {
        return Err(NoThermalTime::OnePlace);
    }
    let warmths = Warmths::of(containers, sums);
    let warmth = |container: usize, base: f64, days: f64| {
        warmths.above(container, base, days)
    };
    let rows: Vec<_> =
        containers.iter().map(|c| outcome::censored(c.unit)).collect();
    let data = ThermalData::new(&rows, &warmth).map_err(|error| {
        if matches!(error, StatsError::OneLevel { .. }) {
            NoThermalTime::OneInterval
        } else {
            NoThermalTime::NothingGerminated
        }
    })?;
    let question = ThermalQuestion {
        final_share: FinalShare::Estimated,
        lowest_base: BASES_TRIED.0,
        highest_base: BASES_TRIED.1,
        dispersion: 1.0,
        widest_base: WIDEST_BASE,
        confidence: Confidence::NINETY_FIVE,
    };
    let all = data.fit_at(STATED_BASE_CELSIUS, &question);
    if !all.convergence.arrived() {
        return Err(NoThermalTime::NotSettled);
    }
    let end = |i: usize, unit: &Unit| {
        let days = unit.last_looked().days_since(unit.begun.at);
        warmth(i, STATED_BASE_CELSIUS, days)
    };
    let dispersion = dispersion(containers, |i, unit| {
        all.parameters.share_after(end(i, unit))
    });
    let base = data
        .base(&ThermalQuestion { dispersion, ..question })
        .map_err(|_| NoThermalTime::NotSettled)?;
    let without = data.without_each(&all, &question);
    let means = containers
        .iter()
        .filter_map(|c| c.known.doses.temperature.covered_mean());
    let (cool, warm) = means
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), mean| {
            (low.min(mean), high.max(mean))
        });
    Ok(ThermalTime {
        limits: limits(&all.parameters, &without),
        fitted: all.parameters,
        dispersion,
        base,
        mean_celsius: (cool, warm),
        n_seeds: all.n,
    })
}

/// Scatter of the final counts about the fit, not below that of seeds.
fn dispersion(
    containers: &[Container<'_>],
    expected: impl Fn(usize, &Unit) -> f64,
) -> f64 {
    let (mut x2, mut telling) = (0.0, -3.0);
    for (i, container) in containers.iter().enumerate() {
        let p = expected(i, container.unit);
        let n = f64::from(container.unit.entered());
        let variance = n * p * (1.0 - p);
        if variance > 1e-6 {
            let k = f64::from(container.unit.germinated());
            x2 += (k - n * p).powi(2) / variance;
            telling += 1.0;
        }
    }
    if telling > 0.0 { (x2 / telling).max(1.0) } else { 1.0 }
}

/// Jackknife limits on the scales of the search, brought back.
fn limits(
    all: &ThermalParameters,
    without: &[Option<ThermalParameters>],
) -> Result<ThermalLimits, NoLimits> {
    let limits_of = |scale: &dyn Fn(&ThermalParameters) -> f64| {
        let n = without.len();
        jackknife(n, Confidence::NINETY_FIVE, |picked: &[usize]| {
            let out = (0..n).find(|i| picked.get(*i) != Some(i));
            match out {
                Some(out) if picked.len() < n => {
                    without[out].as_ref().map(scale)
                }
                _ => Some(scale(all)),
            }
            .filter(|figure| figure.is_finite())
        })
        .map(|found| found.interval)
    };
    let logit = |share: f64| (share / (1.0 - share)).ln();
    Ok(ThermalLimits {
        g_max: limits_of(&|p| logit(p.g_max))?
            .map(|logit| 1.0 / (1.0 + (-logit).exp())),
        theta50: limits_of(&|p| p.theta50.log10())?.map(|log| 10_f64.powf(log)),
        sigma: limits_of(&|p| p.sigma.ln())?.map(f64::exp),
    })
}
