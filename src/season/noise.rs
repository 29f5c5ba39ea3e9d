//! Repeatable irregularity: the same seed gives the same value at the same
//! instant, whatever was asked before.
//!
//! Not a random number generator for counts (those use `ChaCha8Rng`); this
//! is what lets the true climate be looked up at any instant.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use crate::units::Instant;

/// Milliseconds in a minute.
pub(crate) const MINUTE: i64 = 60_000;

/// A source of repeatable values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A source of its own for a thing of this name.
    pub(crate) fn of(self, what: &str) -> Self {
        let mixed =
            what.bytes().fold(self.0, |state, b| mix(state ^ u64::from(b)));
        Self(mix(mixed))
    }

    /// A random number generator that starts here.
    pub(crate) fn dice(self) -> ChaCha8Rng {
        ChaCha8Rng::seed_from_u64(self.0)
    }

    /// The bits at an index.
    pub(crate) fn bits(self, index: i64) -> u64 {
        mix(self.0 ^ mix(index.cast_unsigned()))
    }

    /// A value in 0–1 at an index, evenly spread.
    pub(crate) fn share(self, index: i64) -> f64 {
        /// 2⁵³, as many steps as a float in 0–1 can tell apart.
        const STEPS: f64 = 9_007_199_254_740_992.0;
        (self.bits(index) >> 11) as f64 / STEPS
    }

    /// A value in −1 to 1 at an index, evenly spread.
    pub(crate) fn centred(self, index: i64) -> f64 {
        2.0 * self.share(index) - 1.0
    }

    /// A value with mean 0 and standard deviation 1 at an index, bell-shaped
    /// (a sum of four even ones, so never beyond 3.5).
    pub(crate) fn bell(self, index: i64) -> f64 {
        let sum: f64 =
            (0..4).map(|k| self.centred(index.wrapping_mul(4) + k)).sum();
        sum * (3.0_f64 / 4.0).sqrt()
    }

    /// A smooth course in −1 to 1 that takes a new value every `minutes`.
    pub(crate) fn smooth(self, at: Instant, minutes: i64) -> f64 {
        let step = minutes * MINUTE;
        let index = at.millis().div_euclid(step);
        let within = at.millis().rem_euclid(step) as f64 / step as f64;
        let weight = within * within * (3.0 - 2.0 * within);
        let (a, b) = (self.centred(index), self.centred(index + 1));
        a + (b - a) * weight
    }
}

/// Spreads every bit of the input over the output (the finaliser of the
/// public-domain generator SplitMix64, from memory).
fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: mean 0 and variance 1/3 of an even spread over −1 to 1, and
    /// mean 0, variance 1 by construction (computed).
    #[test]
    fn values_are_spread_as_stated() {
        let noise = Noise::new(1).of("test");
        let n = 20_000;
        let mean = |f: &dyn Fn(i64) -> f64| {
            (0..n).map(f).sum::<f64>() / f64::from(20_000)
        };
        assert!(mean(&|i| noise.centred(i)).abs() < 0.02);
        assert!((mean(&|i| noise.centred(i).powi(2)) - 1.0 / 3.0).abs() < 0.01);
        assert!(mean(&|i| noise.bell(i)).abs() < 0.03);
        assert!((mean(&|i| noise.bell(i).powi(2)) - 1.0).abs() < 0.04);
    }

    #[test]
    fn a_smooth_course_has_no_steps() {
        let noise = Noise::new(2).of("course");
        let mut before = noise.smooth(Instant::from_millis(0), 30);
        for minute in 1..600 {
            let at = Instant::from_millis(minute * MINUTE);
            let now = noise.smooth(at, 30);
            // The steepest slope of the blend is 1.5 × 2 per 30 minutes.
            assert!((now - before).abs() <= 0.101, "at minute {minute}");
            before = now;
        }
    }
}
