//! How many containers (or batches) it takes to see a difference.
//!
//! Not after the trial: what was found is said by its interval.

use rand::SeedableRng;
use rand::distr::Distribution;
use rand::distr::weighted::WeightedIndex;
use rand_chacha::ChaCha8Rng;
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::stats::distribution::{
    f_reach, f_upper, ln_beta_binomial_probability, ln_binomial_probability,
    noncentral_f_upper, times_ln,
};
use crate::stats::error::{StatsError, within};
use crate::stats::exact::{PermutedUnit, permutation};
use crate::stats::strata::LEAST_DF;

/// A comparison of levels that is being planned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// Chance thought true at the first level.
    pub first: f64,
    /// Chance thought true at the second.
    pub second: f64,
    /// Levels compared, two at least; those beyond two lie in the middle of
    /// the first and the second.
    pub levels: u32,
    /// How much alike seeds of one unit are: correlation, 0 for independent
    /// seeds, 0.02 to 0.1 is usual between containers.
    pub likeness: f64,
    /// Seeds in each unit.
    pub seeds: u32,
    /// Units at each level.
    pub units: u32,
}

/// How good a planned comparison is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Power {
    /// Chance of a p-value below the level; 0 where no p would be given.
    pub power: f64,
    /// Standard error of that chance, because it comes from invented trials.
    pub error: f64,
    /// Degrees of freedom the scatter would have.
    pub df: u32,
    /// Scatter between units to expect, 1 = that of seeds alone.
    pub dispersion: f64,
}

/// Power of a comparison by invented trials: how often the difference of the
/// first and the second level would be stated.
///
/// Units scatter as a beta-binomial; each trial is judged as a report judges
/// it: F over all levels on the scatter between units, dispersion not below
/// 1, and the interval of the pair, widened for the number of pairs
/// (Bonferroni), which must not hold 0.
///
/// # Hypotheses
/// Of the planned test: H₀ all levels have one chance; H₁ they differ.
///
/// # Arguments
/// - `comparison`: chances, likeness, seeds and units.
/// - `alpha`: level of the test, such as 0.05.
/// - `trials`: how many are invented, such as 2,000.
/// - `seed`: the same seed gives the same answer.
///
/// # Errors
/// [`StatsError::OutOfRange`] for a chance or likeness outside 0 to 1, or no
/// seeds, units or trials.
///
/// # When it misleads
/// The likeness is a guess before the first trial; try several.
///
/// # Example
/// ```
/// use vernalog::stats::power::{Comparison, power};
/// let two_against_two = Comparison {
///     first: 0.2, second: 0.8, levels: 2, likeness: 0.0, seeds: 50,
///     units: 2 };
/// // Two degrees of freedom: no p is given whatever comes out.
/// assert_eq!(power(two_against_two, 0.05, 100, 1).unwrap().power, 0.0);
/// ```
pub fn power(
    comparison: Comparison,
    alpha: f64,
    trials: u32,
    seed: u64,
) -> Result<Power, StatsError> {
    let (df, dispersion) = comparison.checked(alpha, trials)?;
    if df < LEAST_DF {
        return Ok(Power { power: 0.0, error: 0.0, df, dispersion });
    }
    let seeds = f64::from(comparison.seeds);
    let (power, error) = invented(comparison, trials, seed, |groups| {
        is_stated(groups, seeds, alpha)
    })?;
    Ok(Power { power, error, df, dispersion })
}

/// Power of the exact permutation of two levels' units, by invented trials.
///
/// # Returns
/// `None` for more than two levels or more than `MOST_PERMUTED` units each:
/// there a report has no exact test, or one that F decides in any case.
///
/// # Hypotheses
/// H₀ levels were given out without effect; H₁ they differ.
///
/// # Errors
/// As [`power`].
///
/// # When it misleads
/// Blocks within which levels were given out are not known before a trial:
/// all units are taken as one block.
pub fn exact_power(
    comparison: Comparison,
    alpha: f64,
    trials: u32,
    seed: u64,
) -> Result<Option<Power>, StatsError> {
    let (df, dispersion) = comparison.checked(alpha, trials)?;
    if comparison.levels != 2 || comparison.units > MOST_PERMUTED {
        return Ok(None);
    }
    let seeds = f64::from(comparison.seeds);
    let (power, error) = invented(comparison, trials, seed, |groups| {
        let units = groups.iter().enumerate().flat_map(|(level, group)| {
            group.iter().map(move |k| PermutedUnit {
                value: k / seeds,
                level: level.to_string(),
                block: String::new(),
            })
        });
        permutation(&units.collect::<Vec<_>>())
            .is_ok_and(|test| test.p_two_sided < alpha)
    })?;
    Ok(Some(Power { power, error, df, dispersion }))
}

