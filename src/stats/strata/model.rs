//! One tier of units: its regressions and its tests.
//!
//! Not public: `strata.rs` decides which factor belongs to which tier.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::units::{
    Column, Owner, Plan, Unit, added_up, columns_of, level_name, level_names,
    number, units_of,
};
use super::{
    ContainerOutcome, FactorTest, Interaction, LEAST_DF, Level,
    LevelDifference, Stratum, WhyNoP,
};
use crate::stats::binomial::{BinomialFit, fit};
use crate::stats::design::{Design, independent, rank};
use crate::stats::distribution::{f_upper, t_upper};
use crate::stats::interval::{Confidence, Interval};
use crate::stats::link::Link;
use crate::stats::proportion::Proportion;

/// Scatter between units and what it rests on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scatter {
    pub(super) dispersion: f64,
    /// Degrees of freedom it has as a reference.
    pub(super) df: f64,
    /// Units less effects: what a p-value is given or refused by.
    left: u32,
}

/// What one block says of scatter, and how much it says of the comparison.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct BlockScatter {
    /// Units that tell.
    pub(super) n_units: f64,
    /// Sum of n p (1 − p).
    pub(super) information: f64,
    /// Sum of squared distances, in units of seeds' own variance.
    pub(super) x2: f64,
    /// Units less their leverage.
    pub(super) df: f64,
}

impl Scatter {
    /// Scatter of the blocks, each as heavy as its units are in the
    /// comparison.
    ///
    /// Batches that nearly all germinated scatter little and say little;
    /// where they counted like the others, the scatter of those that decide
    /// came out too small. Degrees of freedom after Welch and Satterthwaite;
    /// fewer than one are taken as one.
    pub(super) fn of(blocks: &[BlockScatter], left: u32) -> Self {
        if left == 0 {
            return Self { dispersion: 1.0, df: 0.0, left };
        }
        let (mut x2, mut all, mut squares) = (0.0, 0.0, 0.0);
        for block in blocks {
            let weight = block.information / block.n_units;
            x2 += weight * block.x2;
            all += weight * block.df;
            squares += weight * weight * block.df;
        }
        if blocks.len() < 2 || all <= 0.0 {
            let x2: f64 = blocks.iter().map(|block| block.x2).sum();
            let df = f64::from(left);
            return Self { dispersion: x2 / df, df, left };
        }
        let df = (all * all / squares).clamp(1.0, f64::from(left));
        Self { dispersion: x2 / all, df, left }
    }
}

/// How a result is headed.
pub(super) struct Label {
    pub(super) name: String,
    pub(super) applied_to: Stratum,
    pub(super) tested_on: Stratum,
}

pub(super) struct Tier<'a> {
    plan: Plan<'a>,
    confidence: Confidence,
    /// Units that say something, and units of blocks that do not.
    units: Vec<Unit<'a>>,
    set_aside: Vec<Unit<'a>>,
    columns: Vec<Column>,
    /// Pairs are in the model only while enough scatter is left.
    with_pairs: bool,
    scatter: Option<Scatter>,
    pair_df: u32,
}

impl<'a> Tier<'a> {
    pub(super) fn new(plan: Plan<'a>, confidence: Confidence) -> Self {
        let (units, set_aside) = units_of(&plan);
        let columns = columns_of(&plan, &units);
        let mut tier = Self {
            plan,
            confidence,
            units,
            set_aside,
            columns,
            with_pairs: true,
            scatter: None,
            pair_df: 0,
        };
        let full = tier.scatter_of(&tier.owners(&[]));
        tier.pair_df = full.map_or(0, |s| s.left);
        tier.with_pairs = full.is_some_and(|s| s.left >= LEAST_DF);
        tier.scatter = if tier.with_pairs || tier.plan.pairs.is_empty() {
            full
        } else {
            tier.scatter_of(&tier.owners(&[]))
        };
        tier
    }

    /// The test of one factor.
    pub(super) fn factor(&self, factor: usize, label: Label) -> FactorTest {
        let owner = Owner::Factor(factor);
        let levels = level_names(self.plan.containers, &[factor]);
        let wanted = levels.len().saturating_sub(1);
        let test = self.test(owner, wanted, wanted, label.tested_on);
        let mut result = self.result(label, test, self.scatter, &levels);
        result.levels = levels
            .iter()
            .map(|level| self.raw_level(&[factor], level))
            .collect();
        self.even_out(factor, &mut result);
        result
    }

