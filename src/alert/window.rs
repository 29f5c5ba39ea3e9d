//! The recent readings of one series and their time-weighted mean.
//!
//! Not a store and not for doses: it holds just what the mean needs, without
//! a hole (the caller empties it at one), and it fills nothing.

use std::collections::VecDeque;

use crate::observation::{Quality, Reading};

/// Adds a reading and drops those the mean over `span` ms no longer needs:
/// one at or before the window's left edge stays, to draw the line from.
pub(super) fn push(
    window: &mut VecDeque<Reading>,
    reading: Reading,
    span: i64,
) {
    window.push_back(reading);
    let edge = reading.at.plus_millis(-span);
    while window.get(1).is_some_and(|second| second.at <= edge) {
        window.pop_front();
    }
}

/// Keeps readings ten minutes apart, which is enough for the mean of a day.
pub(super) fn push_thinned(
    window: &mut VecDeque<Reading>,
    reading: Reading,
    span: i64,
) {
    /// A little less than ten minutes, since boards' clocks wander.
    const APART: i64 = 590_000;
    let early = window
        .back()
        .is_some_and(|last| reading.at.millis_since(last.at) < APART);
    if !early {
        push(window, reading, span);
    }
}

/// The mean over the last `span` ms before the newest reading, linear
/// between readings; `None` until the readings reach back that far.
pub(super) fn mean(window: &VecDeque<Reading>, span: i64) -> Option<f64> {
    let newest = window.back()?;
    if span == 0 {
        return Some(newest.value);
    }
    let edge = newest.at.plus_millis(-span);
    if window.front()?.at > edge {
        return None;
    }
    let later = window.iter().skip(1);
    let area: f64 = window
        .iter()
        .zip(later)
        .map(|(from, to)| {
            let start = from.at.max(edge);
            let value = if from.at < edge {
                let share =
                    edge.hours_since(from.at) / to.at.hours_since(from.at);
                from.value + share * (to.value - from.value)
            } else {
                from.value
            };
            to.at.hours_since(start) * (value + to.value) / 2.0
        })
        .sum();
    Some(area / newest.at.hours_since(edge))
}

/// Marks of any reading in the window.
pub(super) fn marks(window: &VecDeque<Reading>) -> Quality {
    window
        .iter()
        .fold(Quality::GOOD, |marks, reading| marks.with(reading.quality))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Instant;

    fn window_of(readings: &[(i64, f64)], span: i64) -> VecDeque<Reading> {
        let mut window = VecDeque::new();
        for (minute, value) in readings {
            let at = Instant::from_millis(minute * 60_000);
            let reading = Reading { at, value: *value, quality: Quality::GOOD };
            push(&mut window, reading, span * 60_000);
        }
        window
    }

    fn check(readings: &[(i64, f64)], span: i64, expected: Option<f64>) {
        let found = mean(&window_of(readings, span), span * 60_000);
        match (found, expected) {
            (Some(found), Some(expected)) => {
                assert!((found - expected).abs() < 1e-12, "{found}");
            }
            _ => assert_eq!(found.is_some(), expected.is_some()),
        }
    }

    /// Source: areas of trapezoids, computed by hand.
    #[test]
    fn the_mean_weighs_by_time_not_by_number_of_readings() {
        // A ramp 0 → 10 in 10 min, then a fast board at 10 for 1 min.
        check(&[(0, 0.0), (10, 10.0), (11, 10.0)], 11, Some(60.0 / 11.0));
        // The left edge lies between two readings: the line at minute 5 is 5,
        // so the mean of the last five minutes is 7.5.
        check(&[(0, 0.0), (10, 10.0)], 5, Some(7.5));
        // Uneven steps: 4 for 6 min, ramp to 8 in 2 min, 8 for 2 min.
        check(
            &[(0, 4.0), (6, 4.0), (8, 8.0), (10, 8.0)],
            10,
            Some((24.0 + 12.0 + 16.0) / 10.0),
        );
    }

    #[test]
    fn no_mean_before_the_readings_reach_back_far_enough() {
        check(&[], 10, None);
        check(&[(0, 4.0), (9, 4.0)], 10, None);
        check(&[(0, 4.0), (10, 4.0)], 10, Some(4.0));
        check(&[(3, 4.5)], 0, Some(4.5));
    }

    #[test]
    fn the_window_keeps_only_what_the_mean_needs() {
        let readings: Vec<_> = (0..500).map(|minute| (minute, 4.0)).collect();
        assert_eq!(window_of(&readings, 30).len(), 31);
        assert_eq!(window_of(&readings, 0).len(), 1);
    }
}
