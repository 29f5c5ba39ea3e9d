//! The counts of a tier added up to its units, and the columns its
//! regressions are made of.
//!
//! Nothing is fitted here.

use std::collections::{BTreeMap, BTreeSet};

use super::{ContainerOutcome, Stratum, TOGETHER, level_order};
use crate::stats::proportion::Proportion;

/// What belongs to a tier.
pub(super) struct Plan<'a> {
    pub(super) containers: &'a [ContainerOutcome],
    pub(super) unit: Stratum,
    pub(super) block: Option<Stratum>,
    /// Positions of the factors tested here.
    pub(super) own: Vec<usize>,
    /// Positions of the factors that differ inside these units.
    pub(super) finer: Vec<usize>,
    pub(super) pairs: Vec<(usize, usize)>,
}

/// One unit: its containers added up.
pub(super) struct Unit<'a> {
    pub(super) outcome: Proportion,
    pub(super) block: Option<&'a str>,
    pub(super) containers: Vec<&'a ContainerOutcome>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Owner {
    Base,
    Factor(usize),
    Pair(usize, usize),
}

pub(super) struct Column {
    pub(super) owner: Owner,
    pub(super) values: Vec<f64>,
}

/// A share of seeds may differ this much between units before it is allowed
/// for: it costs a degree of freedom.
const UNEVEN: f64 = 0.1;

pub(super) fn added_up<'a>(
    containers: impl Iterator<Item = &'a ContainerOutcome>,
) -> Proportion {
    let (k, n) = containers
        .fold((0, 0), |(k, n), c| (k + c.outcome.k(), n + c.outcome.n()));
    Proportion::new(k, n).expect("sums of parts stay within sums of wholes")
}

pub(super) fn number(n: usize) -> u32 {
    u32::try_from(n).expect("fewer than 2^32 units")
}

pub(super) fn units_of<'a>(plan: &Plan<'a>) -> (Vec<Unit<'a>>, Vec<Unit<'a>>) {
    let mut members: BTreeMap<&str, Vec<&ContainerOutcome>> = BTreeMap::new();
    for container in plan.containers {
        members.entry(container.unit(plan.unit)).or_default().push(container);
    }
    let units = members.into_values().map(|containers| Unit {
        outcome: added_up(containers.iter().copied()),
        block: plan.block.map(|block| containers[0].unit(block)),
        containers,
    });
    let Some(block) = plan.block else {
        return (units.collect(), Vec::new());
    };
    // A block where nothing or everything germinated cannot say which of its
    // units did better.
    let says = |name: &str| {
        let whole = plan.containers.iter().filter(|c| c.unit(block) == name);
        let whole = added_up(whole);
        whole.k() > 0 && whole.k() < whole.n()
    };
    units.partition(|unit| unit.block.is_some_and(says))
}

pub(super) fn level_name(
    container: &ContainerOutcome,
    factors: &[usize],
) -> String {
    let names: Vec<&str> =
        factors.iter().map(|f| container.levels[*f].as_str()).collect();
    names.join(TOGETHER)
}

pub(super) fn level_names(
    containers: &[ContainerOutcome],
    factors: &[usize],
) -> Vec<String> {
    let names: BTreeSet<String> =
        containers.iter().map(|c| level_name(c, factors)).collect();
    let mut names: Vec<String> = names.into_iter().collect();
    names.sort_by(|a, b| level_order(a, b));
    names
}

pub(super) fn columns_of(plan: &Plan<'_>, units: &[Unit<'_>]) -> Vec<Column> {
    let mut columns =
        vec![Column { owner: Owner::Base, values: vec![1.0; units.len()] }];
    let blocks: BTreeSet<&str> = units.iter().filter_map(|u| u.block).collect();
    for block in blocks.into_iter().skip(1) {
        let values = units
            .iter()
            .map(|u| if u.block == Some(block) { 1.0 } else { 0.0 })
            .collect();
        columns.push(Column { owner: Owner::Base, values });
    }
    for &factor in &plan.finer {
        for values in shares(plan, units, factor) {
            let range = values.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b))
                - values.iter().fold(f64::INFINITY, |a, b| a.min(*b));
            if range > UNEVEN {
                columns.push(Column { owner: Owner::Base, values });
            }
        }
    }
    for &factor in &plan.own {
        let owner = Owner::Factor(factor);
        for values in shares(plan, units, factor) {
            columns.push(Column { owner, values });
        }
    }
    for &(a, b) in &plan.pairs {
        let owner = Owner::Pair(a, b);
        for one in shares(plan, units, a) {
            for other in shares(plan, units, b) {
                let values =
                    one.iter().zip(&other).map(|(x, y)| x * y).collect();
                columns.push(Column { owner, values });
            }
        }
    }
    columns
}

/// For each level but the first, the share of each unit's seeds that had it:
/// 0 or 1 for a factor applied to the unit as a whole.
fn shares(plan: &Plan<'_>, units: &[Unit<'_>], factor: usize) -> Vec<Vec<f64>> {
    level_names(plan.containers, &[factor])
        .into_iter()
        .skip(1)
        .map(|level| {
            units
                .iter()
                .map(|unit| {
                    let (mut with, mut all) = (0.0, 0.0);
                    for container in &unit.containers {
                        let seeds = f64::from(container.outcome.n());
                        all += seeds;
                        if container.levels[factor] == level {
                            with += seeds;
                        }
                    }
                    with / all
                })
                .collect()
        })
        .collect()
}
