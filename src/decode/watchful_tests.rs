//! Good series that must stay unmarked, and bad ones that must not.
//!
//! The faults are those of public threads on these sensors (stuck after fog,
//! −0.0625 with a broken ground); the series are invented.

use super::*;

/// Feeds one value every `minutes` and gives the marks of each reading.
fn marks(
    quantity: Quantity,
    minutes: i64,
    values: impl IntoIterator<Item = (f64, Option<f64>)>,
) -> Vec<Quality> {
    let mut watchful = Watchfulness::new(quantity);
    values
        .into_iter()
        .enumerate()
        .map(|(n, (value, beside))| {
            let minute = i64::try_from(n).unwrap() * minutes;
            let at = Instant::from_millis(minute * 60_000);
            watchful.observe(at, value, Quality::GOOD, beside)
        })
        .collect()
}

fn alone(
    values: impl IntoIterator<Item = f64>,
) -> impl Iterator<Item = (f64, Option<f64>)> {
    values.into_iter().map(|value| (value, None))
}

fn n_marked(marks: &[Quality], mark: Quality) -> usize {
    marks.iter().filter(|quality| quality.has(mark)).count()
}

/// A walk on hundredths, as a sensor with noise gives it.
fn hundredths(n: u32, around: f64) -> impl Iterator<Item = f64> {
    (0..n).map(move |i| around + f64::from(i * 7 % 5) / 100.0)
}

#[test]
fn a_quantised_board_in_a_steady_cellar_is_never_stuck() {
    for value in [11.5, 11.5625, 11.0] {
        let week = std::iter::repeat_n(value, 7 * 24 * 60);
        let marks = marks(Quantity::Temperature, 1, alone(week));
        assert!(marks.iter().all(|quality| *quality == Quality::GOOD));
    }
    // It has moved by its own steps before.
    let fridge = (0..2_000).map(|i| 3.6 + f64::from(i / 9 % 4) / 10.0);
    let then_still = std::iter::repeat_n(3.7, 24 * 60);
    let marks =
        marks(Quantity::Temperature, 1, alone(fridge.chain(then_still)));
    assert!(marks.iter().all(|quality| *quality == Quality::GOOD));
}

#[test]
fn a_fine_sensor_that_stands_still_is_stuck_after_six_hours() {
    let stuck = std::iter::repeat_n(4.02, 8 * 60);
    let series = hundredths(60, 4.0).chain(stuck);
    let marks = marks(Quantity::Temperature, 1, alone(series));
    assert_eq!(n_marked(&marks[..60 + 6 * 60], Quality::STUCK), 0);
    assert!(marks[60 + 6 * 60..].iter().all(|q| q.has(Quality::STUCK)));
    assert_eq!(n_marked(&marks, Quality::JUMP), 0);
}

#[test]
fn few_readings_or_a_hole_do_not_make_it_stuck() {
    // One an hour: six hours are seven readings.
    let hourly = hundredths(30, 4.0).chain(std::iter::repeat_n(4.02, 25));
    let marks_hourly = marks(Quantity::Temperature, 60, alone(hourly));
    assert_eq!(n_marked(&marks_hourly, Quality::STUCK), 0);
    // Same before and after a hole of three hours.
    let mut watchful = Watchfulness::new(Quantity::Temperature);
    let times = (0..300).chain(480..780);
    let n_stuck = hundredths(60, 4.0)
        .enumerate()
        .map(|(i, value)| (i64::try_from(i).unwrap() - 60, value))
        .chain(times.map(|minute| (minute, 4.02)))
        .map(|(minute, value)| {
            let at = Instant::from_millis(minute * 60_000);
            watchful.observe(at, value, Quality::GOOD, None)
        })
        .filter(|quality| quality.has(Quality::STUCK))
        .count();
    assert_eq!(n_stuck, 0);
}

#[test]
fn humidity_is_stuck_when_the_temperature_moves_and_it_does_not() {
    let day = |humidity: f64, swing: f64| {
        let values = (0..24 * 60).map(move |i| {
            let hour = f64::from(i) / 60.0;
            let wave = (hour * std::f64::consts::TAU / 24.0).sin();
            (humidity, Some(20.0 + swing * wave))
        });
        marks(Quantity::Humidity, 1, values)
    };
    assert!(n_marked(&day(1.0, 0.1), Quality::STUCK) > 0, "floor");
    assert!(n_marked(&day(47.0, 3.0), Quality::STUCK) > 0);
    // Steady air: whole per cents may well stand still.
    assert_eq!(n_marked(&day(47.0, 0.5), Quality::STUCK), 0);
    // Beside wet moss the air stays full, whatever the temperature.
    assert_eq!(n_marked(&day(98.0, 3.0), Quality::STUCK), 0);
}

/// Tenths of a per cent, as most boards send them.
#[test]
fn a_sensor_of_tenths_is_stuck_when_the_temperature_moves_by_one_degree() {
    let stuck_beside = |swing: f64| {
        let before = (0..120).map(|i| (47.0 + f64::from(i % 4) / 10.0, 20.0));
        let after = (0..24 * 60).map(move |i| {
            let wave = (f64::from(i) * std::f64::consts::TAU / 1_440.0).sin();
            (47.2, 20.0 + swing * wave)
        });
        let values = before.chain(after).map(|(rh, t)| (rh, Some(t)));
        let marks = marks(Quantity::Humidity, 1, values);
        assert_eq!(n_marked(&marks[..120 + 6 * 60], Quality::STUCK), 0);
        n_marked(&marks, Quality::STUCK)
    };
    assert_eq!(stuck_beside(1.2), 18 * 60);
    assert_eq!(stuck_beside(0.3), 0);
}

