//! The two models behind a prediction: a hazard that follows warmth, and,
//! where warmth is unknown, a split population in days.
//!
//! Both answer the same question: the cumulative hazard of germinating
//! between two readings of the clock, with the error of its logarithm.

use crate::stats::censored::Censored;
use crate::stats::design::Design;
use crate::stats::interval::Confidence;
use crate::stats::person_period::{Ahead, HazardFit, fit_exposed};
use crate::stats::proportion::Proportion;
use crate::stats::split_population::{SplitFit, TimeShape, fit_split};
use crate::study::prediction::{Clock, TooLittle};

/// One container between two looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Row {
    pub(super) container: usize,
    /// Clock at the look before …
    pub(super) from: f64,
    /// … and at this one.
    pub(super) to: f64,
    pub(super) germinated: u32,
    pub(super) at_risk: u32,
}

/// A fitted model of one or several groups.
pub(super) struct Model {
    kind: Kind,
    /// Containers over containers less effects: errors from few containers
    /// are too small by about this.
    pub(super) widened: f64,
}

#[allow(
    clippy::large_enum_variant,
    reason = "a study holds one of these, not many"
)]
enum Kind {
    /// Log hazard a degree-hour: constant, lg warmth and its square, the
    /// first two anew for each further group.
    Hazard { fit: HazardFit, middle: f64, n_groups: usize },
    /// By group: the fit, and the fits without each container.
    Split(Vec<(SplitFit, Vec<SplitFit>)>),
}

/// What one container tells of a group.
type Told = (usize, Vec<Row>);

impl Model {
    /// # Errors
    /// [`TooLittle::SpeedingUp`] and [`TooLittle::NoFit`].
    pub(super) fn fit(
        clock: Clock,
        rows: &[Row],
        n_groups: usize,
        group: &dyn Fn(usize) -> usize,
    ) -> Result<Self, TooLittle> {
        let mut containers: Vec<usize> =
            rows.iter().map(|row| row.container).collect();
        containers.sort_unstable();
        containers.dedup();
        let n = real(containers.len());
        let (kind, effects) = match clock {
            Clock::Warmth => {
                let kind = hazard(rows, n_groups, group)?;
                (kind, real(1 + 2 * n_groups))
            }
            Clock::Days => {
                let told: Vec<Told> = containers
                    .into_iter()
                    .map(|container| {
                        let own =
                            rows.iter().filter(|r| r.container == container);
                        (group(container), own.copied().collect())
                    })
                    .collect();
                let groups: Option<Vec<_>> =
                    (0..n_groups).map(|g| split(&told, g)).collect();
                (Kind::Split(groups.ok_or(TooLittle::NoFit)?), 3.0)
            }
        };
        let widened = n / (n - effects).max(1.0);
        Ok(Self { kind, widened })
    }

    /// Cumulative hazard of a group between two readings of the clock, taken
    /// in so many steps.
    pub(super) fn over(
        &self,
        group: usize,
        from: f64,
        to: f64,
        steps: u32,
    ) -> Ahead {
        match &self.kind {
            Kind::Hazard { fit, middle, n_groups } => {
                let length = (to - from) / f64::from(steps);
                let course: Vec<Vec<f64>> = (0..steps)
                    .map(|step| {
                        let mid = from + length * (f64::from(step) + 0.5);
                        columns(mid.ln() - middle, group, *n_groups)
                    })
                    .collect();
                let exposure = vec![length; course.len()];
                fit.ahead(&course, &exposure)
                    .unwrap_or(Ahead { hazard: 0.0, log_error: 0.0 })
            }
            Kind::Split(groups) => {
                let (all, without) = &groups[group];
                let hazard = split_hazard(all, from, to);
                let logs: Vec<f64> = without
                    .iter()
                    .map(|fit| split_hazard(fit, from, to).max(1e-9).ln())
                    .collect();
                Ahead { hazard, log_error: jackknife_error(&logs) }
            }
        }
    }
}

