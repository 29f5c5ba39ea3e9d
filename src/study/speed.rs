//! Fraction and speed apart: of the seeds that come up at each level, how
//! soon half of them have, and whether a longer treatment brought more up or
//! only brought the surge forward.
//!
//! A description beside the planned comparisons, never a test of its own:
//! nothing here has a p-value, and limits of the time come from containers.

use std::collections::BTreeSet;

use crate::stats::censored::Censored;
use crate::stats::interval::{Confidence, Interval};
use crate::stats::resample::{
    LEAST_CONTAINERS, Resampled, difference, jackknife,
};
use crate::stats::split_population::{TimeShape, fit_split, fit_split_near};
use crate::stats::strata::Stratum;
use crate::study::factors::{FactorStudy, PLACE, level};
use crate::study::wording::{LevelWords, between, signed};
use crate::study::{Material, Study, UnitStudy, outcome};

/// Speed at the levels of one factor.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedStudy {
    /// The factor.
    pub factor: String,
    /// What was left out in turn for the limits.
    pub limits_from: Stratum,
    /// Its levels: numbers by size, words by letter.
    pub levels: Vec<SpeedLevel>,
    /// From each level to the next, where levels are lengths of time.
    pub steps: Vec<SpeedStep>,
}

/// How soon the seeds of one level come up.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedLevel {
    /// The level.
    pub level: String,
    /// Containers.
    pub n_containers: usize,
    /// Seeds that germinated in them.
    pub germinated: u32,
    /// The time, or why there is none.
    pub outcome: Result<Speed, NoSpeed>,
}

/// Of the seeds that come up: the time by which half have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speed {
    /// Share that comes up in the end, by the model.
    pub final_share: f64,
    /// Days since sowing by which half of those have.
    pub half_days: f64,
    /// The same with its error and 95 % limits; none under six units.
    pub resampled: Option<Resampled>,
    /// Whether seeds were watched long enough to tell share from speed.
    pub settled: bool,
}

/// Why there is no time for a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoSpeed {
    /// Nothing germinated.
    #[error("nothing germinated")]
    NothingGerminated,
    /// All germinants were found at one look.
    #[error("all that germinated were found between the same two looks")]
    OneInterval,
    /// Too few or too scattered germinants.
    #[error("too few germinated to tell")]
    NotSettled,
}

/// From one length of treatment to the next longer one.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedStep {
    /// The shorter.
    pub from: String,
    /// The longer.
    pub to: String,
    /// What it did to the share, by the planned comparison.
    pub share: Change,
    /// Days by which half of those that come up came sooner; negative for
    /// later. With 95 % limits.
    pub sooner: Option<(f64, Interval)>,
}

/// A difference that can be told, or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Told apart, upward.
    More,
    /// Told apart, downward.
    Less,
    /// Not told apart.
    CannotTell,
}

impl SpeedStep {
    /// What the longer treatment did to the time, by its limits.
    #[must_use]
    pub fn time(&self) -> Change {
        match self.sooner {
            Some((days, limits)) if !limits.holds(0.0) => {
                if days > 0.0 {
                    Change::More
                } else {
                    Change::Less
                }
            }
            _ => Change::CannotTell,
        }
    }
}

/// With fewer batches a level, containers of one batch would pass for the
/// level.
const LEAST_OWN_UNITS: u32 = 3;

/// Fewer germinants at a level say nothing of their time.
const LEAST_GERMINATED: u32 = 5;

pub(crate) fn studies(
    material: Material<'_>,
    units: &[UnitStudy],
    factors: &[FactorStudy],
) -> Vec<SpeedStudy> {
    factors
        .iter()
        .filter(|factor| factor.planned || factor.name() == PLACE)
        .map(|factor| of_factor(material, units, factor))
        .filter(|speed| !speed.levels.is_empty())
        .collect()
}

