//! What is still to come, while a trial runs: for every open container how
//! many of its seeds, and when, with limits.
//!
//! A forecast, not a finding: it carries on what was seen so far under the
//! conditions of the past week, and refuses where that is too little. The
//! models are in `prediction::model`.

mod model;

use std::collections::BTreeSet;

use crate::climate::integrate::Comparable;
use crate::observation::Name;
use crate::stats::frailty::{self, Factor};
use crate::stats::interval::Confidence;
use crate::stats::predictive::{CountAhead, count_ahead};
use crate::study::place::PlaceSums;
use crate::study::thermal::{Container, STATED_BASE_CELSIUS};
use crate::study::warmth::Warmths;
use crate::study::wording;
use crate::study::{Material, UnitStudy};
use crate::trial::history::AppliedTo;
use crate::units::Instant;

use model::{Model, Row};

/// Containers below which nothing is predicted.
pub const LEAST_CONTAINERS: usize = 6;
/// Germinated seeds below which a level of the grouping factor is not
/// predicted.
pub const LEAST_GERMINATED: u32 = 10;
/// How far ahead, days.
pub const AHEAD_DAYS: [u32; 3] = [7, 14, 28];
/// So much further than the oldest container of its level one may be
/// foretold: a factor on warmth or age.
pub const FURTHER: f64 = 1.5;
/// A container not looked at for so long no longer runs, days.
pub const FORGOTTEN_DAYS: f64 = 60.0;
/// Conditions ahead are those of so many last days.
pub const LIKE_THE_LAST_DAYS: f64 = 7.0;

/// What the model counts in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// Degree-hours since sowing, from the logs: hazard of germinating that
    /// follows the conditions.
    Warmth,
    /// Days since sowing, where logs are missing: split-population model.
    Days,
}

impl Clock {
    /// The word in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Warmth => "degree-hours",
            Self::Days => "days",
        }
    }
}

/// Why nothing is predicted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TooLittle {
    /// Too few containers with looks.
    #[error(
        "{n} containers were looked at; at least {LEAST_CONTAINERS} are \
         needed, because the limits come from how containers differ"
    )]
    Containers {
        /// How many.
        n: usize,
    },
    /// Too little germinated so far.
    #[error(
        "{germinated} seeds have germinated {at}; at least \
         {LEAST_GERMINATED} are needed"
    )]
    Germinated {
        /// How many.
        germinated: u32,
        /// `so far`, or `after 12 weeks`.
        at: String,
    },
    /// The hazard has not begun to level off.
    #[error(
        "germination is still speeding up, so that how far it will go \
         cannot be told yet"
    )]
    SpeedingUp,
    /// The fit did not arrive.
    #[error("no model fits what there is so far")]
    NoFit,
    /// It has not stood anywhere.
    #[error("no stay is known for it")]
    NoStay,
    /// Older or warmer than any container of its level was followed.
    #[error(
        "it is already further than the others were followed, so that \
         nothing says how it goes on"
    )]
    Beyond,
}

/// What is to come by one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepAhead {
    /// Days from the end of what is known.
    pub days: u32,
    /// That moment.
    pub by: Instant,
    /// Seeds more than at the last look.
    pub count: CountAhead,
}

/// What is to come in one container.
#[derive(Debug, Clone, PartialEq)]
pub struct Ahead {
    /// By each of [`AHEAD_DAYS`], as far as the model reaches.
    pub steps: Vec<StepAhead>,
    /// When a tenth, half and nine tenths of what the last step expects will
    /// have come.
    pub when: [Instant; 3],
}

/// One container that runs.
#[derive(Debug, Clone, PartialEq)]
pub struct ContainerAhead {
    /// The container.
    pub name: Name,
    /// Seeds left in it.
    pub left: u32,
    /// The last look at it.
    pub looked: Instant,
    /// What is to come, or why nothing is said.
    pub outcome: Result<Ahead, TooLittle>,
}

/// What is to come in a trial that runs.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// What the model counts in.
    pub clock: Clock,
    /// Containers it was fitted on.
    pub fitted: usize,
    /// The factor whose levels have curves of their own.
    pub factor: Option<String>,
    /// Every container that runs.
    pub containers: Vec<ContainerAhead>,
}

/// Why nothing is said of any container, when all have the same reason.
impl Prediction {
    /// The one reason of all, if nothing is predicted at all.
    #[must_use]
    pub fn refused(&self) -> Option<&TooLittle> {
        let mut reasons = self.containers.iter().map(|c| c.outcome.as_ref());
        let first = reasons.next()?.err()?;
        reasons.all(|other| other.err() == Some(first)).then_some(first)
    }
}