    /// The test of two factors together.
    pub(super) fn pair(
        &self,
        (a, b): (usize, usize),
        label: Label,
    ) -> FactorTest {
        let levels = level_names(self.plan.containers, &[a, b]);
        let n_levels = |f| level_names(self.plan.containers, &[f]).len().max(1);
        let wanted = (n_levels(a) - 1) * (n_levels(b) - 1);
        let test = if self.with_pairs {
            self.test(Owner::Pair(a, b), wanted, wanted.min(1), label.tested_on)
        } else {
            Err(self.too_few(self.pair_df, label.tested_on))
        };
        let mut result = self.result(label, test, self.scatter, &levels);
        result.levels =
            levels.iter().map(|level| self.raw_level(&[a, b], level)).collect();
        if let (Some(_), Some(scatter)) = (result.p, self.scatter) {
            for level in &mut result.levels {
                let n = f64::from(level.pooled.n()) / scatter.dispersion;
                level.interval = Some(self.score(level.estimate, n, scatter));
            }
            result.interaction = self.interaction((a, b), scatter);
        }
        result
    }

    /// The one effect of a pair; none where it has several.
    fn interaction(
        &self,
        (a, b): (usize, usize),
        scatter: Scatter,
    ) -> Option<Interaction> {
        let owner = Owner::Pair(a, b);
        let mut owners = self.owners(&[owner]);
        owners.push(owner);
        let Fitted { fit, kept, .. } = self.fit(&owners)?;
        let last = kept.len().checked_sub(1)?;
        if kept.iter().filter(|o| **o == owner).count() != 1 {
            return None;
        }
        let log_odds = fit.estimates[last];
        let variance = scatter.dispersion * fit.covariance[(last, last)];
        let standard_error = variance.sqrt();
        let half = t_upper(self.confidence.tail(), scatter.df) * standard_error;
        half.is_finite().then_some(Interaction {
            log_odds,
            standard_error,
            interval: Interval {
                lower: log_odds - half,
                upper: log_odds + half,
                confidence: self.confidence,
            },
        })
    }

    /// Owners in the model when `left_out` are not.
    fn owners(&self, left_out: &[Owner]) -> Vec<Owner> {
        let factors = self.plan.own.iter().map(|f| Owner::Factor(*f));
        let pairs = self.plan.pairs.iter().map(|&(a, b)| Owner::Pair(a, b));
        let pairs: Vec<Owner> =
            if self.with_pairs { pairs.collect() } else { Vec::new() };
        std::iter::once(Owner::Base)
            .chain(factors)
            .chain(pairs)
            .filter(|owner| !left_out.contains(owner))
            .collect()
    }

    /// Fits the columns of `owners` in that order, those that add nothing
    /// left out; tells how many of each owner stayed.
    fn fit(&self, owners: &[Owner]) -> Option<Fitted> {
        let wanted: Vec<&Column> = owners
            .iter()
            .flat_map(|o| self.columns.iter().filter(move |c| c.owner == *o))
            .collect();
        let values: Vec<&[f64]> =
            wanted.iter().map(|c| c.values.as_slice()).collect();
        let mut design = Design::constant(self.units.len()).without(0);
        let mut kept = Vec::new();
        for (column, new) in wanted.into_iter().zip(independent(&values)) {
            if new {
                design = design.with_column("", &column.values).ok()?;
                kept.push(column.owner);
            }
        }
        let outcomes: Vec<Proportion> =
            self.units.iter().map(|u| u.outcome).collect();
        let fit = fit(&design, &outcomes, Link::Logit).ok()?;
        Some(Fitted { fit, kept, matrix: design.matrix() })
    }

    fn scatter_of(&self, owners: &[Owner]) -> Option<Scatter> {
        let fitted = self.fit(owners)?;
        let telling: Vec<usize> = (0..self.units.len())
            .filter(|i| inside(fitted.fit.fitted[*i]))
            .collect();
        let rows = fitted.matrix.select_rows(&telling);
        let df = u32::try_from(telling.len() - rank(&rows)).ok()?;
        let blocks = self.blocks(&fitted, &telling);
        let scatter = Scatter::of(&blocks, df);
        Some(Scatter { dispersion: scatter.dispersion.max(1.0), ..scatter })
    }

    /// What each block says of scatter.
    fn blocks(&self, fitted: &Fitted, telling: &[usize]) -> Vec<BlockScatter> {
        let mut blocks: BTreeMap<Option<&str>, BlockScatter> = BTreeMap::new();
        for &i in telling {
            let (o, p) = (self.units[i].outcome, fitted.fit.fitted[i]);
            let information = f64::from(o.n()) * p * (1.0 - p);
            let row = fitted.matrix.row(i);
            let leverage = information
                * (row * &fitted.fit.covariance * row.transpose())[0];
            let off = f64::from(o.n()) * (o.fraction() - p);
            let block = blocks.entry(self.units[i].block).or_default();
            block.n_units += 1.0;
            block.information += information;
            block.x2 += off * off / information;
            block.df += (1.0 - leverage).max(0.0);
        }
        blocks.into_values().collect()
    }

