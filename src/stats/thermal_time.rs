//! Germination against accumulated warmth: how much it takes, how evenly,
//! how many in the end, and above which base.
//!
//! Not a fit to temperatures a few degrees apart: the base is judged by its
//! profile, and "these places cannot tell" is an answer. It does not sum
//! warmth itself; the caller gives the sum for any base.

mod rows;

use std::cell::RefCell;

use crate::stats::censored::{Censored, checked};
use crate::stats::convergence::Convergence;
use crate::stats::distribution::{
    TINY, normal_cdf, normal_quantile, normal_sides, root_within,
};
use crate::stats::error::{StatsError, within};
use crate::stats::interval::{Confidence, Interval};
use crate::stats::optimise::{Peak, climb, maximise, maximise_between};

use rows::{WarmRow, WarmRows};

/// Parameters of the model:
/// `g_max · Φ((log10 θ − log10 theta50) / sigma)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalParameters {
    /// Share of the seeds that germinates in the end.
    pub g_max: f64,
    /// Warmth that brings half of those up, degree-hours (or whatever unit of
    /// time the rows are in).
    pub theta50: f64,
    /// Spread of the decadic logarithm of that warmth.
    pub sigma: f64,
}

/// Whether the final share is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FinalShare {
    /// Estimated with the rest; the usual choice.
    Estimated,
    /// Taken as all. Wrong unless all germinate: the warmth needed comes out
    /// far too large.
    Everything,
}

/// What is fitted and where the base is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalQuestion {
    /// Whether the final share is estimated.
    pub final_share: FinalShare,
    /// Lowest base tried, °C.
    pub lowest_base: f64,
    /// Highest base tried, °C.
    pub highest_base: f64,
    /// Scatter between containers (1 = seeds alone): widens the limits.
    pub dispersion: f64,
    /// Limits of the base wider than this, °C, are no answer.
    pub widest_base: f64,
    /// Confidence of the limits.
    pub confidence: Confidence,
}

/// What the data say about the base temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Base {
    /// It can be told.
    Told {
        /// Where the profile is highest, °C.
        estimate: f64,
        /// Profile limits, °C.
        interval: Interval,
    },
    /// These places cannot tell it: they lie too near each other, or their
    /// seeds are too few.
    CannotTell {
        /// Lowest base the data allow, °C; none when it is the lowest tried.
        at_least: Option<f64>,
        /// Highest base the data allow, °C; none when it is the highest
        /// tried.
        at_most: Option<f64>,
    },
}

/// A fit at one base temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermalFit {
    /// The base, °C.
    pub base: f64,
    /// The estimate.
    pub parameters: ThermalParameters,
    /// Limits of `theta50`, containers' scatter included, base taken as
    /// known; none where the curvature gives none.
    pub theta50_interval: Option<Interval>,
    /// Limits of `g_max`, likewise.
    pub g_max_interval: Option<Interval>,
    /// Log-likelihood.
    pub log_likelihood: f64,
    /// Seeds.
    pub n: u32,
    /// Whether the search arrived.
    pub convergence: Convergence,
}

/// Lots of seeds in containers, and the warmth each had.
pub struct ThermalData<'a> {
    containers: Vec<Vec<Censored>>,
    warmth: &'a dyn Fn(usize, f64, f64) -> f64,
}

impl<'a> ThermalData<'a> {
    /// Counts by container and their warmth.
    ///
    /// # Arguments
    /// - `containers`: interval-censored counts of each, times since sowing.
    /// - `warmth`: warmth accumulated by a container (position) above a base
    ///   (°C) up to a time: never negative, not falling with time.
    ///
    /// # Errors
    /// What the rows get wrong; [`StatsError::Empty`] when nothing
    /// germinated; [`StatsError::OneLevel`] when all germinants came in one
    /// interval.
    pub fn new(
        containers: &[Vec<Censored>],
        warmth: &'a dyn Fn(usize, f64, f64) -> f64,
    ) -> Result<Self, StatsError> {
        let what = "thermal-time model";
        let containers = containers
            .iter()
            .map(|rows| checked(what, rows))
            .collect::<Result<Vec<_>, _>>()?;
        let mut seen =
            containers.iter().flatten().filter(|row| row.germinated());
        let first = seen.next().ok_or(StatsError::Empty { what })?;
        if seen.all(|r| r.left >= first.left && r.right <= first.right) {
            let what = "intervals with germinants";
            return Err(StatsError::OneLevel { what });
        }
        Ok(Self { containers, warmth })
    }

