//! Tests of the doses: additivity, holes, filling, marks, and what must not
//! change the answer.
//!
//! Worked published values stand beside the doses they concern, in
//! `warmth.rs`, `light.rs` and `chill.rs`.

use proptest::prelude::*;

use crate::climate::integrate::{
    Comparable, Dose, Filled, HourlySums, HoursOfDay,
};
use crate::climate::log::{HOUR, Log, Span};
use crate::climate::shape::Shape;
use crate::observation::{Quality, Reading};
use crate::units::Instant;

const MINUTE: i64 = 60_000;
const GAP: i64 = 15 * MINUTE;

fn at(minute: i64) -> Instant {
    Instant::from_millis(minute * MINUTE)
}

fn days(from: i64, to: i64) -> Span {
    Span::new(at(from * 1440), at(to * 1440))
}

fn good(at: Instant, value: f64) -> Reading {
    Reading { at, value, quality: Quality::GOOD }
}

/// A reading every ten minutes of so many days, of a value that depends on
/// the day and the minute of day; `None` leaves one out.
fn readings(
    n_days: i64,
    value: impl Fn(i64, i64) -> Option<f64>,
) -> Vec<Reading> {
    (0..=n_days * 144)
        .filter_map(|i| {
            let minute = 10 * i;
            let value = value(minute / 1440, minute % 1440)?;
            Some(good(at(minute), value))
        })
        .collect()
}

fn dose(readings: Vec<Reading>, shape: Shape, spans: &[Span]) -> Dose {
    let log = Log::new(readings, GAP, &|_| 0);
    HourlySums::of(&log, shape).over(spans, HoursOfDay::ALL)
}

fn near(got: f64, expected: f64) {
    assert!((got - expected).abs() < 1e-9, "{got} is not {expected}");
}

#[test]
fn hole_is_filled_from_the_same_hour_of_neighbouring_days() {
    // Given 12 °C by day and 6 °C by night, one degree more each day, and
    // noon to 18:00 of day 5 lost.
    let value = |day: i64, minute: i64| {
        let warm = (480..1200).contains(&minute);
        let lost = day == 5 && (720..1080).contains(&minute);
        let day = f64::from(i32::try_from(day).unwrap());
        (!lost).then_some(if warm { 12.0 + day } else { 6.0 + day })
    };
    // When the day is summed.
    let dose = dose(readings(10, value), Shape::value(), &[days(5, 6)]);
    // Then the six hours are those of days 2 to 8: 14 to 20, mean 17 °C.
    // The line across the last 10 minutes before noon is a hole as well.
    let lost = 6.0 + 1.0 / 6.0;
    near(dose.missing_hours, lost);
    near(dose.covered_hours, 24.0 - lost);
    let filled = dose.filled.unwrap();
    near(filled.value - dose.covered_sum, lost * 17.0);
    near(filled.low - dose.covered_sum, lost * 14.0);
    near(filled.high - dose.covered_sum, lost * 20.0);
    assert!(matches!(dose.comparable(), Comparable::TooLittleData));
}

#[test]
fn hole_over_three_days_is_not_filled() {
    let without = |lost: std::ops::Range<i64>| {
        let value = move |day: i64, _| (!lost.contains(&day)).then_some(10.0);
        dose(readings(40, value), Shape::value(), &[days(0, 40)])
    };
    let three_days = without(20..23);
    assert!(
        matches!(three_days.comparable(), Comparable::CannotFill),
        "with the minutes beside it, this hole lasts over 72 h"
    );
    let two_days = without(20..22);
    let Comparable::Value(filled) = two_days.comparable() else {
        panic!("{two_days:?}");
    };
    near(filled.value, 40.0 * 240.0);
}

#[test]
fn below_80_percent_there_is_too_little_data() {
    let value = |_, minute: i64| (minute < 1140).then_some(10.0);
    let dose = dose(readings(10, value), Shape::value(), &[days(0, 10)]);
    assert!(dose.coverage().unwrap() < 0.8);
    assert_eq!(dose.comparable(), Comparable::TooLittleData);
    assert_eq!(Dose::NONE.comparable(), Comparable::TooLittleData);
}