/// With so many units a level, or fewer, an exact test is within reach.
pub const MOST_PERMUTED: u32 = 4;

/// Share of invented trials that pass, and its standard error.
fn invented(
    comparison: Comparison,
    trials: u32,
    seed: u64,
    passes: impl Fn(&[Vec<f64>]) -> bool + Sync,
) -> Result<(f64, f64), StatsError> {
    let dice = comparison
        .chances()
        .into_iter()
        .map(|chance| dice(chance, comparison))
        .collect::<Result<Vec<_>, _>>()?;
    // Each trial has a hand of its own, so that any may throw first.
    let hit = |trial: u32| {
        let mut hand = ChaCha8Rng::seed_from_u64(seed);
        hand.set_stream(trial.into());
        let mut unit = |dice: &WeightedIndex<f64>| {
            let k = u32::try_from(dice.sample(&mut hand));
            f64::from(k.expect("no more than the seeds"))
        };
        let groups: Vec<Vec<f64>> = dice
            .iter()
            .map(|dice| (0..comparison.units).map(|_| unit(dice)).collect())
            .collect();
        u32::from(passes(&groups))
    };
    let hits: u32 = (0..trials).into_par_iter().map(hit).sum();
    let power = f64::from(hits) / f64::from(trials);
    Ok((power, (power * (1.0 - power) / f64::from(trials)).sqrt()))
}

impl Comparison {
    /// Chances of all levels, the first and the second before the others.
    fn chances(self) -> Vec<f64> {
        let middle = f64::midpoint(self.first, self.second);
        let others = self.levels.saturating_sub(2);
        [self.first, self.second]
            .into_iter()
            .chain((0..others).map(|_| middle))
            .collect()
    }

    /// Degrees of freedom of the scatter and what it is expected to be.
    fn checked(
        self,
        alpha: f64,
        trials: u32,
    ) -> Result<(u32, f64), StatsError> {
        within("chance", self.first, 0.0, 1.0)?;
        within("chance", self.second, 0.0, 1.0)?;
        within("likeness", self.likeness, 0.0, 0.999)?;
        within("alpha", alpha, f64::MIN_POSITIVE, 0.5)?;
        within("levels", f64::from(self.levels), 2.0, 1e3)?;
        for (what, n) in
            [("seeds", self.seeds), ("units", self.units), ("trials", trials)]
        {
            within(what, f64::from(n), 1.0, 1e6)?;
        }
        let dispersion = 1.0 + (f64::from(self.seeds) - 1.0) * self.likeness;
        Ok((self.levels * (self.units - 1), dispersion))
    }
}

/// Invented trials a number of units is judged by.
pub const TRIALS: u32 = 1000;

/// Fewest units a level that reach a wanted power by [`power`], up to `most`.
///
/// The search begins where the noncentral F, which promises a little too
/// much, would end; what that does not reach is not tried.
///
/// # Returns
/// The comparison with that many units and its power; `None` when even
/// `most` units do not reach it.
///
/// # Errors
/// As [`power`].
pub fn units_needed(
    comparison: Comparison,
    wanted: f64,
    most: u32,
    alpha: f64,
    seed: u64,
) -> Result<Option<(Comparison, Power)>, StatsError> {
    let least = least_units(comparison);
    let by_f = units_by_f(comparison, wanted, most, alpha)?;
    let Some((near, _)) = by_f else { return Ok(None) };
    for units in least.max(near.units)..=most {
        let tried = Comparison { units, ..comparison };
        let reached = power(tried, alpha, TRIALS, seed)?;
        if reached.power >= wanted {
            return Ok(Some((tried, reached)));
        }
    }
    Ok(None)
}

