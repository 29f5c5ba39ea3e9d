//! Tests that go through every arrangement: Fisher's, and a permutation of
//! units within blocks.
//!
//! Not a way round too few units: each result says the smallest p it could
//! have reached, and three against three cannot reach 5 %.

use std::collections::{BTreeMap, BTreeSet};

use statrs::function::factorial::ln_binomial;

use crate::stats::distribution::root_between;
use crate::stats::error::{StatsError, within};
use crate::stats::interval::{Confidence, Interval};
use crate::stats::proportion::Proportion;

/// Outcome of Fisher's test of two fractions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherTest {
    /// Sum of the chances of all tables no likelier than this one.
    pub p_two_sided: f64,
    /// Chance of as many or more in the first.
    pub p_greater: f64,
    /// Chance of as many or fewer in the first.
    pub p_less: f64,
    /// Conditional maximum likelihood odds ratio; 0 or ∞ at the ends.
    pub odds_ratio: f64,
    /// Exact limits of the odds ratio.
    pub interval: Interval,
    /// The smallest two-sided p these margins allow.
    pub smallest_p: f64,
}

/// A unit in a permutation test.
#[derive(Debug, Clone, PartialEq)]
pub struct PermutedUnit {
    /// What was measured, such as its fraction germinated.
    pub value: f64,
    /// Its level of the factor.
    pub level: String,
    /// The block within which levels were given out; one name for all if
    /// there were none.
    pub block: String,
}

/// Outcome of a permutation test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PermutationTest {
    /// For two levels: mean of the second minus mean of the first, in order
    /// of name, after taking off block means.
    pub difference: Option<f64>,
    /// Share of arrangements whose levels lie at least this far apart.
    pub p_two_sided: f64,
    /// For two levels: share whose difference is at least this large.
    pub p_greater: Option<f64>,
    /// Arrangements gone through.
    pub arrangements: f64,
    /// The smallest two-sided p this many units could have reached.
    pub smallest_p: f64,
    /// Units.
    pub n_units: u32,
}

/// Above this many arrangements the test is refused (renamings of levels that
/// have the same number of units in every block count once).
pub const MOST_ARRANGEMENTS: f64 = 2e6;

/// Fisher's exact test of two fractions.
///
/// # Hypotheses
/// H₀: both have the same chance. H₁: they differ (two-sided), or the first
/// is greater or less.
///
/// # Arguments
/// - `first`, `second`: k of n each; things that are independent, such as
///   boxes with and without mould.
/// - `confidence`: of the limits.
///
/// # When it misleads
/// With seeds as things: seeds that share a container are not independent.
/// p-values are coarse; read `smallest_p` beside them.
///
/// # Source
/// Fisher 1935: tea tasting, 17/70 by hand; tests `tea_tasting_by_hand` and
/// `convicts_match`.
///
/// # Example
/// ```
/// use vernalog::stats::exact::fisher;
/// use vernalog::stats::interval::Confidence;
/// use vernalog::stats::proportion::Proportion;
/// let (all, none) =
///     (Proportion::new(4, 4).unwrap(), Proportion::new(0, 4).unwrap());
/// let test = fisher(all, none, Confidence::NINETY_FIVE);
/// assert!((test.p_greater - 1.0 / 70.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn fisher(
    first: Proportion,
    second: Proportion,
    confidence: Confidence,
) -> FisherTest {
    let k = first.k();
    let total = k + second.k();
    let low = total.saturating_sub(second.n());
    let high = total.min(first.n());
    let weights: Vec<(u32, f64)> = (low..=high)
        .map(|x| {
            let one = ln_binomial(u64::from(first.n()), u64::from(x));
            let other =
                ln_binomial(u64::from(second.n()), u64::from(total - x));
            (x, one + other)
        })
        .collect();
    let tables = Tables { weights };
    let at = |x: u32| tables.chance(0.0, |y| y == x);
    let two_sided = |x: u32| {
        let limit = at(x) * (1.0 + 1e-7);
        tables.chance(0.0, |y| at(y) <= limit).min(1.0)
    };
    let tail = confidence.tail();
    let lower = if k == low {
        0.0
    } else {
        tables.solve(|ln| tables.chance(ln, |x| x >= k) - tail)
    };
    let upper = if k == high {
        f64::INFINITY
    } else {
        tables.solve(|ln| tables.chance(ln, |x| x <= k) - tail)
    };
    let odds_ratio = match (k == low, k == high) {
        (true, true) => f64::NAN,
        (true, false) => 0.0,
        (false, true) => f64::INFINITY,
        (false, false) => tables.solve(|ln| tables.mean(ln) - f64::from(k)),
    };
    FisherTest {
        p_two_sided: two_sided(k),
        p_greater: tables.chance(0.0, |x| x >= k),
        p_less: tables.chance(0.0, |x| x <= k),
        odds_ratio,
        interval: Interval { lower, upper, confidence },
        smallest_p: (low..=high).map(two_sided).fold(1.0, f64::min),
    }
}

