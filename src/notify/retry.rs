//! When to try again to tell an alert that was not taken.
//!
//! Not a queue and no clock: the daemon keeps the outbox and asks.

use crate::units::{Instant, MILLIS_PER_DAY};

const MINUTE: i64 = 60_000;
/// The wait after the first failure, unless the settings say otherwise, ms.
pub const FIRST_WAIT: i64 = MINUTE;
/// The longest wait between two tries, ms. A next try further away than that
/// means that the clock was set back, so it is due as well.
pub const LONGEST_WAIT: i64 = 6 * 60 * MINUTE;
/// How long an alert is worth telling.
const PATIENCE: i64 = 3 * MILLIS_PER_DAY;

/// When to try next: after `first_wait` (commonly [`FIRST_WAIT`], a minute),
/// then twice as long each time up to six hours; `None` when that lies more than three days after it was queued, so
/// that the alert is given up and shown as undelivered.
///
/// # Arguments
/// - `queued`: when the alert was put into the outbox.
/// - `failed`: tries that have failed, at least 1.
/// - `now`: when the last of them failed.
/// - `first_wait`: the wait after the first failure, ms.
///
/// # Example
/// ```
/// use vernalog::notify::retry::{FIRST_WAIT, next_try};
/// use vernalog::units::Instant;
/// let queued = Instant::from_millis(0);
/// let now = Instant::from_millis(200_000);
/// let next = next_try(queued, 3, now, FIRST_WAIT);
/// assert_eq!(next, Some(Instant::from_millis(440_000)));
/// ```
#[must_use]
pub fn next_try(
    queued: Instant,
    failed: u32,
    now: Instant,
    first_wait: i64,
) -> Option<Instant> {
    let doublings = failed.saturating_sub(1).min(20);
    let wait = first_wait.clamp(1, LONGEST_WAIT) << doublings;
    let wait = wait.min(LONGEST_WAIT);
    let next = now.plus_millis(wait);
    (next.millis_since(queued) <= PATIENCE).then_some(next)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(minute: i64) -> Instant {
        Instant::from_millis(minute * MINUTE)
    }

    /// Source: worked out by hand from the rule: 1 + 2 + … + 256 = 511
    /// minutes, then steps of 360; the last within 4320 minutes is 4111.
    #[test]
    fn tries_thin_out_and_end_after_three_days() {
        let (mut now, mut failed, mut tries) = (minute(0), 1, Vec::new());
        while let Some(next) = next_try(minute(0), failed, now, MINUTE) {
            tries.push(next.millis() / MINUTE);
            (now, failed) = (next, failed + 1);
        }
        assert_eq!(tries[..9], [1, 3, 7, 15, 31, 63, 127, 255, 511]);
        assert_eq!(tries[9..12], [871, 1231, 1591]);
        assert_eq!(tries.last(), Some(&4111));
        let last = next_try(minute(0), u32::MAX, minute(0), MINUTE);
        assert_eq!(last, Some(minute(360)));
    }
}
