//! The warmth a container has had by any moment, above any base.
//!
//! Not another dose: above the stated base of 0 °C it is the filled sum of
//! `climate`, hour by hour. Other bases, which only the profile asks for,
//! take each hour at its mean, which is exact wherever the temperature does
//! not cross the base within the hour.

use std::cell::RefCell;
use std::collections::BTreeMap;

use crate::climate::hours::{hour_of, hour_span};
use crate::climate::integrate::{HourlySums, HoursOfDay};
use crate::climate::log::Span;
use crate::observation::Name;
use crate::study::place::PlaceSums;
use crate::study::thermal::{Container, STATED_BASE_CELSIUS};
use crate::units::Instant;

/// One place by hours of the clock; the first and the last may be parts of
/// one.
pub(crate) struct PlaceHours {
    parts: Vec<Span>,
    /// How long each is, h.
    lengths: Vec<f64>,
    /// Mean temperature of each part, °C.
    means: Vec<f64>,
    /// Degree-hours above the stated base up to the end of each part.
    stated: Vec<f64>,
}

/// A stay of a container.
struct Stay {
    place: usize,
    span: Span,
}

/// What some containers have had.
pub(crate) struct Warmths<'a> {
    places: Vec<&'a PlaceHours>,
    begun: Vec<Instant>,
    stays: Vec<Vec<Stay>>,
    /// Sums at the base asked for last, in the order of `places`.
    last: RefCell<(f64, Vec<Vec<f64>>)>,
}

impl<'a> Warmths<'a> {
    pub(crate) fn of(
        containers: &[Container<'_>],
        sums: &'a PlaceSums<'_>,
    ) -> Self {
        let mut places: Vec<&PlaceHours> = Vec::new();
        let mut positions: BTreeMap<&Name, usize> = BTreeMap::new();
        let stays = containers
            .iter()
            .map(|container| {
                let stretches = &container.known.outcome.stretches;
                stretches
                    .iter()
                    .filter_map(|stretch| {
                        let sums = sums.at(&stretch.place)?;
                        let place = *positions
                            .entry(&stretch.place)
                            .or_insert_with(|| {
                                places.push(&sums.hours);
                                places.len() - 1
                            });
                        let span = Span::new(stretch.from, stretch.to);
                        Some(Stay { place, span })
                    })
                    .collect()
            })
            .collect();
        let begun = containers.iter().map(|c| c.known.outcome.begun).collect();
        let last = RefCell::new((f64::NAN, Vec::new()));
        Self { places, begun, stays, last }
    }

    /// Degree-hours above `base` that a container has had after so many days.
    pub(crate) fn above(&self, container: usize, base: f64, days: f64) -> f64 {
        let mut last = self.last.borrow_mut();
        if last.0.total_cmp(&base).is_ne() {
            let sums = self.places.iter().map(|place| place.above(base));
            *last = (base, sums.collect());
        }
        let until = self.begun[container].plus_hours(24.0 * days);
        self.stays[container]
            .iter()
            .filter(|stay| stay.span.from < until)
            .map(|stay| {
                let (sums, parts) =
                    (&last.1[stay.place], &self.places[stay.place].parts);
                let to = stay.span.to.min(until);
                at(sums, parts, to) - at(sums, parts, stay.span.from)
            })
            .sum()
    }
}

impl PlaceHours {
    /// From the sums of temperature as it is, and above the stated base.
    pub(crate) fn of(
        temperature: &HourlySums<'_>,
        stated: &HourlySums<'_>,
        span: Span,
    ) -> Self {
        let after = hour_of(span.to.plus_millis(-1)) + 1;
        let parts: Vec<Span> = (hour_of(span.from)..after)
            .map(|hour| hour_span(hour).shared(span))
            .collect();
        let each = |sums: &HourlySums<'_>| -> Vec<f64> {
            parts
                .iter()
                .map(|part| {
                    let dose = sums.over(&[*part], HoursOfDay::ALL);
                    dose.filled.map_or(dose.covered_sum, |f| f.value)
                })
                .collect()
        };
        let lengths: Vec<f64> = parts.iter().map(|p| p.hours()).collect();
        let means = each(temperature).into_iter().zip(&lengths);
        Self {
            means: means.map(|(sum, hours)| sum / hours).collect(),
            stated: running(each(stated)),
            lengths,
            parts,
        }
    }

    fn above(&self, base: f64) -> Vec<f64> {
        if base.total_cmp(&STATED_BASE_CELSIUS).is_eq() {
            return self.stated.clone();
        }
        let parts = self.means.iter().zip(&self.lengths);
        running(parts.map(|(mean, hours)| (mean - base).max(0.0) * hours))
    }
}

fn running(values: impl IntoIterator<Item = f64>) -> Vec<f64> {
    let mut sum = 0.0;
    let add = |value| {
        sum += value;
        sum
    };
    values.into_iter().map(add).collect()
}

/// A running sum at a moment, on the line within a part.
fn at(sums: &[f64], parts: &[Span], moment: Instant) -> f64 {
    let i = parts.partition_point(|part| part.to <= moment);
    let before = i.checked_sub(1).map_or(0.0, |i| sums[i]);
    match parts.get(i) {
        Some(part) if part.from < moment => {
            let share = moment.hours_since(part.from) / part.hours();
            before + (sums[i] - before) * share
        }
        _ => before,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::hours::hour_start;

    /// By hand: half an hour, then two hours of the clock: 2, 5 and 9.
    #[test]
    fn a_running_sum_is_read_between_its_hours() {
        let sums = running([2.0, 3.0, 4.0]);
        let moment = |hours: f64| hour_start(9).plus_hours(hours);
        let part = |from, to| Span::new(moment(from), moment(to));
        let parts = [part(0.5, 1.0), part(1.0, 2.0), part(2.0, 3.0)];
        for (hours, expected) in [
            (-1.0, 0.0),
            (0.5, 0.0),
            (0.75, 1.0),
            (1.0, 2.0),
            (2.25, 6.0),
            (3.0, 9.0),
            (99.0, 9.0),
        ] {
            let found = at(&sums, &parts, moment(hours));
            assert!((found - expected).abs() < 1e-12, "{hours}: {found}");
        }
        assert!(at(&[], &[], moment(1.0)).abs() < 1e-12);
    }
}