/// All tables with the same margins: the count in the first row and the log
/// of its number of ways.
struct Tables {
    weights: Vec<(u32, f64)>,
}

impl Tables {
    /// Chance of the tables that `counts` picks, at a log odds ratio.
    fn chance(&self, ln_odds: f64, counts: impl Fn(u32) -> bool) -> f64 {
        self.sum(ln_odds, |x| if counts(x) { 1.0 } else { 0.0 })
    }

    fn mean(&self, ln_odds: f64) -> f64 {
        self.sum(ln_odds, f64::from)
    }

    fn sum(&self, ln_odds: f64, value: impl Fn(u32) -> f64) -> f64 {
        let ln = |&(x, weight): &(u32, f64)| weight + f64::from(x) * ln_odds;
        let top = self.weights.iter().map(ln).fold(f64::MIN, f64::max);
        let (mut all, mut part) = (0.0, 0.0);
        for entry in &self.weights {
            let chance = (ln(entry) - top).exp();
            all += chance;
            part += chance * value(entry.0);
        }
        part / all
    }

    fn solve(&self, f: impl Fn(f64) -> f64) -> f64 {
        root_between(-60.0, 60.0, f).exp()
    }
}

/// Permutation test of a factor on units, levels exchanged within blocks.
///
/// The statistic is the sum of squares between levels of the values less
/// their block means; every arrangement is gone through.
///
/// # Hypotheses
/// H₀: the values would have been the same whichever unit got which level.
/// H₁: they hang on the level.
///
/// # Arguments
/// - `units`: the units the factor was applied to, one value each.
///
/// # Errors
/// [`StatsError::Empty`], [`StatsError::OneLevel`],
/// [`StatsError::OutOfRange`] for a value that is not finite,
/// [`StatsError::TooMany`] above [`MOST_ARRANGEMENTS`].
///
/// # When it misleads
/// Only what chance gave out may be exchanged: levels must have been given to
/// units at random within blocks, or could have been.
///
/// # Example
/// ```
/// use vernalog::stats::exact::{PermutedUnit, permutation};
/// let unit = |value, level: &str| PermutedUnit {
///     value, level: level.into(), block: "all".into() };
/// let test = permutation(&[
///     unit(0.1, "dry"), unit(0.2, "dry"), unit(0.3, "dry"),
///     unit(0.7, "moist"), unit(0.8, "moist"), unit(0.9, "moist"),
/// ]).unwrap();
/// // Three against three: 2 of 20 is the best there is.
/// assert_eq!((test.p_two_sided, test.smallest_p), (0.1, 0.1));
/// ```
pub fn permutation(
    units: &[PermutedUnit],
) -> Result<PermutationTest, StatsError> {
    let what = "permutation test";
    if units.is_empty() {
        return Err(StatsError::Empty { what });
    }
    for unit in units {
        within("value", unit.value, f64::MIN, f64::MAX)?;
    }
    let levels: BTreeSet<&str> =
        units.iter().map(|u| u.level.as_str()).collect();
    let levels: Vec<&str> = levels.into_iter().collect();
    if levels.len() < 2 {
        return Err(StatsError::OneLevel { what });
    }
    let mut blocks: BTreeMap<&str, Block> = BTreeMap::new();
    for unit in units {
        let block = blocks.entry(&unit.block).or_default();
        let level = levels.iter().position(|l| *l == unit.level);
        block.values.push(unit.value);
        block.levels.push(level.expect("every level was gathered above"));
    }
    let blocks: Vec<Block> =
        blocks.into_values().map(|b| b.centred(levels.len())).collect();
    let arrangements: f64 = blocks.iter().map(Block::arrangements).product();
    // Where all levels may trade names, one arrangement stands for all its
    // renamings, which lie as far apart.
    let mirrors = mirrors(&blocks, levels.len());
    let n_levels = u32::try_from(levels.len()).expect("few levels");
    let renamings = if n_levels > 2 && mirrors >= factorial(n_levels) {
        mirrors
    } else {
        1.0
    };
    if arrangements / renamings > MOST_ARRANGEMENTS {
        let limit = MOST_ARRANGEMENTS;
        return Err(StatsError::TooMany { what, arrangements, limit });
    }
    let sizes: Vec<f64> = (0..levels.len())
        .map(|level| blocks.iter().map(|b| b.left[level]).sum::<u32>())
        .map(f64::from)
        .collect();
    let mut search = Search {
        blocks: &blocks,
        sizes: &sizes,
        observed: vec![0.0; levels.len()],
        renamings,
        tolerance: 0.0,
        found: 0.0,
        at_least: 0.0,
        greater: 0.0,
    };
    search.observe();
    let mut left: Vec<Vec<u32>> =
        blocks.iter().map(|b| b.left.clone()).collect();
    search.walk((0, 0, 0), &mut left, &mut vec![0.0; levels.len()]);
    let two = levels.len() == 2;
    let means = |level: usize| search.observed[level] / sizes[level];
    Ok(PermutationTest {
        difference: two.then(|| means(1) - means(0)),
        p_two_sided: search.at_least / search.found,
        p_greater: two.then(|| search.greater / search.found),
        arrangements: search.found,
        smallest_p: mirrors / search.found,
        n_units: u32::try_from(units.len()).expect("few units"),
    })
}

