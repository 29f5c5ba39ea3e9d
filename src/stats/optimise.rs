//! The highest point of a smooth function of a few numbers.
//!
//! Not a general optimiser: up to five parameters, started near the answer,
//! each on a scale where steps of about one tenth matter.

use nalgebra::{DMatrix, DVector};

use crate::stats::convergence::Convergence;

/// Where a log-likelihood is highest.
#[derive(Debug, Clone)]
pub(crate) struct Peak {
    pub(crate) at: Vec<f64>,
    pub(crate) value: f64,
    /// Inverse of minus the curvature; none where the top is not rounded.
    pub(crate) covariance: Option<DMatrix<f64>>,
    pub(crate) convergence: Convergence,
}

const NEWTON_STEPS: u32 = 60;
/// A step that promises less than this in log-likelihood is the last.
const PROMISE: f64 = 1e-10;

/// Simplex search, then Newton steps on central differences.
pub(crate) fn maximise(
    f: impl Fn(&[f64]) -> f64,
    start: &[f64],
    stride: f64,
) -> Peak {
    let f = |at: &[f64]| {
        let value = f(at);
        if value.is_nan() { f64::NEG_INFINITY } else { value }
    };
    let (at, _) = simplex(&f, start, stride);
    climb(f, &at, stride)
}

/// Newton steps on central differences from a place near the top, with a
/// simplex where the ground is not rounded.
pub(crate) fn climb(
    f: impl Fn(&[f64]) -> f64,
    near: &[f64],
    stride: f64,
) -> Peak {
    let f = |at: &[f64]| {
        let value = f(at);
        if value.is_nan() { f64::NEG_INFINITY } else { value }
    };
    let mut at = near.to_vec();
    let mut value = f(&at);
    let mut convergence = Convergence::Stopped {
        steps: NEWTON_STEPS,
        last_change: f64::INFINITY,
    };
    // The covariance at the place where its derivatives were taken last.
    let mut covariance = None;
    for steps in 0..NEWTON_STEPS {
        let (gradient, curvature) = derivatives(&f, &at, value);
        let Some(factor) = (-curvature).cholesky() else {
            covariance = None;
            let (closer, higher) = simplex(&f, &at, stride / 4.0);
            let change = higher - value;
            (at, value) = (closer, higher);
            convergence = Convergence::Stopped { steps, last_change: change };
            if change < PROMISE {
                break;
            }
            continue;
        };
        let step = factor.solve(&gradient);
        covariance = Some(factor.inverse());
        let promise = gradient.dot(&step);
        if promise < PROMISE {
            convergence = Convergence::Arrived { steps };
            break;
        }
        convergence = Convergence::Stopped { steps, last_change: promise };
        let mut share = 1.0;
        let mut moved = false;
        while share > 1e-6 {
            let next: Vec<f64> = at
                .iter()
                .zip(step.iter())
                .map(|(a, s)| a + share * s)
                .collect();
            let there = f(&next);
            if there > value {
                (at, value, moved) = (next, there, true);
                break;
            }
            share /= 2.0;
        }
        if !moved {
            // No way up within rounding.
            if promise < 1e-6 {
                convergence = Convergence::Arrived { steps };
            }
            break;
        }
    }
    Peak { at, value, covariance, convergence }
}

/// Highest value of a function of one number between two bounds, by a grid
/// and then golden sections round its best point.
pub(crate) fn maximise_between(
    f: impl Fn(f64) -> f64,
    low: f64,
    high: f64,
    pieces: u32,
) -> f64 {
    let width = (high - low) / f64::from(pieces);
    let mut best = (low, f64::NEG_INFINITY);
    for piece in 0..=pieces {
        let at = low + width * f64::from(piece);
        let value = f(at);
        if value > best.1 {
            best = (at, value);
        }
    }
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut a, mut b) =
        ((best.0 - width).max(low), (best.0 + width).min(high));
    let low_inside = |a: f64, b: f64| {
        let at = b - golden * (b - a);
        (at, f(at))
    };
    let high_inside = |a: f64, b: f64| {
        let at = a + golden * (b - a);
        (at, f(at))
    };
    let (mut c, mut d) = (low_inside(a, b), high_inside(a, b));
    while b - a > 1e-5 * (high - low) {
        if c.1 >= d.1 {
            (b, d) = (d.0, c);
            c = low_inside(a, b);
        } else {
            (a, c) = (c.0, d);
            d = high_inside(a, b);
        }
    }
    f64::midpoint(a, b)
}