/// Units a level that leave scatter enough for a p.
fn least_units(comparison: Comparison) -> u32 {
    LEAST_DF.div_ceil(comparison.levels.max(2)) + 1
}

/// Power of the F test by the noncentral F: quick, and near enough to begin
/// a search with.
///
/// # Hypotheses
/// As [`power`].
///
/// # Errors
/// As [`power`].
///
/// # When it misleads
/// Counts are taken as normal; with few seeds a unit, or chances near 0 or 1,
/// [`power`] is the better answer. Where units scatter no more than seeds it
/// promises a little too much: 81 % where 2,000 invented trials give 75.
///
/// # Source
/// Noncentrality units · seeds · Σ(p − mean)² / (mean p(1 − p) ·
/// dispersion) over the levels; scipy 1.17.1 `ncf` (computed), and Cohen 1988,
/// Statistical Power Analysis, table 2.4.1 (from memory): test
/// `the_noncentral_f_matches_tables`.
///
/// # Example
/// ```
/// use vernalog::stats::power::{Comparison, power_by_f};
/// let plan = Comparison {
///     first: 0.4, second: 0.6, levels: 2, likeness: 0.05, seeds: 25,
///     units: 10 };
/// let got = power_by_f(plan, 0.05).unwrap();
/// assert!((got.power - 0.829).abs() < 0.001);
/// ```
pub fn power_by_f(
    comparison: Comparison,
    alpha: f64,
) -> Result<Power, StatsError> {
    let (df, dispersion) = comparison.checked(alpha, TRIALS)?;
    let chances = comparison.chances();
    let levels = f64::from(comparison.levels);
    let spread = chances.iter().map(|p| p * (1.0 - p)).sum::<f64>() / levels;
    if df < LEAST_DF || spread <= 0.0 {
        return Ok(Power { power: 0.0, error: 0.0, df, dispersion });
    }
    let mean = chances.iter().sum::<f64>() / levels;
    let apart: f64 = chances.iter().map(|p| (p - mean).powi(2)).sum();
    let in_level = f64::from(comparison.units) * f64::from(comparison.seeds);
    let centre = in_level * apart / (spread * dispersion);
    let (df1, df2) = (levels - 1.0, f64::from(df));
    let reach = f_reach(alpha, df1, df2);
    let power = noncentral_f_upper(reach, df1, df2, centre);
    Ok(Power { power, error: 0.0, df, dispersion })
}

/// Fewest units a level that reach a wanted power by [`power_by_f`].
///
/// # Returns
/// As [`units_needed`].
///
/// # Errors
/// As [`power_by_f`].
pub fn units_by_f(
    comparison: Comparison,
    wanted: f64,
    most: u32,
    alpha: f64,
) -> Result<Option<(Comparison, Power)>, StatsError> {
    for units in least_units(comparison)..=most {
        let tried = Comparison { units, ..comparison };
        let reached = power_by_f(tried, alpha)?;
        if reached.power >= wanted {
            return Ok(Some((tried, reached)));
        }
    }
    Ok(None)
}

/// How alike seeds of one unit are, from the scatter between units.
///
/// # Arguments
/// - `dispersion`: scatter between units, 1 = that of seeds alone.
/// - `seeds`: in each of them.
#[must_use]
pub fn likeness(dispersion: f64, seeds: f64) -> f64 {
    if seeds <= 1.0 {
        return 0.0;
    }
    ((dispersion - 1.0) / (seeds - 1.0)).clamp(0.0, 0.99)
}

/// Chance that `k` of `n` seeds of one unit germinate.
///
/// # Errors
/// [`StatsError::OutOfRange`] for a chance or likeness outside 0 to 1,
/// [`StatsError::PartAboveWhole`].
pub fn beta_binomial_chance(
    k: u32,
    n: u32,
    chance: f64,
    likeness: f64,
) -> Result<f64, StatsError> {
    within("chance", chance, 0.0, 1.0)?;
    within("likeness", likeness, 0.0, 0.999)?;
    if k > n {
        return Err(StatsError::PartAboveWhole { k, n });
    }
    let ln = if likeness < 1e-9 || chance <= 0.0 || chance >= 1.0 {
        ln_binomial_probability(k, n, chance)
    } else {
        let (a, b) = shapes(chance, likeness);
        ln_beta_binomial_probability(k, n, a, b)
    };
    Ok(ln.exp())
}