/// The smallest two-sided p of two groups of these sizes without blocks.
///
/// # Errors
/// [`StatsError::OneLevel`] when a group is empty.
pub fn smallest_p_of_two(a: u32, b: u32) -> Result<f64, StatsError> {
    if a == 0 || b == 0 {
        return Err(StatsError::OneLevel { what: "two groups" });
    }
    let ways = ln_binomial(u64::from(a) + u64::from(b), u64::from(a)).exp();
    Ok(if a == b { 2.0 } else { 1.0 } / ways.round())
}

#[derive(Default)]
struct Block {
    values: Vec<f64>,
    levels: Vec<usize>,
    /// How many units of each level there are to give out.
    left: Vec<u32>,
}

impl Block {
    fn centred(mut self, n_levels: usize) -> Self {
        let n = f64::from(u32::try_from(self.values.len()).expect("few"));
        let mean = self.values.iter().sum::<f64>() / n;
        self.values.iter_mut().for_each(|value| *value -= mean);
        self.left = vec![0; n_levels];
        for level in &self.levels {
            self.left[*level] += 1;
        }
        self
    }

    fn arrangements(&self) -> f64 {
        let mut so_far = 0_u32;
        let mut ways = 0.0;
        for n in &self.left {
            so_far += n;
            ways += ln_binomial(u64::from(so_far), u64::from(*n));
        }
        ways.exp().round()
    }
}

struct Search<'a> {
    blocks: &'a [Block],
    sizes: &'a [f64],
    /// Sums of the levels as they were.
    observed: Vec<f64>,
    /// Arrangements for which each one gone through stands.
    renamings: f64,
    tolerance: f64,
    found: f64,
    at_least: f64,
    greater: f64,
}

impl Search<'_> {
    fn observe(&mut self) {
        let mut size = 0.0;
        for block in self.blocks {
            for (value, level) in block.values.iter().zip(&block.levels) {
                self.observed[*level] += value;
                size += value.abs();
            }
        }
        // Sums of the same values in another order may differ by rounding.
        self.tolerance = 1e-11 * size;
    }

    fn apart(&self, sums: &[f64]) -> f64 {
        sums.iter().zip(self.sizes).map(|(s, n)| s * s / n).sum()
    }

    /// Gives out the levels from a unit of a block on; of levels that may
    /// trade names only the next new one is opened.
    fn walk(
        &mut self,
        (block, unit, opened): (usize, usize, usize),
        left: &mut [Vec<u32>],
        sums: &mut Vec<f64>,
    ) {
        let Some(here) = self.blocks.get(block) else {
            let far = self.apart(&self.observed).sqrt() - self.tolerance;
            self.found += self.renamings;
            if self.apart(sums).sqrt() >= far {
                self.at_least += self.renamings;
            }
            if sums[1] >= self.observed[1] - self.tolerance {
                self.greater += 1.0;
            }
            return;
        };
        let Some(value) = here.values.get(unit).copied() else {
            self.walk((block + 1, 0, self.sizes.len()), left, sums);
            return;
        };
        for level in 0..self.sizes.len() {
            let too_new = self.renamings > 1.0 && level > opened;
            if left[block][level] == 0 || too_new {
                continue;
            }
            let before = sums[level];
            left[block][level] -= 1;
            sums[level] += value;
            let opened = opened.max(level + 1);
            self.walk((block, unit + 1, opened), left, sums);
            sums[level] = before;
            left[block][level] += 1;
        }
    }
}

/// How many ways to rename the levels leave every block's numbers as they
/// are: that many arrangements share any statistic.
fn mirrors(blocks: &[Block], n_levels: usize) -> f64 {
    // Levels with the same number in every block can trade names.
    let mut alike: BTreeMap<Vec<u32>, u32> = BTreeMap::new();
    for level in 0..n_levels {
        let numbers = blocks.iter().map(|b| b.left[level]).collect();
        *alike.entry(numbers).or_default() += 1;
    }
    alike.values().map(|n| factorial(*n)).product()
}

fn factorial(n: u32) -> f64 {
    (1..=n).map(f64::from).product()
}

#[cfg(test)]
mod tests;
