//! Containers of one place and treatment added up, for figures that set
//! places side by side.
//!
//! Not a comparison: an interval here says how sure the share of these
//! containers is, not whether two groups differ.

use crate::stats::interval::{Confidence, Interval};
use crate::stats::proportion::{IntervalMethod, Proportion, widened};
use crate::stats::turnbull::TimeToShare;
use crate::study::UnitStudy;

/// Share germinated of some containers together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellShare {
    /// Containers with seeds.
    pub n_containers: u32,
    /// Germinated of sown, at the common age.
    pub pooled: Proportion,
    /// Scatter between them, 1 = that of seeds alone; not below 1.
    pub dispersion: f64,
    /// 95 % interval, widened by that scatter.
    pub interval: Interval,
}

/// Adds containers up; none without seeds.
///
/// One container: Wilson. More: Wilson on the seeds divided by the scatter
/// between containers (Pearson's X² / (n − 1), not below 1).
#[must_use]
pub fn share(containers: &[&UnitStudy]) -> Option<CellShare> {
    let counts: Vec<Proportion> = containers
        .iter()
        .filter(|unit| !unit.outcome.lost_early)
        .filter_map(|unit| {
            let outcome = &unit.outcome;
            Proportion::new(outcome.germinated_at_common_age, outcome.entered)
                .ok()
        })
        .collect();
    let k: u32 = counts.iter().map(|count| count.k()).sum();
    let n: u32 = counts.iter().map(|count| count.n()).sum();
    let pooled = Proportion::new(k, n).ok()?;
    let n_containers = u32::try_from(counts.len()).ok()?;
    let p = pooled.fraction();
    let dispersion = if n_containers > 1 && p > 0.0 && p < 1.0 {
        let x2: f64 = counts
            .iter()
            .map(|count| {
                let n = f64::from(count.n());
                (f64::from(count.k()) - n * p).powi(2) / (n * p * (1.0 - p))
            })
            .sum();
        (x2 / f64::from(n_containers - 1)).max(1.0)
    } else {
        1.0
    };
    let confidence = Confidence::NINETY_FIVE;
    let interval = if n_containers == 1 {
        pooled.interval(IntervalMethod::Wilson, confidence)
    } else {
        widened(pooled, dispersion, confidence)
    };
    Some(CellShare { n_containers, pooled, dispersion, interval })
}

/// When half of those that came up had, over some containers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellHalf {
    /// Containers in which something germinated.
    pub n_containers: u32,
    /// Middle of the median container's interval, days since sowing.
    pub days: f64,
    /// From the earliest container to the latest, between their looks, days.
    pub range: (f64, f64),
}

/// Of containers in which something germinated; none without one.
#[must_use]
pub fn half(containers: &[&UnitStudy]) -> Option<CellHalf> {
    let mut own: Vec<(f64, f64)> = containers
        .iter()
        .filter_map(|unit| match unit.outcome.t50_germinated? {
            TimeToShare::Within { left, right } => Some((left, right)),
            TimeToShare::NotReached { .. } => None,
        })
        .collect();
    own.sort_by(|a, b| (a.0 + a.1).total_cmp(&(b.0 + b.1)));
    let middle = |i: usize| f64::midpoint(own[i].0, own[i].1);
    let last = own.len().checked_sub(1)?;
    let days = f64::midpoint(middle(last / 2), middle(own.len() / 2));
    let from = own.iter().map(|o| o.0).fold(f64::INFINITY, f64::min);
    let to = own.iter().map(|o| o.1).fold(f64::NEG_INFINITY, f64::max);
    Some(CellHalf {
        n_containers: u32::try_from(own.len()).ok()?,
        days,
        range: (from, to),
    })
}