/// Shapes of the beta whose mean and correlation are wanted.
fn shapes(chance: f64, likeness: f64) -> (f64, f64) {
    let sum = (1.0 - likeness) / likeness;
    (chance * sum, (1.0 - chance) * sum)
}

/// How likely each count is in a unit: what invented trials throw.
fn dice(
    chance: f64,
    comparison: Comparison,
) -> Result<WeightedIndex<f64>, StatsError> {
    let Comparison { likeness, seeds, .. } = comparison;
    let chances: Vec<f64> = (0..=seeds)
        .map(|k| beta_binomial_chance(k, seeds, chance, likeness))
        .collect::<Result<_, _>>()?;
    Ok(WeightedIndex::new(chances).expect("the chances add up to 1"))
}

/// What `strata.rs` finds for levels with equal seeds a unit.
struct Tested {
    p: f64,
    /// Scatter between units, not below 1.
    dispersion: f64,
    /// Degrees of freedom it rests on.
    df: f64,
}

/// Whether a report would state that the first two levels differ.
fn is_stated(groups: &[Vec<f64>], seeds: f64, alpha: f64) -> bool {
    let Some(tested) = tested(groups, seeds) else { return false };
    let [one, other, ..] = groups else { return false };
    if tested.p >= alpha {
        return false;
    }
    let levels = f64::from(u32::try_from(groups.len()).unwrap_or(u32::MAX));
    let n_pairs = levels * (levels - 1.0) / 2.0;
    let (p, q) = (mean(one, seeds), mean(other, seeds));
    let variance = |p: f64, group: &[f64]| {
        p * (1.0 - p) / (size(group) * seeds) * tested.dispersion
    };
    if [p, q].iter().any(|p| *p <= 0.0 || *p >= 1.0) {
        // None or all at a level: no slope for this interval; F decides.
        return true;
    }
    let squared = (p - q).powi(2) / (variance(p, one) + variance(q, other));
    f_upper(squared, 1.0, tested.df) < alpha / n_pairs
}

fn size(group: &[f64]) -> f64 {
    group.iter().fold(0.0, |n, _| n + 1.0)
}

fn mean(group: &[f64], seeds: f64) -> f64 {
    group.iter().sum::<f64>() / size(group) / seeds
}

/// F over all levels; none where no p would be given.
fn tested(groups: &[Vec<f64>], seeds: f64) -> Option<Tested> {
    let means: Vec<f64> = groups.iter().map(|g| mean(g, seeds)).collect();
    let levels = size(&means);
    let all = means.iter().sum::<f64>() / levels;
    let units = size(groups.first()?);
    let gain = |p: f64| {
        let k = p * seeds * units;
        let left = seeds * units - k;
        times_ln(k, p) - times_ln(k, all) + times_ln(left, 1.0 - p)
            - times_ln(left, 1.0 - all)
    };
    let deviance = 2.0 * means.iter().map(|p| gain(*p)).sum::<f64>();
    // A level with none or all says nothing about scatter.
    let telling = || {
        let pairs = groups.iter().zip(&means);
        pairs.filter(|(_, p)| **p > 0.0 && **p < 1.0)
    };
    let scatter: f64 = telling()
        .map(|(group, p)| {
            let variance = seeds * p * (1.0 - p);
            let off = group.iter().map(|k| (k - seeds * p).powi(2));
            off.sum::<f64>() / variance
        })
        .sum();
    let df = telling().fold(0.0, |df, _| df + units - 1.0);
    if df < f64::from(LEAST_DF) {
        return None;
    }
    let dispersion = (scatter / df).max(1.0);
    let between = levels - 1.0;
    let p = f_upper(deviance / between / dispersion, between, df);
    Some(Tested { p, dispersion, df })
}

#[cfg(test)]
mod tests;
