//! A place hour by hour: who spoke, corrected and sifted as for a report,
//! but from sums of hours, so that a year is read in milliseconds.
//!
//! Extremes, counts and holes of an hour and more are exact; doses reckoned
//! from hours are for looking at, and a report integrates the readings.

use std::collections::{BTreeMap, BTreeSet};

use crate::climate::hours::{
    HourSum, added_up, covered_hours, holes, hour_of, hour_span, hour_start,
    usual_interval,
};
use crate::climate::integrate::HoursOfDay;
use crate::climate::light::DARK_BELOW_LUX;
use crate::climate::log::{LocalOffset, Span, longest_gap_millis};
use crate::climate::strip::Strip;
use crate::observation::{Name, Quantity, Series};
use crate::study::place::{Logged, USUAL_INTERVAL_MILLIS, place_log};
use crate::trial::house::House;
use crate::units::{Instant, MILLIS_PER_DAY};

/// One quantity at one place, hour by hour.
#[derive(Debug, Clone, PartialEq)]
pub struct Hourly {
    /// Hours with readings that count, oldest first.
    pub hours: Vec<HourSum>,
    /// Usual time between two readings, ms.
    pub interval: i64,
    /// Stretches without readings that the rules call a hole.
    pub holes: Vec<Span>,
}

/// A dose reckoned from hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourlyDose {
    /// The dose, in the unit of the quantity times hours.
    pub sum: f64,
    /// Hours with readings.
    pub logged_hours: f64,
    /// Their share of the hours that matter, 0 to 1.
    pub share: f64,
    /// The true dose is at least this.
    pub at_least: bool,
}

/// The dose of one local day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayDose {
    /// The day.
    pub span: Span,
    /// The dose, in the unit of the quantity times hours.
    pub sum: f64,
    /// The true dose is at least this.
    pub at_least: bool,
}

/// Series that speak for a place in a span.
#[must_use]
pub fn speakers(house: &House, place: &Name, span: Span) -> BTreeSet<Series> {
    Quantity::CLIMATE
        .into_iter()
        .flat_map(|q| house.voices(place, q, span.from, span.to))
        .map(|voice| voice.series)
        .collect()
}

/// Hours inside which the speaker, its calibration or an excluded window
/// changes: their readings are asked for one by one.
#[must_use]
pub fn mixed_hours(house: &House, place: &Name, span: Span) -> BTreeSet<i64> {
    let mut edges = Vec::new();
    for quantity in Quantity::CLIMATE {
        for voice in house.voices(place, quantity, span.from, span.to) {
            edges.extend([voice.from, voice.to]);
            let series = &voice.series;
            let windows = house.excluded_windows(series);
            edges.extend(windows.flat_map(|w| [w.from, w.until]));
            let own = house.calibrations.iter().filter(|c| c.series == *series);
            edges.extend(own.map(|calibration| calibration.from.at));
        }
    }
    edges
        .into_iter()
        .filter(|edge| span.from < *edge && *edge < span.to)
        .filter(|edge| hour_start(hour_of(*edge)) != *edge)
        .map(hour_of)
        .collect()
}

/// What hours are joined from.
#[derive(Clone, Copy)]
pub struct Summed<'a> {
    /// Sums of the series that speak.
    pub sums: &'a BTreeMap<Series, Vec<HourSum>>,
    /// Hours whose sums are not enough.
    pub mixed: &'a BTreeSet<i64>,
    /// House, readings of the mixed hours, local time.
    pub logged: Logged<'a>,
}

