//! Did a factor matter? Tested on the scatter between the units it was
//! applied to.
//!
//! Not a test on seeds, and not on containers where batches were treated:
//! chill given to batches is judged by how batches differ, a place given to
//! containers by how containers of one batch differ. Where too few units
//! remain there is no p-value, and the reason is the answer.

mod model;
mod units;

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use crate::stats::error::StatsError;
use crate::stats::interval::{Confidence, Interval};
use crate::stats::proportion::Proportion;

/// What a factor was applied to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stratum {
    /// Seeds of one origin.
    Lot,
    /// Seeds prepared together.
    Batch,
    /// Seeds in one box.
    Container,
}

/// A factor and the kind of unit that received its levels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Factor {
    /// Its name.
    pub name: String,
    /// What it was applied to.
    pub applied_to: Stratum,
}

/// One container with its ancestry, its count and its levels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ContainerOutcome {
    /// Its name, unique.
    pub container: String,
    /// Its batch, unique among all lots.
    pub batch: String,
    /// Its lot.
    pub lot: String,
    /// Germinated of sown, at the common age.
    pub outcome: Proportion,
    /// The level of each factor, in the order of the factors.
    pub levels: Vec<String>,
}

/// Why there is no p-value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WhyNoP {
    /// All units had the same level.
    OneLevel,
    /// Too few units to judge their scatter.
    TooFewUnits {
        /// Degrees of freedom left for scatter.
        left: u32,
        /// How many are needed.
        needed: u32,
        /// Units there are.
        n_units: u32,
        /// Of which kind.
        unit: Stratum,
    },
    /// It always changed together with something else.
    Inseparable,
    /// Nothing germinated in any unit, or everything in all.
    AllAlike,
}

/// One level of a factor.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Its name.
    pub name: String,
    /// Units that had it.
    pub n_units: u32,
    /// Seeds germinated of seeds sown in them, added up.
    pub pooled: Proportion,
    /// Fraction germinated, evened out over the other factors.
    pub estimate: f64,
    /// Limits from the scatter between units; none where there is no p.
    pub interval: Option<Interval>,
}

/// One level against another, as a difference of fractions.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelDifference {
    /// The level subtracted.
    pub from: String,
    /// The level it is subtracted from.
    pub to: String,
    /// `to − from`, evened out over the other factors.
    pub estimate: f64,
    /// Limits, not corrected for the number of pairs.
    pub interval: Interval,
}

/// What can be said about one factor (or two factors together).
#[derive(Debug, Clone, PartialEq)]
pub struct FactorTest {
    /// The factor, or "a × b".
    pub name: String,
    /// What it was applied to, as stated.
    pub applied_to: Stratum,
    /// The units it was tested on: further up when it never differed within
    /// the unit above.
    pub tested_on: Stratum,
    /// Units compared.
    pub n_units: u32,
    /// Scatter between them, 1 = that of seeds alone; not below 1. Within
    /// blocks a mean over blocks, each as heavy as it is in the comparison.
    pub dispersion: Option<f64>,
    /// F statistic.
    pub f: Option<f64>,
    /// Degrees of freedom: of the factor, of the scatter (no whole number
    /// where blocks differ in weight).
    pub df: (f64, f64),
    /// Probability of a larger F if the factor did nothing.
    pub p: Option<f64>,
    /// Why there is none.
    pub why_no_p: Option<WhyNoP>,
    /// A level where nothing or everything germinated: report the penalised
    /// and the exact test beside this one.
    pub separated: bool,
    /// Its levels.
    pub levels: Vec<Level>,
    /// All pairs of levels; empty where there is no p.
    pub differences: Vec<LevelDifference>,
    /// How much the effect of one hangs on the other; only for two factors
    /// of two levels together that have a p.
    pub interaction: Option<Interaction>,
}

/// What two factors of two levels each do together beyond what each does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interaction {
    /// Log odds ratio of the later level of the second factor against its
    /// earlier one, at the later level of the first less that at its earlier.
    pub log_odds: f64,
    /// Its standard error from the scatter between units.
    pub standard_error: f64,
    /// Its limits.
    pub interval: Interval,
}

/// What stands between the names of two factors, and of their levels, taken
/// together.
pub const TOGETHER: &str = " × ";

/// Degrees of freedom of scatter below which no p-value is given.
pub const LEAST_DF: u32 = 4;

