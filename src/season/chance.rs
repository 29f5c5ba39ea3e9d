//! Draws for counts: one generator for each thing, so that one more lot or
//! container changes nothing for the others.
//!
//! The climate does not come from here; see `noise`.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Binomial, Distribution, StandardNormal};

use crate::observation::Name;
use crate::season::plan::SeasonPlan;

/// The generator of a thing of this kind and name.
pub(crate) fn dice_for(
    plan: &SeasonPlan,
    what: &str,
    name: &Name,
) -> ChaCha8Rng {
    plan.noise().of(what).of(name.as_str()).dice()
}

/// A draw with mean 0 and standard deviation 1.
pub(crate) fn bell(dice: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(dice)
}

/// How many of n, each with the same chance.
pub(crate) fn binomial(dice: &mut ChaCha8Rng, n: u32, share: f64) -> u32 {
    let drawn = Binomial::new(n.into(), share.clamp(0.0, 1.0))
        .expect("a share lies in 0–1")
        .sample(dice);
    u32::try_from(drawn).expect("at most n")
}
