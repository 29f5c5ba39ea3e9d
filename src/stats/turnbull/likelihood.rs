//! The likelihood of shares in innermost intervals, and its highest point.
//!
//! Not a general solver: shares are at least 0 and add up to 1, and each row
//! covers a run of neighbouring intervals.

use nalgebra::{DMatrix, DVector};

use crate::stats::censored::Censored;
use crate::stats::convergence::Convergence;
use crate::stats::distribution::TINY;

/// A share below this is none.
pub(super) const NO_MASS: f64 = 1e-9;
/// The optimum is reached when no directional derivative is above 1 by more.
const GAP_WANTED: f64 = 1e-9;
const PLAIN_STEPS: u32 = 100;
const NEWTON_STEPS: u32 = 2_000;

pub(super) struct Highest {
    pub(super) shares: Vec<f64>,
    pub(super) gap: f64,
    pub(super) convergence: Convergence,
}

/// Which innermost intervals (a run of them) each row covers.
pub(super) struct Likelihood {
    runs: Vec<(usize, usize, f64)>,
    n: f64,
    n_inner: usize,
}

impl Likelihood {
    pub(super) fn new(rows: &[Censored], inner: &[(f64, f64)]) -> Self {
        let runs: Vec<_> = rows
            .iter()
            .map(|row| {
                let from = inner.partition_point(|i| i.0 < row.left);
                let to = inner.partition_point(|i| i.1 <= row.right);
                (from, to, f64::from(row.n))
            })
            .collect();
        let n = runs.iter().map(|run| run.2).sum();
        Self { runs, n, n_inner: inner.len() }
    }

    /// d(log-likelihood)/d(share), divided by n: 1 where there is mass at
    /// the optimum, at most 1 elsewhere.
    fn derivatives(&self, shares: &[f64]) -> Vec<f64> {
        // Each row adds the same amount over a run: sum the steps.
        let mut steps = vec![0.0; self.n_inner + 1];
        for &(from, to, n) in &self.runs {
            let covered: f64 = shares[from..to].iter().sum();
            let amount = n / self.n / covered.max(TINY);
            steps[from] += amount;
            steps[to] -= amount;
        }
        let mut sum = 0.0;
        steps[..self.n_inner]
            .iter()
            .map(|step| {
                sum += step;
                sum
            })
            .collect()
    }

    pub(super) fn value(&self, shares: &[f64]) -> f64 {
        self.runs
            .iter()
            .map(|&(from, to, n)| {
                n * shares[from..to].iter().sum::<f64>().max(TINY).ln()
            })
            .sum()
    }

    fn step(&self, shares: &[f64]) -> Vec<f64> {
        let d = self.derivatives(shares);
        shares.iter().zip(d).map(|(share, d)| share * d).collect()
    }

    /// How far the optimality conditions are from being met.
    fn gap(&self, shares: &[f64]) -> f64 {
        self.derivatives(shares)
            .iter()
            .zip(shares)
            .map(|(d, share)| {
                // A vanishing share may have any derivative below 1.
                if *share > NO_MASS { (d - 1.0).abs() } else { d - 1.0 }
            })
            .fold(0.0, f64::max)
    }

    /// Climbs to the optimum: plain steps first, which are safe from
    /// anywhere, then Newton steps, which arrive.
    pub(super) fn highest(&self) -> Highest {
        let even = self.runs.len().max(self.n_inner).max(1);
        let mut shares = vec![1.0 / count(even); self.n_inner];
        normalise(&mut shares);
        for _ in 0..PLAIN_STEPS {
            shares = self.step(&shares);
        }
        let mut steps = PLAIN_STEPS;
        while self.gap(&shares) > GAP_WANTED
            && steps < PLAIN_STEPS + NEWTON_STEPS
        {
            self.drop_the_hopeless(&mut shares);
            if !self.newton(&mut shares) && !self.let_in(&mut shares) {
                break;
            }
            steps += 1;
        }
        let gap = self.gap(&shares);
        let convergence = if gap <= GAP_WANTED {
            Convergence::Arrived { steps }
        } else {
            Convergence::Stopped { steps, last_change: gap }
        };
        Highest { shares, gap, convergence }
    }