    /// Fits share, warmth and spread at a base taken as known.
    ///
    /// # Arguments
    /// - `base`: °C.
    /// - `question`: final share, dispersion and confidence are used.
    ///
    /// # When it misleads
    /// Above the optimum warmth speeds nothing, so the sum must have its
    /// plateau. While dormancy is breaking the base falls, and a constant one
    /// is wrong. Seeds of a container are alike: give their dispersion.
    ///
    /// # Source
    /// Garcia-Huidobro, Monteith & Squire 1982; Bradford 2002 (from memory);
    /// test `fits_match_the_simulated_sets`.
    #[must_use]
    pub fn fit_at(&self, base: f64, question: &ThermalQuestion) -> ThermalFit {
        let rows = self.warm_rows(base, None);
        let peak = peak(&rows, question.final_share);
        let parameters = parameters(&peak.at, question.final_share);
        let reach = question.confidence.z() * question.dispersion.sqrt();
        let confidence = question.confidence;
        let limits = |position: usize| {
            let covariance = peak.covariance.as_ref()?;
            let half = reach * covariance[(position, position)].sqrt();
            let (lower, upper) =
                (peak.at[position] - half, peak.at[position] + half);
            Some(Interval { lower, upper, confidence })
        };
        let theta50_interval =
            limits(0).map(|on_log| on_log.map(|log| 10_f64.powf(log)));
        let g_max_interval = match question.final_share {
            FinalShare::Estimated => limits(2).map(|l| l.map(logistic)),
            FinalShare::Everything => None,
        };
        ThermalFit {
            base,
            parameters,
            theta50_interval,
            g_max_interval,
            log_likelihood: peak.value,
            n: self.containers.iter().flatten().map(|row| row.n).sum(),
            convergence: peak.convergence,
        }
    }

    /// The fit anew without each container in turn, in their order: what a
    /// jackknife over containers is made of.
    ///
    /// # Arguments
    /// - `fit`: the fit of all, near which the others are looked for.
    /// - `question`: that of the fit.
    ///
    /// # Returns
    /// `None` where too little is left without that container, or the search
    /// does not arrive.
    #[must_use]
    pub fn without_each(
        &self,
        fit: &ThermalFit,
        question: &ThermalQuestion,
    ) -> Vec<Option<ThermalParameters>> {
        let near = coordinates(&fit.parameters, question.final_share);
        (0..self.containers.len())
            .map(|out| {
                let rows = self.warm_rows(fit.base, Some(out));
                rows.seen().next()?;
                let peak = peak_near(&rows, question.final_share, &near);
                peak.convergence
                    .arrived()
                    .then(|| parameters(&peak.at, question.final_share))
            })
            .collect()
    }

    /// What the data say about the base, by profile likelihood.
    ///
    /// The base is told when its limits lie inside the range tried and are
    /// not wider than asked.
    ///
    /// # Hypotheses
    /// None is tested; the limits hold those bases that a likelihood ratio
    /// (over the dispersion) does not reject.
    ///
    /// # Errors
    /// [`StatsError::OutOfRange`] for a dispersion below 1 or a range that
    /// does not run upward.
    ///
    /// # When it misleads
    /// Places differ in more than warmth; the base takes up whatever goes
    /// with it. At least three well separated temperatures are needed.
    pub fn base(&self, question: &ThermalQuestion) -> Result<Base, StatsError> {
        let (low, high) = (question.lowest_base, question.highest_base);
        within("dispersion", question.dispersion, 1.0, f64::MAX)?;
        within("lowest base", low, -273.15, high - 1e-6)?;
        // From one base to the next the top moves with the warmth.
        let last = RefCell::new(None::<(f64, Vec<f64>)>);
        let profile = |base: f64| {
            let rows = self.warm_rows(base, None);
            let middle = rows.middle();
            let known = last.borrow_mut().take();
            let peak = match known {
                Some((from, mut near)) => {
                    near[0] += middle - from;
                    peak_near(&rows, question.final_share, &near)
                }
                None => peak(&rows, question.final_share),
            };
            if peak.convergence.arrived() {
                *last.borrow_mut() = Some((middle, peak.at));
            }
            peak.value
        };
        let best = maximise_between(profile, low, high, PIECES);
        let top = profile(best);
        let allowed =
            question.confidence.z().powi(2) * question.dispersion / 2.0;
        let fall = |base: f64| top - profile(base) - allowed;
        let limit = |end: f64| {
            (fall(end) > 0.0).then(|| root_within(best, end, TO_THE_BASE, fall))
        };
        let (at_least, at_most) = (limit(low), limit(high));
        let told = match (at_least, at_most) {
            (Some(lower), Some(upper))
                if upper - lower <= question.widest_base =>
            {
                let confidence = question.confidence;
                let interval = Interval { lower, upper, confidence };
                Some(Base::Told { estimate: best, interval })
            }
            _ => None,
        };
        Ok(told.unwrap_or(Base::CannotTell { at_least, at_most }))
    }

    /// Rows with warmth in place of time, those alike added up.
    fn warm_rows(&self, base: f64, left_out: Option<usize>) -> WarmRows {
        let mut rows = Vec::new();
        for (container, counts) in self.containers.iter().enumerate() {
            if left_out == Some(container) {
                continue;
            }
            let log_warmth = |time: f64| {
                (self.warmth)(container, base, time).max(0.0).log10()
            };
            for row in counts {
                let right = if row.germinated() {
                    log_warmth(row.right)
                } else {
                    f64::INFINITY
                };
                let left = log_warmth(row.left);
                rows.push(WarmRow { left, right, n: f64::from(row.n) });
            }
        }
        WarmRows::of(rows)
    }
}

