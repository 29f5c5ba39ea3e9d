//! Each factor by the thing it was applied to, tested on the scatter between
//! those things.
//!
//! The mathematics is `stats::strata`; here containers become its rows, and
//! the place becomes a factor of the container.

use crate::observation::Name;
use crate::stats::error::StatsError;
use crate::stats::exact::PermutationTest;
use crate::stats::firth::PenalisedTest;
use crate::stats::holm::holm;
use crate::stats::interval::{Confidence, Interval};
use crate::stats::proportion::Proportion;
use crate::stats::strata::{
    ContainerOutcome, Factor, FactorTest, LevelDifference, Stratum, TOGETHER,
    WhyNoP, factor_tests,
};
use crate::study::UnitStudy;
use crate::study::few_units;
use crate::study::findings::SIGNIFICANCE;
use crate::study::wording::p_value;
use crate::trial::book::Trial;
use crate::trial::history::AppliedTo;

/// The name under which the place of germination is a factor.
pub const PLACE: &str = "place";
/// The name under which the lot itself is a factor.
pub const LOT: &str = "lot";

/// One factor and what can be said about it.
#[derive(Debug, Clone)]
pub struct FactorStudy {
    /// Whether its comparison was planned beforehand.
    pub planned: bool,
    /// Levels, units, scatter and test.
    pub test: FactorTest,
    /// The p-value corrected over the planned comparisons (Holm); only for
    /// planned ones that have a p.
    pub corrected_p: Option<f64>,
    /// Every pair of levels with limits that hold for all pairs together
    /// (Bonferroni); empty where there is no p.
    pub joint_differences: Vec<LevelDifference>,
    /// Exact permutation of its units, where some level has few; only for
    /// planned ones. Stands beside the F test, is not corrected.
    pub exact: Option<PermutationTest>,
    /// Penalised likelihood ratio where a level has none or all; likewise.
    pub penalised: Option<PenalisedTest>,
    /// Containers that had no level of it or could not be counted.
    pub left_out: Vec<Name>,
}

impl FactorStudy {
    /// The factor's name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.test.name
    }

    /// Difference of two levels, the second minus the first, with limits
    /// that hold for all pairs together.
    #[must_use]
    pub fn difference(&self, from: &str, to: &str) -> Option<(f64, Interval)> {
        self.joint_differences.iter().find_map(|pair| {
            if pair.from == from && pair.to == to {
                return Some((pair.estimate, pair.interval));
            }
            let turned = pair.from == to && pair.to == from;
            turned.then(|| {
                let Interval { lower, upper, confidence } = pair.interval;
                let (lower, upper) = (-upper, -lower);
                (-pair.estimate, Interval { lower, upper, confidence })
            })
        })
    }

    /// Whether two levels can be told apart: the factor was planned, its
    /// corrected p is small, and the interval of their difference, which
    /// holds for all pairs together, does not reach 0.
    #[must_use]
    pub fn tells_apart(&self, a: &str, b: &str) -> bool {
        self.planned
            && self.corrected_p.is_some_and(|p| p < SIGNIFICANCE)
            && self.difference(a, b).is_some_and(|(_, i)| !i.holds(0.0))
    }

    /// What was run beside the F test, in words.
    pub(crate) fn beside(&self) -> Vec<String> {
        let unit = self.test.tested_on;
        if self.test.why_no_p == Some(WhyNoP::AllAlike) {
            return Vec::new();
        }
        // Arrangements so few that none of them says anything.
        let exact = self.exact.filter(|exact| exact.smallest_p < 0.5);
        let exact = exact.map(|exact| {
            if exact.smallest_p >= SIGNIFICANCE {
                let least = p_value(exact.smallest_p);
                let here = p_value(exact.p_two_sided);
                let here = if here == least {
                    "which it gives here".to_owned()
                } else {
                    format!("here {here}")
                };
                return format!(
                    "exact permutation by {unit} (n = {}) cannot get below \
                     {least}, {here}",
                    exact.n_units
                );
            }
            format!(
                "exact permutation by {unit} (n = {}): {} (the smallest it \
                 could reach is {})",
                exact.n_units,
                p_value(exact.p_two_sided),
                small_p(exact.smallest_p)
            )
        });
        let penalised = self.penalised.map(|penalised| {
            format!(
                "a level with none or all germinated: penalised likelihood \
                 (Firth) {}",
                p_value(penalised.p_value)
            )
        });
        exact.into_iter().chain(penalised).collect()
    }
}