fn derivatives(
    f: &impl Fn(&[f64]) -> f64,
    at: &[f64],
    value: f64,
) -> (DVector<f64>, DMatrix<f64>) {
    let n = at.len();
    let h: Vec<f64> = at.iter().map(|a| 1e-4 * a.abs().max(1.0)).collect();
    let moved = |i: usize, di: f64, j: usize, dj: f64| {
        let mut there = at.to_vec();
        there[i] += di;
        there[j] += dj;
        f(&there)
    };
    let mut gradient = DVector::zeros(n);
    let mut curvature = DMatrix::zeros(n, n);
    let mut both = vec![0.0; n];
    for i in 0..n {
        let (up, down) = (moved(i, h[i], i, 0.0), moved(i, -h[i], i, 0.0));
        both[i] = up + down;
        gradient[i] = (up - down) / (2.0 * h[i]);
        curvature[(i, i)] = (up - 2.0 * value + down) / (h[i] * h[i]);
        for j in 0..i {
            let along = moved(i, h[i], j, h[j]) + moved(i, -h[i], j, -h[j]);
            let mixed = along - both[i] - both[j] + 2.0 * value;
            curvature[(i, j)] = mixed / (2.0 * h[i] * h[j]);
            curvature[(j, i)] = curvature[(i, j)];
        }
    }
    (gradient, curvature)
}

/// Nelder and Mead's simplex, stopped when its values are close together.
fn simplex(
    f: &impl Fn(&[f64]) -> f64,
    start: &[f64],
    stride: f64,
) -> (Vec<f64>, f64) {
    let n = start.len();
    let mut points: Vec<(Vec<f64>, f64)> = (0..=n)
        .map(|i| {
            let mut at = start.to_vec();
            if i > 0 {
                at[i - 1] += stride;
            }
            let value = f(&at);
            (at, value)
        })
        .collect();
    for _ in 0..300 * n {
        points.sort_by(|a, b| b.1.total_cmp(&a.1));
        let spread = points[0].1 - points[n].1;
        if spread < 1e-9 {
            break;
        }
        let centre: Vec<f64> = (0..n)
            .map(|i| {
                let sum: f64 = points[..n].iter().map(|p| p.0[i]).sum();
                sum / f64::from(u32::try_from(n).expect("few parameters"))
            })
            .collect();
        let worst = points[n].clone();
        let beyond = |share: f64| {
            let at: Vec<f64> = centre
                .iter()
                .zip(&worst.0)
                .map(|(c, w)| c + share * (c - w))
                .collect();
            let value = f(&at);
            (at, value)
        };
        let mirrored = beyond(1.0);
        points[n] = if mirrored.1 > points[0].1 {
            let farther = beyond(2.0);
            if farther.1 > mirrored.1 { farther } else { mirrored }
        } else if mirrored.1 > points[n - 1].1 {
            mirrored
        } else {
            let inward = beyond(if mirrored.1 > worst.1 { 0.5 } else { -0.5 });
            if inward.1 > worst.1.max(mirrored.1) {
                inward
            } else {
                let best = points[0].0.clone();
                for point in &mut points[1..] {
                    for (x, b) in point.0.iter_mut().zip(&best) {
                        *x = f64::midpoint(*x, *b);
                    }
                    point.1 = f(&point.0);
                }
                continue;
            }
        };
    }
    points.sort_by(|a, b| b.1.total_cmp(&a.1));
    points.swap_remove(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curved_ridge_is_climbed_to_its_top() {
        // Rosenbrock's function, top at (1, 1); its curvature there is known:
        // the inverse of [[802, −400], [−400, 200]].
        let f = |x: &[f64]| {
            -(1.0 - x[0]).powi(2) - 100.0 * (x[1] - x[0] * x[0]).powi(2)
        };
        let peak = maximise(f, &[-1.2, 1.0], 0.5);
        assert!(peak.convergence.arrived(), "{peak:?}");
        assert!((peak.at[0] - 1.0).abs() < 1e-5, "{peak:?}");
        assert!((peak.at[1] - 1.0).abs() < 1e-5, "{peak:?}");
        let covariance = peak.covariance.unwrap();
        assert!((covariance[(0, 0)] - 0.5).abs() < 1e-3);
        assert!((covariance[(1, 1)] - 2.005).abs() < 1e-2);
    }

    #[test]
    fn a_slope_without_a_top_does_not_arrive() {
        let peak = maximise(|x| x[0], &[0.0], 0.5);
        assert!(!peak.convergence.arrived() && peak.covariance.is_none());
    }

    #[test]
    fn the_highest_of_several_tops_between_bounds_is_found() {
        let f = |x: f64| (3.0 * x).sin() + 0.1 * x;
        let top = maximise_between(f, 0.0, 6.0, 60);
        // cos(3x) = −1/30 near x = 2π·2/3 + π/6.
        assert!((f(top) - f(4.723)).abs() < 1e-3 && top > 4.0, "{top}");
        let edge = maximise_between(|x| x, 0.0, 2.0, 10);
        assert!((edge - 2.0).abs() < 1e-4);
    }
}