impl ThermalParameters {
    /// Share of seeds germinated after an amount of warmth.
    ///
    /// # Example
    /// ```
    /// use vernalog::stats::thermal_time::ThermalParameters;
    /// let onion =
    ///     ThermalParameters { g_max: 1.0, theta50: 80.0, sigma: 0.15 };
    /// assert!((onion.share_after(80.0) - 0.5).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn share_after(&self, warmth: f64) -> f64 {
        if warmth <= 0.0 {
            return 0.0;
        }
        let z = (warmth.log10() - self.theta50.log10()) / self.sigma;
        self.g_max * normal_cdf(z)
    }

    /// Warmth after which a share of all seeds has germinated; none when the
    /// share is never reached.
    #[must_use]
    pub fn warmth_for(&self, share: f64) -> Option<f64> {
        let of_those = share / self.g_max;
        (of_those > 0.0 && of_those < 1.0).then(|| {
            let z = normal_quantile(of_those);
            self.theta50 * 10_f64.powf(self.sigma * z)
        })
    }
}

/// Search over log10 theta50, ln sigma and (if asked) the logit of g_max.
fn peak(rows: &WarmRows, final_share: FinalShare) -> Peak {
    let seen: Vec<&WarmRow> = rows.seen().collect();
    let n: f64 = rows.rows.iter().map(|r| r.n).sum();
    let germinated: f64 = seen.iter().map(|r| r.n).sum();
    let logs: Vec<(f64, f64)> = seen
        .iter()
        .map(|r| {
            let both = 10_f64.powf(r.left) + 10_f64.powf(r.right);
            ((both / 2.0).log10(), r.n)
        })
        .collect();
    let all = germinated.max(1.0);
    let mean = logs.iter().map(|(log, n)| log * n).sum::<f64>() / all;
    let variance =
        logs.iter().map(|(log, n)| n * (log - mean).powi(2)).sum::<f64>() / all;
    let crude = (germinated / n).min(0.99);
    let start =
        [mean, variance.sqrt().max(0.03).ln(), (crude / (1.0 - crude)).ln()];
    let start = match final_share {
        FinalShare::Estimated => &start[..],
        FinalShare::Everything => &start[..2],
    };
    maximise(
        |at| log_likelihood(rows, &parameters(at, final_share)),
        start,
        STRIDE,
    )
}

const STRIDE: f64 = 0.2;
/// Limits of the base are this exact, °C.
const TO_THE_BASE: f64 = 1e-4;
/// Pieces of the range tried, before the best is looked at closely.
const PIECES: u32 = 12;

/// The same from a place near the top; from the start where that fails.
fn peak_near(rows: &WarmRows, final_share: FinalShare, near: &[f64]) -> Peak {
    let f = |at: &[f64]| log_likelihood(rows, &parameters(at, final_share));
    let found = climb(f, near, STRIDE);
    if found.convergence.arrived() { found } else { peak(rows, final_share) }
}

/// The scales on which the search runs.
fn coordinates(model: &ThermalParameters, share: FinalShare) -> Vec<f64> {
    let mut at = vec![model.theta50.log10(), model.sigma.ln()];
    if share == FinalShare::Estimated {
        let g_max = model.g_max.clamp(1e-9, 1.0 - 1e-9);
        at.push((g_max / (1.0 - g_max)).ln());
    }
    at
}

fn parameters(at: &[f64], final_share: FinalShare) -> ThermalParameters {
    ThermalParameters {
        g_max: match final_share {
            FinalShare::Estimated => logistic(at[2]),
            FinalShare::Everything => 1.0,
        },
        theta50: 10_f64.powf(at[0]),
        sigma: at[1].exp(),
    }
}

fn log_likelihood(rows: &WarmRows, model: &ThermalParameters) -> f64 {
    let middle = model.theta50.log10();
    let sides: Vec<(f64, f64)> = rows
        .limits
        .iter()
        .map(|log_warmth| normal_sides((log_warmth - middle) / model.sigma))
        .collect();
    rows.rows
        .iter()
        .zip(&rows.at)
        .map(|(row, (left, right))| {
            let ((below, above), (by_right, after)) =
                (sides[*left], sides[*right]);
            let chance = if row.germinated() {
                // From the smaller tail, which has the digits.
                let between =
                    if below > 0.5 { above - after } else { by_right - below };
                model.g_max * between
            } else {
                (1.0 - model.g_max) + model.g_max * above
            };
            row.n * chance.max(TINY).ln()
        })
        .sum()
}

fn logistic(z: f64) -> f64 {
    1.0 / (1.0 + (-z).exp())
}

#[cfg(test)]
mod tests;