fn of_factor(
    material: Material<'_>,
    units: &[UnitStudy],
    factor: &FactorStudy,
) -> SpeedStudy {
    let containers: Vec<&UnitStudy> = units
        .iter()
        .filter(|unit| unit.outcome.is_container && unit.outcome.entered > 0)
        .collect();
    let mut names: Vec<String> = containers
        .iter()
        .filter_map(|unit| level(unit, factor.name()))
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    names.sort_by(|a, b| {
        let number = |name: &str| name.parse::<f64>().unwrap_or(f64::INFINITY);
        number(a).total_cmp(&number(b)).then_with(|| a.cmp(b))
    });
    let own = |name: &String| -> Vec<&UnitStudy> {
        containers
            .iter()
            .filter(|unit| level(unit, factor.name()).as_ref() == Some(name))
            .copied()
            .collect()
    };
    let by_unit = factor.test.tested_on == Stratum::Batch
        && names
            .iter()
            .all(|name| batches(&own(name)).len() >= LEAST_CONTAINERS);
    let limits_from = if by_unit { Stratum::Batch } else { Stratum::Container };
    let levels: Vec<SpeedLevel> = names
        .iter()
        .map(|name| of_level(material, name, &own(name), limits_from))
        .collect();
    let in_time = names.len() > 1
        && names.iter().all(|name| {
            crate::study::wording::level(factor.name(), name).is_duration()
        });
    let steps = if in_time {
        levels.windows(2).map(|pair| step(factor, pair)).collect()
    } else {
        Vec::new()
    };
    SpeedStudy { factor: factor.name().to_owned(), limits_from, levels, steps }
}

fn batches<'a>(units: &[&'a UnitStudy]) -> BTreeSet<&'a str> {
    units
        .iter()
        .map(|unit| {
            let batch = unit.outcome.batch.as_ref();
            batch.unwrap_or(&unit.outcome.name).as_str()
        })
        .collect()
}

fn of_level(
    material: Material<'_>,
    name: &str,
    own: &[&UnitStudy],
    limits_from: Stratum,
) -> SpeedLevel {
    let rows: Vec<(&str, Vec<Censored>)> = own
        .iter()
        .filter_map(|unit| {
            let known = material.trial.units.get(&unit.outcome.name)?;
            let outcome = &unit.outcome;
            let of = match limits_from {
                Stratum::Batch => outcome.batch.as_ref(),
                _ => None,
            };
            let of = of.unwrap_or(&outcome.name).as_str();
            Some((of, outcome::censored(known)))
        })
        .collect();
    let germinated = own.iter().map(|unit| unit.outcome.germinated).sum();
    let outcome = if germinated == 0 {
        Err(NoSpeed::NothingGerminated)
    } else if germinated < LEAST_GERMINATED {
        Err(NoSpeed::NotSettled)
    } else {
        speed(&rows)
    };
    SpeedLevel {
        level: name.to_owned(),
        n_containers: own.len(),
        germinated,
        outcome,
    }
}

fn speed(rows: &[(&str, Vec<Censored>)]) -> Result<Speed, NoSpeed> {
    let shape = TimeShape::LogNormal;
    let kept = |keep: &dyn Fn(&str) -> bool| {
        let kept = rows.iter().filter(|(of, _)| keep(of));
        added_up(kept.flat_map(|(_, rows)| rows))
    };
    let all =
        fit_split(&kept(&|_| true), shape).map_err(|_| NoSpeed::OneInterval)?;
    if !all.convergence.arrived() {
        return Err(NoSpeed::NotSettled);
    }
    let units: Vec<&str> = rows
        .iter()
        .map(|(of, _)| *of)
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let limits = jackknife(
        units.len(),
        Confidence::NINETY_FIVE,
        |picked: &[usize]| {
            if picked.len() == units.len() {
                return Some(all.parameters.median);
            }
            let own: BTreeSet<&str> =
                picked.iter().map(|i| units[*i]).collect();
            let rows = kept(&|of| own.contains(of));
            let fit = fit_split_near(&rows, shape, all.parameters).ok()?;
            fit.convergence.arrived().then_some(fit.parameters.median)
        },
    );
    Ok(Speed {
        final_share: all.parameters.fraction,
        half_days: all.parameters.median,
        resampled: limits.ok(),
        settled: all.settled(),
    })
}

/// Looks of one evening are one row: the fit is made many times over.
fn added_up<'a>(rows: impl Iterator<Item = &'a Censored>) -> Vec<Censored> {
    let evening = |days: f64| (days / SAME_EVENING_DAYS).round();
    let same = |a: f64, b: f64| evening(a).total_cmp(&evening(b)).is_eq();
    let mut sums: Vec<Censored> = Vec::new();
    for row in rows {
        let known = sums
            .iter_mut()
            .find(|sum| same(sum.left, row.left) && same(sum.right, row.right));
        match known {
            Some(sum) => sum.n += row.n,
            None => sums.push(*row),
        }
    }
    sums
}

/// Containers are looked at one after the other, days.
const SAME_EVENING_DAYS: f64 = 0.05;

