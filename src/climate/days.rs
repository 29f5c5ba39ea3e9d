//! One line a local day, for charts and tables: mean, low, high, sum.
//!
//! Not a dose: nothing is filled, and a day with holes says how many hours
//! it rests on.

use chrono::{DateTime, NaiveDate};

use crate::climate::hour_table::Hours;
use crate::climate::log::{Covered, HOUR, Log, Span};
use crate::units::{Instant, MILLIS_PER_HOUR};

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
/// # Arguments
/// - `hours`: the hours of the same log.
///
/// # When it misleads
/// The mean is of the covered hours only: a day that lost its night reads
/// too warm. Look at `covered_hours` before comparing days.
///
/// # Example
/// ```
/// use vernalog::climate::{days::days, hour_table::Hours, log::{Log, Span}};
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let at = |hour: i64| Instant::from_millis(hour * 3_600_000);
/// let readings = (0..=24)
///     .map(|hour| Reading {
///         at: at(hour), value: 4.0, quality: Quality::GOOD,
///     })
///     .collect();
/// let log = Log::new(readings, 2 * 3_600_000, &|_| 0);
/// let span = Span::new(at(0), at(24));
/// let day = days(&log, &Hours::of(&log), span)[0];
/// assert_eq!(day.mean, Some(4.0));
/// assert_eq!(day.sum, 96.0);
/// ```
#[must_use]
pub fn days(log: &Log<'_>, hours: &Hours, span: Span) -> Vec<DaySummary> {
    let mut days = Vec::new();
    let mut from = span.from;
    while from < span.to {
        let day = log.local_millis(from).div_euclid(24 * HOUR);
        let to = beginning(log, day + 1).min(span.to).max(from.plus_millis(1));
        days.push(summary(log, hours, day, Span::new(from, to)));
        from = to;
    }
    days
}

fn summary(log: &Log<'_>, hours: &Hours, day: i64, span: Span) -> DaySummary {
    let Covered { millis, area, low, high } = hours.over(log, span);
    let covered = (millis > 0.0).then_some(());
    DaySummary {
        date: DateTime::from_timestamp_millis(day * 24 * HOUR)
            .unwrap_or_default()
            .date_naive(),
        span,
        covered_hours: log.covered_hours(span),
        sum: area / MILLIS_PER_HOUR,
        mean: covered.map(|()| area / millis),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::{Quality, Reading};
    use crate::units::MILLIS_PER_DAY;

    fn instant(text: &str) -> Instant {
        DateTime::parse_from_rfc3339(text).unwrap().to_utc().into()
    }

    /// A reading every hour, value 1.
    fn steady(span: Span) -> Vec<Reading> {
        (0..)
            .map(|hour| span.from.plus_millis(hour * HOUR))
            .take_while(|at| *at <= span.to)
            .map(|at| Reading { at, value: 1.0, quality: Quality::GOOD })
            .collect()
    }

    /// Source: tz data 2025b: (zone, date, hours; change in UTC, offset
    /// before and after), computed with Python zoneinfo.
    #[test]
    fn days_of_a_clock_change_have_23_or_25_hours() {
        for (date, hours, change, before, after) in [
            ("2026-03-29", 23.0, "2026-03-29T01:00:00Z", 0, 3600),
            ("2026-10-25", 25.0, "2026-10-25T01:00:00Z", 3600, 0),
            ("2026-03-29", 23.0, "2026-03-29T01:00:00Z", 3600, 7200),
            ("2026-10-25", 25.0, "2026-10-25T01:00:00Z", 7200, 3600),
            ("2026-03-08", 23.0, "2026-03-08T07:00:00Z", -18000, -14400),
            ("2026-11-01", 25.0, "2026-11-01T06:00:00Z", -14400, -18000),
        ] {
            let change = instant(change);
            let local =
                move |at: Instant| if at < change { before } else { after };
            let around = Span::new(
                change.plus_millis(-3 * MILLIS_PER_DAY),
                change.plus_millis(3 * MILLIS_PER_DAY),
            );
            let log = Log::new(steady(around), HOUR, &local);
            let days = days(&log, &Hours::of(&log), around);
            let turned: Vec<&DaySummary> =
                days.iter().filter(|d| d.date.to_string() == date).collect();
            assert_eq!(turned.len(), 1, "{date} once");
            let day = turned[0];
            for got in [day.span.hours(), day.covered_hours, day.sum] {
                assert!((got - hours).abs() < 1e-9, "{date}: {day:?}");
            }
            let whole = days
                .iter()
                .skip(1)
                .take(days.len() - 2)
                .filter(|d| d.date.to_string() != date);
            for day in whole {
                assert!((day.span.hours() - 24.0).abs() < 1e-9, "{day:?}");
            }
            let total: f64 = days.iter().map(|day| day.span.hours()).sum();
            assert!((total - around.hours()).abs() < 1e-9);
        }
    }

    /// Kolkata, UTC+5:30, has no change: days begin at 18:30 UTC.
    #[test]
    fn half_hour_zones_begin_their_days_at_half_past() {
        let span = Span::new(
            instant("2026-06-01T00:00:00Z"),
            instant("2026-06-03T00:00:00Z"),
        );
        let log = Log::new(steady(span), HOUR, &|_| 19_800);
        let days = days(&log, &Hours::of(&log), span);
        assert_eq!(days.len(), 3);
        assert_eq!(days[1].span.from, instant("2026-06-01T18:30:00Z"));
        assert_eq!(days[1].date.to_string(), "2026-06-02");
    }

    /// Clocks that change at midnight itself: 00:00 is missing, or is back
    /// to 23:00.
    #[test]
    fn change_at_midnight_keeps_every_day_once() {
        let change = instant("2026-09-06T04:00:00Z");
        for (before, after) in [(-14_400, -10_800), (-14_400, -18_000)] {
            let local =
                move |at: Instant| if at < change { before } else { after };
            let span = Span::new(
                change.plus_millis(-2 * MILLIS_PER_DAY),
                change.plus_millis(2 * MILLIS_PER_DAY),
            );
            let log = Log::new(steady(span), HOUR, &local);
            let dates: Vec<String> = days(&log, &Hours::of(&log), span)
                .iter()
                .map(|d| d.date.to_string())
                .collect();
            let mut once = dates.clone();
            once.dedup();
            assert_eq!(dates, once);
        }
    }

    #[test]
    fn extremes_and_mean_are_of_the_line_through_the_readings() {
        let start = instant("2026-06-01T00:00:00Z");
        let reading = |hour: i64, value: f64| Reading {
            at: start.plus_millis(hour * HOUR),
            value,
            quality: Quality::GOOD,
        };
        // Midnight lies half way between 22:00 and 02:00.
        let readings = vec![reading(22, 4.0), reading(26, 8.0)];
        let log = Log::new(readings, 4 * HOUR, &|_| 0);
        let span = Span::new(start, start.plus_hours(72.0));
        let days = days(&log, &Hours::of(&log), span);
        assert_eq!((days[0].low, days[0].high), (Some(4.0), Some(6.0)));
        assert_eq!((days[1].low, days[1].mean), (Some(6.0), Some(7.0)));
        assert_eq!(days[0].covered_hours.to_string(), "2");
        assert_eq!((days[2].mean, days[2].covered_hours), (None, 0.0));
    }
}