/// Joins the voices of a place, hour by hour.
#[must_use]
pub fn hourly(
    summed: Summed<'_>,
    place: &Name,
    quantity: Quantity,
    span: Span,
) -> Hourly {
    let house = summed.logged.house;
    let mut hours = Vec::new();
    for voice in house.voices(place, quantity, span.from, span.to) {
        let own = summed.sums.get(&voice.series);
        let own = own.into_iter().flatten().filter(|sum| {
            let own = sum.span();
            !summed.mixed.contains(&sum.hour)
                && own.from < voice.to
                && voice.from < own.to
                && !is_excluded(house, &voice.series, own)
        });
        hours.extend(own.map(|sum| corrected(house, &voice.series, *sum)));
    }
    for hour in summed.mixed {
        let own = hour_span(*hour);
        let log = place_log(summed.logged, place, quantity, own).log;
        hours.extend(added_up(&log.readings()));
    }
    hours.sort_by_key(|sum| sum.hour);
    let interval = usual_interval(&hours).unwrap_or(USUAL_INTERVAL_MILLIS);
    let holes = holes(&hours, span, longest_gap_millis(interval));
    Hourly { hours, interval, holes }
}

fn is_excluded(house: &House, series: &Series, hour: Span) -> bool {
    house
        .excluded_windows(series)
        .any(|window| window.from <= hour.from && hour.to <= window.until)
}

fn corrected(house: &House, series: &Series, sum: HourSum) -> HourSum {
    let calibration = house.calibration_at(series, sum.first);
    let mut sum = calibration
        .map_or(sum, |known| sum.corrected(known.gain, known.offset));
    let (least, most) = match series.quantity {
        Quantity::Humidity => (0.0, 100.0),
        Quantity::Light => (0.0, f64::MAX),
        _ => return sum,
    };
    (sum.low, sum.high) = (sum.low.max(least), sum.high.clamp(least, most));
    sum.low = sum.low.min(most);
    sum.total = sum.mean().clamp(sum.low, sum.high) * f64::from(sum.n);
    sum
}

impl Hourly {
    /// Whether anything is known.
    #[must_use]
    pub fn is_known(&self) -> bool {
        !self.hours.is_empty()
    }

    /// Lowest and highest value.
    #[must_use]
    pub fn extremes(&self) -> Option<(f64, f64)> {
        let low = self.hours.iter().map(|h| h.low).min_by(f64::total_cmp)?;
        let high = self.hours.iter().map(|h| h.high).max_by(f64::total_cmp)?;
        Some((low, high))
    }

    /// Mean of the hours, each by the time it covers.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        let dose = self.dose(HourSum::mean);
        (dose.1 > 0.0).then(|| dose.0 / dose.1)
    }

    /// Hours with readings.
    #[must_use]
    pub fn logged_hours(&self) -> f64 {
        self.dose(|_| 0.0).1
    }

    fn dose(&self, of: impl Fn(&HourSum) -> f64) -> (f64, f64) {
        self.hours.iter().fold((0.0, 0.0), |(sum, hours), hour| {
            let covered = covered_hours(hour, self.interval);
            (sum + of(hour) * covered, hours + covered)
        })
    }

    /// Degree-hours above 0 °C.
    #[must_use]
    pub fn warmth(&self, span: Span) -> HourlyDose {
        let (sum, logged_hours) = self.dose(above_zero);
        let share = (logged_hours / span.hours()).min(1.0);
        HourlyDose { sum, logged_hours, share, at_least: false }
    }

    /// Lux-hours; the hours that matter are those that matter to a report
    /// (`HoursOfDay::lit`).
    #[must_use]
    pub fn light(&self, span: Span, local: LocalOffset<'_>) -> HourlyDose {
        let (sum, logged_hours) = self.dose(HourSum::mean);
        let of_day = |hour: i64| {
            let at = hour_start(hour);
            let local = at.plus_millis(i64::from(local(at)) * 1_000);
            usize::try_from(hour_of(local).rem_euclid(24)).unwrap_or_default()
        };
        let covered = |hour: &HourSum| covered_hours(hour, self.interval);
        let told = self.hours.iter().filter(|hour| covered(hour) >= 0.5);
        let lit = HoursOfDay::lit_among(
            told.map(|hour| (of_day(hour.hour), hour.mean())),
            DARK_BELOW_LUX,
        );
        let matter = (hour_of(span.from)..hour_of(span.to))
            .filter(|hour| lit.matters(of_day(*hour)))
            .count();
        let logged: f64 = self
            .hours
            .iter()
            .filter(|hour| lit.matters(of_day(hour.hour)))
            .map(covered)
            .sum();
        let matter = f64::from(u32::try_from(matter).unwrap_or(u32::MAX));
        HourlyDose {
            sum,
            logged_hours,
            share: (logged / matter.max(1.0)).min(1.0),
            at_least: self.hours.iter().any(|hour| hour.at_least > 0),
        }
    }

    /// The dose of each local day that has readings.
    #[must_use]
    pub fn days(&self, local: LocalOffset<'_>) -> Vec<DayDose> {
        let offset = |at| i64::from(local(at)) * 1_000;
        let midnight = |day: i64| {
            let guess = Instant::from_millis(day * MILLIS_PER_DAY);
            let at = guess.plus_millis(-offset(guess));
            guess.plus_millis(-offset(at))
        };
        let mut days: BTreeMap<i64, DayDose> = BTreeMap::new();
        for hour in &self.hours {
            let at = hour_start(hour.hour);
            let local = at.plus_millis(offset(at));
            let day = local.millis().div_euclid(MILLIS_PER_DAY);
            let own = days.entry(day).or_insert_with(|| DayDose {
                span: Span::new(midnight(day), midnight(day + 1)),
                sum: 0.0,
                at_least: false,
            });
            own.sum += hour.mean() * covered_hours(hour, self.interval);
            own.at_least |= hour.at_least > 0;
        }
        days.into_values().collect()
    }
}