/// What is remembered of the temperature beside it is lost at a restart; the
/// mark on the stored readings is not.
#[test]
fn what_was_stuck_is_stuck_until_its_number_changes() {
    let mut watchful = Watchfulness::new(Quantity::Humidity);
    let mut hears = |minute: i64, value: f64, quality: Quality| {
        let at = Instant::from_millis(minute * 60_000);
        watchful.observe(at, value, quality, None)
    };
    assert!(hears(0, 47.2, Quality::STUCK).has(Quality::STUCK));
    assert!(hears(1, 47.2, Quality::GOOD).has(Quality::STUCK));
    assert_eq!(hears(2, 47.3, Quality::GOOD), Quality::GOOD);
    assert_eq!(hears(3, 47.3, Quality::GOOD), Quality::GOOD);
}

#[test]
fn humidity_full_for_more_than_six_hours_is_saturated() {
    let series = (0..10 * 60).map(|i| 99.0 + f64::from(i % 3) / 10.0);
    let marks = marks(Quantity::Humidity, 1, alone(series));
    assert_eq!(n_marked(&marks[..=6 * 60], Quality::SATURATED), 0);
    assert!(
        marks[6 * 60 + 1..].iter().all(|q| q.has(Quality::SATURATED)),
        "{marks:?}"
    );
    assert_eq!(n_marked(&marks, Quality::STUCK), 0);
}

#[test]
fn night_is_never_stuck_and_a_lamp_on_a_timer_is_not_either() {
    let winter = std::iter::repeat_n(0.0, 72 * 60);
    let marks_dark = marks(Quantity::Light, 1, alone(winter));
    assert_eq!(n_marked(&marks_dark, Quality::STUCK), 0);
    let lamp =
        (0..5 * 1_440).map(|m| if m % 1_440 < 960 { 350.0 } else { 0.0 });
    let marks_lamp = marks(Quantity::Light, 1, alone(lamp));
    assert_eq!(n_marked(&marks_lamp, Quality::STUCK), 0);
    let frozen = std::iter::repeat_n(471.0, 30 * 60);
    let marks_frozen = marks(Quantity::Light, 1, alone(frozen));
    assert_eq!(n_marked(&marks_frozen, Quality::STUCK), 6 * 60);
}

#[test]
fn a_light_sensor_with_fine_steps_is_stuck_after_six_hours() {
    let day = (0..60).map(|i| 800.0 + f64::from(i % 7));
    let frozen = std::iter::repeat_n(802.0, 8 * 60);
    let marks = marks(Quantity::Light, 1, alone(day.chain(frozen)));
    assert_eq!(n_marked(&marks, Quality::STUCK), 2 * 60);
}

#[test]
fn a_broken_ground_is_known_by_how_it_is_entered() {
    let broken = [4.125, 4.1875, -0.0625, -0.0625, -0.0625, -0.0625, 4.125];
    let marks_broken = marks(Quantity::Temperature, 1, alone(broken));
    let found: Vec<bool> = marks_broken
        .iter()
        .map(|quality| quality.has(Quality::KNOWN_FALSE))
        .collect();
    assert_eq!(found, [false, false, false, false, true, true, false]);
    // Water freezes: the plateau is entered step by step, and is true.
    let freezing = [0.25, 0.125, 0.0625, 0.0, -0.0625]
        .into_iter()
        .chain(std::iter::repeat_n(-0.0625, 300));
    let marks_freezing = marks(Quantity::Temperature, 1, alone(freezing));
    assert_eq!(n_marked(&marks_freezing, Quality::KNOWN_FALSE), 0);
    // From the first reading on: after an hour.
    let first = std::iter::repeat_n(-0.0625, 90);
    let marks_first = marks(Quantity::Temperature, 1, alone(first));
    assert_eq!(n_marked(&marks_first, Quality::KNOWN_FALSE), 30);
}

#[test]
fn a_step_no_air_makes_is_a_jump() {
    let carried = [4.0, 4.1, 21.0, 21.1];
    let found: Vec<bool> = marks(Quantity::Temperature, 1, alone(carried))
        .iter()
        .map(|quality| quality.has(Quality::JUMP))
        .collect();
    assert_eq!(found, [false, false, true, false]);
    // An open door, and the same step over ten minutes.
    let door = [4.0, 9.0, 13.5, 9.0, 5.0];
    let marks_door = marks(Quantity::Temperature, 1, alone(door));
    assert_eq!(n_marked(&marks_door, Quality::JUMP), 0);
    let slow = marks(Quantity::Temperature, 10, alone(carried));
    assert_eq!(n_marked(&slow, Quality::JUMP), 0);
}

#[test]
fn readings_out_of_order_and_false_ones_are_left_as_they_are() {
    let mut watchful = Watchfulness::new(Quantity::Temperature);
    let at = |minute: i64| Instant::from_millis(minute * 60_000);
    watchful.observe(at(10), 4.0, Quality::GOOD, None);
    let before = watchful;
    let older = watchful.observe(at(5), 40.0, Quality::BACKFILLED, None);
    assert_eq!(older, Quality::BACKFILLED);
    let known = watchful.observe(at(11), 85.0, Quality::KNOWN_FALSE, None);
    assert_eq!(known, Quality::KNOWN_FALSE);
    assert_eq!(watchful, before);
}