/// A smallest p with the digits it needs.
fn small_p(p: f64) -> String {
    if p < 0.001 { "under 0.001".to_owned() } else { format!("{p:.3}") }
}

/// All factors that have at least two levels.
pub(crate) fn studies(trial: &Trial, units: &[UnitStudy]) -> Vec<FactorStudy> {
    let containers: Vec<&UnitStudy> =
        units.iter().filter(|unit| unit.outcome.is_container).collect();
    let mut names = trial.factor_names();
    for own in [PLACE, LOT] {
        if !names.iter().any(|name| name == own) {
            names.push(own.to_owned());
        }
    }
    let factors: Vec<(Factor, bool)> = names
        .into_iter()
        .filter_map(|name| {
            let applied_to = applied_to(&containers, &name)?;
            let planned = trial.planned.contains(&name);
            Some((Factor { name, applied_to }, planned))
        })
        .filter(|(factor, planned)| {
            *planned || n_levels(&containers, &factor.name) > 1
        })
        .collect();
    let (rows, left_out) = rows(&containers, &factors);
    let plain: Vec<Factor> =
        factors.iter().map(|(factor, _)| factor.clone()).collect();
    let pairs = planned_pairs(trial, &plain);
    let tests = tests(&rows, &plain, &pairs, Confidence::NINETY_FIVE);
    let mut studies: Vec<FactorStudy> = tests
        .into_iter()
        .map(|test| {
            let planned = is_pair(&test.name)
                || factors.iter().any(|(factor, planned)| {
                    *planned && factor.name == test.name
                });
            FactorStudy {
                planned,
                joint_differences: joint(&rows, &plain, &pairs, &test),
                exact: planned
                    .then(|| few_units::exact(&rows, &plain, &test))
                    .flatten(),
                penalised: planned
                    .then(|| few_units::penalised(&rows, &plain, &test))
                    .flatten(),
                test,
                corrected_p: None,
                left_out: left_out.clone(),
            }
        })
        .collect();
    correct(&mut studies);
    studies.sort_by_key(|study| !study.planned);
    studies
}

/// What stands between two factors whose joint effect is planned:
/// `chill_weeks:place`, as in model formulas.
const JOINT: char = ':';

/// Whether a name is that of two factors together.
#[must_use]
pub fn is_pair(name: &str) -> bool {
    name.contains(TOGETHER)
}

/// Planned pairs, by position of their factors.
fn planned_pairs(trial: &Trial, factors: &[Factor]) -> Vec<(usize, usize)> {
    let position = |name: &str| factors.iter().position(|f| f.name == name);
    let mut pairs = Vec::new();
    for planned in &trial.planned {
        let pair = planned
            .split_once(JOINT)
            .and_then(|(a, b)| position(a).zip(position(b)))
            .filter(|(a, b)| a != b);
        if let Some((a, b)) = pair
            && !pairs.contains(&(a, b))
            && !pairs.contains(&(b, a))
        {
            pairs.push((a, b));
        }
    }
    pairs
}

/// The name under which a planned comparison is studied.
#[must_use]
pub fn studied_name(planned: &str) -> String {
    planned.replace(JOINT, TOGETHER)
}

/// The share by which all pairs of a factor may miss together.
const JOINT_MISS: f64 = 0.05;

/// All pairs of one factor with limits widened for their number.
fn joint(
    rows: &[ContainerOutcome],
    factors: &[Factor],
    pairs: &[(usize, usize)],
    test: &FactorTest,
) -> Vec<LevelDifference> {
    let Ok(n_pairs) = u32::try_from(test.differences.len()) else {
        return Vec::new();
    };
    let level = 1.0 - JOINT_MISS / f64::from(n_pairs.max(1));
    let Ok(confidence) = Confidence::new(level) else {
        return Vec::new();
    };
    tests(rows, factors, pairs, confidence)
        .into_iter()
        .find(|wider| wider.name == test.name)
        .map_or_else(Vec::new, |wider| wider.differences)
}

