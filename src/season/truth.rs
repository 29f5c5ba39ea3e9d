//! The known truth: what really decides whether and when a seed germinates,
//! and what became of each batch and container.
//!
//! Plain data and a few formulas. The grower never sees it; tests and
//! simulations compare the report with it.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::observation::Name;
use crate::units::{Fraction, Instant};

/// What a length of moist chilling does, before all other effects.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChillTruth {
    /// Length of the chilling.
    pub weeks: u32,
    /// Share of seeds that can germinate, at average light and lot.
    pub share: f64,
    /// Warmth above the base at which half of those have, °C·d.
    pub half_warmth: f64,
}

/// Germination in the cold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColdTruth {
    /// None before so many weeks.
    pub after_weeks: f64,
    /// Then this share of the living seeds each week.
    pub per_week: f64,
}

/// Mould in the bags of the fridge and in the containers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MouldTruth {
    /// Chance a week that a bag begins to mould in dry air.
    pub per_week: f64,
    /// Added to it when all hours of the week are very damp.
    pub per_damp_week: f64,
    /// What counts as very damp, % RH.
    pub damp_percent: f64,
    /// Chance that an empty or dead seed moulds in a container.
    pub in_container: f64,
}

/// The truth behind a season.
///
/// The chance of a seed to be able to germinate has the logit of the share of
/// its chill, plus its lot's effect, plus the light effect times (log₁₀(1 +
/// mean lux) − 2), plus the scatter of its batch and container; it does when the warmth above the
/// base since sowing reaches its own need, whose log₁₀ is normal around that
/// of `half_warmth` (times a scatter of the container) with `spread`. Mould
/// takes only empty and dead seeds once they are sown.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Temperature below which nothing happens, °C.
    pub base_celsius: f64,
    /// How far that base falls for each week of chilling, °C. Above 0 the
    /// plain thermal-time model is wrong, on purpose.
    pub base_fall_per_week: f64,
    /// Spread of seeds, in log₁₀ of warmth.
    pub spread: f64,
    /// By length of chilling.
    pub chills: Vec<ChillTruth>,
    /// Effect of light, in logits for each tenfold of mean lux.
    pub light_effect: f64,
    /// Effect of each lot, in logits.
    pub lot_effects: Vec<f64>,
    /// Standard deviation between batches, in logits.
    pub batch_scatter: f64,
    /// Standard deviation between containers, in logits.
    pub container_scatter: f64,
    /// Standard deviation of a container's log₁₀ warmth need.
    pub timing_scatter: f64,
    /// In the fridge.
    pub cold: ColdTruth,
    /// Mould.
    pub mould: MouldTruth,
    /// Share of empty seeds.
    pub empty_share: f64,
    /// Share of dead seeds.
    pub dead_share: f64,
}

/// Days after sowing over whose light a container's chance is set.
pub(crate) const LIGHT_DAYS: f64 = 21.0;

impl Truth {
    /// The share of seeds that can germinate, without any scatter.
    #[must_use]
    pub fn expected_share(
        &self,
        chill: usize,
        lot: usize,
        mean_lux: f64,
    ) -> Fraction {
        self.share_with(chill, lot, mean_lux, 0.0)
    }

    /// The same with the scatter of a batch and container, in logits.
    #[must_use]
    pub fn share_with(
        &self,
        chill: usize,
        lot: usize,
        mean_lux: f64,
        scatter: f64,
    ) -> Fraction {
        let share = self.chills[chill].share;
        let logit = (share / (1.0 - share)).ln()
            + self.lot_effects[lot]
            + self.light_effect * ((1.0 + mean_lux).log10() - 2.0)
            + scatter;
        Fraction::new(1.0 / (1.0 + (-logit).exp()))
            .expect("a logistic value lies in 0–1")
    }

    /// The base temperature of seeds after a length of chilling, °C.
    #[must_use]
    pub fn base_of(&self, chill: usize) -> f64 {
        self.base_celsius
            - self.base_fall_per_week * f64::from(self.chills[chill].weeks)
    }

    /// The share of those that can germinate that have, at a warmth.
    #[must_use]
    pub fn reached(&self, warmth: f64, half_warmth: f64) -> Fraction {
        let share = if warmth <= 0.0 {
            0.0
        } else {
            let z = (warmth.log10() - half_warmth.log10()) / self.spread;
            Normal::standard().cdf(z)
        };
        Fraction::new(share).expect("a distribution function lies in 0–1")
    }

