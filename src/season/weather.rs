//! The true climate: outside by season and hour, inside by place.
//!
//! Any instant can be asked for, in any order, and gives the same answer.
//! Not a forecast and not a record of any real place: the constants make a
//! mild, often cloudy coast at 53° north. Boards measure this with their own
//! errors; see `boards`.

use std::f64::consts::TAU;

use crate::climate::psychrometrics::saturation_over_water;
use crate::season::fridge::Fridge;
use crate::season::noise::Noise;
use crate::season::room::Room;
use crate::season::sun::{self, Sun};
use crate::units::{Celsius, Instant, Lux, RelativeHumidity};

/// The climate at a place at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Climate {
    /// Of the air.
    pub temperature: Celsius,
    /// Over liquid water.
    pub humidity: RelativeHumidity,
    /// Where the containers stand.
    pub light: Lux,
}

impl Climate {
    /// From plain numbers: °C, % (brought into 1–100), lx (not below 0).
    pub(crate) fn new(celsius: f64, percent: f64, lux: f64) -> Self {
        Self {
            temperature: Celsius::new(celsius)
                .expect("the weather stays far above absolute zero"),
            humidity: RelativeHumidity::from_percent(percent.clamp(1.0, 100.0))
                .expect("brought into range"),
            light: Lux::new(lux.max(0.0)).expect("no sun is brighter"),
        }
    }
}

/// Saturation vapour pressure over water, kPa.
pub(crate) fn saturation_kilopascals(celsius: f64) -> f64 {
    let air = Celsius::new(celsius)
        .expect("the weather stays far above absolute zero");
    saturation_over_water(air).kilopascals()
}

/// The air and the light outside the house.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outside {
    /// Air temperature, °C.
    pub temperature_celsius: f64,
    /// The same without its daily course, °C: what walls feel.
    pub day_mean_celsius: f64,
    /// Vapour pressure, kPa.
    pub vapour_kilopascals: f64,
    /// The sun.
    pub sun: Sun,
    /// Light of the sun itself on level ground, lx.
    pub beam_lux: f64,
    /// Light of the sky on level ground, lx.
    pub sky_lux: f64,
}

/// What gives a place its climate.
#[derive(Debug, Clone, PartialEq)]
pub enum Spot {
    /// Inside a fridge.
    Fridge(Fridge),
    /// Somewhere in the house.
    Room(Room),
}

/// The weather over one house.
#[derive(Debug, Clone, PartialEq)]
pub struct Weather {
    /// Degrees north.
    pub latitude_degrees: f64,
    /// Degrees east.
    pub longitude_degrees: f64,
    pub(crate) noise: Noise,
    sky: Sky,
}

/// What makes the weather change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Sky {
    fronts: Noise,
    dryness: Noise,
    cloudy_days: Noise,
    cloudy_hours: Noise,
    clouds: Noise,
}

impl Weather {
    /// Weather that follows from a seed.
    #[must_use]
    pub fn new(
        seed: u64,
        latitude_degrees: f64,
        longitude_degrees: f64,
    ) -> Self {
        let noise = Noise::new(seed).of("weather");
        let sky = Sky {
            fronts: noise.of("fronts"),
            dryness: noise.of("dryness"),
            cloudy_days: noise.of("cloudy days"),
            cloudy_hours: noise.of("cloudy hours"),
            clouds: noise.of("clouds"),
        };
        Self { latitude_degrees, longitude_degrees, noise, sky }
    }

    /// The air and the light outside.
    #[must_use]
    pub fn outside_at(&self, at: Instant) -> Outside {
        let year = TAU * (sun::day_of_year(at) - 25.0) / 365.0;
        let front = self.sky.fronts.smooth(at, 5_000);
        let day_mean = 9.8 - 5.4 * year.cos() + 4.2 * front;
        let clear = self.clear_share(at);
        let hour = sun::hour_of_day(at) + self.longitude_degrees / 15.0;
        let course = (TAU * (hour - 14.5) / 24.0).cos();
        let swing = 1.4 + 2.6 * self.slow_clear_share(at);
        let temperature = day_mean + swing * course;
        let dryness = 3.2 + 1.2 * self.sky.dryness.smooth(at, 900);
        let dew_point = (day_mean - dryness).min(temperature - 0.3);
        let sun =
            sun::position(self.latitude_degrees, self.longitude_degrees, at);
        let height = sun.sine_of_height.max(0.0);
        let beam = if height > 0.0 {
            100_000.0 * (-0.21 / height).exp() * height * clear
        } else {
            0.0
        };
        Outside {
            temperature_celsius: temperature,
            day_mean_celsius: day_mean,
            vapour_kilopascals: saturation_kilopascals(dew_point),
            sun,
            beam_lux: beam,
            sky_lux: (24_000.0 - 10_000.0 * clear) * height.powf(0.8),
        }
    }