/// Tests each factor on the scatter between its own units.
///
/// Counts are added up to the unit the factor was applied to. Units are
/// compared within the unit above (batches within lots, containers within
/// batches) where there is more than one in each. Quasi-binomial regression,
/// each factor against the others, F on the scatter that remains, dispersion
/// not below 1. Within blocks each block's scatter counts as much as the block
/// does in the comparison, with degrees of freedom after Welch and
/// Satterthwaite. Units where a fitted chance is 0 or 1 tell nothing of
/// scatter and are left out of it, degrees of freedom too. A finer factor spread
/// unevenly over coarser units is allowed for by its share of seeds.
///
/// # Hypotheses
/// H₀: the levels of the factor give the same chance. H₁: some differ.
///
/// # Arguments
/// - `containers`: one entry a container; any order.
/// - `factors`: names and what they were applied to.
/// - `pairs`: factors (by position) whose joint effect is asked for.
/// - `confidence`: of the limits.
///
/// # Returns
/// One result a factor, then one a pair, in the order given.
///
/// # Errors
/// [`StatsError::Empty`], [`StatsError::LengthsDiffer`] when a container has
/// not one level a factor, [`StatsError::DiffersInside`] when a factor
/// differs inside the unit it was applied to.
///
/// # When it misleads
/// A place is one spot in one run: whatever else differed there is in its
/// effect. With few units F is rough; scatter much larger at one level than
/// at another, and units of very different size, make it rougher. Where units
/// scatter hardly more than seeds, the floor of the dispersion makes the test
/// careful: 1 to 3 % false alarms in place of 5, and limits a little wide.
/// Limits of a container factor hold for these batches, not for others.
///
/// # Source
/// Split-plot analysis after Fisher; quasi-likelihood after McCullagh &
/// Nelder; degrees of freedom of a weighted mean of variances after Welch and
/// Satterthwaite (all from memory). Checked with Crowder's plates, test
/// `plates_are_the_unit_in_crowders_trial`, and by simulation, test
/// `false_alarms_stay_near_five_percent`; the long simulation is
/// `tests/simulation`.
///
/// # Example
/// ```
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::proportion::Proportion;
/// use vernalog::stats::strata::*;
/// let one = |batch: &str, chill: &str, k| ContainerOutcome {
///     container: format!("box-{batch}"), batch: batch.into(),
///     lot: "hillside".into(), outcome: Proportion::new(k, 30).unwrap(),
///     levels: vec![chill.into()],
/// };
/// let chill =
///     Factor { name: "chill".into(), applied_to: Stratum::Batch };
/// let two = [one("a", "6", 9), one("b", "12", 22)];
/// let test = &factor_tests(
///     &two, &[chill], &[], Confidence::NINETY_FIVE).unwrap()[0];
/// assert_eq!(test.p, None); // One batch a level: description only.
/// ```
pub fn factor_tests(
    containers: &[ContainerOutcome],
    factors: &[Factor],
    pairs: &[(usize, usize)],
    confidence: Confidence,
) -> Result<Vec<FactorTest>, StatsError> {
    check(containers, factors, pairs)?;
    let tiers = tiers(containers);
    let tier_of = |factor: usize| {
        let applied_to = factors[factor].applied_to;
        let own = tiers
            .iter()
            .position(|tier| *tier >= applied_to)
            .expect("the last tier is the container");
        if own > 0 && same_inside(containers, factor, tiers[own - 1]) {
            own - 1
        } else {
            own
        }
    };
    let factor_tiers: Vec<usize> = (0..factors.len()).map(tier_of).collect();
    let models: Vec<model::Tier> = (0..tiers.len())
        .map(|tier| {
            let plan = units::Plan {
                containers,
                unit: tiers[tier],
                block: tier.checked_sub(1).map(|above| tiers[above]),
                own: positions(&factor_tiers, |t| t == tier),
                finer: positions(&factor_tiers, |t| t > tier),
                pairs: pairs
                    .iter()
                    .copied()
                    .filter(|&(a, b)| {
                        factor_tiers[a].max(factor_tiers[b]) == tier
                    })
                    .collect(),
            };
            model::Tier::new(plan, confidence)
        })
        .collect();
    // Where kinds of unit are one to one, the kind treated is named.
    let label = |factor: usize| {
        let applied_to = factors[factor].applied_to;
        let unit = tiers[factor_tiers[factor]];
        model::Label {
            name: factors[factor].name.clone(),
            applied_to,
            tested_on: applied_to.min(unit),
        }
    };
    let singles = (0..factors.len()).map(|factor| {
        models[factor_tiers[factor]].factor(factor, label(factor))
    });
    let doubles = pairs.iter().map(|&(a, b)| {
        let (one, other) = (label(a), label(b));
        let finer = if factor_tiers[a] >= factor_tiers[b] { a } else { b };
        let label = model::Label {
            name: format!("{}{TOGETHER}{}", one.name, other.name),
            applied_to: one.applied_to.max(other.applied_to),
            tested_on: label(finer).tested_on,
        };
        models[factor_tiers[finer]].pair((a, b), label)
    });
    Ok(singles.chain(doubles).collect())
}