/// What is to come; none when no container runs.
pub(crate) fn predict(
    material: Material<'_>,
    sums: &PlaceSums<'_>,
    units: &[UnitStudy],
) -> Option<Prediction> {
    let all: Vec<Container<'_>> = material
        .trial
        .containers()
        .filter(|unit| unit.entered() > 0 && !unit.looks.is_empty())
        .filter_map(|unit| {
            let known = units.iter().find(|u| u.outcome.name == unit.name)?;
            Some(Container { unit, known })
        })
        .collect();
    let runs = |container: &Container<'_>| {
        let unit = container.unit;
        unit.closure.is_none()
            && unit.left() > 0
            && material.until.days_since(unit.last_looked()) <= FORGOTTEN_DAYS
    };
    if !all.iter().any(runs) {
        return None;
    }
    let factor = grouping(material, &all);
    let trial = Running {
        warmths: Warmths::of(&all, sums),
        clock: clock(&all),
        groups: groups(&all, factor.as_deref()),
        factor,
        until: material.until,
        all,
    };
    let rows = trial.rows();
    let fitted: BTreeSet<usize> = rows.iter().map(|r| r.container).collect();
    let model = trial.fit(&rows, fitted.len());
    let containers = (0..trial.all.len())
        .filter(|i| runs(&trial.all[*i]))
        .map(|i| trial.container(i, &rows, model.as_ref()))
        .collect();
    Some(Prediction {
        clock: trial.clock,
        fitted: fitted.len(),
        factor: trial.factor.clone(),
        containers,
    })
}

/// The first planned factor given to batches or lots.
fn grouping(material: Material<'_>, all: &[Container<'_>]) -> Option<String> {
    let of_batches = |factor: &&String| {
        all.iter().any(|container| {
            matches!(
                container.known.outcome.levels.get(*factor),
                Some((_, AppliedTo::Lot | AppliedTo::Batch))
            )
        })
    };
    material.trial.planned.iter().find(of_batches).cloned()
}

fn groups(all: &[Container<'_>], factor: Option<&str>) -> Vec<String> {
    let level = |container: &Container<'_>| {
        let level = factor.and_then(|f| container.known.outcome.level(f));
        level.unwrap_or_default().to_owned()
    };
    all.iter().map(level).collect()
}

/// Warmth while every container's is known well enough.
fn clock(all: &[Container<'_>]) -> Clock {
    let known = |container: &Container<'_>| {
        let dose = &container.known.doses.degree_hours[0];
        matches!(dose.comparable(), Comparable::Value(_))
    };
    if all.iter().all(known) { Clock::Warmth } else { Clock::Days }
}

struct Running<'a> {
    all: Vec<Container<'a>>,
    /// Level of the grouping factor, in the order of `all`.
    groups: Vec<String>,
    factor: Option<String>,
    warmths: Warmths<'a>,
    clock: Clock,
    until: Instant,
}

