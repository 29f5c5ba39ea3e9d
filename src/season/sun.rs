//! Where the sun stands and how long the day is.
//!
//! A simple formula without the equation of time and without refraction:
//! good to some minutes, which is enough for an invented season.

use std::f64::consts::{PI, TAU};

use crate::units::Instant;

/// 2000-01-01T00:00Z, from which the day of the year is counted.
const START_OF_2000: Instant = Instant::from_millis(946_684_800_000);
/// Mean length of a calendar year, days.
const YEAR: f64 = 365.2425;

/// The sun as seen from a spot on the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sun {
    /// Sine of its height above the horizon; negative at night.
    pub sine_of_height: f64,
    /// Its direction, degrees from north over east.
    pub azimuth_degrees: f64,
}

/// The day of the year, 1 at the start of 1 January, running on with the
/// hours. Leap years make it wander by up to a day.
pub(crate) fn day_of_year(at: Instant) -> f64 {
    1.0 + at.days_since(START_OF_2000).rem_euclid(YEAR)
}

/// Declination of the sun, radians.
fn declination(day_of_year: f64) -> f64 {
    0.409 * (TAU / 365.0 * day_of_year - 1.39).sin()
}

/// Length of the day from sunrise to sunset.
///
/// `24/π · arccos(−tan φ · tan δ)` with `δ = 0.409 sin(2π/365 · J − 1.39)`.
///
/// # Arguments
/// - `latitude_degrees`: φ, positive north of the equator.
/// - `day_of_year`: J, 1 to 366.
///
/// # Returns
/// Hours, 0 in the polar night and 24 in the polar day.
///
/// # Source
/// FAO Irrigation and Drainage Paper 56 (1998), eqs. 24, 25 and 34 (read as
/// quoted by a public weather-service page); see test
/// `day_length_matches_fao56_example_9`.
///
/// # Example
/// ```
/// use vernalog::season::sun::day_length_hours;
/// assert!((day_length_hours(0.0, 80.0) - 12.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn day_length_hours(latitude_degrees: f64, day_of_year: f64) -> f64 {
    let cosine =
        -latitude_degrees.to_radians().tan() * declination(day_of_year).tan();
    24.0 / PI * cosine.clamp(-1.0, 1.0).acos()
}

/// Where the sun stands.
#[must_use]
pub fn position(
    latitude_degrees: f64,
    longitude_degrees: f64,
    at: Instant,
) -> Sun {
    let hour = hour_of_day(at) + longitude_degrees / 15.0;
    let angle = (hour - 12.0) * PI / 12.0;
    let latitude = latitude_degrees.to_radians();
    let declination = declination(day_of_year(at));
    let sine_of_height = latitude.sin() * declination.sin()
        + latitude.cos() * declination.cos() * angle.cos();
    let from_south = angle.sin().atan2(
        angle.cos() * latitude.sin() - declination.tan() * latitude.cos(),
    );
    Sun { sine_of_height, azimuth_degrees: 180.0 + from_south.to_degrees() }
}

/// Hours since midnight UTC, with fractions.
pub(crate) fn hour_of_day(at: Instant) -> f64 {
    const DAY: i64 = 86_400_000;
    at.millis().rem_euclid(DAY) as f64 / 3_600_000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: FAO 56, Examples 8 and 9: 3 September (J = 246) at 20° S has
    /// δ = 0.120 rad and N = 11.7 h (from memory).
    #[test]
    fn day_length_matches_fao56_example_9() {
        assert!((declination(246.0) - 0.120).abs() < 5e-4);
        assert!((day_length_hours(-20.0, 246.0) - 11.7).abs() < 0.05);
    }

    #[test]
    fn poles_have_days_without_night_and_without_sun() {
        assert!((day_length_hours(80.0, 172.0) - 24.0).abs() < 1e-9);
        assert!(day_length_hours(80.0, 355.0).abs() < 1e-9);
    }

    /// The height of the sun is above zero for as long as the day lasts.
    #[test]
    fn the_sun_is_up_for_the_length_of_the_day() {
        for (noon, day) in
            [(1_771_070_400_000, 45.0), (1_784_030_400_000, 195.0)]
        {
            let start = Instant::from_millis(noon).plus_hours(-12.0);
            let minutes_up = (0..1440)
                .filter(|m| {
                    let at = start.plus_millis(m * 60_000);
                    position(53.0, 0.0, at).sine_of_height > 0.0
                })
                .count();
            let expected = 60.0 * day_length_hours(53.0, day);
            let found = f64::from(u32::try_from(minutes_up).unwrap());
            assert!((found - expected).abs() < 8.0, "{found} {expected}");
        }
    }

    /// At noon the sun stands in the south at 90° − latitude + declination.
    #[test]
    fn the_noon_sun_stands_in_the_south() {
        let noon = Instant::from_millis(1_771_070_400_000);
        let sun = position(53.0, 0.0, noon);
        assert!((sun.azimuth_degrees - 180.0).abs() < 1e-6);
        let height = sun.sine_of_height.asin().to_degrees();
        let expected =
            90.0 - 53.0 + declination(day_of_year(noon)).to_degrees();
        assert!((height - expected).abs() < 1e-9);
    }
}
