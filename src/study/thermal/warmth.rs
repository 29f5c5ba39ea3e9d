//! The warmth a container has had by any moment, above any base.
//!
//! Not another dose: above the stated base of 0 °C it is the filled sum of
//! `climate`, hour by hour. Other bases, which only the profile asks for,
//! take each hour at its mean, which is exact wherever the temperature does
//! not cross the base within the hour.

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::{Container, STATED_BASE_CELSIUS};
use crate::climate::integrate::{HourlySums, HoursOfDay};
use crate::climate::log::Span;
use crate::observation::Name;
use crate::study::place::{PlaceSums, Sums};
use crate::units::Instant;

/// Hour by hour at one place, from the first to the last container there.
struct PlaceHours {
    from: Instant,
    /// Mean temperature of each hour, °C.
    means: Vec<f64>,
    /// Degree-hours above the stated base up to the end of each hour.
    stated: Vec<f64>,
}

/// A stay of a container.
struct Stay {
    place: usize,
    span: Span,
}

pub(crate) struct Warmths {
    places: Vec<PlaceHours>,
    begun: Vec<Instant>,
    stays: Vec<Vec<Stay>>,
    /// Sums at the base asked for last, in the order of `places`.
    last: RefCell<(f64, Vec<Vec<f64>>)>,
}

impl Warmths {
    pub(crate) fn of(
        containers: &[Container<'_>],
        sums: &PlaceSums<'_>,
    ) -> Self {
        let mut spans: BTreeMap<&Name, Span> = BTreeMap::new();
        for container in containers {
            for stretch in &container.known.outcome.stretches {
                let own = Span::new(stretch.from, stretch.to);
                spans
                    .entry(&stretch.place)
                    .and_modify(|span| {
                        span.from = span.from.min(own.from);
                        span.to = span.to.max(own.to);
                    })
                    .or_insert(own);
            }
        }
        let mut positions = BTreeMap::new();
        let mut places = Vec::new();
        for (name, span) in spans {
            if let Some(sums) = sums.at(name) {
                positions.insert(name, places.len());
                places.push(PlaceHours::of(sums, span));
            }
        }
        let stays = containers
            .iter()
            .map(|container| {
                let stretches = &container.known.outcome.stretches;
                stretches
                    .iter()
                    .filter_map(|stretch| {
                        Some(Stay {
                            place: *positions.get(&stretch.place)?,
                            span: Span::new(stretch.from, stretch.to),
                        })
                    })
                    .collect()
            })
            .collect();
        let begun = containers.iter().map(|c| c.known.outcome.begun).collect();
        let stated = places.iter().map(|hours| hours.stated.clone()).collect();
        let last = RefCell::new((STATED_BASE_CELSIUS, stated));
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
                let sums = &last.1[stay.place];
                let from = self.places[stay.place].from;
                let to = stay.span.to.min(until);
                at(sums, to.hours_since(from))
                    - at(sums, stay.span.from.hours_since(from))
            })
            .sum()
    }
}

impl PlaceHours {
    fn of(sums: &Sums<'_>, span: Span) -> Self {
        let hour = |i: u32| {
            let from = span.from.plus_hours(f64::from(i));
            Span::new(from, from.plus_hours(1.0))
        };
        let hours: Vec<Span> =
            (0..).map(hour).take_while(|h| h.from < span.to).collect();
        let each = |sums: &HourlySums<'_>| -> Vec<f64> {
            hours
                .iter()
                .map(|hour| {
                    let dose = sums.over(&[*hour], HoursOfDay::ALL);
                    dose.filled.map_or(dose.covered_sum, |f| f.value)
                })
                .collect()
        };
        // Hours that begin between two of the clock are cut from readings.
        let log = sums.temperature.log().at_hand();
        Self {
            from: span.from,
            means: each(&sums.temperature.beside(&log)),
            stated: running(each(&sums.warmth[0].beside(&log))),
        }
    }

    fn above(&self, base: f64) -> Vec<f64> {
        if base.total_cmp(&STATED_BASE_CELSIUS).is_eq() {
            return self.stated.clone();
        }
        running(self.means.iter().map(|mean| (mean - base).max(0.0)).collect())
    }
}

fn running(mut values: Vec<f64>) -> Vec<f64> {
    let mut sum = 0.0;
    for value in &mut values {
        sum += *value;
        *value = sum;
    }
    values
}

/// A running sum after so many hours, on the line within an hour.
fn at(sums: &[f64], hours: f64) -> f64 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not negative, and far fewer hours than a usize can count"
    )]
    let whole = hours.max(0.0) as usize;
    let before = whole.checked_sub(1).and_then(|i| sums.get(i)).copied();
    match sums.get(whole) {
        Some(after) => {
            let before = before.unwrap_or(0.0);
            before + (after - before) * hours.max(0.0).fract()
        }
        None => sums.last().copied().unwrap_or(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 2, 5 and 9 after one, two and three hours.
    #[test]
    fn a_running_sum_is_read_between_its_hours() {
        let sums = running(vec![2.0, 3.0, 4.0]);
        for (hours, expected) in
            [(-1.0, 0.0), (0.0, 0.0), (0.5, 1.0), (1.0, 2.0), (2.25, 6.0)]
        {
            assert!((at(&sums, hours) - expected).abs() < 1e-12, "{hours}");
        }
        assert!((at(&sums, 99.0) - 9.0).abs() < 1e-12);
        assert!(at(&[], 1.0).abs() < 1e-12);
    }
}