impl Running<'_> {
    /// What the clock of a container shows after so many days.
    fn at(&self, container: usize, days: f64) -> f64 {
        match self.clock {
            Clock::Days => days,
            Clock::Warmth => {
                self.warmths.above(container, STATED_BASE_CELSIUS, days)
            }
        }
    }

    fn age(&self, container: usize, at: Instant) -> f64 {
        at.days_since(self.all[container].known.outcome.begun)
    }

    /// One row for every look that found seeds at risk.
    fn rows(&self) -> Vec<Row> {
        let mut rows = Vec::new();
        for (container, own) in self.all.iter().enumerate() {
            for look in &own.unit.looks {
                let from = self.at(container, self.age(container, look.since));
                let to = self.at(container, self.age(container, look.when.at));
                let at_risk = look.left
                    + look.germinated
                    + look.removed_mould
                    + look.removed_other;
                if to > from && at_risk > 0 {
                    rows.push(Row {
                        container,
                        from,
                        to,
                        germinated: look.germinated,
                        at_risk,
                    });
                }
            }
        }
        rows
    }

    fn germinated(&self, rows: &[Row], group: &str) -> u32 {
        rows.iter()
            .filter(|row| self.groups[row.container] == group)
            .map(|row| row.germinated)
            .sum()
    }

    /// Fits the levels that have germinated enough.
    fn fit(&self, rows: &[Row], n: usize) -> Result<Fitted, TooLittle> {
        if n < LEAST_CONTAINERS {
            return Err(TooLittle::Containers { n });
        }
        let mut levels: Vec<String> = self.groups.clone();
        levels.sort();
        levels.dedup();
        levels.retain(|level| self.germinated(rows, level) >= LEAST_GERMINATED);
        if levels.is_empty() {
            let germinated = rows.iter().map(|row| row.germinated).sum();
            let at = "at any level so far".to_owned();
            return Err(TooLittle::Germinated { germinated, at });
        }
        let own: Vec<Row> = rows
            .iter()
            .filter(|row| levels.contains(&self.groups[row.container]))
            .copied()
            .collect();
        let group = |container: usize| {
            levels.iter().position(|l| *l == self.groups[container])
        };
        let model = Model::fit(self.clock, &own, levels.len(), &|container| {
            group(container).unwrap_or_default()
        })?;
        // What the model expected of each container, and what came.
        let (mut came, mut expected) =
            (vec![0.0; self.all.len()], vec![0.0; self.all.len()]);
        for row in &own {
            let group = group(row.container).unwrap_or_default();
            let hazard = model.over(group, row.from, row.to, 1).hazard;
            came[row.container] += f64::from(row.germinated);
            expected[row.container] += f64::from(row.at_risk) * hazard;
        }
        let variance = frailty::variance(&came, &expected) * model.widened;
        let factors = came
            .iter()
            .zip(&expected)
            .map(|(k, m)| frailty::factor(*k, *m, variance))
            .collect();
        Ok(Fitted { model, levels, factors })
    }

    fn container(
        &self,
        container: usize,
        rows: &[Row],
        fitted: Result<&Fitted, &TooLittle>,
    ) -> ContainerAhead {
        let unit = self.all[container].unit;
        ContainerAhead {
            name: unit.name.clone(),
            left: unit.left(),
            looked: unit.last_looked(),
            outcome: fitted
                .map_err(Clone::clone)
                .and_then(|fitted| self.ahead(container, rows, fitted)),
        }
    }

    fn ahead(
        &self,
        container: usize,
        rows: &[Row],
        fitted: &Fitted,
    ) -> Result<Ahead, TooLittle> {
        let level = &self.groups[container];
        let Some(group) = fitted.levels.iter().position(|l| l == level) else {
            let at = self.factor.as_ref().map_or_else(
                || "so far".to_owned(),
                |factor| wording::level(factor, level).phrase(),
            );
            let germinated = self.germinated(rows, level);
            return Err(TooLittle::Germinated { germinated, at });
        };
        let unit = self.all[container].unit;
        if unit.stays.is_empty() && self.clock == Clock::Warmth {
            return Err(TooLittle::NoStay);
        }
        let reached = rows
            .iter()
            .filter(|row| &self.groups[row.container] == level)
            .map(|row| row.to)
            .fold(0.0, f64::max);
        let now = self.age(container, self.until);
        let week = now.clamp(f64::MIN_POSITIVE, LIKE_THE_LAST_DAYS);
        let present = self.at(container, now);
        let a_day = (present - self.at(container, now - week)) / week;
        let looked =
            self.at(container, self.age(container, unit.last_looked()));
        let furthest = AHEAD_DAYS[AHEAD_DAYS.len() - 1];
        let mut courses = Vec::new();
        for days in 0..=furthest {
            let end = present + f64::from(days) * a_day;
            if end > FURTHER * reached {
                break;
            }
            let steps = 1 + days / 2;
            courses.push(fitted.chance(group, container, looked, end, steps));
        }
        let last = courses.len().checked_sub(1).ok_or(TooLittle::Beyond)?;
        let by = |days: u32| self.until.plus_hours(24.0 * f64::from(days));
        let step = |days: u32| {
            let (chance, error) = courses[usize::try_from(days).ok()?];
            let left = unit.left();
            let count =
                count_ahead(left, chance, error, Confidence::NINETY_FIVE);
            Some(StepAhead { days, by: by(days), count })
        };
        let steps: Vec<StepAhead> = AHEAD_DAYS
            .into_iter()
            .filter(|days| usize::try_from(*days).is_ok_and(|d| d <= last))
            .filter_map(step)
            .collect();
        let Some(end) = steps.last().map(|step| step.days) else {
            return Err(TooLittle::Beyond);
        };
        let whole = courses[usize::try_from(end).unwrap_or(last)].0;
        let when = [0.1, 0.5, 0.9].map(|share| {
            let day = (0..=end)
                .zip(&courses)
                .find(|(_, (chance, _))| *chance >= share * whole)
                .map_or(end, |(day, _)| day);
            by(day)
        });
        Ok(Ahead { steps, when })
    }
}

struct Fitted {
    model: Model,
    levels: Vec<String>,
    factors: Vec<Factor>,
}

impl Fitted {
    /// Chance of a seed left to germinate, and its standard error.
    fn chance(
        &self,
        group: usize,
        container: usize,
        from: f64,
        to: f64,
        steps: u32,
    ) -> (f64, f64) {
        if to <= from {
            return (0.0, 0.0);
        }
        let ahead = self.model.over(group, from, to, steps);
        let factor = self.factors[container];
        let hazard = factor.mean * ahead.hazard;
        let relative = (ahead.log_error.powi(2) * self.model.widened
            + factor.relative_variance)
            .sqrt();
        let left = (-hazard).exp();
        (1.0 - left, left * hazard * relative)
    }
}