    /// The same truth in which neither chill nor light nor lot matters.
    #[must_use]
    pub fn without_effects(mut self) -> Self {
        let n = self.chills.len().max(1) as f64;
        let mean = |of: fn(&ChillTruth) -> f64| {
            self.chills.iter().map(of).sum::<f64>() / n
        };
        let (share, half_warmth) = (mean(|c| c.share), mean(|c| c.half_warmth));
        for chill in &mut self.chills {
            *chill = ChillTruth { share, half_warmth, ..*chill };
        }
        self.light_effect = 0.0;
        self.lot_effects.fill(0.0);
        self.base_fall_per_week = 0.0;
        self
    }
}

/// What became of a batch in truth.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchTruth {
    /// The batch.
    pub batch: Name,
    /// Its lot.
    pub lot: Name,
    /// Its length of chilling.
    pub chill_weeks: u32,
    /// Its own scatter, in logits.
    pub scatter: f64,
    /// When mould began in the bag, if it did.
    pub mould_began: Option<Instant>,
    /// Share of its hours in the fridge that were very damp.
    pub damp_share: f64,
}

/// What became of a container in truth, after all scatter.
#[derive(Debug, Clone, PartialEq)]
pub struct ContainerTruth {
    /// The container.
    pub container: Name,
    /// The batch it was sown from.
    pub batch: Name,
    /// Its lot.
    pub lot: Name,
    /// Where it stood.
    pub place: Name,
    /// The length of chilling of its batch.
    pub chill_weeks: u32,
    /// Seeds sown.
    pub seeds: u32,
    /// Mean light of its first weeks, lx.
    pub mean_lux: f64,
    /// Chance of a seed to be able to germinate.
    pub able: Fraction,
    /// Warmth need of half of those, °C·d.
    pub half_warmth: f64,
    /// Chance of a seed to have germinated by the last look: the number that
    /// an interval for this container's fraction should cover.
    pub fraction: Fraction,
    /// Seeds that did germinate and were counted.
    pub germinated: u32,
}

#[cfg(test)]
mod tests {
    use crate::season::rowan;

    #[test]
    fn two_chill_lengths_are_tied_and_the_others_far_apart() {
        let truth = rowan::rowan_plan(1).truth;
        let share = |k: usize| truth.chills[k].share;
        assert!((share(2) - share(3)).abs() < 1e-12);
        assert!(share(1) - share(0) > 0.2 && share(2) - share(1) > 0.2);
        // The longest chilling brings the surge forward and no more.
        assert!(truth.chills[3].half_warmth < truth.chills[2].half_warmth);
    }

    /// Source: logit⁻¹(logit p) = p; half have germinated at `half_warmth`,
    /// and 84.13 % one standard deviation above (normal tables).
    #[test]
    fn formulas_hold_at_known_points() {
        let truth = rowan::rowan_plan(1).truth;
        let mut plain = truth.clone();
        plain.lot_effects.fill(0.0);
        let share = plain.expected_share(2, 0, 99.0).value();
        assert!((share - plain.chills[2].share).abs() < 1e-12);
        assert!((truth.reached(110.0, 110.0).value() - 0.5).abs() < 1e-12);
        let above = 110.0 * 10_f64.powf(truth.spread);
        assert!((truth.reached(above, 110.0).value() - 0.8413).abs() < 5e-5);
        assert!(truth.reached(0.0, 110.0).value() < 1e-12);
    }

    #[test]
    fn a_base_that_falls_in_the_cold_is_lower_after_long_chilling() {
        let mut truth = rowan::rowan_plan(1).truth;
        assert!((truth.base_of(3) - truth.base_of(0)).abs() < 1e-12);
        truth.base_fall_per_week = 0.1;
        assert!((truth.base_of(0) - 3.0).abs() < 1e-12);
        assert!((truth.base_of(3) - 1.2).abs() < 1e-12);
    }

    #[test]
    fn without_effects_nothing_differs() {
        let null = rowan::rowan_plan(1).truth.without_effects();
        let first = null.expected_share(0, 0, 5.0);
        for chill in 0..4 {
            for lot in 0..2 {
                assert_eq!(null.expected_share(chill, lot, 9e3), first);
            }
        }
    }
}