/// Mean of what is above 0 °C. In an hour that crosses it, values count as
/// spread evenly between the lowest and the highest.
fn above_zero(hour: &HourSum) -> f64 {
    if hour.low >= 0.0 {
        hour.mean()
    } else if hour.high <= 0.0 {
        0.0
    } else {
        hour.high * hour.high / (2.0 * (hour.high - hour.low))
    }
}

/// Readings of the mixed hours, for [`Summed`].
pub type Readings = BTreeMap<Series, Strip>;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::{Quality, Reading};
    use crate::study::place::climate;
    use crate::trial::book::Book;
    use crate::trial::entry::{Draft, Entry, EntryId, QuantityWord, Statement};
    use crate::trial::when::When;

    const MINUTE: i64 = 60_000;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn house(said: Vec<(i64, Statement)>) -> House {
        let entries: Vec<Entry> = (1..)
            .zip(said)
            .map(|(id, (minute, said))| Entry {
                id: EntryId(id),
                draft: Draft::new(
                    None,
                    When::exactly(Instant::from_millis(minute * MINUTE)),
                    said,
                ),
                written: Instant::from_millis(0),
                by: String::new(),
                origin: String::new(),
            })
            .collect();
        let (book, problems) = Book::build(&entries);
        assert_eq!(problems, []);
        book.house
    }

    fn stay(board: &str) -> Statement {
        Statement::BoardStay {
            board: name(board),
            probe: name("air"),
            place: Some(name("sill")),
            until: None,
            position: String::new(),
        }
    }

    /// Hours tell the same as the readings: extremes and holes exactly,
    /// doses to two tenths of a percent (each end of a
    /// run counts half an interval too much), across a change of board, a
    /// calibration and an excluded window inside hours.
    #[test]
    fn hours_say_the_same_as_the_readings_they_come_from() {
        let series = |board: &str| Series {
            board: name(board),
            probe: name("air"),
            quantity: Quantity::Temperature,
        };
        let place = Statement::Place {
            place: name("sill"),
            place_kind: crate::trial::entry::PlaceKind::Sill,
            light_source: String::new(),
            title: String::new(),
        };
        let taken = Statement::BoardStay {
            board: name("a"),
            probe: name("air"),
            place: None,
            until: None,
            position: String::new(),
        };
        let house = house(vec![
            (0, place),
            (0, stay("a")),
            (630, taken),
            (630, stay("b")),
            (1_000, calibration("b")),
            (1_205, excluded("b")),
        ]);
        let wave = |minute: i64| {
            let at = f64::from(u32::try_from(minute).unwrap());
            8.0 + 6.0 * (at / 229.0).sin() + (at / 17.0).cos()
        };
        let minutes = |range: std::ops::Range<i64>| -> Vec<Reading> {
            range
                .filter(|minute| !(1_500..1_650).contains(minute))
                .map(|minute| Reading {
                    at: Instant::from_millis(minute * MINUTE),
                    value: wave(minute),
                    quality: Quality::GOOD,
                })
                .collect()
        };
        let readings: Readings = [
            (series("a"), minutes(0..2_880).into_iter().collect()),
            (series("b"), minutes(0..2_880).into_iter().collect()),
        ]
        .into();
        let span = Span::new(
            Instant::from_millis(0),
            Instant::from_millis(2_880 * MINUTE),
        );
        let logged =
            Logged { house: &house, readings: &readings, local: &|_| 0 };
        let sums = readings
            .iter()
            .map(|(s, own)| {
                let own: Vec<Reading> = own.iter().collect();
                (s.clone(), added_up(&own))
            })
            .collect();
        let mixed = mixed_hours(&house, &name("sill"), span);
        assert_eq!(mixed, [10, 16, 20, 21].into());
        let summed = Summed { sums: &sums, mixed: &mixed, logged };
        let ours = hourly(summed, &name("sill"), Quantity::Temperature, span);
        let exact = climate(logged, &name("sill"), span);
        let known = &exact.quantities[&Quantity::Temperature];
        assert_eq!(ours.extremes(), known.low.zip(known.high));
        let long = |holes: &[Span]| -> Vec<Span> {
            let long = holes.iter().filter(|hole| hole.hours() >= 1.0);
            long.copied().collect()
        };
        assert_eq!(long(&ours.holes).len(), 2);
        assert_eq!(long(&ours.holes)[0], long(&known.holes)[0]);
        let dose = ours.warmth(span);
        let off = dose.sum / exact.warmth.covered_sum - 1.0;
        assert!(off.abs() < 2e-3, "{off}");
    }

    /// A sill lit from 8 to 16 o'clock whose log fails every noon, three
    /// hours long: noon is missing, as in a report, and night is not.
    #[test]
    fn an_hour_that_was_never_logged_counts_when_those_beside_it_are_lit() {
        let minutes = |per_day: &[i64]| -> Hourly {
            let readings: Vec<Reading> = (0..10 * 144)
                .map(|i| 10 * i)
                .filter(|minute| per_day.contains(&(minute / 60 % 24)))
                .map(|minute| Reading {
                    at: Instant::from_millis(minute * MINUTE),
                    value: if (8..16).contains(&(minute / 60 % 24)) {
                        900.0
                    } else {
                        0.0
                    },
                    quality: Quality::GOOD,
                })
                .collect();
            let hours = added_up(&readings);
            Hourly { hours, interval: 10 * MINUTE, holes: Vec::new() }
        };
        let span = Span::new(
            Instant::from_millis(0),
            Instant::from_millis(10 * MILLIS_PER_DAY),
        );
        let share = |hourly: Hourly| hourly.light(span, &|_| 0).share;
        let (morning, rest) = ((0..11), (14..24));
        let without_noon: Vec<i64> = morning.chain(rest).collect();
        let without_night: Vec<i64> = (5..24).collect();
        assert!((share(minutes(&without_noon)) - 5.0 / 8.0).abs() < 1e-9);
        assert!((share(minutes(&without_night)) - 1.0).abs() < 1e-9);
    }

    fn calibration(board: &str) -> Statement {
        Statement::Calibration {
            board: name(board),
            probe: name("air"),
            quantity: QuantityWord(Quantity::Temperature),
            gain: 1.1,
            offset: -0.5,
            note: String::new(),
        }
    }

    fn excluded(board: &str) -> Statement {
        Statement::Excluded {
            board: name(board),
            probe: name("air"),
            quantity: None,
            until: When::exactly(Instant::from_millis(1_290 * MINUTE)),
            why: "in the salt box".to_owned(),
        }
    }
}