    /// F of one owner's columns after all others.
    fn test(
        &self,
        owner: Owner,
        wanted: usize,
        least: usize,
        unit: Stratum,
    ) -> Result<(f64, f64), WhyNoP> {
        if wanted == 0 {
            return Err(WhyNoP::OneLevel);
        }
        let total: u32 = self.units.iter().map(|u| u.outcome.k()).sum();
        let sown: u32 = self.units.iter().map(|u| u.outcome.n()).sum();
        if total == 0 || total == sown {
            return Err(WhyNoP::AllAlike);
        }
        let involves = |other: &Owner| match (owner, other) {
            (Owner::Factor(f), Owner::Pair(a, b)) => f == *a || f == *b,
            _ => false,
        };
        let mut owners = self.owners(&[owner]);
        owners.retain(|o| !involves(o));
        let smaller = self.fit(&owners).ok_or(WhyNoP::Inseparable)?;
        owners.push(owner);
        let larger = self.fit(&owners).ok_or(WhyNoP::Inseparable)?;
        let df = larger.kept.iter().filter(|o| **o == owner).count();
        if df < least {
            return Err(WhyNoP::Inseparable);
        }
        let scatter = self.scatter.ok_or(WhyNoP::Inseparable)?;
        if scatter.left < LEAST_DF {
            return Err(self.too_few(scatter.left, unit));
        }
        let df = f64::from(u32::try_from(df).expect("few levels"));
        let change = (smaller.fit.deviance - larger.fit.deviance).max(0.0);
        Ok((change / df / scatter.dispersion, df))
    }

    fn too_few(&self, left: u32, unit: Stratum) -> WhyNoP {
        WhyNoP::TooFewUnits {
            left,
            needed: LEAST_DF,
            n_units: number(self.units.len()),
            unit,
        }
    }

    fn result(
        &self,
        label: Label,
        test: Result<(f64, f64), WhyNoP>,
        scatter: Option<Scatter>,
        levels: &[String],
    ) -> FactorTest {
        let df2 = scatter.map_or(0.0, |s| s.df);
        let (f, df1, p, why_no_p) = match test {
            Ok((f, df1)) => (Some(f), df1, Some(f_upper(f, df1, df2)), None),
            Err(why) => {
                let df1 = f64::from(number(levels.len().saturating_sub(1)));
                (None, df1, None, Some(why))
            }
        };
        FactorTest {
            name: label.name,
            applied_to: label.applied_to,
            tested_on: label.tested_on,
            n_units: number(self.units.len()),
            dispersion: scatter.filter(|s| s.left > 0).map(|s| s.dispersion),
            f,
            df: (df1, df2),
            p,
            why_no_p,
            separated: false,
            levels: Vec::new(),
            differences: Vec::new(),
            interaction: None,
        }
    }

    /// A level as counted: units and seeds added up.
    fn raw_level(&self, factors: &[usize], level: &str) -> Level {
        let has = |c: &&ContainerOutcome| level_name(c, factors) == level;
        let all = || self.units.iter().chain(&self.set_aside);
        let n_units = all().filter(|u| u.containers.iter().any(has)).count();
        let pooled = added_up(self.plan.containers.iter().filter(has));
        Level {
            name: level.to_owned(),
            n_units: number(n_units),
            pooled,
            estimate: pooled.fraction(),
            interval: None,
        }
    }

    /// Replaces the counted fractions of a tested factor by fractions evened
    /// out over everything else in the tier, with limits and differences.
    fn even_out(&self, factor: usize, result: &mut FactorTest) {
        let owner = Owner::Factor(factor);
        let mut owners = self.owners(&[owner]);
        owners.retain(|o| !matches!(o, Owner::Pair(..)));
        owners.push(owner);
        result.separated = result.levels.iter().any(|level| {
            level.pooled.k() == 0 || level.pooled.k() == level.pooled.n()
        });
        let (Some(_), Some(scatter), Some(fitted)) =
            (result.p, self.scatter, self.fit(&owners))
        else {
            return;
        };
        let first = fitted.kept.len() - (result.levels.len() - 1);
        let means: Vec<Mean> = (0..result.levels.len())
            .map(|chosen| {
                let mut rows = fitted.matrix.clone();
                for column in first..rows.ncols() {
                    let on = chosen == column - first + 1;
                    rows.column_mut(column).fill(if on { 1.0 } else { 0.0 });
                }
                self.mean(&rows, &fitted.fit)
            })
            .collect();
        let all_tell = self.set_aside.is_empty()
            && fitted.fit.fitted.iter().all(|p| inside(*p));
        for (level, mean) in result.levels.iter_mut().zip(&means) {
            let seeds = f64::from(level.pooled.n()) / scatter.dispersion;
            let variance = scatter.dispersion
                * mean.variance_with(&mean.gradient, &fitted.fit.covariance);
            let worth = mean.value * (1.0 - mean.value) / variance;
            // A side with none or all: no slope to judge by, count seeds.
            let worth = if !inside(mean.value) {
                seeds
            } else if all_tell {
                worth
            } else {
                worth.min(seeds)
            };
            level.estimate = mean.value;
            level.interval = Some(self.score(mean.value, worth, scatter));
        }
        result.differences =
            self.differences(&result.levels, &means, &fitted.fit, scatter);
    }

