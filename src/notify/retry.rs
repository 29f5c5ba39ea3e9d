//! When to try again to tell an alert that was not taken.
//!
//! Not a queue and no clock: the daemon keeps the outbox and asks.

use crate::units::{Instant, MILLIS_PER_DAY};

const MINUTE: i64 = 60_000;
/// The wait after the first failure.
const FIRST_WAIT: i64 = MINUTE;
/// The longest wait between two tries, ms. A next try further away than that
/// means that the clock was set back, so it is due as well.
pub const LONGEST_WAIT: i64 = 6 * 60 * MINUTE;
/// How long an alert is worth telling.
const PATIENCE: i64 = 3 * MILLIS_PER_DAY;

/// When to try next: after 1 minute, then twice as long each time up to six
/// hours; `None` when that lies more than three days after it was queued, so
/// that the alert is given up and shown as undelivered.
///
/// # Arguments
/// - `queued`: when the alert was put into the outbox.
/// - `failed`: tries that have failed, at least 1.
/// - `now`: when the last of them failed.
///
/// # Example
/// ```
/// use vernalog::notify::retry::next_try;
/// use vernalog::units::Instant;
/// let queued = Instant::from_millis(0);
/// let next = next_try(queued, 3, Instant::from_millis(200_000));
/// assert_eq!(next, Some(Instant::from_millis(440_000)));
/// ```
#[must_use]
pub fn next_try(queued: Instant, failed: u32, now: Instant) -> Option<Instant> {
    let doublings = failed.saturating_sub(1).min(20);
    let wait = (FIRST_WAIT << doublings).min(LONGEST_WAIT);
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
        while let Some(next) = next_try(minute(0), failed, now) {
            tries.push(next.millis() / MINUTE);
            (now, failed) = (next, failed + 1);
        }
        assert_eq!(tries[..9], [1, 3, 7, 15, 31, 63, 127, 255, 511]);
        assert_eq!(tries[9..12], [871, 1231, 1591]);
        assert_eq!(tries.last(), Some(&4111));
        assert_eq!(next_try(minute(0), u32::MAX, minute(0)), Some(minute(360)));
    }
}
