//! Readings added up hour by hour: how many, the lowest, the highest, their
//! sum, the first and the last. For figures of long spans.
//!
//! Not an integration: what is reckoned from hours says so, and doses that
//! are compared come from the readings themselves (`integrate`).

use std::collections::BTreeMap;

use crate::climate::log::{HOUR, Span, in_hours};
use crate::observation::{Quality, Reading};
use crate::units::Instant;

/// The readings of one series in one hour (of UTC) that count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourSum {
    /// The hour, counted from 1970.
    pub hour: i64,
    /// How many; at least one.
    pub n: u32,
    /// The lowest.
    pub low: f64,
    /// The highest.
    pub high: f64,
    /// Their sum.
    pub total: f64,
    /// Instant of the first.
    pub first: Instant,
    /// Instant of the last.
    pub last: Instant,
    /// How many of them are true values of at least so much.
    pub at_least: u32,
}

/// The hour, counted from 1970, in which an instant lies.
#[must_use]
pub fn hour_of(at: Instant) -> i64 {
    at.millis().div_euclid(HOUR)
}

/// The first instant of an hour.
#[must_use]
pub fn hour_start(hour: i64) -> Instant {
    Instant::from_millis(hour.saturating_mul(HOUR))
}

/// All of an hour.
#[must_use]
pub fn hour_span(hour: i64) -> Span {
    Span::new(hour_start(hour), hour_start(hour + 1))
}

impl HourSum {
    /// An hour of one reading.
    #[must_use]
    pub fn of(reading: Reading) -> Self {
        let Reading { at, value, quality } = reading;
        Self {
            hour: hour_of(at),
            n: 1,
            low: value,
            high: value,
            total: value,
            first: at,
            last: at,
            at_least: u32::from(quality.has(Quality::AT_LEAST)),
        }
    }

    /// Takes in more readings of the same hour.
    pub fn join(&mut self, other: &Self) {
        self.n += other.n;
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
        self.total += other.total;
        self.first = self.first.min(other.first);
        self.last = self.last.max(other.last);
        self.at_least += other.at_least;
    }

    /// Mean of the readings.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.total / f64::from(self.n)
    }

    /// The same with each value corrected: gain × value + offset.
    #[must_use]
    pub fn corrected(mut self, gain: f64, offset: f64) -> Self {
        let (a, b) = (gain * self.low + offset, gain * self.high + offset);
        (self.low, self.high) = (a.min(b), a.max(b));
        self.total = gain * self.total + f64::from(self.n) * offset;
        self
    }

    /// When it was.
    #[must_use]
    pub fn span(&self) -> Span {
        hour_span(self.hour)
    }
}

/// Adds up readings that count, in any order.
#[must_use]
pub fn added_up(readings: &[Reading]) -> Vec<HourSum> {
    let mut hours: BTreeMap<i64, HourSum> = BTreeMap::new();
    for reading in readings.iter().filter(|r| r.quality.counts()) {
        let own = HourSum::of(*reading);
        hours
            .entry(own.hour)
            .and_modify(|known| known.join(&own))
            .or_insert(own);
    }
    hours.into_values().collect()
}

/// The usual time between two readings, ms: the median over hours; `None`
/// when no hour has two readings.
#[must_use]
pub fn usual_interval(hours: &[HourSum]) -> Option<i64> {
    let mut between: Vec<i64> = hours
        .iter()
        .filter(|hour| hour.n > 1)
        .map(|hour| hour.last.millis_since(hour.first) / i64::from(hour.n - 1))
        .filter(|millis| *millis > 0)
        .collect();
    let middle = between.len() / 2;
    (!between.is_empty()).then(|| *between.select_nth_unstable(middle).1)
}

/// Hours with readings in this one, when each stands for the interval to
/// its neighbour.
#[must_use]
pub fn covered_hours(hour: &HourSum, interval: i64) -> f64 {
    in_hours((i64::from(hour.n) * interval).min(HOUR))
}

/// Stretches of the span longer than `longest_gap` without a reading. Holes
/// inside one hour are not known; those of an hour and more always are.
#[must_use]
pub fn holes(hours: &[HourSum], span: Span, longest_gap: i64) -> Vec<Span> {
    let ends = hours.iter().map(|hour| hour.last);
    let starts = hours.iter().map(|hour| hour.first);
    std::iter::once(span.from)
        .chain(ends)
        .zip(starts.chain(std::iter::once(span.to)))
        .map(|(from, to)| Span::new(from, to).shared(span))
        .filter(|hole| hole.millis() > longest_gap)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(minute: i64, value: f64) -> Reading {
        let at = Instant::from_millis(minute * 60_000);
        Reading { at, value, quality: Quality::GOOD }
    }

    #[test]
    fn an_hour_keeps_its_extremes_and_what_does_not_count_is_left_out() {
        let stuck = Reading { quality: Quality::STUCK, ..reading(20, 99.0) };
        let limit = Reading { quality: Quality::AT_LEAST, ..reading(30, 6.0) };
        let all = [reading(50, 4.0), reading(10, 2.0), stuck, limit];
        let hours = added_up(&all);
        let [hour] = hours.as_slice() else { panic!("{hours:?}") };
        assert_eq!((hour.n, hour.at_least, hour.hour), (3, 1, 0));
        assert_eq!((hour.low, hour.high, hour.mean()), (2.0, 6.0, 4.0));
        let turned = hour.corrected(-1.0, 10.0);
        assert_eq!((turned.low, turned.high, turned.mean()), (4.0, 8.0, 6.0));
    }

    #[test]
    fn a_silence_is_a_hole_from_the_last_reading_to_the_next() {
        let minutes = (0..120).chain(300..360);
        let all: Vec<Reading> = minutes.map(|m| reading(m, 1.0)).collect();
        let hours = added_up(&all);
        assert_eq!(usual_interval(&hours), Some(60_000));
        let span = Span::new(hour_start(0), hour_start(6));
        let found = holes(&hours, span, 15 * 60_000);
        let at = |minute: i64| Instant::from_millis(minute * 60_000);
        assert_eq!(found, [Span::new(at(119), at(300))]);
        let covered: f64 =
            hours.iter().map(|hour| covered_hours(hour, 60_000)).sum();
        assert!((covered - 3.0).abs() < 1e-9);
        assert_eq!(holes(&[], span, 60_000), [span]);
    }
}
