//! One line a local day, for charts and tables: mean, low, high, sum.
//!
//! Not a dose: nothing is filled, and a day with holes says how many hours
//! it rests on.

use chrono::{DateTime, NaiveDate};

use crate::climate::log::{HOUR, Log, Span};
use crate::units::Instant;

/// One local day of one quantity at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DaySummary {
    /// The local date.
    pub date: NaiveDate,
    /// From local midnight to the next: 23, 24 or 25 hours, cut to the span
    /// that was asked for.
    pub span: Span,
    /// Hours with readings.
    pub covered_hours: f64,
    /// The integral over the covered time: lux-hours for light.
    pub sum: f64,
    /// Mean over the covered time, weighted by time.
    pub mean: Option<f64>,
    /// Lowest value on the line through the readings.
    pub low: Option<f64>,
    /// Highest value on the line through the readings.
    pub high: Option<f64>,
    /// A reading of this day said "at least this".
    pub at_least: bool,
}

/// The local days of a span, in order, also those without a reading.
///
/// # When it misleads
/// The mean is of the covered hours only: a day that lost its night reads
/// too warm. Look at `covered_hours` before comparing days.
///
/// # Example
/// ```
/// use vernalog::climate::{days::days, log::{Log, Span}};
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let at = |hour: i64| Instant::from_millis(hour * 3_600_000);
/// let readings = (0..=24)
///     .map(|hour| Reading {
///         at: at(hour), value: 4.0, quality: Quality::GOOD,
///     })
///     .collect();
/// let log = Log::new(readings, 2 * 3_600_000, &|_| 0);
/// let day = days(&log, Span::new(at(0), at(24)))[0];
/// assert_eq!(day.mean, Some(4.0));
/// assert_eq!(day.sum, 96.0);
/// ```
#[must_use]
pub fn days(log: &Log<'_>, span: Span) -> Vec<DaySummary> {
    let mut days = Vec::new();
    let mut from = span.from;
    while from < span.to {
        let day = log.local_millis(from).div_euclid(24 * HOUR);
        let to = beginning(log, day + 1).min(span.to).max(from.plus_millis(1));
        days.push(summary(log, day, Span::new(from, to)));
        from = to;
    }
    days
}

fn summary(log: &Log<'_>, day: i64, span: Span) -> DaySummary {
    let (mut sum, mut hours) = (0.0, 0.0);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    log.each_move(span, |step| {
        sum += step.hours() * f64::midpoint(step.start, step.end);
        hours += step.hours();
        low = low.min(step.start).min(step.end);
        high = high.max(step.start).max(step.end);
    });
    let covered = (hours > 0.0).then_some(());
    DaySummary {
        date: DateTime::from_timestamp_millis(day * 24 * HOUR)
            .unwrap_or_default()
            .date_naive(),
        span,
        covered_hours: log.covered_hours(span),
        sum,
        mean: covered.map(|()| sum / hours),
        low: covered.map(|()| low),
        high: covered.map(|()| high),
        at_least: log.at_least_in(span),
    }
}

/// The first instant of a local day, counted in days since 1970.
///
/// Where clocks change at midnight itself, 00:00 can be missing or occur
/// twice; of the two possible instants the earlier one that lies on the day
/// begins it.
fn beginning(log: &Log<'_>, day: i64) -> Instant {
    let midnight = day * 24 * HOUR;
    let as_if = |guess: i64| {
        let guess = Instant::from_millis(guess);
        Instant::from_millis(
            midnight - (log.local_millis(guess) - guess.millis()),
        )
    };
    let (a, b) = (as_if(midnight - 24 * HOUR), as_if(midnight + 24 * HOUR));
    let on_day = |at: &Instant| log.local_millis(*at) >= midnight;
    let (early, late) = (a.min(b), a.max(b));
    if on_day(&early) { early } else { late }
}
