//! Invented trials as counts alone: batches scatter, containers of a batch
//! scatter, seeds of a container are independent.
//!
//! The matching generator: scatter is normal on the logit scale. With the
//! effects of a factor set to nought it is the null generator.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Binomial, Distribution, StandardNormal};
use vernalog::stats::proportion::Proportion;
use vernalog::stats::strata::{ContainerOutcome, Factor, Stratum};

/// The truth of a trial; effects and scatter in logits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Truth {
    pub(crate) name: &'static str,
    pub(crate) middle: f64,
    pub(crate) chills: &'static [f64],
    pub(crate) places: &'static [f64],
    pub(crate) lots: &'static [f64],
    /// Batches for each lot and chill.
    pub(crate) batches: usize,
    /// Containers for each batch and place.
    pub(crate) containers: usize,
    pub(crate) seeds: u32,
    pub(crate) batch_scatter: f64,
    pub(crate) container_scatter: f64,
}

/// One batch that was drawn, for truths that hold for these batches.
#[derive(Debug, Clone, Copy)]
struct DrawnBatch {
    eta: f64,
}

/// A trial that happened.
pub(crate) struct Trial {
    pub(crate) rows: Vec<ContainerOutcome>,
    batches: Vec<DrawnBatch>,
}

pub(crate) const CHILL: usize = 0;
pub(crate) const PLACE: usize = 1;

pub(crate) fn factors() -> [Factor; 2] {
    let factor =
        |name: &str, applied_to| Factor { name: name.to_owned(), applied_to };
    [factor("chill", Stratum::Batch), factor("place", Stratum::Container)]
}

pub(crate) fn logistic(eta: f64) -> f64 {
    1.0 / (1.0 + (-eta).exp())
}

/// Mean chance when the logit scatters about `eta`, by a fine sum over the
/// bell curve.
fn mean_chance(eta: f64, scatter: f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for step in -30..=30 {
        let z = f64::from(step) / 6.0;
        let weight = (-z * z / 2.0).exp();
        sum += weight * logistic(eta + scatter * z);
        weights += weight;
    }
    sum / weights
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    sum / n
}

fn bell(dice: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(dice)
}

/// How many of `n` seeds germinate.
pub(crate) fn germinated(dice: &mut ChaCha8Rng, n: u32, chance: f64) -> u32 {
    let drawn = Binomial::new(n.into(), chance).unwrap().sample(dice);
    u32::try_from(drawn).unwrap()
}

impl Truth {
    pub(crate) fn invent(&self, dice: &mut ChaCha8Rng) -> Trial {
        let (mut rows, mut batches) = (Vec::new(), Vec::new());
        for (chill, chill_effect) in self.chills.iter().enumerate() {
            for (lot, lot_effect) in self.lots.iter().enumerate() {
                for _ in 0..self.batches {
                    let eta = self.middle
                        + chill_effect
                        + lot_effect
                        + self.batch_scatter * bell(dice);
                    let batch = batches.len();
                    batches.push(DrawnBatch { eta });
                    for (place, effect) in self.places.iter().enumerate() {
                        for _ in 0..self.containers {
                            let off = self.container_scatter * bell(dice);
                            let chance = logistic(eta + effect + off);
                            let k = germinated(dice, self.seeds, chance);
                            rows.push(ContainerOutcome {
                                container: format!("box-{}", rows.len()),
                                batch: format!("batch-{batch:02}"),
                                lot: format!("lot-{lot}"),
                                outcome: Proportion::new(k, self.seeds)
                                    .unwrap(),
                                levels: vec![
                                    chill.to_string(),
                                    place.to_string(),
                                ],
                            });
                        }
                    }
                }
            }
        }
        Trial { rows, batches }
    }

    /// The chance at a chill over all batches there could be.
    pub(crate) fn of_chill(&self, chill: usize) -> f64 {
        let scatter = self.batch_scatter.hypot(self.container_scatter);
        mean(self.lots.iter().flat_map(|lot| {
            self.places.iter().map(move |place| {
                let eta = self.middle + self.chills[chill] + lot + place;
                mean_chance(eta, scatter)
            })
        }))
    }

    /// The chance at a place for the batches of this trial.
    pub(crate) fn of_place(&self, trial: &Trial, place: usize) -> f64 {
        mean(trial.batches.iter().map(|batch| {
            mean_chance(batch.eta + self.places[place], self.container_scatter)
        }))
    }
}
