//! A watch played over readings of the past: which alerts would it have
//! raised?
//!
//! The same rule and course as in the daemon. Readings that came late are
//! judged here as if they had come in time.

use std::time::Duration;

use crate::alert::course::{WatchState, memory, step};
use crate::alert::{Change, Event, Input, silent_after};
use crate::observation::{Quality, Reading};
use crate::trial::entry::Watch;
use crate::units::Instant;

/// The interval assumed where fewer than two readings are known.
const USUAL_INTERVAL: Duration = Duration::from_mins(10);

/// An alert that would have been.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Replayed {
    /// Its beginning.
    pub raised: Event,
    /// Its end, if it ended.
    pub cleared: Option<Event>,
}

/// From where readings are needed to judge from an instant on.
#[must_use]
pub fn needed_from(watch: &Watch, from: Instant) -> Instant {
    from.plus_millis(-2 * memory(watch))
}

/// Plays a watch over readings, oldest first. Those before `from` are only
/// remembered; what had been open before is not known.
#[must_use]
pub fn replay(
    watch: &Watch,
    readings: &[Reading],
    from: Instant,
    until: Instant,
) -> Vec<Replayed> {
    let silent_after = silent_after(interval(readings));
    let mut state = WatchState::new(from);
    let mut alerts: Vec<Replayed> = Vec::new();
    let mut note = |events: Vec<Event>| {
        for event in events {
            match event.change {
                Change::Raised => {
                    alerts.push(Replayed { raised: event, cleared: None });
                }
                Change::Cleared => {
                    let open = alerts.iter_mut().rev().find(|alert| {
                        alert.raised.raised == event.raised
                            && alert.cleared.is_none()
                    });
                    if let Some(alert) = open {
                        alert.cleared = Some(event);
                    }
                }
                Change::BecameUnknown | Change::Known => {}
            }
        }
    };
    for reading in readings {
        let quality = reading.quality.without(Quality::BACKFILLED);
        let reading = Reading { quality, ..*reading };
        let input = if reading.at < from {
            Input::Past(reading)
        } else {
            Input::Reading(reading)
        };
        let (next, events) = step(watch, state, input, silent_after);
        state = next;
        note(events);
    }
    let (_, events) = step(watch, state, Input::Clock(until), silent_after);
    note(events);
    alerts
}

/// The usual time between readings: their median.
fn interval(readings: &[Reading]) -> Duration {
    let mut between: Vec<i64> = readings
        .windows(2)
        .map(|pair| pair[1].at.millis_since(pair[0].at))
        .filter(|millis| *millis > 0)
        .collect();
    between.sort_unstable();
    between
        .get(between.len() / 2)
        .and_then(|millis| u64::try_from(*millis).ok())
        .map_or(USUAL_INTERVAL, Duration::from_millis)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alert::preset::plain;
    use crate::alert::story::{minute, name, reading};
    use crate::observation::Quantity;
    use crate::trial::entry::Rule;

    #[test]
    fn a_lower_limit_would_have_raised_more_alerts() {
        let watch = |high| Watch {
            high: Some(high),
            mean_minutes: 0,
            for_minutes: 10,
            ..plain(&name("fridge"), Quantity::Temperature, Rule::Range)
        };
        // Three warm hours, each a little warmer; all came late.
        let readings: Vec<Reading> = (0..600)
            .map(|at| {
                let value = match at {
                    100..160 => 6.0,
                    300..360 => 7.5,
                    500..600 => 9.0,
                    _ => 4.0,
                };
                let quality = Quality::BACKFILLED;
                Reading { quality, ..reading(at, value) }
            })
            .collect();
        let alerts = |high| -> Vec<(i64, bool)> {
            replay(&watch(high), &readings, minute(50), minute(600))
                .iter()
                .map(|alert| {
                    let at = alert.raised.at.millis_since(minute(0)) / 60_000;
                    (at, alert.cleared.is_some())
                })
                .collect()
        };
        assert_eq!(alerts(8.0), [(510, false)]);
        assert_eq!(alerts(7.0), [(310, true), (510, false)]);
        assert_eq!(alerts(5.5), [(110, true), (310, true), (510, false)]);
    }
}
