//! How long to wait before the next try.
//!
//! Not the waiting itself: a few numbers that can be tested without a clock.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

/// A connection that lived this long is taken as sound: the next trouble
/// starts with the shortest wait again.
const HEALTHY: Duration = Duration::from_secs(30);

/// Waits that double, with jitter, so that several programs that lost the
/// same broker do not come back in step.
#[derive(Debug, Clone)]
pub(crate) struct Patience {
    shortest: Duration,
    longest: Duration,
    next: Duration,
}

impl Patience {
    pub(crate) const fn new(shortest: Duration, longest: Duration) -> Self {
        Self { shortest, longest, next: shortest }
    }

    /// The wait after a connection that lived for `lived` (zero when none
    /// came about).
    pub(crate) fn wait(&mut self, lived: Duration) -> Duration {
        if lived >= HEALTHY {
            self.reset();
        }
        let wait = self.next;
        self.next = (self.next * 2).min(self.longest);
        wait.mul_f64(0.5 + chance() / 2.0)
    }

    /// The last connection did its work.
    pub(crate) fn reset(&mut self) {
        self.next = self.shortest;
    }
}

/// A number from 0 up to 1 that differs between two calls and two machines.
fn chance() -> f64 {
    let bits = RandomState::new().hash_one(0_u8) >> 32;
    let bits = u32::try_from(bits).expect("a half of 64 bits has 32");
    f64::from(bits) / f64::from(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    fn patience() -> Patience {
        Patience::new(SECOND, 60 * SECOND)
    }

    fn between(wait: Duration, full: Duration) {
        assert!(wait >= full / 2 && wait <= full, "{wait:?} for {full:?}");
    }

    #[test]
    fn waits_double_up_to_a_minute() {
        let mut patience = patience();
        for seconds in [1, 2, 4, 8, 16, 32, 60, 60] {
            between(patience.wait(Duration::ZERO), SECOND * seconds);
        }
    }

    #[test]
    fn a_short_life_does_not_shorten_the_wait() {
        let mut patience = patience();
        patience.wait(Duration::ZERO);
        between(patience.wait(29 * SECOND), 2 * SECOND);
        between(patience.wait(30 * SECOND), SECOND);
    }
}