impl Speed {
    /// 95 % limits of the time, days.
    #[must_use]
    pub fn limits(&self) -> Option<Interval> {
        let interval = self.resampled?.interval;
        Some(Interval { lower: interval.lower.max(0.0), ..interval })
    }
}

fn step(factor: &FactorStudy, pair: &[SpeedLevel]) -> SpeedStep {
    let (from, to) = (&pair[0], &pair[1]);
    let share =
        match factor.difference(&from.level, &to.level) {
            Some(d) if factor.tells_apart(&from.level, &to.level) => {
                if d.0 > 0.0 { Change::More } else { Change::Less }
            }
            _ => Change::CannotTell,
        };
    SpeedStep {
        from: from.level.clone(),
        to: to.level.clone(),
        share,
        sooner: if few_units(factor) { None } else { sooner(from, to) },
    }
}

/// Whether some level rests on so few of its own units that containers
/// cannot speak for them.
fn few_units(factor: &FactorStudy) -> bool {
    factor.test.levels.iter().any(|level| level.n_units < LEAST_OWN_UNITS)
}

/// Difference of two times with limits, both levels by their own containers.
fn sooner(from: &SpeedLevel, to: &SpeedLevel) -> Option<(f64, Interval)> {
    let (from, to) = (from.outcome.as_ref().ok()?, to.outcome.as_ref().ok()?);
    if !(from.settled && to.settled) {
        return None;
    }
    let (from, to) = (from.resampled?, to.resampled?);
    let sooner = difference(&from, &to, Confidence::NINETY_FIVE);
    Some((sooner.estimate, sooner.interval))
}

impl SpeedStudy {
    /// Step by step, whether a longer treatment brought more up, sooner, or
    /// neither; none where levels are not lengths of time.
    #[must_use]
    pub fn sentence(&self, study: &Study) -> Option<String> {
        let tells = |step: &&SpeedStep| {
            step.share != Change::CannotTell
                || step.time() != Change::CannotTell
        };
        if !self.steps.iter().any(|step| tells(&step)) {
            return None;
        }
        let said: Vec<String> = self
            .steps
            .iter()
            .filter_map(|step| self.step_words(study, step))
            .collect();
        if said.is_empty() {
            return None;
        }
        let vouch = if self.limits_from == Stratum::Container {
            " Limits of times are from containers; batches are too few to \
             vouch for them."
        } else {
            ""
        };
        Some(format!(
            "More, or only sooner? {} The surge: half of those that came \
             up.{vouch}",
            said.join(" ")
        ))
    }

    fn step_words(&self, study: &Study, step: &SpeedStep) -> Option<String> {
        let say = |name: &str| study.level_words(&self.factor, name);
        let (from, to) = (say(&step.from), say(&step.to));
        let begin = format!("{} instead of {}", to.short(), bare(&from, &to));
        let (days, limits) = step.sooner?;
        let (low, high) = if days < 0.0 {
            (-limits.upper, -limits.lower)
        } else {
            (limits.lower, limits.upper)
        };
        let by = format!(
            "{} days (limits {})",
            signed(days.abs(), 1),
            between(low, high, 1)
        );
        Some(match (step.share, step.time()) {
            (Change::More, Change::More) => format!(
                "{begin}: more came up, and the surge came sooner by {by}."
            ),
            (Change::More, Change::Less) => {
                format!("{begin}: more came up, the surge later by {by}.")
            }
            (Change::More, Change::CannotTell) => format!(
                "{begin}: more came up; whether sooner, this trial cannot \
                 tell."
            ),
            (Change::Less, Change::More) => {
                format!("{begin}: fewer came up, the surge sooner by {by}.")
            }
            (Change::Less, _) => format!("{begin}: fewer came up."),
            (Change::CannotTell, Change::More) => format!(
                "{begin} brought the surge forward by {by}; that it brought \
                 more up, this trial cannot tell."
            ),
            (Change::CannotTell, Change::Less) => format!(
                "{begin} held the surge back by {by}; whether as many came \
                 up, this trial cannot tell."
            ),
            (Change::CannotTell, Change::CannotTell) => format!(
                "{begin}: neither more nor sooner that this trial could tell."
            ),
        })
    }
}

/// `6` where the other level has the same unit, else `6 weeks`.
fn bare(words: &LevelWords, other: &LevelWords) -> String {
    if words.unit == other.unit { words.level.clone() } else { words.short() }
}
