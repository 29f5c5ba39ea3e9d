//! How a chance hangs on a sum of effects.
//!
//! Not a list of all links: the two a germination trial needs.

/// How the chance hangs on the sum of effects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Link {
    /// `ln(p / (1 − p))`.
    Logit,
    /// `ln(−ln(1 − p))`: for hazards over a stretch of time.
    ComplementaryLogLog,
}

impl Link {
    /// The link of a chance strictly between 0 and 1.
    #[must_use]
    pub fn of(self, p: f64) -> f64 {
        match self {
            Self::Logit => (p / (1.0 - p)).ln(),
            Self::ComplementaryLogLog => (-(-p).ln_1p()).ln(),
        }
    }

    /// The chance that belongs to a sum of effects, kept off 0 and 1.
    #[must_use]
    pub fn chance(self, eta: f64) -> f64 {
        let eta = self.bounded(eta);
        match self {
            Self::Logit => 1.0 / (1.0 + (-eta).exp()),
            Self::ComplementaryLogLog => -(-eta.exp()).exp_m1(),
        }
    }

    /// How the chance rises with the sum of effects.
    #[must_use]
    pub fn slope(self, eta: f64) -> f64 {
        let eta = self.bounded(eta);
        match self {
            Self::Logit => self.spread(eta),
            Self::ComplementaryLogLog => (eta - eta.exp()).exp(),
        }
    }

    /// `p (1 − p)` of the chance, without cancellation.
    #[must_use]
    pub fn spread(self, eta: f64) -> f64 {
        let eta = self.bounded(eta);
        match self {
            Self::Logit => {
                let tail = (-eta.abs()).exp();
                tail / (1.0 + tail).powi(2)
            }
            Self::ComplementaryLogLog => self.chance(eta) * (-eta.exp()).exp(),
        }
    }

    /// Information a unit of `n` carries about the sum of effects.
    pub(crate) fn weight(self, eta: f64, n: f64) -> f64 {
        n * self.slope(eta).powi(2) / self.spread(eta)
    }

    /// The sum of effects, kept where the chance is neither 0 nor 1.
    pub(crate) fn bounded(self, eta: f64) -> f64 {
        match self {
            Self::Logit => eta.clamp(-30.0, 30.0),
            Self::ComplementaryLogLog => eta.clamp(-30.0, 3.4),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_and_its_chance_undo_each_other() {
        for link in [Link::Logit, Link::ComplementaryLogLog] {
            for p in [1e-9, 0.02, 0.5, 0.97] {
                let back = link.chance(link.of(p));
                assert!((back / p - 1.0).abs() < 1e-9, "{link:?} {p} {back}");
            }
        }
    }

    #[test]
    fn slopes_match_differences_and_spreads_stay_above_zero() {
        for link in [Link::Logit, Link::ComplementaryLogLog] {
            for eta in [-5.0, -0.3, 1.2] {
                let step = 1e-6;
                let rise = link.chance(eta + step) - link.chance(eta - step);
                let off = link.slope(eta) - rise / (2.0 * step);
                assert!(off.abs() < 1e-8, "{link:?} {eta}");
            }
            for eta in [-1e6, 1e6] {
                assert!(link.spread(eta) > 0.0 && link.weight(eta, 9.0) > 0.0);
                assert!(link.chance(eta) > 0.0 && link.chance(eta) < 1.0);
            }
        }
    }
}