    /// The climate at a spot of this name.
    #[must_use]
    pub fn climate_at(&self, name: &str, spot: &Spot, at: Instant) -> Climate {
        let noise = self.noise.of(name);
        match spot {
            Spot::Fridge(fridge) => fridge.climate_at(noise, at),
            Spot::Room(room) => room.climate_at(self, noise, at),
        }
    }

    /// How much of the sun comes through: 0 overcast, 1 clear.
    fn clear_share(&self, at: Instant) -> f64 {
        let course = 0.5 * self.sky.cloudy_days.smooth(at, 2_200)
            + 0.35 * self.sky.cloudy_hours.smooth(at, 240)
            + 0.35 * self.sky.clouds.smooth(at, 35);
        rising((course + 0.28) / 0.7)
    }

    /// The same without the single cloud, for what warms slowly.
    fn slow_clear_share(&self, at: Instant) -> f64 {
        rising((self.sky.cloudy_days.smooth(at, 2_200) + 0.8) / 1.6)
    }
}

/// From 0 to 1 without a corner while `x` goes from 0 to 1.
pub(crate) fn rising(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::psychrometrics::{dew_point, vapour_pressure};
    use crate::season::rowan;
    use crate::trial::entry::PlaceKind;

    const HOUR: i64 = 3_600_000;

    #[test]
    fn winter_is_colder_and_darker_than_summer() {
        let weather = Weather::new(3, 53.0, -6.0);
        let mean = |start: i64| {
            let hours = 30 * 24;
            let (t, l) = (0..hours)
                .map(|h| {
                    weather.outside_at(Instant::from_millis(start + h * HOUR))
                })
                .fold((0.0, 0.0), |(t, l), o| {
                    (t + o.temperature_celsius, l + o.beam_lux + o.sky_lux)
                });
            (t / 720.0, l / 720.0)
        };
        // January and July 2026.
        let (cold, dark) = mean(1_767_225_600_000);
        let (warm, bright) = mean(1_782_864_000_000);
        assert!((1.0..8.0).contains(&cold), "{cold}");
        assert!((11.0..19.0).contains(&warm), "{warm}");
        assert!(bright > 3.0 * dark, "{bright} {dark}");
    }

    #[test]
    fn the_order_of_asking_does_not_matter() {
        let plan = rowan::rowan_plan(5);
        let weather = plan.weather();
        for place in plan.all_places() {
            let at = plan.sowing_of(0).plus_hours(77.3);
            let name = place.name.as_str();
            let first = weather.climate_at(name, &place.spot, at);
            let later = at.plus_hours(3.0);
            assert_ne!(first, weather.climate_at(name, &place.spot, later));
            assert_eq!(first, weather.climate_at(name, &place.spot, at));
            let next = weather.climate_at(name, &place.spot, at.plus_millis(1));
            assert!(
                (next.temperature - first.temperature).degrees().abs() < 1e-3
            );
        }
    }

    /// Air of the rooms holds at least the water of the air outside, and
    /// nothing lies above its own saturation.
    #[test]
    fn humidity_agrees_with_the_dew_point() {
        let plan = rowan::rowan_plan(5);
        let weather = plan.weather();
        for hour in 0..2_000 {
            let at = plan.sowing_of(0).plus_hours(f64::from(hour));
            let outside = weather.outside_at(at);
            for place in plan.all_places() {
                let here =
                    weather.climate_at(place.name.as_str(), &place.spot, at);
                let (air, humidity) = (here.temperature, here.humidity);
                let dew_point = dew_point(air, humidity).unwrap();
                assert!((dew_point - air).degrees() < 1e-6);
                if place.kind != PlaceKind::Fridge && humidity.percent() < 98.9
                {
                    let inside = vapour_pressure(air, humidity).kilopascals();
                    assert!(inside > outside.vapour_kilopascals);
                }
            }
        }
    }
}