#[test]
fn lost_night_costs_a_light_dose_nothing() {
    // Given light from 8 to 16 h, and every night from 20 to 4 h lost.
    let value = |_, minute: i64| {
        let lit = (480..960).contains(&minute);
        let lost = !(240..1200).contains(&minute);
        (!lost).then_some(if lit { 1000.0 } else { 0.0 })
    };
    let log = Log::new(readings(10, value), GAP, &|_| 0);
    let sums = HourlySums::of(&log, Shape::value());
    let hours = HoursOfDay::lit(&sums, 10.0);
    // Then 7 h matters too: its last ten minutes rise to 1000 lx.
    let expected = HoursOfDay::of(7..16);
    assert_eq!(hours, expected);
    let dose = sums.over(&[days(1, 9)], hours);
    near(dose.covered_hours, 8.0 * 9.0);
    near(dose.missing_hours, 0.0);
    near(dose.by_hour[9].covered_hours, 8.0);
    near(dose.by_hour[22].missing_hours, 0.0);
    let Comparable::Value(filled) = dose.comparable() else {
        panic!("{dose:?}");
    };
    near(filled.value, dose.covered_sum);
    // While the same log has too little of every hour.
    let all = sums.over(&[days(1, 9)], HoursOfDay::ALL);
    assert_eq!(all.comparable(), Comparable::TooLittleData);
}

/// Holes from 10 to 15 h on every day hide the brightest hours.
#[test]
fn noon_that_is_never_logged_is_missing_light() {
    let value = |_, minute: i64| {
        let noon = (600..900).contains(&minute);
        let lit = (480..1020).contains(&minute);
        (!noon).then_some(if lit { 1000.0 } else { 0.0 })
    };
    let log = Log::new(readings(10, value), GAP, &|_| 0);
    let sums = HourlySums::of(&log, Shape::value());
    let hours = HoursOfDay::lit(&sums, 10.0);
    assert!((10..15).all(|hour| hours.matters(hour)));
    assert!(!hours.matters(2) && !hours.matters(20));
    let dose = sums.over(&[days(1, 9)], hours);
    assert_eq!(dose.comparable(), Comparable::TooLittleData);
}

#[test]
fn one_evening_with_a_torch_is_no_daylight() {
    let value = |day: i64, minute: i64| {
        let torch = day == 12 && (1260..1320).contains(&minute);
        let lit = (480..960).contains(&minute);
        Some(if torch || lit { 1000.0 } else { 0.0 })
    };
    let log = Log::new(readings(30, value), GAP, &|_| 0);
    let sums = HourlySums::of(&log, Shape::value());
    assert!(!HoursOfDay::lit(&sums, 10.0).matters(21));
}

#[test]
fn dark_place_needs_every_hour() {
    let log = Log::new(readings(5, |_, _| Some(0.0)), GAP, &|_| 0);
    let sums = HourlySums::of(&log, Shape::value());
    assert_eq!(HoursOfDay::lit(&sums, 10.0), HoursOfDay::ALL);
}

/// Source: Dublin changes its clocks on 2026-03-29 at 01:00 UTC
/// (tz data 2025b).
#[test]
fn filling_follows_the_wall_clock_across_the_change() {
    // Given a lamp that is on from 18 to 19 h by the wall clock, and that
    // hour lost on the Sunday of the change.
    let change = 1_774_746_000_000;
    let local = move |at: Instant| {
        if at.millis() < change { 0 } else { 3600 }
    };
    let start = change - HOUR - 5 * 24 * HOUR;
    let lit = |at: Instant| {
        let wall = at.millis() + i64::from(local(at)) * 1000;
        (18 * HOUR..19 * HOUR).contains(&wall.rem_euclid(24 * HOUR))
    };
    let lost_from = Instant::from_millis(change + 16 * HOUR);
    let lost = Span::new(lost_from, lost_from.plus_hours(1.0));
    let readings: Vec<Reading> = (0..=10 * 144)
        .map(|i| Instant::from_millis(start + i * 10 * MINUTE))
        .filter(|at| *at <= lost.from || *at >= lost.to)
        .map(|at| good(at, if lit(at) { 600.0 } else { 0.0 }))
        .collect();
    let log = Log::new(readings, GAP, &local);
    let sums = HourlySums::of(&log, Shape::at_or_above(300.0));
    // Then the filled hour is lit, as on all other days: a fill at the same
    // UTC hour would find it dark on the days before.
    let dose = sums.over(&[lost], HoursOfDay::ALL);
    near(dose.missing_hours, 1.0);
    let filled = dose.filled.unwrap();
    assert!((filled.low - filled.high).abs() < 1e-9, "{filled:?}");
    assert!(filled.value > 0.9, "{filled:?}");
}