fn positions(tiers: &[usize], wanted: impl Fn(usize) -> bool) -> Vec<usize> {
    (0..tiers.len()).filter(|i| wanted(tiers[*i])).collect()
}

/// Kinds of unit from coarse to fine, without those that are one to one with
/// the next finer kind.
fn tiers(containers: &[ContainerOutcome]) -> Vec<Stratum> {
    let count = |stratum| {
        let names: BTreeSet<&str> =
            containers.iter().map(|c| c.unit(stratum)).collect();
        names.len()
    };
    let mut kept = vec![Stratum::Container];
    for stratum in [Stratum::Batch, Stratum::Lot] {
        if count(stratum) < count(kept[0]) {
            kept.insert(0, stratum);
        }
    }
    kept
}

/// Whether every unit of `stratum` has one level of `factor` throughout.
fn same_inside(
    containers: &[ContainerOutcome],
    factor: usize,
    stratum: Stratum,
) -> bool {
    differing_unit(containers, factor, stratum).is_none()
}

fn differing_unit(
    containers: &[ContainerOutcome],
    factor: usize,
    stratum: Stratum,
) -> Option<&str> {
    let mut seen = BTreeMap::new();
    containers.iter().find_map(|container| {
        let unit = container.unit(stratum);
        let level = &container.levels[factor];
        (*seen.entry(unit).or_insert(level) != level).then_some(unit)
    })
}

fn check(
    containers: &[ContainerOutcome],
    factors: &[Factor],
    pairs: &[(usize, usize)],
) -> Result<(), StatsError> {
    if containers.is_empty() {
        return Err(StatsError::Empty { what: "factor tests" });
    }
    let off_pair = pairs
        .iter()
        .flat_map(|(a, b)| [a, b])
        .find(|position| **position >= factors.len());
    let off_levels =
        containers.iter().find(|c| c.levels.len() != factors.len());
    let off = off_levels.map(|c| c.levels.len()).or(off_pair.copied());
    if let Some(right) = off {
        let (what, left) = ("factors", factors.len());
        return Err(StatsError::LengthsDiffer { what, left, right });
    }
    for (position, factor) in factors.iter().enumerate() {
        if let Some(unit) =
            differing_unit(containers, position, factor.applied_to)
        {
            return Err(StatsError::DiffersInside {
                factor: factor.name.clone(),
                unit: unit.to_owned(),
            });
        }
    }
    Ok(())
}

impl ContainerOutcome {
    fn unit(&self, stratum: Stratum) -> &str {
        match stratum {
            Stratum::Lot => &self.lot,
            Stratum::Batch => &self.batch,
            Stratum::Container => &self.container,
        }
    }
}

/// Levels that begin with numbers by number, others by name.
fn level_order(a: &str, b: &str) -> Ordering {
    let number = |text: &str| {
        let end = text
            .find(|c: char| !c.is_ascii_digit() && c != '.' && c != '-')
            .unwrap_or(text.len());
        text[..end].parse::<f64>().ok()
    };
    match (number(a), number(b)) {
        (Some(x), Some(y)) => x.total_cmp(&y).then_with(|| a.cmp(b)),
        (Some(_), None) => Ordering::Less,
        (None, Some(_)) => Ordering::Greater,
        (None, None) => a.cmp(b),
    }
}

impl fmt::Display for Stratum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Lot => "lot",
            Self::Batch => "batch",
            Self::Container => "container",
        })
    }
}

impl fmt::Display for WhyNoP {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OneLevel => f.write_str("all units had the same level"),
            Self::TooFewUnits { left, needed, n_units, unit } => {
                let all = match (n_units, unit) {
                    (1, unit) => format!("1 {unit} is"),
                    (n, Stratum::Batch) => format!("{n} batches are"),
                    (n, unit) => format!("{n} {unit}s are"),
                };
                let left = match left {
                    0 => "no degree of freedom is left".to_owned(),
                    1 => "1 degree of freedom is left".to_owned(),
                    more => format!("{more} degrees of freedom are left"),
                };
                write!(
                    f,
                    "{all} too few to judge how they differ by themselves \
                     ({left} for that, {needed} are needed)"
                )
            }
            Self::Inseparable => f.write_str(
                "it always changed together with something else and cannot \
                 be told apart from it",
            ),
            Self::AllAlike => f.write_str(
                "nothing germinated in any unit, or everything in all, so \
                 there is nothing to tell apart",
            ),
        }
    }
}

#[cfg(test)]
mod tests;
