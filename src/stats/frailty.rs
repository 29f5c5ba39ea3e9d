//! Containers that do better or worse than the model throughout, and what
//! their own counts say of each.
//!
//! Not a fit of the model itself: it takes what the model expected of each
//! container and what came.

/// How unlike containers are: variance of a factor, mean 1, on each
/// container's hazard. 0 when they scatter no more than seeds do.
///
/// # Arguments
/// - `came`: germinated so far in each container, shape `(n,)`.
/// - `expected`: what the model expected of it by then, same order.
///
/// # Source
/// Method of moments for the gamma-Poisson mixture: Var(k) = m + v m²
/// (textbook; from memory). Test
/// `the_variance_is_that_of_the_factors_drawn`.
///
/// # Example
/// ```
/// use vernalog::stats::frailty::variance;
/// // (30 − 20)² + (10 − 20)² − 40 over 2 · 20²
/// let v = variance(&[30.0, 10.0], &[20.0, 20.0]);
/// assert!((v - 0.2).abs() < 1e-12);
/// ```
#[must_use]
pub fn variance(came: &[f64], expected: &[f64]) -> f64 {
    let (mut above, mut squares) = (0.0, 0.0);
    for (k, m) in came.iter().zip(expected) {
        above += (k - m).powi(2) - m;
        squares += m * m;
    }
    if squares > 0.0 { (above / squares).max(0.0) } else { 0.0 }
}

/// What is known of one container's factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// Its mean.
    pub mean: f64,
    /// Its variance over its squared mean.
    pub relative_variance: f64,
}

/// One container's factor, from its own count and from the others.
///
/// # Arguments
/// - `came`, `expected`: of this container.
/// - `variance`: of the factors, see [`variance`].
///
/// # Source
/// The gamma distribution is conjugate to the Poisson: shape 1/v + k, rate
/// 1/v + m (textbook; from memory).
///
/// # Example
/// ```
/// use vernalog::stats::frailty::factor;
/// // Shape 5 + 9, rate 5 + 3.
/// let known = factor(9.0, 3.0, 0.2);
/// assert!((known.mean - 1.75).abs() < 1e-12);
/// assert!((known.relative_variance - 1.0 / 14.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn factor(came: f64, expected: f64, variance: f64) -> Factor {
    if variance <= 0.0 {
        return Factor { mean: 1.0, relative_variance: 0.0 };
    }
    let shape = 1.0 / variance + came;
    Factor {
        mean: shape / (1.0 / variance + expected),
        relative_variance: 1.0 / shape,
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Gamma, Poisson};

    use super::*;

    #[test]
    fn the_variance_is_that_of_the_factors_drawn() {
        let mut dice = ChaCha8Rng::seed_from_u64(20_261_126);
        let factors = Gamma::new(4.0, 0.25).unwrap();
        let (mut came, mut expected) = (Vec::new(), Vec::new());
        for _ in 0..20_000 {
            let mean = 15.0 * factors.sample(&mut dice);
            came.push(Poisson::new(mean).unwrap().sample(&mut dice));
            expected.push(15.0);
        }
        let found = variance(&came, &expected);
        assert!((found - 0.25).abs() < 0.02, "{found}");
    }

    #[test]
    fn containers_alike_are_all_one() {
        assert!(variance(&[20.0, 20.0, 20.0], &[20.0; 3]).abs() < 1e-12);
        let known = factor(30.0, 20.0, 0.0);
        assert!((known.mean - 1.0).abs() < 1e-12);
        assert!(variance(&[], &[]).abs() < 1e-12);
    }
}
