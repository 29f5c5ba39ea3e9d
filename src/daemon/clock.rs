//! The host's clocks, in one place, so that tests can set them and a step of
//! the wall clock is noticed.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use crate::source::Now;
use crate::units::Instant;

/// The wall clock, and one beside it that nobody can set.
#[derive(Clone)]
pub struct Clock {
    /// What time it is.
    pub wall: Now,
    /// Time since some moment; runs evenly.
    pub steady: Arc<dyn Fn() -> Duration + Send + Sync>,
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Clock").field("wall", &self.now()).finish()
    }
}

impl Clock {
    /// The clocks of this machine.
    #[must_use]
    pub fn of_the_host() -> Self {
        let start = std::time::Instant::now();
        Self {
            wall: Arc::new(host_now),
            steady: Arc::new(move || start.elapsed()),
        }
    }

    /// What time it is.
    #[must_use]
    pub fn now(&self) -> Instant {
        (self.wall)()
    }
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

/// Compares the two clocks.
#[derive(Debug)]
pub(crate) struct StepWatch {
    clock: Clock,
    wall: Instant,
    steady: Duration,
}

impl StepWatch {
    pub(crate) fn new(clock: Clock) -> Self {
        let (wall, steady) = (clock.now(), (clock.steady)());
        Self { clock, wall, steady }
    }

    /// By how much the wall clock was set since the last call, ms, if it was.
    pub(crate) fn step(&mut self) -> Option<i64> {
        let (wall, steady) = (self.clock.now(), (self.clock.steady)());
        let elapsed = steady.saturating_sub(self.steady).as_millis();
        let elapsed = i64::try_from(elapsed).unwrap_or(i64::MAX);
        let step = wall.millis_since(self.wall) - elapsed;
        (self.wall, self.steady) = (wall, steady);
        (step.abs() >= LEAST_STEP_MS).then_some(step)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

    use super::*;

    #[test]
    fn a_step_of_the_wall_clock_is_told_and_steering_is_not() {
        let (wall, steady) =
            (Arc::new(AtomicI64::new(0)), Arc::new(AtomicU64::new(0)));
        let (w, s) = (Arc::clone(&wall), Arc::clone(&steady));
        let clock = Clock {
            wall: Arc::new(move || {
                Instant::from_millis(w.load(Ordering::SeqCst))
            }),
            steady: Arc::new(move || {
                Duration::from_millis(s.load(Ordering::SeqCst))
            }),
        };
        let mut watch = StepWatch::new(clock);
        let mut pass = |wall_ms, steady_ms| {
            wall.fetch_add(wall_ms, Ordering::SeqCst);
            steady.fetch_add(steady_ms, Ordering::SeqCst);
            watch.step()
        };
        assert_eq!(pass(1_000, 1_000), None);
        assert_eq!(pass(1_500, 1_000), None);
        assert_eq!(pass(3_601_000, 1_000), Some(3_600_000));
        assert_eq!(pass(-3_599_000, 1_000), Some(-3_600_000));
    }
}