/// The design row of an interval at `u`, log of the clock less its mean.
fn columns(u: f64, group: usize, n_groups: usize) -> Vec<f64> {
    let mut row = vec![1.0, u, u * u];
    for other in 1..n_groups {
        let on = if other == group { 1.0 } else { 0.0 };
        row.push(on);
        row.push(on * u);
    }
    row
}

fn hazard(
    rows: &[Row],
    n_groups: usize,
    group: &dyn Fn(usize) -> usize,
) -> Result<Kind, TooLittle> {
    let logs: Vec<f64> =
        rows.iter().map(|r| f64::midpoint(r.from, r.to).ln()).collect();
    let middle = logs.iter().sum::<f64>() / real(logs.len());
    let of_rows: Vec<Vec<f64>> = rows
        .iter()
        .zip(&logs)
        .map(|(row, log)| columns(log - middle, group(row.container), n_groups))
        .collect();
    let outcomes: Option<Vec<Proportion>> = rows
        .iter()
        .map(|row| Proportion::new(row.germinated, row.at_risk).ok())
        .collect();
    let exposure: Vec<f64> = rows.iter().map(|r| r.to - r.from).collect();
    let containers: Vec<usize> = rows.iter().map(|r| r.container).collect();
    let mut design = Design::constant(rows.len());
    for column in 1..of_rows.first().map_or(0, Vec::len) {
        let values: Vec<f64> = of_rows.iter().map(|row| row[column]).collect();
        design =
            design.with_column("", &values).map_err(|_| TooLittle::NoFit)?;
    }
    let fit = outcomes
        .and_then(|outcomes| {
            let level = Confidence::NINETY_FIVE;
            fit_exposed(&design, &outcomes, &exposure, &containers, level).ok()
        })
        .filter(|fit| fit.regression.convergence.arrived())
        .ok_or(TooLittle::NoFit)?;
    // Bent upwards it would never end.
    if fit.effects[2].estimate >= 0.0 {
        return Err(TooLittle::SpeedingUp);
    }
    Ok(Kind::Hazard { fit, middle, n_groups })
}

/// Seeds of some containers as interval-censored rows, equal ones together.
fn censored(told: &[&Told]) -> Vec<Censored> {
    let mut rows = Vec::new();
    for (_, own) in told {
        let mut gone = 0;
        for row in own {
            if row.germinated > 0 {
                rows.push(Censored::between(row.from, row.to, row.germinated));
            }
            gone += row.germinated;
        }
        if let (Some(first), Some(last)) = (own.first(), own.last()) {
            let left = first.at_risk.saturating_sub(gone);
            if left > 0 {
                rows.push(Censored::not_by(last.to, left));
            }
        }
    }
    rows
}

fn split(told: &[Told], group: usize) -> Option<(SplitFit, Vec<SplitFit>)> {
    let own: Vec<&Told> = told.iter().filter(|t| t.0 == group).collect();
    let fit = |told: &[&Told]| {
        fit_split(&censored(told), TimeShape::LogNormal)
            .ok()
            .filter(|fit| fit.convergence.arrived())
    };
    let all = fit(&own)?;
    let without: Vec<SplitFit> = (0..own.len())
        .filter_map(|out| {
            let rest: Vec<&Told> = own
                .iter()
                .enumerate()
                .filter(|(i, _)| *i != out)
                .map(|(_, told)| *told)
                .collect();
            fit(&rest)
        })
        .collect();
    // Where leaving one container out spoils the fit, nothing holds.
    (without.len() == own.len() && own.len() > 1).then_some((all, without))
}

fn split_hazard(fit: &SplitFit, from: f64, to: f64) -> f64 {
    let left = |clock: f64| (1.0 - fit.share_by(clock)).max(1e-9);
    (left(from) / left(to)).ln().max(0.0)
}

fn jackknife_error(logs: &[f64]) -> f64 {
    let n = real(logs.len());
    if logs.len() < 2 {
        return 0.0;
    }
    let mean = logs.iter().sum::<f64>() / n;
    let squares: f64 = logs.iter().map(|log| (log - mean).powi(2)).sum();
    (squares * (n - 1.0) / n).sqrt()
}

fn real(n: usize) -> f64 {
    f64::from(u32::try_from(n).unwrap_or(u32::MAX))
}