    fn differences(
        &self,
        levels: &[Level],
        means: &[Mean],
        fit: &BinomialFit,
        scatter: Scatter,
    ) -> Vec<LevelDifference> {
        let reach = t_upper(self.confidence.tail(), scatter.df);
        let mut found = Vec::new();
        for to in 1..levels.len() {
            for from in 0..to {
                let estimate = means[to].value - means[from].value;
                let along = &means[to].gradient - &means[from].gradient;
                let variance = scatter.dispersion
                    * means[to].variance_with(&along, &fit.covariance);
                let half = reach * variance.sqrt();
                let plain = inside(means[to].value)
                    && inside(means[from].value)
                    && half.is_finite();
                let (down, up) = if plain {
                    (half, half)
                } else {
                    square_and_add(&levels[from], &levels[to])
                };
                found.push(LevelDifference {
                    from: levels[from].name.clone(),
                    to: levels[to].name.clone(),
                    estimate,
                    interval: Interval {
                        lower: (estimate - down).max(-1.0),
                        upper: (estimate + up).min(1.0),
                        confidence: self.confidence,
                    },
                });
            }
        }
        found
    }

    /// Mean chance over all units, seeds as weights; units set aside keep
    /// their 0 or 1.
    fn mean(&self, rows: &DMatrix<f64>, fit: &BinomialFit) -> Mean {
        let eta = rows * DVector::from_column_slice(&fit.estimates);
        let all = self.units.iter().chain(&self.set_aside);
        let seeds: f64 = all.map(|u| f64::from(u.outcome.n())).sum();
        let mut value: f64 =
            self.set_aside.iter().map(|u| f64::from(u.outcome.k())).sum();
        let mut gradient = DVector::zeros(rows.ncols());
        for (i, unit) in self.units.iter().enumerate() {
            let n = f64::from(unit.outcome.n());
            value += n * Link::Logit.chance(eta[i]);
            gradient +=
                rows.row(i).transpose() * (n * Link::Logit.slope(eta[i]));
        }
        Mean { value: value / seeds, gradient: gradient / seeds }
    }

    /// Score limits of a fraction that is worth `seeds` independent seeds.
    fn score(&self, p: f64, seeds: f64, scatter: Scatter) -> Interval {
        let t = t_upper(self.confidence.tail(), scatter.df);
        let t2 = t * t;
        let centre = (p + t2 / (2.0 * seeds)) / (1.0 + t2 / seeds);
        let half = t / (1.0 + t2 / seeds)
            * (p * (1.0 - p) / seeds + t2 / (4.0 * seeds * seeds)).sqrt();
        Interval {
            lower: if p < 1e-9 { 0.0 } else { (centre - half).max(0.0) },
            upper: if p > 1.0 - 1e-9 { 1.0 } else { (centre + half).min(1.0) },
            confidence: self.confidence,
        }
    }
}

struct Fitted {
    fit: BinomialFit,
    kept: Vec<Owner>,
    matrix: DMatrix<f64>,
}

struct Mean {
    value: f64,
    gradient: DVector<f64>,
}

impl Mean {
    fn variance_with(
        &self,
        along: &DVector<f64>,
        covariance: &DMatrix<f64>,
    ) -> f64 {
        (along.transpose() * covariance * along)[0].max(0.0)
    }
}

/// A fitted chance that is neither 0 nor 1.
fn inside(p: f64) -> bool {
    p > 1e-6 && p < 1.0 - 1e-6
}

fn square_and_add(from: &Level, to: &Level) -> (f64, f64) {
    let (Some(a), Some(b)) = (from.interval, to.interval) else {
        return (2.0, 2.0);
    };
    let down = (to.estimate - b.lower).hypot(a.upper - from.estimate);
    let up = (b.upper - to.estimate).hypot(from.estimate - a.lower);
    (down, up)
}