    /// Small shares that the likelihood would lower further are set to 0; a
    /// mistake is put right by `let_in`.
    fn drop_the_hopeless(&self, shares: &mut [f64]) {
        let derivatives = self.derivatives(shares);
        for (share, d) in shares.iter_mut().zip(derivatives) {
            if *share < NO_MASS || (*share < 1e-4 && d < 0.99) {
                *share = 0.0;
            }
        }
        normalise(shares);
    }

    /// One Newton step among the shares above 0, cut at the first that
    /// reaches 0 and halved until it climbs. Whether it moved.
    fn newton(&self, shares: &mut Vec<f64>) -> bool {
        let active: Vec<usize> =
            (0..shares.len()).filter(|j| shares[*j] > 0.0).collect();
        let m = active.len();
        // Curvature, bordered by the condition that changes add up to 0. A
        // trace of ridge, because shares may not be unique.
        let mut system = DMatrix::zeros(m + 1, m + 1);
        for &(from, to, n) in &self.runs {
            let covered: f64 = shares[from..to].iter().sum();
            let amount = n / self.n / covered.max(TINY).powi(2);
            let first = active.partition_point(|j| *j < from);
            let last = active.partition_point(|j| *j < to);
            for a in first..last {
                for b in first..last {
                    system[(a, b)] += amount;
                }
            }
        }
        for a in 0..m {
            system[(a, a)] *= 1.0 + 1e-10;
            system[(a, m)] = 1.0;
            system[(m, a)] = 1.0;
        }
        let derivatives = self.derivatives(shares);
        let mut right = DVector::zeros(m + 1);
        for (a, j) in active.iter().enumerate() {
            right[a] = derivatives[*j] - 1.0;
        }
        let Some(change) = system.lu().solve(&right) else {
            return false;
        };
        let mut reach: f64 = 1.0;
        for (a, j) in active.iter().enumerate() {
            if change[a] < 0.0 {
                reach = reach.min(-shares[*j] / change[a]);
            }
        }
        let before = self.value(shares);
        for _ in 0..40 {
            let mut next = shares.clone();
            for (a, j) in active.iter().enumerate() {
                let there = next[*j] + reach * change[a];
                next[*j] = if there < 1e-14 { 0.0 } else { there };
            }
            normalise(&mut next);
            let now = self.value(&next);
            let moved =
                next.iter().zip(&*shares).any(|(a, b)| (a - b).abs() > 1e-15);
            // Rounding of the sum must not stop a step that is good.
            if now >= before - 1e-13 * before.abs() && moved {
                *shares = next;
                return true;
            }
            reach /= 2.0;
        }
        false
    }

    /// Gives a little to the interval the likelihood most wants to raise.
    /// Whether there was one.
    fn let_in(&self, shares: &mut Vec<f64>) -> bool {
        let derivatives = self.derivatives(shares);
        let wanted = (0..shares.len())
            .max_by(|a, b| derivatives[*a].total_cmp(&derivatives[*b]));
        let Some(wanted) = wanted.filter(|j| derivatives[*j] > 1.0) else {
            return false;
        };
        let before = self.value(shares);
        let mut little = 0.1;
        while little > 1e-12 {
            let mut next: Vec<f64> =
                shares.iter().map(|share| share * (1.0 - little)).collect();
            next[wanted] += little;
            if self.value(&next) > before {
                *shares = next;
                return true;
            }
            little /= 4.0;
        }
        false
    }
}

fn normalise(shares: &mut [f64]) {
    let total: f64 = shares.iter().sum();
    shares.iter_mut().for_each(|share| *share /= total);
}

fn count(n: usize) -> f64 {
    f64::from(u32::try_from(n).expect("fewer than 2^32 rows"))
}