/// All factors together. A factor that differs inside its own unit (seeds
/// of two batches in one box, say) spoils only itself: then each is tested
/// alone and that one is left out.
fn tests(
    rows: &[ContainerOutcome],
    factors: &[Factor],
    pairs: &[(usize, usize)],
    confidence: Confidence,
) -> Vec<FactorTest> {
    match factor_tests(rows, factors, pairs, confidence) {
        Ok(tests) => tests,
        Err(StatsError::DiffersInside { .. }) => {
            one_by_one(rows, factors, confidence)
        }
        Err(_) => Vec::new(),
    }
}

fn one_by_one(
    rows: &[ContainerOutcome],
    factors: &[Factor],
    confidence: Confidence,
) -> Vec<FactorTest> {
    let mut tests = Vec::new();
    for (position, factor) in factors.iter().enumerate() {
        let alone: Vec<ContainerOutcome> = rows
            .iter()
            .map(|row| ContainerOutcome {
                levels: vec![row.levels[position].clone()],
                ..row.clone()
            })
            .collect();
        let own = std::slice::from_ref(factor);
        if let Ok(mut test) = factor_tests(&alone, own, &[], confidence) {
            tests.append(&mut test);
        }
    }
    tests
}

/// Holm over the planned comparisons.
fn correct(studies: &mut [FactorStudy]) {
    let planned: Vec<usize> = (0..studies.len())
        .filter(|i| studies[*i].planned && studies[*i].test.p.is_some())
        .collect();
    let p: Vec<f64> =
        planned.iter().filter_map(|i| studies[*i].test.p).collect();
    if let Ok(corrected) = holm(&p) {
        for (i, p) in planned.into_iter().zip(corrected) {
            studies[i].corrected_p = Some(p);
        }
    }
}

/// Rows for the containers that have every level and seeds to count.
fn rows(
    containers: &[&UnitStudy],
    factors: &[(Factor, bool)],
) -> (Vec<ContainerOutcome>, Vec<Name>) {
    let (mut rows, mut left_out) = (Vec::new(), Vec::new());
    for unit in containers {
        let outcome = &unit.outcome;
        let levels: Option<Vec<String>> = factors
            .iter()
            .map(|(factor, _)| level(unit, &factor.name))
            .collect();
        let counted =
            Proportion::new(outcome.germinated_at_common_age, outcome.entered);
        let lost = outcome.lost_early;
        match (levels, counted) {
            (Some(levels), Ok(counted)) if !lost => {
                rows.push(ContainerOutcome {
                    container: outcome.name.to_string(),
                    batch: outcome.batch.as_ref().map_or_else(
                        || format!("{} alone", outcome.name),
                        ToString::to_string,
                    ),
                    lot: outcome
                        .lot
                        .as_ref()
                        .map_or_else(String::new, ToString::to_string),
                    outcome: counted,
                    levels,
                });
            }
            _ => left_out.push(outcome.name.clone()),
        }
    }
    (rows, left_out)
}

/// The level of a factor, the place and the lot included; of two factors
/// together both levels.
#[must_use]
pub fn level(unit: &UnitStudy, factor: &str) -> Option<String> {
    if let Some((one, other)) = factor.split_once(TOGETHER) {
        let (one, other) = (level(unit, one)?, level(unit, other)?);
        return Some(format!("{one}{TOGETHER}{other}"));
    }
    let outcome = &unit.outcome;
    match outcome.level(factor) {
        Some(level) => Some(level.to_owned()),
        None if factor == PLACE => {
            outcome.main_place().map(ToString::to_string)
        }
        None if factor == LOT => outcome.lot.as_ref().map(ToString::to_string),
        None => None,
    }
}

fn n_levels(containers: &[&UnitStudy], factor: &str) -> usize {
    let levels: std::collections::BTreeSet<_> =
        containers.iter().filter_map(|unit| level(unit, factor)).collect();
    levels.len()
}

/// The finest kind of unit a factor was stated for; none when no container
/// has a level of it.
fn applied_to(containers: &[&UnitStudy], factor: &str) -> Option<Stratum> {
    containers
        .iter()
        .filter(|unit| level(unit, factor).is_some())
        .map(|unit| match unit.outcome.levels.get(factor) {
            Some((_, AppliedTo::Lot)) => Stratum::Lot,
            Some((_, AppliedTo::Batch)) => Stratum::Batch,
            Some((_, AppliedTo::Container)) => Stratum::Container,
            None if factor == LOT => Stratum::Lot,
            None => Stratum::Container,
        })
        .max()
}