#[test]
fn readings_that_do_not_count_leave_a_hole() {
    let mut all = readings(2, |_, _| Some(10.0));
    for reading in &mut all[100..110] {
        reading.value = 85.0;
        reading.quality = Quality::KNOWN_FALSE;
    }
    let dose = dose(all, Shape::value(), &[days(0, 2)]);
    near(dose.missing_hours, 11.0 / 6.0);
    near(dose.covered_sum, 10.0 * (48.0 - 11.0 / 6.0));
}

#[test]
fn at_least_readings_make_an_at_least_dose_only_where_they_are() {
    let mut all = readings(2, |_, _| Some(1000.0));
    all[72].quality = Quality::AT_LEAST;
    let marked = |from, to| {
        dose(all.clone(), Shape::value(), &[Span::new(at(from), at(to))])
            .at_least
    };
    assert!(marked(0, 2880));
    assert!(marked(715, 716), "the line towards it is at least, too");
    assert!(!marked(0, 710));
    assert!(!marked(730, 2880));
}

#[test]
fn stay_without_a_log_is_all_missing() {
    let dose = dose(Vec::new(), Shape::within(0.0, 7.0), &[days(0, 56)]);
    near(dose.covered_sum, 0.0);
    near(dose.missing_hours, 56.0 * 24.0);
    assert_eq!(dose.filled, None);
    assert_eq!(dose.comparable(), Comparable::TooLittleData);
}

/// An irregular log with holes over about three days; distinct instants.
fn irregular() -> impl Strategy<Value = Vec<Reading>> {
    prop::collection::vec((1_i64..40, -5.0_f64..45.0), 2..200).prop_map(
        |steps| {
            let mut minute = 0;
            let reading = |(step, value): (i64, f64)| {
                minute += step;
                good(at(minute), value)
            };
            steps.into_iter().map(reading).collect()
        },
    )
}

fn same(a: &Dose, b: &Dose) -> Result<(), TestCaseError> {
    let near = |a: f64, b: f64| (a - b).abs() < 1e-6;
    prop_assert!(near(a.covered_sum, b.covered_sum), "{a:?}\n{b:?}");
    prop_assert!(near(a.covered_hours, b.covered_hours));
    prop_assert!(near(a.missing_hours, b.missing_hours));
    prop_assert_eq!(a.at_least, b.at_least);
    prop_assert_eq!(a.filled.is_some(), b.filled.is_some());
    if let (Some(a), Some(b)) = (a.filled, b.filled) {
        let Filled { value, low, high } = a;
        prop_assert!(near(value, b.value));
        prop_assert!(near(low, b.low) && near(high, b.high));
    }
    Ok(())
}

fn warmth() -> Shape {
    Shape::rise(5.0, Some(25.0), Some(35.0))
}

