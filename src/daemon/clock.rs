//! The host's clock, in one place, so that tests can set it and a step of it
//! is noticed.

use std::sync::Arc;
use std::time::Instant as Monotonic;

use crate::source::Now;
use crate::units::Instant;

/// The wall clock of this machine.
#[must_use]
pub fn host() -> Now {
    Arc::new(host_now)
}

/// The present by the wall clock of this machine.
#[must_use]
#[allow(
    clippy::disallowed_methods,
    reason = "this is the Clock that everything else takes time from"
)]
pub fn host_now() -> Instant {
    chrono::Utc::now().into()
}

/// A step smaller than this is the clock being steered, ms.
const LEAST_STEP_MS: i64 = 2_000;

/// Compares the wall clock with one that cannot be set.
#[derive(Debug)]
pub(crate) struct StepWatch {
    wall: Instant,
    monotonic: Monotonic,
}

impl StepWatch {
    pub(crate) fn new(now: Instant) -> Self {
        Self { wall: now, monotonic: Monotonic::now() }
    }

    /// By how much the wall clock was set since the last call, ms, if it was.
    pub(crate) fn step(&mut self, now: Instant) -> Option<i64> {
        let elapsed = i64::try_from(self.monotonic.elapsed().as_millis())
            .unwrap_or(i64::MAX);
        let step = now.millis_since(self.wall) - elapsed;
        *self = Self::new(now);
        (step.abs() >= LEAST_STEP_MS).then_some(step)
    }
}
