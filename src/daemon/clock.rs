//! The host's clocks, in one place, so that tests can set them and a step of
//! the wall clock is noticed.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};

use crate::source::Now;
use crate::units::Instant;

/// The wall clock, and one beside it that nobody can set.
#[derive(Clone)]
pub struct Clock {
    /// What time it is.
    pub wall: Now,
    /// Time since some moment; runs evenly, also while the machine sleeps.
    pub steady: Arc<dyn Fn() -> Duration + Send + Sync>,
    /// How often the daemon looks at them, and at the ledger.
    pub look: Duration,
}

/// How often the daemon looks, unless a test is in a hurry.
pub const LOOK: Duration = Duration::from_secs(1);

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Clock").field("wall", &self.now()).finish()
    }
}

impl Clock {
    /// The clocks of this machine.
    #[must_use]
    pub fn of_the_host() -> Self {
        Self {
            wall: Arc::new(host_now),
            steady: Arc::new(since_boot),
            look: LOOK,
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

/// Time since this machine was started. Unlike the standard library's clock
/// it counts the time in which the machine sleeps: a machine that wakes up
/// is not taken for one whose clock was set.
fn since_boot() -> Duration {
    let passed = clock_gettime(ClockId::Boottime);
    let seconds = u64::try_from(passed.tv_sec).unwrap_or(0);
    let nanos = u64::try_from(passed.tv_nsec).unwrap_or(0);
    Duration::from_secs(seconds) + Duration::from_nanos(nanos)
}

/// A machine without a clock of its own starts in 1970. Before this, 1
/// January 2025, the clock was never set: this program is younger.
const FIRST_TRUE: Instant = Instant::from_millis(1_735_689_600_000);

/// Whether the wall clock can be right.
pub(crate) fn is_set(now: Instant) -> bool {
    now >= FIRST_TRUE
}

/// A step smaller than this is the clock being steered, ms.
const LEAST_STEP_MS: i64 = 2_000;

/// Reading both clocks takes no longer than this, or it is done again.
const AT_ONCE: Duration = Duration::from_millis(100);

/// A step of the wall clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Step {
    /// By how much it was set, ms.
    pub(crate) by_ms: i64,
    /// The last look before it, by the clock as it was.
    before: Instant,
    /// The look that found it.
    found: Instant,
}

impl Step {
    /// A receipt by the clock as it is now: one that was stamped before the
    /// step is moved along.
    pub(crate) fn by_the_new_clock(&self, received: Instant) -> Instant {
        let from = |look| received.millis_since(look).abs();
        if from(self.before) < from(self.found) {
            received.plus_millis(self.by_ms)
        } else {
            received
        }
    }
}

/// Compares the two clocks.
#[derive(Debug)]
pub(crate) struct StepWatch {
    clock: Clock,
    wall: Instant,
    steady: Duration,
}

impl StepWatch {
    pub(crate) fn new(clock: Clock) -> Self {
        let (wall, steady) = both(&clock);
        Self { clock, wall, steady }
    }

    /// Both clocks as they stood at the last call: a step since then is not
    /// known yet, so nothing may be judged by a later time.
    pub(crate) fn looked(&self) -> (Instant, Duration) {
        (self.wall, self.steady)
    }

    /// The step of the wall clock since the last call, if it was set.
    pub(crate) fn step(&mut self) -> Option<Step> {
        let (wall, steady) = both(&self.clock);
        let elapsed = steady.saturating_sub(self.steady).as_millis();
        let elapsed = i64::try_from(elapsed).unwrap_or(i64::MAX);
        let by_ms = wall.millis_since(self.wall) - elapsed;
        let before = std::mem::replace(&mut self.wall, wall);
        self.steady = steady;
        (by_ms.abs() >= LEAST_STEP_MS).then_some(Step {
            by_ms,
            before,
            found: wall,
        })
    }
}

/// Both clocks at one moment. A pause between the two looks would be taken
/// for a step.
fn both(clock: &Clock) -> (Instant, Duration) {
    loop {
        let before = (clock.steady)();
        let wall = clock.now();
        let after = (clock.steady)();
        if after.saturating_sub(before) < AT_ONCE {
            return (wall, after);
        }
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
            look: LOOK,
        };
        let mut watch = StepWatch::new(clock);
        let mut pass = |wall_ms, steady_ms| {
            wall.fetch_add(wall_ms, Ordering::SeqCst);
            steady.fetch_add(steady_ms, Ordering::SeqCst);
            watch.step().map(|step| step.by_ms)
        };
        assert_eq!(pass(1_000, 1_000), None);
        assert_eq!(pass(1_500, 1_000), None);
        assert_eq!(pass(3_601_000, 1_000), Some(3_600_000));
        assert_eq!(pass(-3_599_000, 1_000), Some(-3_600_000));
    }

    #[test]
    fn a_receipt_from_before_the_step_is_moved_along() {
        let at = Instant::from_millis;
        for by_ms in [3_600_000, -3_600_000] {
            let before = at(10_000_000);
            let found = before.plus_millis(1_000 + by_ms);
            let step = Step { by_ms, before, found };
            let old = before.plus_millis(400);
            let new = found.plus_millis(-300);
            assert_eq!(step.by_the_new_clock(old), old.plus_millis(by_ms));
            assert_eq!(step.by_the_new_clock(new), new);
        }
    }
}