proptest! {
    #[test]
    fn pieces_add_up_to_the_whole(
        log in irregular(),
        cuts in prop::collection::vec(-500_i64..6000, 1..6),
    ) {
        let mut cuts = cuts;
        cuts.extend([-500, 6000]);
        cuts.sort_unstable();
        let spans: Vec<Span> = cuts
            .windows(2)
            .map(|pair| Span::new(at(pair[0]), at(pair[1])))
            .collect();
        let whole = [Span::new(at(-500), at(6000))];
        let log = Log::new(log, GAP, &|_| 0);
        let sums = HourlySums::of(&log, warmth());
        let at_once = sums.over(&whole, HoursOfDay::ALL);
        let together = sums.over(&spans, HoursOfDay::ALL);
        let added: Dose = spans
            .iter()
            .map(|span| sums.over(&[*span], HoursOfDay::ALL))
            .sum();
        same(&together, &at_once)?;
        same(&added, &at_once)?;
        let hours = at_once.covered_hours + at_once.missing_hours;
        prop_assert!((hours - whole[0].hours()).abs() < 1e-6);
    }

    #[test]
    fn a_reading_on_the_line_changes_nothing(
        log in irregular(),
        index in 0_usize..200,
        share in 0.01_f64..0.99,
    ) {
        let i = index % (log.len() - 1);
        let (a, b) = (log[i], log[i + 1]);
        prop_assume!(b.at.millis_since(a.at) <= GAP);
        let middle = a.at.plus_hours(b.at.hours_since(a.at) * share);
        prop_assume!(middle > a.at && middle < b.at);
        let part = middle.hours_since(a.at) / b.at.hours_since(a.at);
        let mut finer = log.clone();
        finer.push(good(middle, a.value + (b.value - a.value) * part));
        let span = [Span::new(at(-60), at(8000))];
        same(&dose(log, warmth(), &span), &dose(finer, warmth(), &span))?;
    }

    #[test]
    fn order_of_arrival_does_not_matter(
        log in irregular().prop_flat_map(|log| {
            (Just(log.clone()), Just(log).prop_shuffle())
        }),
    ) {
        let span = [Span::new(at(0), at(8000))];
        same(&dose(log.0, warmth(), &span), &dose(log.1, warmth(), &span))?;
    }

    #[test]
    fn a_later_start_does_not_matter(
        log in irregular(),
        later in -100_000_000_i64..100_000_000,
    ) {
        let span = Span::new(at(0), at(8000));
        let moved: Vec<Reading> = log
            .iter()
            .map(|r| Reading { at: r.at.plus_millis(later), ..*r })
            .collect();
        let moved_span = Span::new(
            span.from.plus_millis(later),
            span.to.plus_millis(later),
        );
        let mut a = dose(log, warmth(), &[span]);
        let mut b = dose(moved, warmth(), &[moved_span]);
        // The hours that lend their values to a hole do move.
        (a.filled, b.filled) = (None, None);
        same(&a, &b)?;
    }

    #[test]
    fn degrees_fahrenheit_give_the_same_warmth(log in irregular()) {
        let fahrenheit: Vec<Reading> = log
            .iter()
            .map(|r| Reading { value: r.value * 1.8 + 32.0, ..*r })
            .collect();
        let span = [Span::new(at(0), at(8000))];
        let celsius = dose(log, warmth(), &span);
        let shape = Shape::rise(41.0, Some(77.0), Some(95.0));
        let got = dose(fahrenheit, shape, &span);
        let allowed = 1e-6 * celsius.covered_sum.max(1.0);
        let off = got.covered_sum / 1.8 - celsius.covered_sum;
        prop_assert!(off.abs() < allowed);
    }

    /// The rule against a plain sum over very many short steps.
    #[test]
    fn exact_sum_agrees_with_tiny_steps(log in irregular()) {
        let log = Log::new(log, GAP, &|_| 0);
        let reach = log.reach().unwrap();
        let shape = Shape::above(5.0);
        let step = 2_000_i64;
        let mut sum = 0.0;
        let mut now = reach.from.plus_millis(step / 2);
        while now < reach.to {
            if let Some(value) = log.value_at(now) {
                sum += shape.at(value) * 2.0 / 3600.0;
            }
            now = now.plus_millis(step);
        }
        let exact = HourlySums::of(&log, shape)
            .over(&[reach], HoursOfDay::ALL)
            .covered_sum;
        prop_assert!((exact - sum).abs() < 0.01 + 1e-3 * exact);
    }
}
